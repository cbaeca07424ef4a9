"""Sensors that the kernel shows under hwmon, and the board's own flag of a weak supply.

Source: kernel documentation hwmon/sysfs-interface.rst and hwmon/sht3x.rst. All values
are thousandths; numbers of devices change from boot to boot, names and paths do not.
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from rules.reading import MINUTE, SECOND, Quantity
from sensors.reader import Boottime, Value, says
from sensors.sysfs import (
    NO_VALUE,
    SYSFS,
    Patience,
    Source,
    SourceError,
    SysfsReader,
    by_name,
    milli,
    name_of,
    read_number,
)

SUPPLY_PACE = 10 * SECOND
"""Pace at which the board's supply is looked at, ms."""

SUPPLY_CALM = 10 * MINUTE
"""A supply that sagged is well when no flag was seen for so long, ms: it flickers near its limit."""

BOARD_SUPPLY = "rpi_volt"
"""Name of the driver of a common board that shows undervoltage."""


@dataclass(frozen=True, slots=True)
class HwmonSensor:
    """One sensor under hwmon.

    Attributes:
        name: The sensor's name.
        device: What the driver's file "name" says ("sht3x").
        path: Part of its device path, where several have one name.
        files: Its files: "temp1", "humidity1" or both.
        every: Its pace, ms.

    Raises:
        ValueError: Two files are of one quantity. The settings are to blame.
    """

    name: str
    device: str
    path: str | None = None
    files: tuple[str, ...] = ("temp1",)
    every: int = 30 * SECOND

    def __post_init__(self) -> None:
        """Refuse what one measurement cannot hold."""
        if len({quantity_of(file) for file in self.files}) != len(self.files):
            raise ValueError(f"{', '.join(self.files)}: one sensor has one temperature and one humidity")


def quantity_of(file: str) -> Quantity:
    """Give what a file measures, from its name."""
    return Quantity.HUMIDITY if file.startswith("humidity") else Quantity.TEMPERATURE


class HwmonReader(SysfsReader):
    """Reads all hwmon sensors, one thread a device, and watches the board's supply."""

    name = "hwmon"

    def __init__(
        self,
        sensors: Sequence[HwmonSensor],
        boottime: Boottime,
        root: Path = SYSFS,
        patience: Patience | None = None,
    ) -> None:
        """Prepare; each device is looked up by name at each read."""
        self._root = root
        self._supply_due = 0
        self._sagged: int | None = None
        sources = [
            Source(
                s.name, f"{s.device} {s.path or ''}".strip(), s.every, s.device, partial(read_hwmon, root, s)
            )
            for s in sensors
        ]
        super().__init__(sources, boottime, patience)

    def besides(self, now: int) -> None:
        """Look at the board's supply; say when it sags and when it has been calm again."""
        if now < self._supply_due:
            return
        self._supply_due = now + SUPPLY_PACE
        if supply_sags(self._root):
            if self._sagged is None:
                self.tell(says("supply", "", well=False, arrived=now, note="power supply weak"))
            self._sagged = now
        elif self._sagged is not None and now - self._sagged >= SUPPLY_CALM:
            self._sagged = None
            self.tell(says("supply", "", well=True, arrived=now))


def _folder(root: Path) -> Path:
    """Give the folder of all hwmon devices."""
    return root / "class/hwmon"


def read_hwmon(root: Path, sensor: HwmonSensor) -> Mapping[Quantity, Value]:
    """Read the files of one sensor.

    Returns:
        What could be read; a device that flags a fault gives FAULT_CODE.

    Raises:
        SourceError: Nothing could be read.
    """
    folder = by_name(_folder(root), "hwmon*", sensor.device, sensor.path)
    values: dict[Quantity, Value] = {}
    failed: SourceError | None = None
    for file in sensor.files:
        try:
            values[quantity_of(file)] = _read_file(folder, file)
        except SourceError as error:
            failed = error
    if not values and failed is not None:
        raise failed
    return values


def _read_file(folder: Path, file: str) -> Value:
    """Read one file; a flagged fault wins over its number."""
    with suppress(SourceError):
        if read_number(folder / f"{file}_fault"):
            return NO_VALUE
    return milli(read_number(folder / f"{file}_input"))


def supply_sags(root: Path) -> bool:
    """Tell whether the board says that its supply is weak.

    Notes:
        Critical flags count from every driver, minimum flags only from the board's own:
        main-board chips show spurious ones on inputs that are not connected.
    """
    for device in _folder(root).glob("hwmon*"):
        flags = list(device.glob("in*_lcrit_alarm"))
        if name_of(device) == BOARD_SUPPLY:
            flags += device.glob("in*_min_alarm")
        for flag in flags:
            with suppress(SourceError):
                if read_number(flag):
                    return True
    return False
