"""Trees laid out as the kernel lays out /sys for 1-wire, hwmon and industrial I/O."""

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from sensors.onewire import crc8


def scratchpad(celsius: float, *, byte6: int = 0x10, crc: str = "YES", stale: float | None = None) -> str:
    """Compose the two lines of "w1_slave" for a DS18B20.

    Args:
        celsius: What its bytes say.
        byte6: Its seventh byte (0x0C after power-on).
        crc: The kernel's verdict.
        stale: The value of the second line, where it is an older one.
    """
    raw = round(celsius * 16) & 0xFFFF
    data = bytes([raw & 0xFF, raw >> 8, 0x4B, 0x46, 0x7F, 0xFF, byte6, 0x10])
    return two_lines(data + bytes([crc8(data)]), crc, celsius if stale is None else stale)


def two_lines(data: bytes, crc: str, celsius: float) -> str:
    """Write nine bytes as the kernel does."""
    shown = " ".join(f"{byte:02x}" for byte in data)
    return f"{shown} : crc={data[8]:02x} {crc}\n{shown} t={round(celsius * 1000)}\n"


@dataclass
class Tree:
    """A tree of devices below ``root``, with the symbolic links of the real one."""

    root: Path
    numbers: dict[str, int] = field(default_factory=dict)

    def write(self, path: Path, text: str) -> Path:
        """Write a file, with its folders."""
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
        return path

    def link(self, name: Path, target: Path) -> None:
        """Make a relative symbolic link, as the kernel does."""
        name.parent.mkdir(parents=True, exist_ok=True)
        if not name.is_symlink():
            name.symlink_to(os.path.relpath(target, name.parent))

    def wire(self, address: str, files: Mapping[str, str], master: int = 1) -> Path:
        """Add a 1-wire slave; give its folder."""
        bus = self.root / f"devices/w1_bus_master{master}"
        slave = bus / address
        slave.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            self.write(slave / name, text)
        self.link(self.root / f"bus/w1/devices/w1_bus_master{master}", bus)
        self.link(self.root / f"bus/w1/devices/{address}", slave)
        return slave

    def hwmon(self, number: int, name: str, files: Mapping[str, str], at: str = "i2c-1/1-0044") -> Path:
        """Add a hwmon device at a bus address; give its folder."""
        device = self.root / f"devices/platform/soc/{at}"
        folder = device / f"hwmon/hwmon{number}"
        for file, text in {"name": f"{name}\n", **files}.items():
            self.write(folder / file, text)
        self.link(folder / "device", device)
        self.link(self.root / f"class/hwmon/hwmon{number}", folder)
        return folder

    def iio(self, number: int, name: str, files: Mapping[str, str], at: str = "i2c-1/1-0040") -> Path:
        """Add a device of industrial I/O; give its folder."""
        folder = self.root / f"devices/platform/soc/{at}/iio:device{number}"
        for file, text in {"name": f"{name}\n", **files}.items():
            self.write(folder / file, text)
        self.link(self.root / f"bus/iio/devices/iio:device{number}", folder)
        return folder

    def renumber(self, kind: str, old: int, new: int) -> None:
        """Give a hwmon ("hwmon") or IIO ("iio:device") device another number."""
        folder = self.root / ("class/hwmon" if kind == "hwmon" else "bus/iio/devices")
        link = folder / f"{kind}{old}"
        real = link.resolve()
        moved = real.with_name(f"{kind}{new}")
        link.unlink()
        real.rename(moved)
        self.link(folder / f"{kind}{new}", moved)


def breaks(path: Path) -> None:
    """Make a file whose read gives EIO, as a device that does not answer does.

    Address 0 of a process is not mapped, so reading its memory there is an input/output error.
    """
    path.unlink(missing_ok=True)
    path.symlink_to("/proc/self/mem")


def hangs(path: Path) -> None:
    """Make a file whose read never ends (until :func:`wakes`), as a hung bus does."""
    path.unlink(missing_ok=True)
    os.mkfifo(path)


def wakes(path: Path, text: str) -> None:
    """End a hanging read with ``text``, and make the file a plain one."""
    with path.open("w") as pipe:
        path.unlink()
        path.write_text(text)
        pipe.write(text)
