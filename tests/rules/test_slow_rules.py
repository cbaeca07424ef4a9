"""Creeping, bumped, swinging, summed."""

import math
import random

from rules.creeping import CREPT, Creeping, Crept
from rules.degreehours import WARM_SUM, DegreeHours
from rules.reading import HOUR, MINUTE
from rules.shifted import Shifted
from rules.swinging import Swinging


def run(see, minutes, value, seed=1, noise=0.05):
    """Feed a detector by the minute; give (hour, wrong) of what it told."""
    rng, said = random.Random(seed), []
    for minute in range(1, minutes):
        verdict = see(minute * MINUTE, round(value(minute / 60) + rng.gauss(0, noise), 2))
        if verdict:
            said.append((minute / 60, verdict.wrong))
    return said


def cycle(hour, width=0.3, period=0.5):
    """Give a thermostat's swing."""
    return width * math.sin(2 * math.pi * hour / period)


class TestCreeping:
    def see(self):
        """Give a creeping rule with an ideal span of 29–31 °C."""
        creeping = Creeping()
        return lambda at, value: creeping.see(at, value, 29.0, 31.0)

    def test_creeps_out_of_ideal(self):
        """0.3 K a day towards the end of ideal is told within three and a half days."""
        said = run(self.see(), 8 * 1440, lambda hour: 30 + max(0, hour - 48) * 0.3 / 24 + cycle(hour))
        assert said
        assert 72 < said[0][0] <= 48 + 84

    def test_daily_rhythm_is_let_be(self):
        """A rhythm of ± 1 K over the day is no creep."""
        assert run(self.see(), 14 * 1440, lambda hour: 30 + math.sin(hour * math.pi / 12)) == []

    def test_weather_is_let_be(self):
        """A mean that wanders by ± 0.3 K over four days is no creep."""
        assert run(self.see(), 14 * 1440, lambda hour: 30 + 0.3 * math.sin(hour * math.pi / 48)) == []

    def test_towards_the_middle_is_let_be(self):
        """A curve that nears the middle of its span is let be."""
        assert run(self.see(), 6 * 1440, lambda hour: 29.1 + hour * 0.3 / 24 if hour < 72 else 30.0) == []

    def test_stands_still_again(self):
        """When the mean has stood still for a day it clears."""
        said = run(self.see(), 12 * 1440, lambda hour: 30 + min(96, max(0, hour - 48)) * 0.3 / 24)
        assert [wrong for _, wrong in said] == [True, False]

    def test_another_level_that_is_asked_for_ends_it(self):
        """What crept is over when another level is asked for."""
        creeping, said = Creeping(), []
        for minute in range(1, 14 * 1440, 5):
            if minute == 7 * 1440 + 1:
                creeping.forget()
            value = 29.6 + 0.3 * min(minute, 7 * 1440) / 1440
            verdict = creeping.see(minute * MINUTE, value, 29.0, 32.0)
            said += [(minute // 1440, verdict.wrong)] if verdict else []
        assert [wrong for _, wrong in said] == [True, False]
        assert said[1][0] == 7


class TestCrept:
    def test_after_twenty_days(self):
        """0.08 K a day, which no slope shows, is told by the sums; a steady mean is not."""
        rng, creep, steady = random.Random(2), Crept(), Crept()
        found = None
        for day in range(1, 90):
            mean = 30 + rng.gauss(0, 0.1)
            assert steady.see(day * 24 * HOUR, mean) is None
            verdict = creep.see(day * 24 * HOUR, mean + max(0, day - 30) * 0.08)
            found = found or (verdict and (day, verdict))
        assert found is not None
        assert 30 < found[0] < 45
        assert found[1].rule == CREPT


class TestShifted:
    def test_bumped_set_point(self):
        """A level that moves by 1 K and stays is told within five hours, and taken as usual in time."""
        said = run(Shifted().see, 4 * 1440, lambda hour: 30 + (1.0 if hour > 40 else 0.0) + cycle(hour))
        assert [wrong for _, wrong in said] == [True, False]
        assert 40 < said[0][0] < 45

    def test_lid_and_swing_are_let_be(self):
        """Lids and a daily rhythm are no new level."""
        said = run(
            Shifted().see,
            10 * 1440,
            lambda hour: (
                30 + cycle(hour) + 0.3 * math.sin(hour * math.pi / 12) - (4 if hour % 24 > 23.8 else 0)
            ),
        )
        assert said == []

    def test_back_at_its_old_level_it_has_not_moved(self):
        """A fan that was lost for a day and runs again brings back what was usual: no knob was turned."""
        quick = run(Shifted().see, 5 * 1440, lambda hour: 30 + (1.0 if 60 < hour < 82 else 0.0) + cycle(hour))
        assert [wrong for _, wrong in quick] == [True, False]
        weak = [30 + min(1.0, max(0.0, (hour - 56) / 30)) * (hour < 100) for hour in range(200)]
        slow = run(Shifted().see, 6 * 1440, lambda hour: weak[int(hour)] + cycle(hour))
        assert [hour for hour, wrong in slow if wrong and hour > 100] == []


class TestShiftedAndAskedFor:
    def test_another_level_that_is_asked_for_ends_it(self):
        """What settled elsewhere is over when another level is asked for."""
        shifted = Shifted()
        said = run(shifted.see, 46 * 60, lambda hour: 30 + (1.0 if hour > 40 else 0.0) + cycle(hour))
        shifted.forget()
        later = [one for m in range(46 * 60 + 1, 50 * 60) if (one := shifted.see(m * MINUTE, 31.0))]
        assert [wrong for _, wrong in said] + [one.wrong for one in later] == [True, False]


class TestSwinging:
    def test_growing_swing(self):
        """A swing that grows over a day is told, and cleared when it is as before."""
        said = run(
            Swinging().see,
            5 * 1440,
            lambda hour: 30 + cycle(hour, 0.3 + min(1.0, max(0, hour - 48) / 24) * (hour < 90)),
        )
        assert [wrong for _, wrong in said] == [True, False]
        assert said[0][0] < 48 + 24

    def test_chatter(self):
        """A swing that becomes quick is told by its crossings."""
        said = run(
            Swinging().see,
            3 * 1440,
            lambda hour: 30 + cycle(hour, 0.4, 1.0 if hour < 40 else 0.06),
            noise=0.01,
        )
        assert [wrong for _, wrong in said][:1] == [True]

    def test_usual_swing_and_lids(self):
        """The usual swing, and a lid a day, are let be."""
        said = run(
            Swinging().see,
            14 * 1440,
            lambda hour: 30 + cycle(hour, 0.5, 0.7) - (4 if hour % 24 > 23.9 else 0),
        )
        assert said == []


class TestDegreeHours:
    def test_convention(self):
        """A reading stands until the next: 2 K too warm for three hours are 6 K·h."""
        rule = DegreeHours()
        for minute in range(1, 600):
            rule.see(minute * MINUTE, 33.0 if 120 <= minute < 300 else 30.0, 29.0, 31.0)
        above, below = rule.sums()
        assert abs(above - 6) < 0.4
        assert below == 0

    def test_many_short_excursions_are_told(self):
        """Half an hour in every hour, 1.5 K too warm, is told within a day and clears when it ends."""
        rule, said = DegreeHours(), []
        for minute in range(1, 4 * 1440):
            value = 32.5 if minute % 60 < 30 and minute < 1440 else 30.0
            verdict = rule.see(minute * MINUTE, value, 29.0, 31.0)
            if verdict:
                said.append((verdict.rule, verdict.wrong))
        assert said == [(WARM_SUM, True), (WARM_SUM, False)]
