"""The summary of a curve over a window, against sums worked out another way."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.reading import HOUR, MINUTE
from rules.span import Range, Span
from rules.summary import Gap, InForce, summarise

WARM = Range(Span(28.0, 31.0), Span(26.0, 33.0))
ALWAYS = (InForce(0, WARM),)


class TestConvention:
    def test_a_reading_stands_until_the_next(self):
        """The mean is weighted by how long each reading stands."""
        found = summarise([(0, 28.0), (10 * MINUTE, 30.0)], (0, 40 * MINUTE), HOUR, ALWAYS)
        assert (found.minimum, found.mean, found.maximum) == (28.0, 29.5, 30.0)
        assert (found.covered, found.gaps) == (100.0, ())

    def test_it_stands_for_two_intervals_at_most(self):
        """What nothing stands for is a gap, and counts for nothing."""
        found = summarise([(0, 28.0), (10 * MINUTE, 30.0)], (0, 20 * MINUTE), 2 * MINUTE, ALWAYS)
        assert found.gaps == (Gap(2 * MINUTE, 10 * MINUTE), Gap(12 * MINUTE, 20 * MINUTE))
        assert (found.covered, found.mean) == (20.0, 29.0)

    def test_the_window_is_half_open(self):
        """The reading before it counts inside while it stands; one at its end does not."""
        readings = [(-MINUTE, 25.0), (MINUTE, 30.0), (10 * MINUTE, 99.0)]
        found = summarise(readings, (0, 10 * MINUTE), HOUR, ALWAYS)
        assert (found.minimum, found.maximum, found.readings) == (25.0, 30.0, 1)
        assert found.worst_at == 0

    def test_nothing_covered_is_nothing_known(self):
        """Without a reading there are no figures, and all of it is a gap."""
        found = summarise([], (0, HOUR), MINUTE, ALWAYS)
        assert (found.minimum, found.mean, found.in_ideal, found.worst_at) == (None, None, None, None)
        assert found.gaps == (Gap(0, HOUR),)

    @pytest.mark.parametrize("end", [0, -1])
    def test_an_empty_window_is_refused(self, end):
        """A window that does not end after its start is the caller's fault."""
        with pytest.raises(ValueError, match="window"):
            summarise([], (0, end), MINUTE, ALWAYS)


class TestFigures:
    def test_degree_hours_and_shares(self):
        """Two hours 1 K above ideal are two degree-hours; shares are of covered time."""
        readings = [(0, 32.0), (2 * HOUR, 30.0), (3 * HOUR, 27.0)]
        found = summarise(readings, (0, 4 * HOUR), 4 * HOUR, ALWAYS)
        assert (found.above, found.below) == (2.0, 1.0)
        assert (found.in_ideal, found.in_safe) == (25.0, 100.0)
        assert found.worst_at == 0

    def test_another_range_cuts_a_reading_in_two(self):
        """From the change on, the same reading is judged by the other range."""
        ranges = (*ALWAYS, InForce(HOUR, Range(Span(20.0, 25.0), None)))
        found = summarise([(0, 30.0)], (0, 2 * HOUR), 2 * HOUR, ranges)
        assert (found.in_ideal, found.in_safe, found.above) == (50.0, 100.0, 5.0)
        assert found.worst_at == HOUR

    def test_without_a_range_only_the_curve_is_told(self):
        """Where nothing is judged, shares are not known."""
        found = summarise([(0, 30.0)], (0, HOUR), HOUR, ())
        assert (found.mean, found.in_ideal, found.in_safe, found.worst_at) == (30.0, None, None, None)

    @given(
        st.lists(st.tuples(st.integers(1, 40), st.integers(240, 350)), min_size=1, max_size=40),
        st.integers(1, 60),
        st.integers(1, 600),
    )
    def test_it_is_what_a_second_by_second_look_finds(self, steps, stand, length):
        """Figures equal those of looking at every second of the window."""
        readings, at = [], -20
        for step, tenths in steps:
            at += step
            readings.append((at * 1000, tenths / 10))
        found = summarise(readings, (0, length * 1000), stand * 1000, ALWAYS)
        seen = []
        for second in range(length):
            standing = [(start, value) for start, value in readings if start <= second * 1000]
            if standing and second * 1000 < standing[-1][0] + stand * 1000:
                seen.append(standing[-1][1])
        assert found.covered == pytest.approx(100 * len(seen) / length)
        if not seen:
            assert found.mean is None
            return
        assert found.mean == pytest.approx(sum(seen) / len(seen))
        assert (found.minimum, found.maximum) == (min(seen), max(seen))
        assert found.in_ideal == pytest.approx(100 * sum(28 <= one <= 31 for one in seen) / len(seen))
        assert found.above == pytest.approx(sum(max(0, one - 31) for one in seen) / 3600)
        assert found.below == pytest.approx(sum(max(0, 28 - one) for one in seen) / 3600)
        gaps = sum(gap.end - gap.start for gap in found.gaps)
        assert gaps == 1000 * (length - len(seen))
