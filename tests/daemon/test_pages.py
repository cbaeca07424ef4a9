"""The packing of an hour."""

import contextlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.logbook.pages import (
    Column,
    PageError,
    Summary,
    column_of,
    digest,
    merged,
    pack,
    summarised,
    unpack,
)
from rules.reading import HOUR, Quality
from tests.kit.logbooks import BASE, night

HOURS = st.integers(-10_000, 600_000)
RAWS = st.none() | st.integers(-(2**40), 2**40) | st.integers(-40, 40).map(lambda x: 28_500 + 10 * x)
CODES = st.sampled_from([quality.code for quality in Quality])
NOTES = st.none() | st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=9)


@st.composite
def columns(draw: st.DrawFn) -> tuple[int, Column]:
    """Draw an hour and readings in it, in any mixture of grain, lag, quality and order."""
    hour = draw(HOURS)
    grain = draw(st.sampled_from([1, 1000, 30_000]))
    offset = st.integers(0, (HOUR - 1) // grain)
    lag = st.just(0) | st.integers(0, 2000) | st.integers(0, 10**9)
    rows = draw(st.lists(st.tuples(offset, RAWS, CODES, lag, NOTES), min_size=1, max_size=60))
    start = hour * HOUR
    return hour, column_of(
        (start + grain * at, raw, code, start + grain * at + late, note) for at, raw, code, late, note in rows
    )


def same(first: Column, second: Column) -> bool:
    """Compare content, whatever the kind of sequence."""
    return (
        list(first.at) == list(second.at)
        and list(first.raw) == list(second.raw)
        and first.quality == second.quality
        and list(first.now) == list(second.now)
        and first.notes == second.notes
    )


class TestPacking:
    @given(columns())
    @settings(max_examples=300, deadline=None)
    def test_what_is_packed_comes_out_exactly(self, drawn: tuple[int, Column]) -> None:
        """Packing loses nothing: instants, values, gaps of value, quality, rounds, notes, order."""
        hour, column = drawn

        assert same(column, unpack(pack(column, hour), hour))

    @given(st.binary(max_size=200))
    @settings(max_examples=500, deadline=None)
    def test_any_bytes_are_a_column_or_an_error(self, data: bytes) -> None:
        """Damaged bytes never raise anything but PageError."""
        with contextlib.suppress(PageError):
            unpack(data, 0)

    def test_noisy_readings_of_an_hour_take_less_than_two_bytes_each(self) -> None:
        """120 readings of 0.01 °C noise pack below 2 bytes a reading."""
        column = column_of((b.now, round(b.entries[0].raw * 1000), 0, b.now, None) for b in night(1, 120))

        assert len(pack(column, BASE // HOUR)) / 120 < 2

    def test_equal_instants_keep_their_order(self) -> None:
        """Two values at one instant stay in order of arrival, also across a merge."""
        first = column_of([(5, 1, 0, 5, None), (5, 2, 0, 5, "b")])
        second = column_of([(5, 0, 10, 9, "c"), (4, 7, 0, 4, None)])
        both = merged(first, second)

        assert list(both.raw) == [7, 1, 2, 0]
        assert both.notes == ((2, "b"), (3, "c"))


class TestSummary:
    def test_only_good_and_late_values_count(self) -> None:
        """A fault code or a suspect value never is the lowest or highest of an hour."""
        rows = [(1, 28_000, 0), (2, -127_000, 31), (3, 90_000, 21), (4, 27_000, 10), (5, None, 30)]
        column = column_of((at, raw, code, at, None) for at, raw, code in rows)

        assert Summary(5, 2, 27_000, 28_000, 55_000) == summarised(column)


class TestDigest:
    @given(columns(), st.data())
    @settings(max_examples=200, deadline=None)
    def test_another_content_has_another_digest(self, drawn: tuple[int, Column], data: st.DataObject) -> None:
        """One changed value, instant, quality or round changes the digest."""
        hour, column = drawn
        index = data.draw(st.integers(0, len(column) - 1))
        part = data.draw(st.sampled_from(["at", "raw", "now", "quality"]))
        values = list(getattr(column, part))
        values[index] = (
            1
            if values[index] is None
            else (values[index] + 1) % 256
            if part == "quality"
            else values[index] + 1
        )
        changed = {name: getattr(column, name) for name in ("at", "raw", "quality", "now", "notes")}
        changed[part] = bytes(values) if part == "quality" else values
        summary = summarised(column)

        assert digest("x", hour, summary, (), column) != digest("x", hour, summary, (), Column(**changed))


@pytest.mark.parametrize(
    "data", [b"", b"\x02abc", b"\x01\xff\xff", b"\x00\xff", b"\x00\x05\x01\x01"], ids=repr
)
def test_broken_bytes_are_refused(data: bytes) -> None:
    """Known broken forms raise PageError."""
    with pytest.raises(PageError):
        unpack(data, 0)
