"""A small board: control groups that limit memory and processor time."""

import os
import sys
import time
from contextlib import suppress
from pathlib import Path

from tests.drills.drill import Skip
from tests.drills.sweeping import GROUPS

ENTER = """
import os, sys
for part in ("memory", "cpu"):
    with open(f"/sys/fs/cgroup/{part}/{sys.argv[1]}/cgroup.procs", "w") as file:
        file.write(str(os.getpid()))
os.execvp(sys.argv[2], sys.argv[2:])
"""


class Group:
    """Control groups of the first kind: 160 MB of memory and a fifth of a processor.

    Raises:
        Skip: They cannot be made here.
    """

    def __init__(self) -> None:
        self.name = f"{GROUPS}{os.getpid()}"
        self.folders = [Path("/sys/fs/cgroup/memory", self.name), Path("/sys/fs/cgroup/cpu", self.name)]
        limits = (("memory.limit_in_bytes", str(160 * 2**20)), ("cpu.cfs_quota_us", "20000"))
        try:
            for folder, (file, value) in zip(self.folders, limits, strict=True):
                folder.mkdir()
                (folder / file).write_text(value)
        except OSError as fault:
            self.end()
            raise Skip(f"control groups cannot be made here: {fault.strerror}") from fault

    @property
    def before(self) -> tuple[str, ...]:
        """Give the words before a command that shall live in it."""
        return sys.executable, "-c", ENTER, self.name

    def end(self) -> None:
        """Take them away."""
        for folder in self.folders:
            for _ in range(20):
                with suppress(OSError):
                    folder.rmdir()
                    break
                if not folder.exists():
                    break
                time.sleep(0.1)
