"""What a drill leaves behind is counted and taken away: processes, mounts, loop devices, control groups.

Only what a drill made itself is touched: descendants of this process, and what lies in the
drill's own folder or bears its name.
"""

import ctypes
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

SUBREAPER = 36
"""PR_SET_CHILD_SUBREAPER: whoever loses its parent becomes our child, so that none is lost from sight."""

GROUPS = "drill-"
"""So begin the names of control groups that drills make; our process number follows."""


def adopt() -> None:
    """Become the parent of every descendant whose own parent ends (Linux; elsewhere nothing)."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(SUBREAPER, 1, 0, 0, 0)


def running(spared: int = 0) -> frozenset[int]:
    """Give the descendants of this process that run, without one child and its own."""
    return frozenset(one for one in below(os.getpid(), spared) if words_of(one))


def swept(folder: Path, before: frozenset[int], spared: int = 0) -> list[str]:
    """Take away what is left of the drill of a folder; say what it was.

    Args:
        folder: The drill's own.
        before: What ran before the drill began.
        spared: A child that plays other drills; 0: none.
    """
    return [*_processes(before, spared), *_mounts(folder), *_devices(folder), *_groups()]


def _processes(before: frozenset[int], spared: int) -> Iterator[str]:
    """End what still runs below this process; one that is just ending has two seconds."""
    ends = time.monotonic() + 2
    while (left := running(spared) - before) and time.monotonic() < ends:
        time.sleep(0.05)
    for number in left:
        yield f"process {number}: {words_of(number)}"
        with suppress(ProcessLookupError):
            os.kill(number, signal.SIGKILL)


def below(number: int, spared: int = 0) -> Iterator[int]:
    """Give the descendants of a process, without one and its own."""
    for task in Path(f"/proc/{number}/task").glob("*/children"):
        with suppress(OSError):
            for child in map(int, task.read_text().split()):
                if child != spared:
                    yield child
                    yield from below(child, spared)


def words_of(number: int) -> str:
    """Give the command of a process, "" where it has ended."""
    with suppress(OSError):
        return Path(f"/proc/{number}/cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")[:80]
    return ""


def _mounts(folder: Path) -> Iterator[str]:
    """Take out what is mounted in the folder, the last one first."""
    points = [line.split()[1] for line in Path("/proc/self/mounts").read_text().splitlines()]
    for point in reversed([one for one in points if one.startswith(f"{folder}/")]):
        yield f"mount {point}"
        subprocess.run(["fsfreeze", "-u", point], capture_output=True, check=False)
        subprocess.run(["umount", "-l", point], capture_output=True, check=False)


def _devices(folder: Path) -> Iterator[str]:
    """Detach the loop devices whose image lies in the folder."""
    for file in sorted(Path("/sys/block").glob("loop*/loop/backing_file")):
        with suppress(OSError):
            image = file.read_text().strip()
            if image.startswith(f"{folder}/"):
                device = f"/dev/{file.parts[3]}"
                yield f"{device}: {image}"
                subprocess.run(["losetup", "--detach", device], capture_output=True, check=False)


def _groups() -> Iterator[str]:
    """Take away the control groups of this process's drills."""
    for group in sorted(Path("/sys/fs/cgroup").glob(f"*/{GROUPS}{os.getpid()}*")):
        yield f"control group {group}"
        with suppress(OSError):
            group.rmdir()
