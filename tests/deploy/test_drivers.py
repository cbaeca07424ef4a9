"""The kernel's own drivers, in a booted kernel, read by our readers.

The chips are registers on the kernel's made-up bus; everything above is real: the
drivers lm75 and bmp280, the tree under /sys, and our readers running in that machine.
"""

import math
from typing import Any

import pytest

from tests.kit.kernel import CannotBeHadError, missing, run_inside

pytestmark = [
    pytest.mark.full,
    pytest.mark.timeout(120),
    pytest.mark.skipif(bool(missing()), reason=f"no kernel can be booted here, missing: {missing()}"),
]

COLD, WARM, AIR = 0x49, 0x48, 0x76
"""Addresses of two thermometers and of one chip for temperature, humidity and pressure."""

TEMPERATURE_TRIM = (27504, 26435, -1000)
PRESSURE_TRIM = (36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
"""Trim and counts of the worked example in the maker's data sheet: 25.08 °C, 100 653 Pa."""

TEMPERATURE_COUNT, PRESSURE_COUNT = 519_888, 415_148

HUMIDITY_TRIM = (75, 362, 0, 325, 50, 30)
HUMIDITY_COUNT = 29_000


def humidity() -> float:
    """Give what the counts mean (percent), by the data sheet's formula in floating point."""
    t1, t2, t3 = TEMPERATURE_TRIM
    first = (TEMPERATURE_COUNT / 16384 - t1 / 1024) * t2
    second = (TEMPERATURE_COUNT / 131072 - t1 / 8192) ** 2 * t3
    fine = first + second - 76800
    h1, h2, h3, h4, h5, h6 = HUMIDITY_TRIM
    scale = h2 / 65536 * (1 + h6 / 67108864 * fine * (1 + h3 / 67108864 * fine))
    wet = (HUMIDITY_COUNT - (h4 * 64 + h5 / 16384 * fine)) * scale
    return wet * (1 - h1 * wet / 524288)


def air_registers() -> dict[int, int]:
    """Lay out identity, trim and counts as the chip for air shows them, one byte each."""
    words = b"".join((trim & 0xFFFF).to_bytes(2, "little") for trim in (*TEMPERATURE_TRIM, *PRESSURE_TRIM))
    h1, h2, h3, h4, h5, h6 = HUMIDITY_TRIM
    wet = bytes(
        [h2 & 0xFF, h2 >> 8, h3, h4 >> 4, (h4 & 0x0F) | (h5 & 0x0F) << 4, h5 >> 4, h6]
    )  # two of 12 bits share a byte
    counts = (PRESSURE_COUNT << 4).to_bytes(3, "big") + (TEMPERATURE_COUNT << 4).to_bytes(3, "big")
    counts += HUMIDITY_COUNT.to_bytes(2, "big")
    blocks = {0x88: words, 0xA1: bytes([h1]), 0xD0: b"\x60", 0xE1: wet, 0xF7: counts}
    return {start + place: byte for start, block in blocks.items() for place, byte in enumerate(block)}


INSIDE = r"""
import glob, json, os, time
from pathlib import Path
from rules.reading import Quantity
from sensors.discover import discover
from sensors.hwmon import HwmonReader, HwmonSensor, read_hwmon
from sensors.iio import IioReader, IioSensor, read_iio
from sensors.reader import Arrival, Inbox
from sensors.sysfs import SYSFS, Patience, SourceError

bus = next(p for p in glob.glob("/sys/bus/i2c/devices/i2c-*") if "stub" in Path(p, "name").read_text())
number = bus.rsplit("-", 1)[1]
said = {"number": number}

def poke(chip, register, value, size):
    done = os.system(f"busybox i2cset -y {number} {chip:#x} {register:#x} {value:#x} {size} >/dev/null")
    assert done == 0, (chip, register)

def appear(driver, chip):
    Path(bus, "new_device").write_text(f"{driver} {chip:#x}\n")

def vanish(chip):
    Path(bus, "delete_device").write_text(f"{chip:#x}\n")

def boottime():
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000

def numbers():
    return {os.path.realpath(p + "/device")[-4:]: p[-6:] for p in glob.glob("/sys/class/hwmon/hwmon*")
            if Path(p, "name").read_text() == "lm75\n"}

def attempt(read, *words):
    try:
        return {quantity.value: value.raw for quantity, value in read(SYSFS, *words).items()}
    except SourceError as error:
        return error.reason

def listed():
    return [[f.by, f.device, f.path, {q.value: v.raw for q, v in f.values.items()}, f.trouble, f.read]
            for f in discover()]

def await_that(inbox, wanted, seen):
    end = boottime() + 10_000
    while boottime() < end:
        for arrival in inbox.drain():
            seen.append(arrival)
        if any(wanted(arrival) for arrival in seen):
            return True
        time.sleep(0.05)
    return False

def of(sensor):
    return lambda a: isinstance(a, Arrival) and a.sensor == sensor

for register, byte in AIR_REGISTERS.items():
    poke(AIR, register, byte, "b")
# The chip sends its high byte first, the bus counts words low byte first: 31.5 and -10.5 degrees.
poke(WARM, 0, 0x801F, "w")
poke(COLD, 0, 0x80F5, "w")

appear("lm75", WARM)
appear("bme280", AIR)
lm75 = Path("/sys/class/hwmon", numbers()["0048"])
iio = next(Path(p) for p in glob.glob("/sys/bus/iio/devices/iio:device*"))
said["raw"] = {name: (folder / name).read_text().strip() for folder, name in (
    (lm75, "name"), (lm75, "temp1_input"), (iio, "in_temp_input"),
    (iio, "in_humidityrelative_input"), (iio, "in_pressure_input"))}
said["alone"] = listed()
said["iio"] = attempt(read_iio, IioSensor("s", "bme280"))

appear("lm75", COLD)
said["both"] = listed()
said["unclear"] = attempt(read_hwmon, HwmonSensor("s", "lm75"))
warm = HwmonSensor("warm", "lm75", f"{number}-0048", every=200)
cold = HwmonSensor("cold", "lm75", f"{number}-0049", every=200)
said["before"] = [numbers(), attempt(read_hwmon, warm), attempt(read_hwmon, cold)]
vanish(WARM), vanish(COLD)
said["gone"] = attempt(read_hwmon, warm)
appear("lm75", COLD), appear("lm75", WARM)
said["after"] = [numbers(), attempt(read_hwmon, warm), attempt(read_hwmon, cold)]

readers = [HwmonReader([warm, cold], boottime, patience=Patience(tries=1)),
           IioReader([IioSensor("air", "bme280", every=200)], boottime)]
inbox, seen = Inbox(), []
for reader in readers:
    reader.start(inbox)
said["arrived"] = {name: await_that(inbox, of(name), seen) for name in ("warm", "cold", "air")}
said["values"] = {a.sensor: {q.value: v.raw for q, v in a.values.items()} for a in seen
                  if isinstance(a, Arrival) and not a.sensor.startswith("watch/")}
vanish(WARM)
seen.clear()
ails = lambda a: isinstance(a, Arrival) and a.sensor == "watch/reader/hwmon" and a.note
said["ails"] = await_that(inbox, ails, seen) and [a.note for a in seen if ails(a)]
seen.clear()
said["cold goes on"] = await_that(inbox, of("cold"), seen)
appear("lm75", WARM)
seen.clear()
said["back"] = await_that(inbox, of("warm"), seen)
for reader in readers:
    reader.stop()
print(json.dumps(said))
"""
"""What runs in the machine, after the lines that give it addresses and registers."""


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Boot the machine once; give what our readers said in it."""
    program = f"WARM, COLD, AIR = {WARM}, {COLD}, {AIR}\nAIR_REGISTERS = {air_registers()}\n{INSIDE}"
    try:
        return run_inside(
            tmp_path_factory.mktemp("machine"), program, ["i2c-dev", "lm75", "bmp280-i2c"], [WARM, COLD, AIR]
        )
    except CannotBeHadError as reason:
        pytest.skip(f"no kernel can be had here: {reason}")


def test_drivers_show_the_chips(said: Any) -> None:
    """The real drivers turn the registers into the data sheet's values, so the machine is worth reading."""
    raw = said["raw"]
    assert (raw["name"], raw["temp1_input"], raw["in_temp_input"]) == ("lm75", "31500", "25080")
    assert math.isclose(float(raw["in_pressure_input"]), 100.653, abs_tol=0.001)
    assert math.isclose(float(raw["in_humidityrelative_input"]) / 1000, humidity(), abs_tol=0.05)


def test_readers_give_what_drivers_show(said: Any) -> None:
    """Each reader's threads bring the drivers' values into the inbox, scaled to °C and percent."""
    assert said["arrived"] == {"warm": True, "cold": True, "air": True}
    wet = float(said["raw"]["in_humidityrelative_input"]) / 1000
    air = {"temperature": 25.08, "humidity": pytest.approx(wet, abs=1e-4)}
    assert said["values"] == {"warm": {"temperature": 31.5}, "cold": {"temperature": -10.5}, "air": air}
    assert said["iio"] == air


def test_discovery_lists_them(said: Any) -> None:
    """What speaks is listed with its value and lines to paste, without a path where the name is enough."""
    lm75, bme280 = said["alone"]
    assert lm75 == [
        "hwmon", "lm75", "", {"temperature": 31.5}, "",
        '{ by = "hwmon", device = "lm75", channel = ["temp1"] }',
    ]  # fmt: skip
    assert bme280[:3] == ["iio", "bme280", ""]
    assert bme280[3:5] == [said["iio"], ""]
    assert bme280[5] == '{ by = "iio", device = "bme280", quantities = ["temperature", "humidity"] }'


def test_discovery_tells_twins_apart(said: Any) -> None:
    """Two chips of one name are listed with their addresses; read by the name alone they are refused."""
    bus = said["number"]
    found = {entry[2]: entry[3] for entry in said["both"] if entry[0] == "hwmon"}
    assert found == {f"{bus}-0048": {"temperature": 31.5}, f"{bus}-0049": {"temperature": -10.5}}
    assert said["unclear"].startswith('2 devices are named "lm75"')


def test_numbers_mean_nothing(said: Any) -> None:
    """Chips that appear in the other order change their numbers, not the sensors that read them."""
    numbers, *before = said["before"]
    renumbered, *after = said["after"]
    assert (numbers["0048"] < numbers["0049"]) is not (renumbered["0048"] < renumbered["0049"])
    assert before == after == [{"temperature": 31.5}, {"temperature": -10.5}]


def test_a_chip_that_goes_and_comes_back(said: Any) -> None:
    """A chip that vanishes under a running reader is named; its neighbour goes on; back, it is read again."""
    bus = said["number"]
    assert said["gone"] == f'no device "lm75" at "{bus}-0048" is there'
    assert said["ails"]
    assert f'warm: no device "lm75" at "{bus}-0048" is there' in said["ails"][0]
    assert said["cold goes on"] is True
    assert said["back"] is True
