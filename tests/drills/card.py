"""A card of the drills' own: a loop device with ext4, which may lose power, fill, fail and freeze."""

import ctypes
import fcntl
import os
import struct
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from tests.drills.drill import Skip, tool

SHUTDOWN = 0x8004587D
"""FS_IOC_SHUTDOWN of ext4; 2: what was not flushed is gone, as in a power cut."""


@dataclass(slots=True)
class Card:
    """An ext4 file system on a loop device."""

    image: Path
    folder: Path
    device: str = ""

    def mount(self) -> None:
        """Put it in; its journal is replayed."""
        self.device = run(tool("losetup"), "--find", "--show", str(self.image))
        run(tool("mount"), "-o", "errors=remount-ro", self.device, str(self.folder))

    def unmount(self) -> None:
        """Take it out; detaches only its own device."""
        for _ in range(50):
            if (
                subprocess.run(
                    [tool("umount"), str(self.folder)], capture_output=True, check=False
                ).returncode
                == 0
            ):
                break
            time.sleep(0.1)
        else:
            subprocess.run([tool("umount"), "-l", str(self.folder)], check=False)
        if self.device:
            subprocess.run([tool("losetup"), "--detach", self.device], capture_output=True, check=False)
            self.device = ""

    def cut(self) -> None:
        """Cut its power."""
        number = os.open(self.folder, os.O_RDONLY)
        try:
            fcntl.ioctl(number, SHUTDOWN, struct.pack("I", 2))
        except OSError as fault:
            raise Skip(f"the kernel does not cut its power: {fault.strerror}") from fault
        finally:
            os.close(number)

    def fail(self) -> None:
        """Let the file system meet an error: it becomes read-only."""
        trigger = Path("/sys/fs/ext4", Path(self.device).name, "trigger_fs_error")
        if not trigger.exists():
            raise Skip("the kernel cannot be asked for a file system error")
        trigger.write_text("drill\n")

    def again(self) -> None:
        """Take it out and put it in again."""
        self.unmount()
        self.mount()

    def sync(self) -> None:
        """Bring everything onto it."""
        number = os.open(self.folder, os.O_RDONLY)
        try:
            ctypes.CDLL(None, use_errno=True).syncfs(number)
        finally:
            os.close(number)


@contextmanager
def card(base: Path, megabytes: int = 64) -> Iterator[Card]:
    """Make a card, and take it away at the end.

    Raises:
        Skip: Root or loop devices are missing.
    """
    if os.geteuid() != 0:
        raise Skip("needs root")
    image, folder = base / "card.img", base / "card"
    folder.mkdir()
    with image.open("wb") as file:
        file.truncate(megabytes * 2**20)
    run(tool("mkfs.ext4"), "-qF", str(image))
    made = Card(image, folder)
    try:
        made.mount()
        yield made
    finally:
        made.unmount()


@contextmanager
def small_card(base: Path, megabytes: int) -> Iterator[Path]:
    """Give a folder with only so much room.

    Raises:
        Skip: It cannot be mounted here.
    """
    if os.geteuid() != 0:
        raise Skip("needs root")
    folder = base / "small"
    folder.mkdir(parents=True)
    run(tool("mount"), "-t", "tmpfs", "-o", f"size={megabytes}m,mode=700", "none", str(folder))
    try:
        yield folder
    finally:
        subprocess.run([tool("umount"), "-l", str(folder)], check=False)


def fill(file: Path) -> None:
    """Take all the room that there is."""
    number = os.open(file, os.O_CREAT | os.O_WRONLY, 0o600)
    with suppress(OSError):
        while True:
            os.write(number, bytes(4096))
    os.close(number)


def run(*command: str) -> str:
    """Run a tool.

    Raises:
        Skip: It fails: this machine does not let it.
    """
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise Skip(f"{Path(command[0]).name}: {done.stderr.strip() or done.stdout.strip()}")
    return done.stdout.strip()
