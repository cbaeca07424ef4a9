"""What already speaks on this board: every sensor that the kernel shows, with its value now."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from rules.reading import Quantity
from sensors.hwmon import HwmonSensor, read_hwmon
from sensors.iio import STEMS, IioSensor, read_iio
from sensors.onewire import read_wire, thermometers
from sensors.reader import Value
from sensors.sysfs import SYSFS, SourceError, device_path, name_of

BOARD_OWN = frozenset({"cpu_thermal", "coretemp", "k10temp", "acpitz", "nvme", "rpi_volt", "drivetemp"})
"""Names of drivers that measure the board itself, no place."""


@dataclass(frozen=True, slots=True)
class Found:
    """One sensor that is there.

    Attributes:
        by: How it is read: "1-wire", "hwmon" or "iio".
        device: Address or name.
        path: Its device path, or "" where the name is enough.
        values: What it says now, by quantity; empty where it cannot be read.
        trouble: Why it cannot be read, or "".
        read: The value of ``read`` in the config, in its form.
        own: It measures the board itself.
    """

    by: str
    device: str
    path: str
    values: Mapping[Quantity, Value]
    trouble: str
    read: str
    own: bool = False

    @property
    def lines(self) -> tuple[str, ...]:
        """The lines to paste into the config, below a place."""
        return ("[[place.sensor]]", f"read = {self.read}")


def discover(root: Path = SYSFS) -> list[Found]:
    """List every sensor that the kernel shows.

    Args:
        root: Where the kernel shows its devices.

    Returns:
        One entry for each; a device that cannot be read is there with its trouble. A read
        of a 1-wire thermometer takes up to 0.75 s.
    """
    return [*_wires(root), *_hwmons(root), *_iios(root)]


def _wires(root: Path) -> Iterator[Found]:
    """Look at the 1-wire buses."""
    for address in thermometers(root):
        values: Mapping[Quantity, Value] = {}
        trouble = ""
        try:
            values = read_wire(root, address)
        except SourceError as error:
            trouble = error.reason
        yield Found("1-wire", address, "", values, trouble, f'{{ by = "1-wire", address = "{address}" }}')


def _hwmons(root: Path) -> Iterator[Found]:
    """Look at hwmon; a 1-wire thermometer, which shows there too, is left out."""
    entries = sorted((root / "class/hwmon").glob("hwmon*"))
    for entry, name, part in _named(entries):
        files = [*entry.glob("temp*_input"), *entry.glob("humidity*_input")]
        if name.startswith("w1_slave") or not files:
            continue
        read_too = tuple(file for file in ("temp1", "humidity1") if (entry / f"{file}_input").exists())
        sensor = HwmonSensor("", name, part or None, read_too or ("temp1",))
        shown = ", ".join(f'"{file}"' for file in sensor.files)
        path = f', path = "{part}"' if part else ""
        read = f'{{ by = "hwmon", device = "{name}"{path}, channel = [{shown}] }}'
        values: Mapping[Quantity, Value] = {}
        trouble = ""
        try:
            values = read_hwmon(root, sensor)
        except SourceError as error:
            trouble = error.reason
        yield Found("hwmon", name, part, values, trouble, read, own=name in BOARD_OWN)


def _iios(root: Path) -> Iterator[Found]:
    """Look at industrial I/O; devices without temperature and humidity are left out."""
    entries = sorted((root / "bus/iio/devices").glob("iio:device*"))
    for entry, name, part in _named(entries):
        quantities = tuple(
            quantity
            for quantity, stem in STEMS.items()
            if (entry / f"{stem}_input").exists() or (entry / f"{stem}_raw").exists()
        )
        if not quantities:
            continue
        shown = ", ".join(f'"{quantity.value}"' for quantity in quantities)
        path = f', path = "{part}"' if part else ""
        read = f'{{ by = "iio", device = "{name}"{path}, quantities = [{shown}] }}'
        values: Mapping[Quantity, Value] = {}
        trouble = ""
        try:
            values = read_iio(root, IioSensor("", name, part or None, quantities))
        except SourceError as error:
            trouble = error.reason
        yield Found("iio", name, part, values, trouble, read)


def _named(entries: list[Path]) -> Iterator[tuple[Path, str, str]]:
    """Give each device with its name, and its path where two have one name."""
    names = {entry: name_of(entry) for entry in entries}
    for entry, name in names.items():
        if name:
            twice = list(names.values()).count(name) > 1
            yield entry, name, _short(device_path(entry)) if twice else ""


def _short(path: str) -> str:
    """Give the last part of a device path, which tells it from its like."""
    return path.rstrip("/").rsplit("/", 1)[-1]
