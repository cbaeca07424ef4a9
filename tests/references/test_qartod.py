"""Gross range and flat line against the public implementation of the QARTOD manual.

Source: IOOS Manual for Real-Time Quality Control of In-Situ Temperature and Salinity, v2.1;
implementation: ioos_qc 3.0.0. Its flags: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ioos_qc import qartod

from rules.plan import PlaceKind, SensorPlan
from rules.plausible import HUMIDITY_LIMITS, TEMPERATURE_LIMITS, judge
from rules.reading import SECOND, Grade, Quality, Quantity
from rules.stuck import Stuck, StuckParams

STEP = 300
"""Seconds between two values."""

WEEK = [28.0, 28.1, 28.0, 28.2, 28.1, 28.1, 33.5, 28.1, 28.0, 28.0, 28.0, 28.0, 28.0, 28.0, 28.0, 85.0, 28.1,
        28.2, 29.9, 30.4, 31.0, math.nan, 28.3, 28.2]  # fmt: skip
"""The vector, from 2025-01-01T00:00 on, one value every five minutes."""

PASS, FAIL, MISSING = 1, 4, 9
SENSOR = SensorPlan("a", "box-1")
FLAGS = {Grade.GOOD: PASS, Grade.BAD: FAIL}

VALUES = st.lists(st.one_of(st.integers(-7000, 12000).map(lambda n: n / 100), st.just(math.nan)), min_size=1)


def flag(value, quantity, kind):
    """Give our verdict as a flag of the manual."""
    quality = judge(value, quantity, SENSOR, kind)
    return MISSING if quality is Quality.NOT_A_NUMBER else FLAGS[quality.grade]


def theirs(values, limits):
    """Give the flags of the public implementation."""
    return qartod.gross_range_test(np.array(values), fail_span=limits).tolist()


class TestGrossRange:
    def test_vector(self):
        """All pass but the 85.0 (fail) and the value that is missing."""
        expected = [PASS] * 15 + [FAIL] + [PASS] * 5 + [MISSING] + [PASS] * 2
        assert [flag(value, Quantity.TEMPERATURE, PlaceKind.BOX) for value in WEEK] == expected
        assert theirs(WEEK, TEMPERATURE_LIMITS[PlaceKind.BOX]) == expected

    @pytest.mark.parametrize("kind", list(PlaceKind), ids=str)
    @settings(max_examples=40, deadline=None)
    @given(VALUES)
    def test_every_kind_of_place(self, kind, values):
        """Our limits agree with theirs for any values, but for fault codes, which are ours alone."""
        ours = [flag(value, Quantity.TEMPERATURE, kind) for value in values]
        for value, mine, other in zip(values, ours, theirs(values, TEMPERATURE_LIMITS[kind]), strict=True):
            code = judge(value, Quantity.TEMPERATURE, SENSOR, kind) is Quality.FAULT_CODE
            assert mine == other or code

    @settings(max_examples=40, deadline=None)
    @given(VALUES)
    def test_humidity(self, values):
        """The limits of humidity agree with theirs for any values."""
        ours = [flag(value, Quantity.HUMIDITY, PlaceKind.BOX) for value in values]
        assert ours == theirs(values, HUMIDITY_LIMITS)

    @pytest.mark.parametrize("kind", list(PlaceKind), ids=str)
    def test_ends_are_inside(self, kind):
        """Both ends of the limits pass, in theirs and in ours."""
        low, high = TEMPERATURE_LIMITS[kind]
        values = [low, high, math.nextafter(low, -999), math.nextafter(high, 999)]
        assert [flag(value, Quantity.TEMPERATURE, kind) for value in values] == [PASS, PASS, FAIL, FAIL]
        assert theirs(values, (low, high)) == [PASS, PASS, FAIL, FAIL]


def flat_flags(values, fail):
    """Give theirs for a flat line of ``fail`` seconds, to the last digit."""
    instants = np.datetime64("2025-01-01T00:00", "ns") + np.arange(len(values)) * np.timedelta64(STEP, "s")
    return qartod.flat_line_test(np.array(values), instants, fail, fail, 0.0005).tolist()


def first_stuck(values, fail):
    """Give the index at which ours calls the sensor stuck, or None."""
    stuck = Stuck(replace(StuckParams(), cover=2 * STEP * SECOND, fail=fail * SECOND, least=fail * SECOND))
    for index, value in enumerate(values):
        verdict = stuck.see(index * STEP * SECOND, value)
        if verdict is not None and verdict.wrong:
            return index
    return None


class TestFlatLine:
    def test_vector(self):
        """A run of 1800 s is a fault at the same value of the vector as theirs."""
        values = WEEK[:15]
        flags = flat_flags(values, 1800)
        assert flags.index(FAIL) == 14
        assert first_stuck(values, 1800) == 14

    @settings(max_examples=60, deadline=None)
    @given(
        st.lists(st.tuples(st.integers(280, 283), st.integers(1, 9)), min_size=1, max_size=12),
        st.integers(2, 8),
    )
    def test_runs_of_any_length(self, runs, need):
        """While nothing is learnt yet, the first fault of any runs is at the same value as theirs."""
        values = [tenths / 10 for tenths, count in runs for _ in range(count)]
        flags = flat_flags(values, need * STEP)
        assert first_stuck(values, need * STEP) == (flags.index(FAIL) if FAIL in flags else None)
