"""1-wire thermometers through the kernel: the newer file "temperature", else "w1_slave".

Source: kernel documentation w1/slaves/w1_therm.rst and ABI/testing/sysfs-driver-w1_therm;
DS18B20 data sheet. Addresses are names; numbers of masters mean nothing.
"""

import math
import re
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from rules.reading import SECOND, Quality, Quantity
from sensors.reader import Boottime, Value
from sensors.sysfs import NO_VALUE, SYSFS, Patience, Source, SourceError, SysfsReader, milli, read_text

CONVERSION = {9: 94, 10: 188, 11: 375, 12: 750}
"""Time of one conversion by resolution in bits, ms. Source: w1_therm.rst, data sheet."""

OVERHEAD = 35
"""Time to address one sensor and fetch its nine bytes, ms: about 160 time slots and two resets."""

THERMOMETERS = frozenset({"10", "22", "28", "3b", "42"})
"""Family codes of thermometers. Source: w1_therm.rst."""

POWER_ON = 0x0550
"""Raw value after power-on (85 °C); with byte 6 = 0x0C no conversion has run."""

POWER_LOW = 0x07FF
"""Raw value when the supply did not last through the conversion (127.9375 °C)."""

BULK_WAIT = 2.0
"""Longest wait for a conversion of all at once, s."""

_LINE = re.compile(r"((?:[0-9a-f]{2} ){9}): crc=([0-9a-f]{2}) (YES|NO)", re.ASCII)
_VALUE = re.compile(r"t=(-?\d{1,7})\s*$", re.ASCII)


@dataclass(frozen=True, slots=True)
class WireSensor:
    """One thermometer on a 1-wire bus.

    Attributes:
        name: The sensor's name.
        address: As the kernel writes it ("28-0316a2794bff").
        every: Its pace, ms.
    """

    name: str
    address: str
    every: int = 30 * SECOND


@dataclass(frozen=True, slots=True)
class BusRound:
    """How long one bus takes to read all its sensors.

    Attributes:
        bus: Name of its master.
        sensors: How many are read.
        bulk: The kernel lets all convert at once.
        takes: The time of one round, ms.
    """

    bus: str
    sensors: int
    bulk: bool
    takes: int


class OneWireReader(SysfsReader):
    """Reads all 1-wire thermometers, one thread a bus."""

    name = "1-wire"

    def __init__(
        self,
        sensors: Sequence[WireSensor],
        boottime: Boottime,
        root: Path = SYSFS,
        patience: Patience | None = None,
    ) -> None:
        """Prepare; the bus of each sensor is looked up now, its files at each read."""
        self._root = root
        sources = [
            Source(s.name, bus_of(root, s.address), s.every, s.address, partial(read_wire, root, s.address))
            for s in sensors
        ]
        super().__init__(sources, boottime, patience or Patience(pause=400))

    def before_round(self, bus: str, due: Sequence[Source]) -> None:
        """Let all convert at once where that spares time."""
        if len(due) > 1:
            convert_all(_devices(self._root) / bus)


def _devices(root: Path) -> Path:
    """Give the folder of all masters and slaves."""
    return root / "bus/w1/devices"


def bus_of(root: Path, address: str) -> str:
    """Give the master that a slave hangs on; where it is not there, the first one."""
    masters = sorted(_devices(root).glob("w1_bus_master*"))
    for master in masters:
        if (master / address).exists():
            return master.name
    parent = (_devices(root) / address).resolve().parent.name
    if parent.startswith("w1_bus_master"):
        return parent
    return masters[0].name if masters else "w1_bus_master"


def convert_all(master: Path) -> bool:
    """Start a conversion of all thermometers on a bus and wait for its end.

    Returns:
        Whether the kernel offers it and it ended; each sensor then gives its value at once.
    """
    control = master / "therm_bulk_read"
    try:
        with control.open("r+b", buffering=0) as file:
            file.write(b"trigger\n")
    except OSError:
        return False
    end = time.monotonic() + BULK_WAIT
    while time.monotonic() < end:
        time.sleep(0.05)
        with suppress(SourceError):
            if read_text(control) != "-1":
                return True
    return False


def read_wire(root: Path, address: str) -> dict[Quantity, Value]:
    """Read one thermometer.

    Raises:
        SourceError: It gave nothing; says whether to try again.
    """
    folder = _devices(root) / address
    if not folder.exists():
        raise SourceError(f"{address} is not on the bus")
    if (folder / "temperature").exists():
        text = read_text(folder / "temperature")
        if not re.fullmatch(r"-?\d{1,7}", text, re.ASCII):
            raise SourceError(f'"{text[:20]}" is no number of millidegrees')
        return {Quantity.TEMPERATURE: milli(int(text))}
    return {Quantity.TEMPERATURE: judge_scratchpad(read_text(folder / "w1_slave"), address[:2])}


def judge_scratchpad(text: str, family: str = "28") -> Value:
    """Read the two lines of "w1_slave".

    Args:
        text: Nine bytes and the verdict on their checksum; the bytes again and t=.
        family: Family code of the address.

    Returns:
        The temperature; or FAULT_CODE where the bytes say that it is none.

    Raises:
        SourceError: A checksum is wrong or the text is torn; another try may help.

    Notes:
        Where the checksum is wrong the kernel still shows the value of an earlier read.
        Nine zeros pass the checksum.
    """
    first, *rest = text.lower().splitlines() or [""]
    line = _LINE.match(first.replace(" yes", " YES").replace(" no", " NO"))
    value = _VALUE.search(rest[-1]) if rest else None
    if line is None or (value is None and line[3] == "YES"):
        raise SourceError("the kernel's two lines are torn", again=True)
    data = bytes.fromhex(line[1])
    if line[3] != "YES" or crc8(data[:8]) != data[8]:
        failed = {Quantity.TEMPERATURE: NO_VALUE}
        raise SourceError("the checksum is wrong (CRC NO)", again=True, instead=failed)
    if value is None:
        return NO_VALUE
    celsius = int(value[1]) / 1000
    return Value(celsius, Quality.FAULT_CODE if _is_fault(data, family) else Quality.GOOD)


def _is_fault(data: bytes, family: str) -> bool:
    """Tell bytes that mean "no value" from a temperature."""
    if not any(data):
        return True
    raw = data[0] | data[1] << 8
    return family == "28" and (raw == POWER_LOW or (raw == POWER_ON and data[6] == 0x0C))


def crc8(data: bytes) -> int:
    """Compute the 1-wire checksum.

    Source: polynomial x⁸+x⁵+x⁴+1, reflected 0x8C, start 0 (Maxim application note 27, from memory).
    """
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0x8C if crc & 1 else crc >> 1
    return crc


def conversion_time(root: Path, address: str) -> int:
    """Give how long one conversion takes, ms: as the kernel says, else by resolution, else 750."""
    folder = _devices(root) / address
    with suppress(SourceError, ValueError):
        measured = int(read_text(folder / "conv_time"))
        if measured > 0:
            return measured
    with suppress(SourceError, ValueError):
        return CONVERSION.get(int(read_text(folder / "resolution")), CONVERSION[12])
    return CONVERSION[12]


def round_times(root: Path, addresses: Sequence[str]) -> list[BusRound]:
    """Compute how long each bus takes for a round of all its sensors.

    Args:
        root: Where the kernel shows its devices.
        addresses: The sensors that are read.

    Returns:
        One entry for each bus; a round that takes longer than ``every`` cannot keep its pace.
    """
    buses: dict[str, list[int]] = {}
    for address in addresses:
        buses.setdefault(bus_of(root, address), []).append(conversion_time(root, address))
    rounds = []
    for bus, times in buses.items():
        bulk = len(times) > 1 and (_devices(root) / bus / "therm_bulk_read").exists()
        takes = (max(times) if bulk else sum(times)) + OVERHEAD * len(times)
        rounds.append(BusRound(bus, len(times), bulk, math.ceil(takes)))
    return rounds


def thermometers(root: Path) -> list[str]:
    """List the addresses of all thermometers that are there."""
    entries = _devices(root).glob("??-????????????")
    return sorted(entry.name for entry in entries if entry.name[:2].lower() in THERMOMETERS)
