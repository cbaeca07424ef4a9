"""CSV in: any bytes give readings, reasons, or a refusal."""

import io
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.csvfile import LONGEST, BadLine, CsvForm, CsvReading, CsvRefused, parse
from rules.reading import Quantity

HEADER = b"time,sensor,quantity,value\n"
T, H = Quantity.TEMPERATURE, Quantity.HUMIDITY
AT = 1_795_000_000_000
"""2026-11-18T11:06:40Z."""


def read(data: bytes, form: CsvForm = CsvForm()) -> list[CsvReading | BadLine]:  # noqa: B008 - a frozen value
    """Parse bytes."""
    return list(parse(io.BytesIO(data), form))


def line(data: str, header: bytes = HEADER, form: CsvForm = CsvForm()) -> CsvReading | BadLine:  # noqa: B008 - frozen
    """Parse one line."""
    (found,) = read(header + data.encode(), form)
    return found


class TestGoodLines:
    @pytest.mark.parametrize(
        "data",
        [
            b"\xef\xbb\xbf" + HEADER + b"2026-11-18T11:06:40Z,box-1,temperature,28.5\r\n",
            HEADER.replace(b"\n", b"\r\n")
            + b"\r\n# a note\r\n2026-11-18T12:06:40+01:00,box-1,temperature,28.5",
            b"value, quantity ,SENSOR,time\n28.5,Temperature,box-1,2026-11-18T11:06:40.000+00:00\n",
            HEADER + b'"2026-11-18T11:06:40Z","box-1","temperature","28.5"\n',
            b"time,other,sensor,quantity,value\n2026-11-18T11:06:40Z,x,box-1,temperature,+2.85e1\n",
        ],
        ids=["BOM and CRLF", "blank, comment, offset", "any order of columns", "quoted", "more columns"],
    )
    def test_the_same_reading_in_many_dresses(self, data: bytes) -> None:
        """BOM, CRLF, blank and comment lines, offsets, order, quotes: one and the same reading."""
        (found,) = read(data)

        assert isinstance(found, CsvReading)
        assert (
            found.wall,
            found.sensor,
            found.quantity,
            found.value,
            found.arrived,
        ) == (AT, "box-1", T, 28.5, None)

    def test_arrived_is_optional_in_each_line(self) -> None:
        """An empty fifth field is none."""
        header = b"time,sensor,quantity,value,arrived\n"
        found = read(
            header
            + b"2026-11-18T11:06:40Z,a,humidity,80,2026-11-18T12:06:40Z\n"
            + b"2026-11-18T11:06:40Z,a,humidity,81,\n"
        )

        assert [one.arrived for one in found if isinstance(one, CsvReading)] == [AT + 3_600_000, None]

    @pytest.mark.parametrize(
        ("fahrenheit", "celsius"), [("32", 0.0), ("83.3", 28.5), ("-40", -40.0), ("212", 100.0)]
    )
    def test_fahrenheit_touches_temperatures_only(self, fahrenheit: str, celsius: float) -> None:
        """A temperature is turned into °C, a humidity is not."""
        form = CsvForm(fahrenheit=True)
        warm = line(f"2026-11-18T11:06:40Z,a,temperature,{fahrenheit}", form=form)
        humid = line(f"2026-11-18T11:06:40Z,a,humidity,{fahrenheit}", form=form)

        assert isinstance(warm, CsvReading)
        assert isinstance(humid, CsvReading)
        assert (celsius, float(fahrenheit)) == (warm.value, humid.value)

    def test_another_loggers_form(self) -> None:
        """Columns by quantity, local times, comma decimals, words for no value, °F."""
        form = CsvForm(
            time="When",
            sensor_name="logger",
            values=(("Temp", T), ("RH", H)),
            time_format="%d.%m.%Y %H:%M",
            zone="Europe/Lisbon",
            no_value=("---",),
            separator=";",
            decimal=",",
        )
        found = read(b"When;Temp;RH\n25.10.2026 01:30;28,5;---\n", form)

        assert all(isinstance(one, CsvReading) for one in found)
        warm, humid = found
        assert isinstance(warm, CsvReading)
        assert isinstance(humid, CsvReading)
        assert (warm.value, warm.wall) == (28.5, 1_792_888_200_000)
        assert math.isnan(humid.value)

    def test_unix_seconds(self) -> None:
        """Numbers as instants, where the form says so."""
        found = line("1795000000.5,a,contact,TRUE", form=CsvForm(time_format="unix"))

        assert isinstance(found, CsvReading)
        assert (found.wall, found.value) == (AT + 500, 1.0)


class TestBadLines:
    @pytest.mark.parametrize(
        ("data", "words"),
        [
            ("2026-11-18T11:06:40,a,temperature,28", "no offset"),
            ("yesterday,a,temperature,28", "no time"),
            ("1969-12-31T00:00:00Z,a,temperature,28", "out of reach"),
            ("9999-12-31T23:59:59-23:59,a,temperature,28", "no time"),
            ("2026-11-18T11:06:40Z,,temperature,28", "no sensor"),
            (f"2026-11-18T11:06:40Z,{'a' * 201},temperature,28", "longer than 200"),
            ("2026-11-18T11:06:40Z,a\x1b[1m,temperature,28", "not printable"),
            ("2026-11-18T11:06:40Z,a,dew point,28", "no quantity"),
            ("2026-11-18T11:06:40Z,a,temperature", "no field for 'value'"),
            ("2026-11-18T11:06:40Z,a,temperature,", "no number"),
            ("2026-11-18T11:06:40Z,a,temperature,nan", "no number"),
            ("2026-11-18T11:06:40Z,a,temperature,1_0", "no number"),
            ("2026-11-18T11:06:40Z,a,temperature,1e999", "no value that a sensor"),
            ("2026-11-18T11:06:40Z,a,temperature,٢٨", "no number"),
            ('2026-11-18T11:06:40Z,a,temperature,"28,5"', "no number"),
            ("2026-11-18T11:06:40Z,a,contact,2", "no contact"),
            ('2026-11-18T11:06:40Z,"a,temperature,28', "is not CSV"),
            ("2026-11-18T11:06:40Z,a\0,temperature,28", "NUL"),
            ("x" * (LONGEST + 10), "longer than"),
        ],
        ids=lambda text: text[:24],
    )
    def test_a_bad_line_is_named_and_the_next_is_read(self, data: str, words: str) -> None:
        """Number and reason; the line after it is a reading."""
        bad, good = read(HEADER + data.encode() + b"\n2026-11-18T11:06:40Z,a,temperature,28\n")

        assert isinstance(bad, BadLine)
        assert bad.number == 2
        assert words in bad.reason
        assert isinstance(good, CsvReading)
        assert good.number == 3

    def test_bytes_that_are_no_text(self) -> None:
        """Latin-1 in a line is a bad line."""
        (bad,) = read(HEADER + b"2026-11-18T11:06:40Z,K\xe4fig,temperature,28\n")

        assert bad == BadLine(2, "is not UTF-8 text")


class TestRefused:
    @pytest.mark.parametrize(
        ("data", "words"),
        [
            (b"", "no header"),
            (b"# only\n\n", "no header"),
            (b"time,sensor,value\n", "'quantity'"),
            (b"time,sensor,quantity,value,Value\n", "stands twice"),
            ("time,sensor,quantity,value\n".encode("utf-16"), "where the header should be"),
        ],
        ids=["empty", "no line", "lacks one", "twice", "UTF-16"],
    )
    def test_a_file_without_its_header_is_refused(self, data: bytes, words: str) -> None:
        """One sentence says what is missing."""
        with pytest.raises(CsvRefused, match=words):
            read(data)

    def test_an_unknown_time_zone_is_refused(self) -> None:
        """The zone is looked up before a line is read."""
        with pytest.raises(CsvRefused, match="Nowhere"):
            read(HEADER, CsvForm(zone="Nowhere/At_All"))


@given(st.binary(max_size=400), st.booleans())
@settings(max_examples=400, deadline=None)
def test_any_bytes_are_met(data: bytes, headed: bool) -> None:
    """No bytes raise anything but a refusal, and every line is a reading or has its reason."""
    try:
        for found in read((HEADER if headed else b"") + data):
            assert isinstance(found, CsvReading | BadLine)
    except CsvRefused:
        assert not headed
