"""Kernel sensors, on trees laid out as the kernel documents them."""

import math
import re
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.reading import Quality, Quantity
from sensors.discover import discover
from sensors.hwmon import HwmonReader, HwmonSensor, read_hwmon, supply_sags
from sensors.iio import IioReader, IioSensor, read_iio
from sensors.onewire import OneWireReader, WireSensor, crc8, judge_scratchpad, read_wire, round_times
from sensors.sysfs import Patience, SourceError
from tests.kit.broker import until
from tests.kit.sysfs import Tree, breaks, hangs, scratchpad, two_lines, wakes
from tests.sensors.conftest import Judge, boottime

T, H = Quantity.TEMPERATURE, Quantity.HUMIDITY
A, B, D = "28-0316a2794bff", "28-000005e2fdc3", "28-00000a3b7c11"
QUICK = Patience(deadline=500, tries=3, pause=10)


@pytest.fixture(name="tree")
def _tree(tmp_path: Path) -> Tree:
    """Give an empty tree."""
    return Tree(tmp_path / "sys")


def wires(tree: Tree, addresses: Sequence[str], every: int = 100) -> OneWireReader:
    """Make a 1-wire reader that reads quickly."""
    sensors = [WireSensor(f"s{n}", address, every) for n, address in enumerate(addresses)]
    return OneWireReader(sensors, boottime, tree.root, QUICK)


class TestScratchpad:
    @pytest.mark.parametrize(
        ("data", "celsius", "quality"),
        [
            ("50 05 4b 46 7f ff 0c 10 1c", 85.0, Quality.FAULT_CODE),
            ("50 05 4b 46 7f ff 10 10 bd", 85.0, Quality.GOOD),
            ("f0 01 4b 46 7f ff 10 10 73", 31.0, Quality.GOOD),
            ("c1 01 4b 46 7f ff 0f 10 38", 28.062, Quality.GOOD),
            ("5e ff 4b 46 7f ff 02 10 b6", -10.125, Quality.GOOD),
            ("ff 07 4b 46 7f ff 0c 10 a6", 127.937, Quality.FAULT_CODE),
            ("00 00 00 00 00 00 00 00 00", 0.0, Quality.FAULT_CODE),
        ],
    )
    def test_documented_vectors(self, data: str, celsius: float, quality: Quality) -> None:
        """The vectors of the domain notes, section 4: power-on, weak supply and all zeros are faults."""
        raw = bytes.fromhex(data)
        value = judge_scratchpad(two_lines(raw, "YES", celsius))

        assert crc8(raw[:8]) == raw[8]
        assert (value.raw, value.quality) == (celsius, quality)

    def test_wrong_checksum_never_gives_the_stale_value(self) -> None:
        """With CRC NO the kernel still shows an older value: it is refused, and another try is worth it."""
        with pytest.raises(SourceError, match="CRC NO") as caught:
            judge_scratchpad(scratchpad(31.0, crc="NO", stale=29.0))

        assert caught.value.again
        assert caught.value.instead is not None
        assert math.isnan(caught.value.instead[T].raw)
        assert caught.value.instead[T].quality is Quality.FAULT_CODE

    def test_bus_that_is_open_is_no_value(self) -> None:
        """Nine times ff is an open bus, whatever the verdict says."""
        with pytest.raises(SourceError, match="CRC NO"):
            judge_scratchpad(two_lines(b"\xff" * 9, "YES", -0.062))

    def test_older_family_has_another_scratchpad(self) -> None:
        """Byte 6 is 0x0C in every reading of the older family 10 and no fault there."""
        assert judge_scratchpad(scratchpad(85.0, byte6=0x0C), "10").quality is Quality.GOOD

    @given(st.text(max_size=120) | st.binary(max_size=60).map(lambda b: b.hex(" ") + " : crc=00 YES\nt=1"))
    def test_any_text_is_a_value_or_a_source_error(self, text: str) -> None:
        """Whatever the file holds, it is a value or an error with words."""
        try:
            judge_scratchpad(text)
        except SourceError as error:
            assert error.reason  # noqa: PT017 - either end is right


class TestOneWire:
    def test_newer_file_is_read_first(self, tree: Tree) -> None:
        """Where there is a file "temperature", it is read."""
        tree.wire(A, {"temperature": "31062\n", "w1_slave": scratchpad(20.0)})

        assert read_wire(tree.root, A)[T].raw == 31.062

    def test_older_file_is_read_else(self, tree: Tree) -> None:
        """On an older kernel "w1_slave" is read."""
        tree.wire(A, {"w1_slave": scratchpad(-10.125)})

        assert read_wire(tree.root, A)[T].raw == -10.125

    @pytest.mark.parametrize("text", ["warm", "31.0", "99999999", "--1"])
    def test_torn_file_is_an_error(self, tree: Tree, text: str) -> None:
        """A file without a whole number of millidegrees is no reading."""
        tree.wire(A, {"temperature": text})
        with pytest.raises(SourceError, match="no number"):
            read_wire(tree.root, A)

    def test_reader_reads_all_buses(self, tree: Tree, judge: Judge) -> None:
        """Sensors of two buses arrive under their names, and the reader says that it is well."""
        tree.wire(A, {"temperature": "31000\n"})
        tree.wire(B, {"w1_slave": scratchpad(22.5)}, master=2)
        one = judge.run(wires(tree, [A, B]))
        until(lambda: {a.sensor for a in judge.look().arrivals} == {"s0", "s1"}, "both")
        until(lambda: judge.well("1-wire"), "it is well")
        one.stop()

        assert {a.sensor: a.values[T].raw for a in judge.arrivals} == {"s0": 31.0, "s1": 22.5}

    def test_checksum_that_stays_wrong_is_a_fault_code(self, tree: Tree, judge: Judge) -> None:
        """CRC NO three times over is recorded as the sensor's fault, never as the stale value."""
        tree.wire(A, {"w1_slave": scratchpad(31.0, crc="NO", stale=29.0)})
        one = wires(tree, [A])
        judge.run(one)
        judge.wait(1)
        one.stop()

        assert judge.arrivals[0].values[T].quality is Quality.FAULT_CODE
        assert math.isnan(judge.arrivals[0].values[T].raw)
        assert "CRC NO" in judge.arrivals[0].note
        assert one.retries["s0"] >= 2

    def test_missing_empty_and_broken_files_ail_and_recover(self, tree: Tree, judge: Judge) -> None:
        """A sensor that is gone, empty or answers EIO is named with the reason, and well again afterwards."""
        slave = tree.wire(A, {"temperature": "31000\n"})
        tree.wire(B, {"temperature": "22000\n"})
        one = wires(tree, [A, B])
        judge.run(one)
        until(lambda: judge.well("1-wire"), "it is well")
        (slave / "temperature").write_text("")
        until(lambda: judge.ails("s0: the file is empty", "1-wire"), "empty is said")
        breaks(slave / "temperature")
        until(lambda: judge.ails("s0: the device does not answer (EIO)", "1-wire"), "EIO is said")
        assert one.retries["s0"] > 2
        (tree.root / f"bus/w1/devices/{A}").unlink()
        until(lambda: judge.ails("is not on the bus", "1-wire"), "absence is said")
        (slave / "temperature").unlink()
        tree.wire(A, {"temperature": "30000\n"})
        until(lambda: judge.well("1-wire"), "it is well again")
        one.stop()

        assert 22.0 in judge.values()
        assert not any(a.sensor == "s0" and math.isnan(a.values[T].raw) for a in judge.arrivals)

    def test_hanging_read_stops_neither_its_bus_nor_another(self, tree: Tree, judge: Judge) -> None:
        """A read that does not end is said; all others go on; when it ends the sensor is back."""
        slave = tree.wire(A, {"temperature": "31000\n"})
        tree.wire(B, {"temperature": "22000\n"})
        tree.wire(D, {"temperature": "23000\n"}, master=2)
        hangs(slave / "temperature")
        one = wires(tree, [A, B, D])
        judge.run(one)
        until(lambda: judge.ails("s0: a read has not ended", "1-wire"), "the hanging read is said")
        judge.look().arrivals.clear()
        until(lambda: {a.sensor for a in judge.look().arrivals} >= {"s1", "s2"}, "the others go on")
        wakes(slave / "temperature", "30000\n")
        until(lambda: judge.well("1-wire"), f"it is well again: {judge.said}")
        until(lambda: "s0" in {a.sensor for a in judge.look().arrivals}, "the sensor is back")
        one.stop()

    def test_stop_leaves_a_hanging_read_behind(self, tree: Tree, judge: Judge) -> None:
        """Stopping takes no longer than 2 s even while a read hangs in the kernel."""
        slave = tree.wire(A, {"temperature": ""})
        hangs(slave / "temperature")
        one = wires(tree, [A])
        judge.run(one)
        until(lambda: one._workers and any(w.busy for w in one._workers.values()), "it hangs")
        before = boottime()
        one.stop()
        one.stop()
        took = boottime() - before
        wakes(slave / "temperature", "1\n")

        assert took < 2_500

    def test_bulk_conversion_is_triggered(self, tree: Tree, judge: Judge) -> None:
        """With several sensors on one bus and a kernel that offers it, all convert at once."""
        tree.wire(A, {"temperature": "31000\n"})
        tree.wire(B, {"temperature": "22000\n"})
        control = tree.write(tree.root / "devices/w1_bus_master1/therm_bulk_read", "0\n")
        judge.run(wires(tree, [A, B]))
        judge.wait(2)
        judge.readers[0].stop()

        assert control.read_text().startswith("trigger\n")

    def test_round_time(self, tree: Tree) -> None:
        """A bus's round is the sum of its conversions, or the longest where all convert at once."""
        tree.wire(A, {"temperature": "1", "resolution": "12\n"})
        tree.wire(B, {"temperature": "1", "resolution": "9\n"})
        tree.wire(D, {"w1_slave": scratchpad(1)}, master=2)
        one, two = round_times(tree.root, [A, B, D])
        assert (one.bus, one.sensors, one.bulk, two.bulk) == ("w1_bus_master1", 2, False, False)
        assert 750 + 94 < one.takes < 750 + 94 + 100
        assert 750 < two.takes < 800

        tree.write(tree.root / "devices/w1_bus_master1/therm_bulk_read", "0\n")
        tree.write(tree.root / f"devices/w1_bus_master1/{A}/conv_time", "600\n")
        bulk = round_times(tree.root, [A, B])[0]
        assert bulk.bulk
        assert 600 < bulk.takes < 700


SHT = {"temp1_input": "31500\n", "humidity1_input": "82300\n"}


class TestHwmon:
    def test_thousandths_are_read(self, tree: Tree) -> None:
        """Both files count in thousandths."""
        tree.hwmon(3, "sht3x", SHT)
        values = read_hwmon(tree.root, HwmonSensor("s", "sht3x", files=("temp1", "humidity1")))

        assert {q: v.raw for q, v in values.items()} == {T: 31.5, H: 82.3}

    def test_number_means_nothing(self, tree: Tree, judge: Judge) -> None:
        """After a renumbering the same sensor is read on, under its name."""
        tree.hwmon(0, "cpu_thermal", {"temp1_input": "48000\n"}, at="cpu")
        tree.hwmon(1, "lm75", {"temp1_input": "29000\n"}, at="i2c-1/1-0048")
        one = judge.run(HwmonReader([HwmonSensor("s", "lm75", every=100)], boottime, tree.root, QUICK))
        judge.wait(2)
        tree.renumber("hwmon", 1, 7)
        tree.renumber("hwmon", 0, 1)
        judge.look().arrivals.clear()
        judge.wait(3)
        one.stop()

        assert set(judge.values()) == {29.0}

    def test_two_of_one_name_are_told_apart_by_path(self, tree: Tree) -> None:
        """Without a path the name is ambiguous and the paths are named; with it the right one is read."""
        tree.hwmon(0, "sht3x", SHT, at="i2c-1/1-0044")
        tree.hwmon(1, "sht3x", {"temp1_input": "20000\n"}, at="i2c-1/1-0045")
        with pytest.raises(SourceError, match=r"2 devices.*1-0044.*1-0045"):
            read_hwmon(tree.root, HwmonSensor("s", "sht3x"))

        assert read_hwmon(tree.root, HwmonSensor("s", "sht3x", "1-0045"))[T].raw == 20.0

    def test_flagged_fault_wins_over_the_number(self, tree: Tree) -> None:
        """A driver that flags an open sensor gives no value, whatever its number says."""
        tree.hwmon(0, "max31865", {"temp1_input": "29000\n", "temp1_fault": "1\n"})

        assert read_hwmon(tree.root, HwmonSensor("s", "max31865"))[T].quality is Quality.FAULT_CODE

    def test_one_file_of_two_is_enough(self, tree: Tree) -> None:
        """Where humidity cannot be read, temperature still is."""
        folder = tree.hwmon(0, "sht3x", SHT)
        breaks(folder / "humidity1_input")
        values = read_hwmon(tree.root, HwmonSensor("s", "sht3x", files=("temp1", "humidity1")))

        assert list(values) == [T]

    def test_missing_device_is_said(self, tree: Tree, judge: Judge) -> None:
        """A device that is not there is an ailment with its name."""
        one = judge.run(HwmonReader([HwmonSensor("s", "sht4x", every=50)], boottime, tree.root, QUICK))
        until(lambda: judge.ails('no device "sht4x"', "hwmon"), "its absence is said")
        one.stop()

    def test_two_files_of_one_quantity_are_refused(self) -> None:
        """One sensor has one temperature."""
        with pytest.raises(ValueError, match="temp2"):
            HwmonSensor("s", "x", files=("temp1", "temp2"))

    def test_weak_supply_is_said(self, tree: Tree, judge: Judge) -> None:
        """The board's flag of undervoltage is a fault "power supply weak"."""
        board = tree.hwmon(0, "rpi_volt", {"in0_lcrit_alarm": "0\n"}, at="soc:firmware")
        other = tree.hwmon(1, "nct6775", {"in3_min_alarm": "1\n"}, at="isa")
        assert not supply_sags(tree.root)
        one = HwmonReader([], boottime, tree.root, QUICK)
        (board / "in0_lcrit_alarm").write_text("1\n")
        judge.run(one)
        until(lambda: (False, "power supply weak") in judge.notes("supply", ""), "it is said")
        one.stop()
        assert supply_sags(tree.root)
        assert other.exists()

    def test_supply_is_well_after_a_calm_while_only(self, tree: Tree, judge: Judge) -> None:
        """A flag that flickers is one fault: it is well when none was seen for ten minutes."""
        board = tree.hwmon(0, "rpi_volt", {"in0_lcrit_alarm": "1\n"}, at="soc:firmware")
        one = HwmonReader([], boottime, tree.root)
        one._inbox = judge.inbox
        for minute, flag in [(0, "1"), (1, "0"), (2, "1"), (9, "0"), (11, "0"), (12.1, "0"), (13, "0")]:
            (board / "in0_lcrit_alarm").write_text(flag)
            one.besides(round(minute * 60_000) + 60_000)

        assert judge.notes("supply", "") == [(False, "power supply weak"), (True, "")]


class TestIio:
    @pytest.mark.parametrize(
        ("files", "temperature", "humidity"),
        [
            ({"in_temp_input": "25080", "in_humidityrelative_input": "65500"}, 25.08, 65.5),
            ({"in_temp_input": "25080", "in_humidityrelative_input": "52312.500000"}, 25.08, 52.3125),
            ({"in_temp_raw": "1000", "in_temp_offset": "-200", "in_temp_scale": "10.0"}, 8.0, None),
            ({"in_temp_raw": "25080", "in_humidityrelative_raw": "65500"}, 25.08, 65.5),
            ({"in_temp_input": "-5250"}, -5.25, None),
        ],
        ids=["processed", "fraction", "raw", "no-offset", "below-zero"],
    )  # fmt: skip
    def test_processed_and_raw(
        self, tree: Tree, files: dict[str, str], temperature: float, humidity: float | None
    ) -> None:
        """Processed values are thousandths; raw ones are (raw + offset) × scale, then thousandths."""
        tree.iio(2, "hdc1080", {name: f"{text}\n" for name, text in files.items()})
        values = read_iio(tree.root, IioSensor("s", "hdc1080"))

        assert values[T].raw == pytest.approx(temperature)
        assert (values[H].raw if H in values else None) == humidity

    def test_flaky_device_is_tried_again_and_counted(self, tree: Tree, judge: Judge) -> None:
        """EIO is everyday life for some devices: it is tried three times, counted, and read again."""
        folder = tree.iio(0, "dht11@4", {"in_temp_input": "24000\n"})
        breaks(folder / "in_temp_input")
        one = IioReader([IioSensor("s", "dht11@4", quantities=(T,), every=100)], boottime, tree.root, QUICK)
        judge.run(one)
        until(lambda: judge.ails("EIO", "iio"), "it ails")
        (folder / "in_temp_input").unlink()
        (folder / "in_temp_input").write_text("24000\n")
        judge.wait(1)
        until(lambda: judge.well("iio"), "it is well")
        one.stop()

        assert one.retries["s"] >= 6
        assert all("EIO" in r.reason for r in judge.rejects)

    @pytest.mark.parametrize("text", ["nan", "inf", "soft", "1,5"])
    def test_file_without_a_number_is_an_error(self, tree: Tree, text: str) -> None:
        """A file that holds no number is no reading."""
        tree.iio(0, "bme280", {"in_temp_input": text})
        with pytest.raises(SourceError, match="no number"):
            read_iio(tree.root, IioSensor("s", "bme280", quantities=(T,)))


class TestDiscover:
    def test_everything_that_speaks_is_listed_with_lines_to_paste(self, tree: Tree) -> None:
        """All three kinds are found with their present values and a line that the config takes."""
        tree.wire(A, {"temperature": "31000\n"})
        tree.wire("01-000000000000", {})
        tree.hwmon(0, "cpu_thermal", {"temp1_input": "48000\n"}, at="cpu")
        tree.hwmon(1, "sht3x", SHT, at="i2c-1/1-0044")
        tree.hwmon(2, "sht3x", SHT, at="i2c-1/1-0045")
        tree.hwmon(3, "w1_slave_temp", {"temp1_input": "31000\n"}, at="w1")
        tree.iio(0, "bme280", {"in_temp_input": "25080\n", "in_humidityrelative_input": "65500\n"})
        tree.iio(1, "adc", {"in_voltage0_raw": "1\n"}, at="adc")
        found = discover(tree.root)

        assert [(f.by, f.device, f.path) for f in found] == [
            ("1-wire", A, ""), ("hwmon", "cpu_thermal", ""), ("hwmon", "sht3x", "1-0044"),
            ("hwmon", "sht3x", "1-0045"), ("iio", "bme280", ""),
        ]  # fmt: skip
        assert [f.own for f in found] == [False, True, False, False, False]
        assert found[0].read == f'{{ by = "1-wire", address = "{A}" }}'
        assert (
            found[2].read
            == '{ by = "hwmon", device = "sht3x", path = "1-0044", channel = ["temp1", "humidity1"] }'
        )
        assert found[4].read == '{ by = "iio", device = "bme280", quantities = ["temperature", "humidity"] }'
        assert {q: v.raw for q, v in found[4].values.items()} == {T: 25.08, H: 65.5}
        assert all(re.fullmatch(r"\[\[place\.sensor\]\]", f.lines[0]) for f in found)

    def test_device_that_cannot_be_read_is_listed_with_its_trouble(self, tree: Tree) -> None:
        """A device that does not answer is there all the same."""
        slave = tree.wire(A, {"temperature": ""})
        breaks(slave / "temperature")
        (found,) = discover(tree.root)

        assert (dict(found.values), found.trouble) == ({}, "the device does not answer (EIO)")

    def test_board_without_sensors_is_an_empty_list(self, tmp_path: Path) -> None:
        """Where the kernel shows nothing, nothing is listed."""
        assert discover(tmp_path) == []
