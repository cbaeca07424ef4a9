"""1-wire words against the table of the DS18B20's data sheet.

Source: DS18B20 data sheet, temperature/data relationship (from memory), and the kernel's
w1_therm documentation; scratchpads with checksums worked out by hand (CRC-8, polynomial 0x31
reflected, start 0). The kind of place is what tells 0.000 °C of a freezer from an all-zero word.
"""

import pytest

from rules.plan import PlaceKind
from rules.plausible import judge
from rules.reading import Quality, Quantity
from sensors.onewire import crc8, judge_scratchpad
from tests.kit.rooms import sensor

WIRE = sensor("w", "box-1", reader="1-wire")

WORDS = {
    "07d0": 125.0,
    "0550": 85.0,
    "0191": 25.0625,
    "00a2": 10.125,
    "0008": 0.5,
    "fff8": -0.5,
    "ff5e": -10.125,
    "fe6f": -25.0625,
    "fc90": -55.0,
}
"""Raw word and °C."""

PADS = [
    ("50 05 4b 46 7f ff 0c 10", "1c", 85.0, Quality.FAULT_CODE),
    ("50 05 4b 46 7f ff 10 10", "bd", 85.0, Quality.GOOD),
    ("f0 01 4b 46 7f ff 10 10", "73", 31.0, Quality.GOOD),
    ("c1 01 4b 46 7f ff 0f 10", "38", 28.0625, Quality.GOOD),
    ("5e ff 4b 46 7f ff 02 10", "b6", -10.125, Quality.GOOD),
    ("ff 07 4b 46 7f ff 0c 10", "a6", 127.9375, Quality.FAULT_CODE),
    ("00 00 00 00 00 00 00 00", "00", 0.0, Quality.FAULT_CODE),
]
"""Bytes 0 to 7, checksum, °C, what it means."""


def celsius(word):
    """Give °C of a raw word: sixteen bits, two's complement, sixteenths."""
    raw = int(word, 16)
    return (raw - 65536 if raw >= 32768 else raw) / 16


class TestWords:
    @pytest.mark.parametrize(("word", "value"), WORDS.items(), ids=WORDS)
    def test_table(self, word, value):
        """Each word of the table is its temperature; the kernel's millidegrees truncate it."""
        assert celsius(word) == value
        good = {"07d0": Quality.IMPOSSIBLE, "0550": Quality.FAULT_CODE, "fc90": Quality.IMPOSSIBLE}
        found = judge(int(value * 1000) / 1000, Quantity.TEMPERATURE, WIRE, PlaceKind.BOX)
        assert found is good.get(word, Quality.GOOD)


class TestScratchpads:
    @pytest.mark.parametrize(("data", "crc", "value", "quality"), PADS, ids=[pad[0] for pad in PADS])
    def test_vectors(self, data, crc, value, quality):
        """Checksum, value and verdict of each scratchpad."""
        assert crc8(bytes.fromhex(data)) == int(crc, 16)
        text = f"{data} {crc} : crc={crc} YES\n{data} {crc} t={int(value * 1000)}\n"
        found = judge_scratchpad(text)
        assert found.quality is quality
        assert found.raw == int(value * 1000) / 1000

    @pytest.mark.parametrize("kernel", [85.0, 127.937, 127.938, 127.94, -127.0, 0.0], ids=str)
    def test_what_slips_through_the_reader_is_no_climate(self, kernel):
        """The kernel's own file has no scratchpad: its values for a failing part are faults too."""
        assert judge(kernel, Quantity.TEMPERATURE, WIRE, PlaceKind.BOX) is Quality.FAULT_CODE
