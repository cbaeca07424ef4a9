"""Sensors that the kernel shows under industrial I/O: processed values, or raw ones with scale.

Source: kernel ABI, testing/sysfs-bus-iio: milli-degrees and milli-percent; a raw value
counts as (raw + offset) · scale; without a file the offset is 0 and the scale 1.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from rules.reading import SECOND, Quantity
from sensors.reader import Boottime, Value
from sensors.sysfs import (
    SYSFS,
    Patience,
    Source,
    SourceError,
    SysfsReader,
    by_name,
    milli,
    read_number,
)

STEMS = {Quantity.TEMPERATURE: "in_temp", Quantity.HUMIDITY: "in_humidityrelative"}
"""How the files of a quantity begin."""


@dataclass(frozen=True, slots=True)
class IioSensor:
    """One device under industrial I/O.

    Attributes:
        name: The sensor's name.
        device: What the device's file "name" says ("hdc1080").
        path: Part of its device path, where several have one name.
        quantities: What is read.
        every: Its pace, ms. Some devices give one measurement for 2 s.
    """

    name: str
    device: str
    path: str | None = None
    quantities: tuple[Quantity, ...] = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
    every: int = 30 * SECOND


class IioReader(SysfsReader):
    """Reads all devices under industrial I/O, one thread each."""

    name = "iio"

    def __init__(
        self,
        sensors: Sequence[IioSensor],
        boottime: Boottime,
        root: Path = SYSFS,
        patience: Patience | None = None,
    ) -> None:
        """Prepare; each device is looked up by name at each read."""
        sources = [
            Source(
                s.name, f"{s.device} {s.path or ''}".strip(), s.every, s.device, partial(read_iio, root, s)
            )
            for s in sensors
        ]
        super().__init__(sources, boottime, patience or Patience(pause=2_100))


def _folder(root: Path) -> Path:
    """Give the folder of all devices."""
    return root / "bus/iio/devices"


def read_iio(root: Path, sensor: IioSensor) -> Mapping[Quantity, Value]:
    """Read the quantities of one device.

    Returns:
        What could be read.

    Raises:
        SourceError: Nothing could be read; says whether to try again.
    """
    folder = by_name(_folder(root), "iio:device*", sensor.device, sensor.path)
    values: dict[Quantity, Value] = {}
    failed: SourceError | None = None
    for quantity in sensor.quantities:
        try:
            values[quantity] = read_quantity(folder, STEMS[quantity])
        except SourceError as error:
            failed = error
    if not values and failed is not None:
        raise failed
    return values


def read_quantity(folder: Path, stem: str) -> Value:
    """Read one quantity: processed where there is such a file, else raw with offset and scale.

    Raises:
        SourceError: It cannot be read.
    """
    processed = folder / f"{stem}_input"
    if processed.exists():
        return milli(read_number(processed))
    raw = read_number(folder / f"{stem}_raw")
    offset = _optional(folder / f"{stem}_offset", 0.0)
    scale = _optional(folder / f"{stem}_scale", 1.0)
    return milli((raw + offset) * scale)


def _optional(path: Path, default: float) -> float:
    """Read a number whose file may be missing."""
    return read_number(path) if path.exists() else default
