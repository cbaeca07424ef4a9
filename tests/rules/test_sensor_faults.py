"""A sensor's own faults are told, and healthy sensors are let be."""

# Curves are functions of time whether they use it or not; the clock is stepped in plain loops.
# ruff: noqa: ARG005, PERF401
import random

import pytest

from rules.agreement import Agreement, AgreementParams
from rules.cusum import Offset
from rules.faults import DOUBT_RULES, FAULT_RULES, UNFIT
from rules.gaps import Gaps
from rules.mirrored import Mirrored
from rules.plan import Priority
from rules.rate import Erratic
from rules.reading import DAY, HOUR, MINUTE
from rules.saturation import Saturated, SaturatedParams
from rules.spike import Spike, SpikeParams, spike_height
from rules.stuck import Stuck, StuckParams

HALF = 30_000


def told(verdicts):
    """Keep (minute, wrong) of the verdicts that are any."""
    return [(at // MINUTE, verdict.wrong) for at, verdict in verdicts if verdict]


def healthy(index, rng, grain=0.1):
    """Give a well kept temperature at a resolution."""
    return round(round((30 + 0.05 * ((index // 40) % 3) + rng.gauss(0, 0.06)) / grain) * grain, 4)


class TestStuck:
    def watch(self, hours, value, companion=None, params=None):
        """Run a stuck detector; give it and what it told."""
        stuck, verdicts = Stuck(params), []
        for index in range(hours * 120):
            at = (index + 1) * HALF
            verdicts.append((at, stuck.see(at, value(index), companion and companion(index))))
        return stuck, told(verdicts)

    def test_moving_sensor_that_freezes(self):
        """A curve that moves every few minutes and then freezes is stuck within two hours, and clears."""
        rng, end = random.Random(1), 40 * 120

        def value(index):
            return 30.1 if end <= index < end + 600 else healthy(index, rng)

        _, said = self.watch(48, value)
        assert said[0][1] is True
        assert 55 <= said[0][0] - 40 * 60 <= 120
        assert said[-1][1] is False

    def test_flat_incubator_is_legitimate(self):
        """Runs of hours at a coarse resolution are no fault where they are usual."""
        _, said = self.watch(96, lambda index: 30.0 if (index // 360) % 2 else 30.1)
        assert said == []

    def test_a_day_without_change_is_a_fault(self):
        """Whatever is usual, a day to the last digit is told."""
        _, said = self.watch(30, lambda index: 30.0)
        assert said
        assert abs(said[0][0] - 24 * 60) <= 2

    def test_companion_makes_it_sooner(self):
        """While the same device's humidity moves, a flat temperature is told sooner."""
        _, alone = self.watch(40, lambda index: 30.0 if index > 3600 else 30 + (index // 40) % 3 / 10)
        _, beside = self.watch(
            40,
            lambda index: 30.0 if index > 3600 else 30 + (index // 40) % 3 / 10,
            lambda index: 70 + index % 9,
        )
        assert beside[0][0] < alone[0][0]

    def test_saturated_humidity_is_not_stuck(self):
        """Humidity on its rail is saturation."""
        _, said = self.watch(30, lambda index: 99.9, params=StuckParams(rail_high=98.0))
        assert said == []

    def test_gaps_do_not_count(self):
        """Only covered time counts: a day with one reading an hour proves nothing."""
        stuck = Stuck()
        assert not any(stuck.see(hour * HOUR, 30.0) for hour in range(1, 30))


class TestSpike:
    def test_held_back_until_confirmed(self):
        """A jump is doubtful until the next reading; one that stays is believed."""
        spike, doubts = Spike(), []
        for index, value in enumerate([30, 30, 24, 24, 24, 30, 30, 38, 30]):
            spike.see((index + 1) * HALF, float(value))
            doubts.append(spike.doubtful)
        assert doubts == [False, False, True, False, False, True, False, True, False]

    def test_many_are_a_fault(self):
        """Four spikes within an hour are a faulty sensor; two calm hours clear it."""
        spike, verdicts = Spike(), []
        for index in range(600):
            value = 40.0 if index in (20, 40, 60, 80) else 30.0
            verdicts.append(((index + 1) * HALF, spike.see((index + 1) * HALF, value)))
        assert [wrong for _, wrong in told(verdicts)] == [True, False]

    @pytest.mark.parametrize(
        "values", [(float("nan"), 30, 30), (30, float("nan"), 30)], ids=["before", "self"]
    )
    def test_nan_is_not_judged(self, values):
        """NaN gives no spike."""
        assert spike_height(*values) == 0

    def test_gap_is_no_jump(self):
        """After a gap a different value is no spike."""
        spike = Spike(SpikeParams())
        spike.see(HALF, 30.0)
        spike.see(HOUR, 20.0)
        assert not spike.doubtful


class TestErratic:
    def test_loose_contact(self):
        """Leaps to and fro are told within the hour, and cleared after a calm one."""
        rng, erratic, verdicts = random.Random(2), Erratic(), []
        for index in range(720):
            noise = rng.choice([-2.0, 0.0, 2.0]) if 200 < index < 320 else 0.0
            verdicts.append(((index + 1) * HALF, erratic.see((index + 1) * HALF, 30 + noise)))
        assert [wrong for _, wrong in told(verdicts)] == [True, False]

    def test_one_fall_is_a_lid(self):
        """A fast fall and its return are no loose contact."""
        erratic = Erratic()
        values = [30, 28, 26, 24, 23, 24, 26, 28, 30] * 2
        assert not any(erratic.see((i + 1) * HALF, float(v)) for i, v in enumerate(values))


class TestAgreement:
    def run(self, difference, hours=48):
        """Watch two sensors with a difference by minute."""
        rng, agreement, verdicts = random.Random(3), Agreement(AgreementParams(apart=1.0)), []
        for minute in range(1, hours * 60):
            first = 30 + rng.gauss(0, 0.1)
            verdicts.append(
                (minute * MINUTE, agreement.see(minute * MINUTE, first, first - difference(minute)))
            )
        return told(verdicts)

    def test_agreeing_pair(self):
        """Half a kelvin apart for ever is two sensors of ±0.5 K."""
        assert self.run(lambda minute: 0.5) == []

    def test_far_apart(self):
        """Three kelvin apart is told after the hold."""
        said = self.run(lambda minute: 3.0)
        assert len(said) == 1
        assert 110 <= said[0][0] <= 150

    def test_one_falls_out(self):
        """A difference that moves is told though it is not wide, and cleared when it is back."""
        said = self.run(lambda minute: 1.4 if 1500 < minute < 2000 else 0.0)
        assert [wrong for _, wrong in said] == [True, False]

    def test_a_lid_is_not_a_disagreement(self):
        """An hour apart is not told."""
        assert self.run(lambda minute: 4.0 if 1500 < minute < 1550 else 0.0) == []


class TestOffset:
    def test_drift_found_only_after_twenty_days(self):
        """Nothing is told in the first twenty days; a drift of 0.04 K a day is told within weeks."""
        rng, offset, verdicts = random.Random(4), Offset(), []
        for hour in range(1, 60 * 24):
            day = hour / 24
            value = rng.gauss(0.1, 0.1) + max(0.0, day - 25) * 0.04
            verdicts.append((hour * HOUR, offset.see(hour * HOUR, value)))
        said = told(verdicts)
        assert len(said) == 1
        assert 25 < said[0][0] / 1440 < 40

    def test_steady_pair(self):
        """A steady pair is let be for half a year."""
        rng, offset = random.Random(5), Offset()
        assert not any(offset.see(hour * HOUR, rng.gauss(0.3, 0.2)) for hour in range(1, 180 * 24))


class TestSaturated:
    def test_hour_of_wetness(self):
        """98 % for an hour is free water; below 96 % for an hour it has dried."""
        saturated, verdicts = Saturated(SaturatedParams(safe_high=95)), []
        for minute in range(1, 400):
            verdicts.append(
                (minute * MINUTE, saturated.see(minute * MINUTE, 99.5 if 60 < minute < 200 else 90.0))
            )
        assert [wrong for _, wrong in told(verdicts)] == [True, False]
        assert abs(told(verdicts)[0][0] - 121) <= 2

    def test_where_wet_is_right(self):
        """Where safe humidity reaches to 99 % nothing is told, but the number is known to be none."""
        saturated = Saturated(SaturatedParams(safe_high=100))
        assert not any(saturated.see(minute * MINUTE, 99.9) for minute in range(1, 200))
        assert saturated.wet_now


class TestGaps:
    def run(self, lost, hours=72):
        """Watch a sensor that loses a share of its readings by hour."""
        rng, gaps, verdicts = random.Random(6), Gaps(), []
        for index in range(1, hours * 120):
            if rng.random() >= lost(index / 120):
                verdicts.append((index * HALF, gaps.see(index * HALF)))
        return told(verdicts)

    def test_dying_battery(self):
        """Losses that grow are told at low priority's leisure, and cleared by a new battery."""
        said = self.run(lambda hour: 0.02 if hour < 30 or hour > 60 else 0.02 + (hour - 30) * 0.02)
        assert [wrong for _, wrong in said] == [True, False]

    @pytest.mark.parametrize("share", [0.02, 0.1], ids=str)
    def test_steady_losses(self, share):
        """Losses that are usual for the sensor are let be."""
        assert self.run(lambda hour: share) == []


class TestMirrored:
    def test_one_number_twice(self):
        """Humidity that equals temperature for hours is told."""
        mirrored = Mirrored()
        verdicts = [
            (m * MINUTE, mirrored.see(m * MINUTE, 30 + m % 7 / 10, 30 + m % 7 / 10)) for m in range(1, 300)
        ]
        assert [wrong for _, wrong in told(verdicts)] == [True]

    def test_passing_by(self):
        """Two curves that cross are let be."""
        mirrored = Mirrored()
        assert not any(mirrored.see(m * MINUTE, 30.0, 30 + (m - 300) / 60) for m in range(1, 600))


def test_fault_rules_name_what_they_spoil():
    """The rules that take a sensor out of service and those that only doubt it are apart."""
    assert set(UNFIT) == FAULT_RULES
    assert not FAULT_RULES & DOUBT_RULES
    assert Priority.LOW.rank == 0
    assert DAY == 24 * HOUR
