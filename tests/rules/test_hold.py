"""On-delay and off-delay over covered time."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.hold import NEVER, Hold

MINUTE = 60_000
STAND = 2 * MINUTE


def kept(hold, *minutes, on_change=False, stand=STAND):
    """Keep a hold at some minutes; give the first at which it was fulfilled, or None."""
    for minute in minutes:
        if hold.keep(round(minute * MINUTE), stand, on_change=on_change):
            return minute
    return None


class TestCovered:
    @pytest.mark.parametrize(
        ("minutes", "fulfilled"),
        [
            (range(10), None),
            (range(11), 10),
            ((0, 20), None),
            ((0, 10, 20, 30, 40, 50), 50),
            ((0,), None),
            ((0, 1, 2, 3, 60, 61, 62, 63, 64, 65), 65),
        ],
        ids=[
            "nine minutes",
            "ten minutes",
            "a gap of twenty",
            "two minutes each",
            "one alone",
            "gap between",
        ],
    )
    def test_only_covered_time_counts(self, minutes, fulfilled):
        """A reading stands for two minutes at most; what is missing does not count."""
        assert kept(Hold(10 * MINUTE), *minutes) == fulfilled

    def test_a_second_reading_must_confirm(self):
        """One reading alone fulfils nothing, however long it stands."""
        hold = Hold(MINUTE)
        assert not hold.keep(0, STAND, on_change=False)
        assert hold.due(STAND) == NEVER

    def test_a_sensor_on_change_needs_one_reading(self):
        """A reading that stands until the next confirms itself."""
        hold = Hold(10 * MINUTE)
        hold.keep(0, NEVER, on_change=True)
        assert hold.due(NEVER) == 10 * MINUTE

    def test_no_need_no_wait(self):
        """A delay of nothing is fulfilled by the first reading."""
        assert Hold(0).keep(5, STAND, on_change=False)

    def test_it_is_due_between_readings(self):
        """It is fulfilled while the last reading stands, and not after."""
        hold = Hold(5 * MINUTE)
        assert kept(hold, 0, 2, 4) is None
        assert hold.due(STAND) == 5 * MINUTE
        assert hold.due(MINUTE // 2) == NEVER

    def test_dropped_begins_anew(self):
        """What was dropped does not count for the next time."""
        hold = Hold(3 * MINUTE)
        kept(hold, 0, 1, 2)
        hold.drop()
        assert kept(hold, 3, 4, 5) is None
        assert kept(hold, 6) == 6


class TestProperties:
    @given(st.lists(st.integers(1, 10 * MINUTE), min_size=1, max_size=40), st.integers(0, 30 * MINUTE))
    def test_covered_is_the_sum_of_what_stands(self, steps, need):
        """It is fulfilled exactly when the sum of min(step, stand) reaches the need."""
        hold, at, covered = Hold(need), 0, 0
        for index, step in enumerate(steps):
            fulfilled = hold.keep(at, STAND, on_change=False)
            assert fulfilled == (need == 0 or (index > 0 and covered >= need))
            covered += min(step, STAND)
            at += step

    @given(st.integers(1, 20), st.integers(0, 10 * MINUTE))
    def test_away_moves_the_due_by_its_span(self, count, span):
        """A span away makes it later by just that span."""
        hold = Hold(25 * MINUTE)
        kept(hold, *range(count))
        before = hold.due(NEVER)
        hold.away(span)
        assert hold.due(NEVER) == (before if before == NEVER else before + span)

    @given(st.lists(st.integers(1, 5 * MINUTE), max_size=20))
    def test_kept_as_text_it_is_the_same(self, steps):
        """Its state goes through JSON and back."""
        hold, other, at = Hold(MINUTE), Hold(MINUTE), 0
        for step in steps:
            hold.keep(at, STAND, on_change=False)
            at += step
        other.restore(json.loads(json.dumps(hold.state())))
        assert other.state() == hold.state()
        assert other.due(STAND) == hold.due(STAND)
