"""CUSUM, EWMA, spikes, rates and trends against published tables and public libraries."""

import math
import random

import numpy as np
import pymannkendall
import pytest
from ioos_qc import qartod
from scipy import stats

from rules import trend
from rules.agreement import allowed
from rules.cusum import Sums, cusum_step, decision_limit, ewma_limit, run_length
from rules.rate import rate_of_change
from rules.spike import spike_height
from rules.stuck import Stuck, StuckParams

SERIES = [9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08,
          9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62,
          11.31, 10.52]  # fmt: skip
"""The classic textbook series (Montgomery ch. 9; from memory)."""

SEA = [28.0, 28.1, 28.0, 28.2, 28.1, 28.1, 33.5, 28.1, 28.0, 28.0, 28.0, 28.0, 28.0, 28.0, 28.0, 85.0, 28.1,
       28.2, 29.9, 30.4, 31.0, math.nan, 28.3, 28.2]  # fmt: skip
"""Every five minutes."""


class TestCusum:
    def test_textbook_path(self):
        """C⁺ signals at the 29th value, seven values after it began; C⁻ never passes 1.77."""
        sums, path = Sums(), []
        for value in SERIES:
            sums = cusum_step(sums, value - 10)
            path.append(sums)
        assert [round(path[n - 1].up, 2) for n in (4, 5, 24, 28, 29)] == [1.16, 2.82, 2.79, 4.47, 5.28]
        assert path[28].up_for == 7
        assert max(one.down for one in path) == pytest.approx(1.77, abs=0.005)
        assert all(one.up <= 5 for one in path[:28])

    @pytest.mark.parametrize(
        ("h", "shift", "length"),
        [(4, 0.5, 26.6), (4, 1, 8.38), (5, 0.5, 38.0), (5, 1, 10.4), (5, 2, 4.01), (4, 0, 168)],
        ids=str,
    )
    def test_run_lengths(self, h, shift, length):
        """Simulated run lengths agree with Montgomery's table (k = ½) within 8 %."""
        rng = random.Random(5)
        runs = []
        for _ in range(900 if shift else 500):
            sums, n = Sums(), 0
            while max(sums.up, sums.down) <= h:
                sums = cusum_step(sums, rng.gauss(shift, 1))
                n += 1
            runs.append(n)
        assert sum(runs) / len(runs) == pytest.approx(length, rel=0.08 if shift else 0.12)

    @pytest.mark.parametrize(("h", "length"), [(4, 168), (4.77, 369), (5, 465)], ids=str)
    def test_approximation(self, h, length):
        """Siegmund's approximation is within 2 % of the exact false-alarm table."""
        assert run_length(h) == pytest.approx(length, rel=0.02)

    def test_limit_grows_with_curves(self):
        """At h = 8 a room of 120 curves has one false alarm in 79 days; the limit holds what it promises."""
        assert run_length(8) / 120 == pytest.approx(79, abs=1)
        for curves in (1, 10, 120):
            assert run_length(decision_limit(curves)) >= 180 * curves


class TestEwma:
    def test_textbook_path(self):
        """λ = 0.1, L = 2.7: signals at the 29th value (z 10.6468 above 10.6187)."""
        z, path = 10.0, []
        for value in SERIES:
            z = 0.1 * value + 0.9 * z
            path.append(z)
        assert [round(path[n - 1], 4) for n in (1, 2, 3, 28, 29, 30)] == [
            9.945,
            9.7495,
            9.7035,
            10.5731,
            10.6468,
            10.6341,
        ]
        assert 10 + ewma_limit(0.1, 2.7, 28) == pytest.approx(10.6186, abs=1e-4)
        assert 10 + ewma_limit(0.1, 2.7, 29) == pytest.approx(10.6187, abs=1e-4)

    @pytest.mark.parametrize(
        ("weight", "width", "shift", "length"),
        [(0.4, 3.054, 1, 14.3), (0.2, 2.962, 1, 10.5), (0.1, 2.814, 0.5, 31.3), (0.1, 2.814, 2, 4.36)],
        ids=str,
    )
    def test_run_lengths(self, weight, width, shift, length):
        """Simulated run lengths agree with Lucas & Saccucci 1990 within 8 % (asymptotic limits)."""
        rng = random.Random(6)
        limit = ewma_limit(weight, width, 100_000)
        runs = []
        for _ in range(900):
            z, n = 0.0, 0
            while abs(z) <= limit:
                z = weight * rng.gauss(shift, 1) + (1 - weight) * z
                n += 1
            runs.append(n)
        assert sum(runs) / len(runs) == pytest.approx(length, rel=0.08)


class TestOceanVectors:
    def test_spike_differential(self):
        """Heights above 1 and 3 fall where ioos_qc 3.0's differential spike test flags them."""
        expected = [2, 1, 1, 1, 1, 1, 4, 1, 1, 1, 1, 1, 1, 1, 1, 4, 1, 1, 1, 1, 2, 9, 2, 2]
        for index in range(1, len(SEA) - 1):
            height = spike_height(*SEA[index - 1 : index + 2])
            if expected[index] in (1, 3, 4):
                assert (4 if height > 3 else 3 if height > 1 else 1) == expected[index], index
            else:
                assert height == 0

    def test_spike_library(self):
        """The same on random series, run against the library itself."""
        rng = random.Random(3)
        series = [round(rng.gauss(28, 1.5), 2) for _ in range(300)]
        flags = qartod.spike_test(
            np.array(series), suspect_threshold=1.0, fail_threshold=3.0, method="differential"
        )
        ours = [spike_height(*series[i - 1 : i + 2]) for i in range(1, 299)]
        assert [4 if h > 3 else 3 if h > 1 else 1 for h in ours] == [int(flag) for flag in flags[1:-1]]

    def test_rate(self):
        """0.2 K a minute is passed where ioos_qc's rate of change test (per second) says so."""
        expected = [1, 1, 1, 1, 1, 1, 3, 3, 1, 1, 1, 1, 1, 1, 1, 3, 3, 1, 3, 1, 1, 9, 1, 1]
        for index in range(1, len(SEA)):
            rate = rate_of_change(SEA[index] - SEA[index - 1], 300_000)
            if expected[index] != 9 and rate == rate:
                assert (3 if rate > 0.2 / 60 else 1) == expected[index], index

    def test_flat_line(self):
        """A run is 1200 s and 1800 s long where ioos_qc's flat line test says suspect and fail."""
        expected = [1] * 12 + [3, 3, 4] + [1] * 6 + [9, 1, 1]
        stuck = Stuck(StuckParams(cover=300_000))
        for index, value in enumerate(SEA):
            if value == value:
                stuck.see((index + 1) * 300_000, value)
                run = stuck.run if index and value == SEA[index - 1] else 0
                assert (4 if run >= 1_800_000 else 3 if run >= 1_200_000 else 1) == expected[index], index

    def test_pair(self):
        """Two sensors of ±0.5 K may stand 0.7 K apart."""
        assert allowed(0.5, 0.5) == pytest.approx(0.7071, abs=1e-4)


class TestTrend:
    Y = (28.0, 28.1, 28.05, 28.2, 28.15, 28.3, 28.25, 28.4, 28.45, 28.5)

    def test_vector(self):
        """S 39, var 125, Z 3.39882, p 0.000677, slope 0.05 (pymannkendall, scipy)."""
        test = trend.mann_kendall(self.Y)
        assert (test.s, test.variance) == (39, 125)
        assert test.z == pytest.approx(3.39882, abs=1e-5)
        assert test.p == pytest.approx(0.000677, abs=1e-6)
        assert trend.theil_sen(self.Y) == pytest.approx(0.05, abs=1e-12)

    @pytest.mark.parametrize("seed", range(5))
    def test_libraries(self, seed):
        """On random series with ties both agree with scipy and pymannkendall."""
        rng = random.Random(seed)
        values = [round(rng.gauss(0, 1) + 0.03 * i, 1) for i in range(25)]
        assert trend.theil_sen(values) == pytest.approx(stats.theilslopes(values).slope, abs=1e-12)
        theirs = pymannkendall.original_test(values)
        ours = trend.mann_kendall(values)
        assert ours.s == theirs.s
        assert ours.variance == pytest.approx(theirs.var_s)
        assert ours.z == pytest.approx(theirs.z)
        assert ours.p == pytest.approx(theirs.p)

    def test_nothing_to_say(self):
        """One value has no slope, equal values no trend."""
        assert math.isnan(trend.theil_sen([1.0]))
        assert trend.mann_kendall([1.0, 1.0, 1.0]).p == 1.0
