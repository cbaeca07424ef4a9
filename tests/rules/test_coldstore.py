"""Cold stores and outdoor pens."""

import math

import pytest

from rules.coldstore import FOOD, FROST, THAWING, WAKING, WEEKS, ColdStore, ColdStoreParams
from rules.outdoor import FROST as FROST_AHEAD
from rules.outdoor import OVERHEATING, SUN, Ahead, SunOnSensor
from rules.plan import Priority, Store
from rules.psychrometrics import saturation_vapour_pressure
from rules.reading import DAY, HOUR, MINUTE


def run(store, minutes, air, ambient=21.0):
    """Feed a store by the minute; give (hour, rule, wrong, priority) of what it told first and last."""
    cold, said = ColdStore(ColdStoreParams.of(store)), []
    for minute in range(1, minutes):
        verdict = cold.see(minute * MINUTE, air(minute), ambient)
        if verdict:
            said.append((minute / 60, verdict))
    return cold, said


class TestRefrigerator:
    def test_doors_are_filtered(self):
        """A door opened ten times a day for three minutes is no alarm in a fortnight."""
        _, said = run(Store.REFRIGERATOR, 14 * 1440, lambda m: 12.0 if m % 144 < 3 else 3 + math.sin(m / 10))
        assert said == []

    @pytest.mark.parametrize(("ambient", "hours"), [(21.0, 2), (34.0, 1)], ids=["cool room", "hot room"])
    def test_two_hour_rule(self, ambient, hours):
        """Two hours above 4.4 °C in sum, one where it is above 32.2 °C around."""
        _, said = run(Store.REFRIGERATOR, 1440, lambda m: 3.0 if m < 300 else 9.0, ambient)
        hour, verdict = said[0]
        assert verdict.rule == FOOD
        assert verdict.priority is Priority.MEDIUM
        assert 5 + hours <= hour <= 5 + hours + 0.25

    def test_sum_survives_openings_and_restarts(self):
        """Two spans of 80 min, an hour apart and with a restart between, are one sum."""
        params = ColdStoreParams.of(Store.REFRIGERATOR)
        cold, said = ColdStore(params), []
        for minute in range(1, 400):
            if minute == 200:
                cold = ColdStore.restored(params, cold.state())
            verdict = cold.see(
                minute * MINUTE, 12.0 if 100 <= minute < 180 or 240 <= minute < 320 else 2.0, 21.0
            )
            said += [verdict] if verdict else []
        assert said
        assert said[0].wrong

    def test_cold_again_clears(self):
        """After it was cold for long enough the sum begins anew."""
        cold, said = run(Store.REFRIGERATOR, 1440, lambda m: 9.0 if 300 < m < 500 else 3.0)
        assert [verdict.wrong for _, verdict in said][-1] is False
        assert cold.above == 0


class TestFreezer:
    def test_defrosts_are_no_fault(self):
        """40 min at -9 °C, twice a day, are silent for two weeks."""
        _, said = run(
            Store.FREEZER, 14 * 1440, lambda m: -9.0 if m % 720 < 40 else -20 + 1.5 * math.sin(m / 7)
        )
        assert said == []

    def test_lost_power(self):
        """A freezer that warms towards the room is told before it thaws."""
        _, said = run(
            Store.FREEZER, 2880, lambda m: -20 + (40 * (1 - math.exp(-(m - 600) / 900)) if m > 600 else 0)
        )
        hour, verdict = said[0]
        assert verdict.rule == THAWING
        assert -20 + 40 * (1 - math.exp(-(hour * 60 - 600) / 900)) < 0


class TestHibernation:
    def test_frost_is_high(self):
        """Towards freezing is high priority."""
        _, said = run(Store.HIBERNATION, 1440, lambda m: 5.0 if m < 300 else -1.0)
        assert said[0][1].rule == FROST
        assert said[0][1].priority is Priority.HIGH

    def test_waking(self):
        """A day above 10 °C is told."""
        _, said = run(Store.HIBERNATION, 4 * 1440, lambda m: 5.0 if m < 300 else 13.0)
        assert said[0][1].rule == WAKING
        assert 29 <= said[0][0] <= 31

    def test_the_next_winter_begins_anew(self):
        """Twenty-one weeks are told and over a week after waking; ten of the next winter are not."""
        cold = ColdStore(ColdStoreParams.of(Store.HIBERNATION, HOUR))
        hours = [5.0] * (21 * 168) + [20.0] * (3 * 168) + [5.0] * (10 * 168)
        said = [cold.see(hour * HOUR, value) for hour, value in enumerate(hours, 1)]
        assert [one.wrong for one in said if one and one.rule == WEEKS] == [True, False]

    def test_weeks(self):
        """Twenty weeks in the cold are told once."""
        cold = ColdStore(ColdStoreParams(Store.HIBERNATION, cover=HOUR))
        said = [verdict for hour in range(1, 21 * 7 * 24) if (verdict := cold.see(hour * HOUR, 5.0))]
        assert [verdict.rule for verdict in said] == [WEEKS]
        assert abs(cold.in_cold - 21 * 7 * DAY) < 2 * DAY


def pen(minute, coldest, warmest=20.0):
    """Give a clear day's temperature: coldest at six in the morning."""
    middle, swing = (coldest + warmest) / 2, (warmest - coldest) / 2
    return middle - swing * math.cos(2 * math.pi * (minute / 60 - 6) / 24)


class TestAhead:
    def watch(self, days, value, low=2.0, high=40.0):
        """Feed a pen by five minutes; give (hour, rule, wrong)."""
        ahead, said = Ahead(), []
        for minute in range(5, days * 1440, 5):
            verdict = ahead.see(minute * MINUTE, value(minute), low, high)
            if verdict:
                said.append((minute / 60, verdict.rule, verdict.wrong))
        return said

    def test_frost_ahead(self):
        """A night that goes to -2 °C is told hours before 2 °C is left, and cleared in the day."""
        said = self.watch(3, lambda minute: pen(minute, 6.0 if minute < 1440 + 720 else -2.0))
        assert [rule for _, rule, _ in said] == [FROST_AHEAD, FROST_AHEAD]
        crossing = next(m for m in range(1440 + 720, 4320) if pen(m, -2.0) < 2.0 and m % 1440 < 720) / 60
        assert 0.5 <= crossing - said[0][0] <= 4

    def test_mild_nights(self):
        """Nights that stay three degrees above the limit are let be."""
        assert self.watch(7, lambda minute: pen(minute, 5.0)) == []

    def test_what_the_sun_leaves_behind_is_no_frost(self):
        """A sensor that the evening sun leaves falls by 10 K in an hour: nothing is foreseen from that."""

        def lit(minute):
            beam = min(1.0, max(0.0, (1440 + 1260 - minute) / 60)) if minute > 1440 + 1140 else 0.0
            return pen(minute, 6.0) + 12.0 * beam

        assert self.watch(3, lit) == []

    def test_overheating_ahead(self):
        """A day that goes to 45 °C is told before 40 °C is passed."""
        said = self.watch(3, lambda minute: pen(minute, 15.0, 30.0 if minute < 1440 else 45.0))
        assert said[0][1] == OVERHEATING
        crossing = next(m for m in range(1440, 4320) if pen(m, 15.0, 45.0) > 40) / 60
        assert said[0][0] < crossing


class TestSun:
    @pytest.mark.parametrize("high", [20.0, 34.0])
    def test_leap_without_humidity(self, high):
        """A leap of 8 K while humidity stands is the sun, told where such air would be an alarm."""
        for answers in (False, True):
            sun, said, lit = SunOnSensor(), [], False
            for minute in range(1, 300):
                t = 15 + 8 * min(1.0, max(0.0, (minute - 100) / 20))
                dry = 80 * saturation_vapour_pressure(15) / saturation_vapour_pressure(t)
                verdict = sun.see(minute * MINUTE, t, dry if answers else 79.0, high, day=True)
                said += [verdict] if verdict and verdict.wrong else []
                lit = lit or sun.lit
            assert lit is not answers
            assert [verdict.rule for verdict in said] == ([] if answers or high > 23 else [SUN])

    def test_not_at_night(self):
        """At night there is no sun."""
        sun = SunOnSensor()
        assert not any(
            sun.see(m * MINUTE, 15 + min(8.0, max(0.0, m - 100)), 79.0, day=False) for m in range(1, 300)
        )
