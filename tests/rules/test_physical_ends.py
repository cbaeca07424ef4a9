"""Where the rules that know physics end, doubt or keep still."""

import math

import pytest

from rules.coldstore import THAWING, ColdStore, ColdStoreParams
from rules.creeping import Creeping, Crept
from rules.cusum import Offset, OffsetParams
from rules.drying import DryingOut, DryingParams
from rules.heading import Heading
from rules.mirrored import Mirrored
from rules.moisture import MoistureReference
from rules.outdoor import Ahead
from rules.plan import Priority, Store
from rules.reading import DAY, HOUR, MINUTE, Quality, Quantity
from rules.span import Range, Span
from rules.stuck import Stuck, StuckParams
from rules.summary import InForce, summarise
from rules.swinging import Swinging
from rules.thermal import BoxConstant, BoxConstantParams, DecayFit, Surroundings, forecast
from rules.track import Limits, Track
from rules.words import Instant


class TestSensorsThatComeRight:
    def test_humidity_that_differs_from_temperature_again_clears(self):
        """A mixed-up sensor is in service again as soon as its two values differ."""
        mirrored = Mirrored()
        said = [mirrored.see(m * MINUTE, 30.0, 30.0 if m < 60 else 70.0) for m in range(1, 90)]
        assert [one.wrong for one in said if one] == [True, False]

    def test_an_offset_that_goes_back_clears(self):
        """A drift of three weeks is over within a fortnight of its mending; a day with few hours is none."""
        offset, said = Offset(OffsetParams()), []
        for hour in range(1, 24 * 80):
            day = hour // 24
            if day == 5 and hour % 24 > 8:
                continue
            drift = 0.6 if 30 <= day < 50 else 0.0
            verdict = offset.see(hour * HOUR, 0.2 + (hour % 3) * 0.02 + drift)
            said += [(verdict.wrong, day)] if verdict else []
        (told, began), (over, ended) = said
        assert (told, over) == (True, False)
        assert 30 <= began < 35
        assert 50 < ended <= 64

    def test_a_creep_by_sums_that_goes_back_clears(self):
        """What crept away for weeks and came back is over within a fortnight."""
        creep = Crept()
        means = [30.0 + (day % 3) * 0.02 for day in range(20)] + [30.8] * 18 + [30.02] * 14
        said = [creep.see(day * DAY, mean) for day, mean in enumerate(means, 1)]
        assert [one.wrong for one in said if one] == [True, False]

    def test_a_level_that_has_stood_for_weeks_is_the_usual_one(self):
        """Told once, then learnt anew: the way back is a creep of its own."""
        creep = Crept()
        means = [30.0 + (day % 3) * 0.02 for day in range(20)] + [30.8] * 40 + [30.0] * 30
        said = [(day, creep.see(day * DAY, mean)) for day, mean in enumerate(means)]
        (told, over, again, last) = [(day, one.wrong) for day, one in said if one]
        assert (told[1], over[1], again[1], last[1]) == (True, False, True, False)
        assert told[0] + 20 == over[0]

    def test_a_creep_that_goes_on_is_not_taken_as_usual(self):
        """While the level still moves it stays told."""
        creep = Crept()
        means = [30.0 + (day % 3) * 0.02 for day in range(20)] + [30 + 0.05 * day for day in range(100)]
        said = [creep.see(day * DAY, mean) for day, mean in enumerate(means)]
        assert [one.wrong for one in said if one] == [True]

    def test_another_level_that_is_asked_for_ends_it(self):
        """What was told of the old level is over when another one begins, and that one is learnt."""
        creep = Crept()
        means = [30.0 + (day % 3) * 0.02 for day in range(20)] + [30.8] * 15
        said = [one for day, mean in enumerate(means) if (one := creep.see(day * DAY, mean))]
        creep.forget()
        said += [one for day in range(40, 80) if (one := creep.see(day * DAY, 27.0))]
        assert [one.wrong for one in said] == [True, False]

    def test_one_mean_a_day_counts(self):
        """What comes within the day is let be."""
        creep = Crept()
        for hour in range(0, 19 * 24, 6):
            assert creep.see(hour * HOUR, 30.0) is None
        assert len(creep.days) == 19

    def test_humidity_on_its_lower_rail_is_not_stuck(self):
        """A hygrometer that reads nothing at all for a day is at its end, not stuck."""
        stuck = Stuck(StuckParams(rail_low=1.0))
        assert not any(stuck.see(m * MINUTE, 0.0) for m in range(1, 30 * 60))


class TestColdStores:
    def test_frozen_again_it_clears(self):
        """What thawed a little and is frozen again is no alarm any more."""
        cold = ColdStore(ColdStoreParams.of(Store.FREEZER))
        values = [-20.0] * 60 + [5.0] * 400 + [-22.0] * 2000
        said = [cold.see(m * MINUTE, value) for m, value in enumerate(values, 1)]
        thawing = [one.wrong for one in said if one and one.rule == THAWING]
        assert thawing[0]
        assert thawing.count(False) == 1
        assert not thawing[-1]

    def test_an_absence_sums_nothing(self):
        """Hours in which nobody watched are not counted as hours in the warmth."""
        cold = ColdStore(ColdStoreParams.of(Store.REFRIGERATOR))
        for minute in range(1, 60):
            cold.see(minute * MINUTE, 20.0)
        before = cold.above
        cold.away(60 * MINUTE, 600 * MINUTE)
        cold.see(601 * MINUTE, 20.0)
        assert cold.above - before <= MINUTE


class TestDryingOut:
    def play(self, hours, humidity):
        """Give what a box says of its moisture."""
        drying = DryingOut(DryingParams())
        said = [drying.see(m * MINUTE, 30.0, humidity(m / 60), 60.0) for m in range(1, hours * 60)]
        return [one for one in said if one]

    def test_one_block_proves_nothing(self):
        """Before there is a past to compare with nothing is said of drying, however dry it is."""
        assert self.play(3, lambda _: 40.0) == []

    def test_where_it_stands_still_no_hour_is_foretold(self):
        """A box that lost much and loses no more is said again without the hour at which it leaves safe."""

        def humidity(hour):
            return 80.0 if hour < 40 else max(80.0 - 3.2 * (hour - 40), 60.8) + max(0.0, hour - 46) * 0.05

        said = self.play(70, humidity)
        assert [one.wrong for one in said] == [True] * len(said)
        told = [any(isinstance(part, Instant) for part in one.reason) for one in said]
        assert told[0]
        assert not told[-1]


class TestMoisture:
    def test_air_without_any_moisture_is_no_reference(self):
        """A humidity of nought (a sensor's way to say nothing) does not spoil what is remembered."""
        reference = MoistureReference()
        reference.see(MINUTE, 30.0, 80.0)
        before = reference.explain(30.0, 60.0)
        reference.see(3 * MINUTE, 30.0, 0.0)
        assert reference.explain(30.0, 60.0) == before


class TestOutdoors:
    def test_after_a_long_absence_the_curve_begins_anew(self):
        """What the air did before a long absence says nothing of the next hours; a short one is bridged."""
        ahead = Ahead()
        for quarter in range(1, 9):
            ahead.see(quarter * ahead.params.step, 20.0, 3.0, 34.0)
        kept = list(ahead.values)
        ahead.away(DAY, DAY + MINUTE)
        assert ahead.values == kept
        ahead.away(DAY, 2 * DAY)
        assert ahead.values == []


class TestCreeping:
    @pytest.mark.parametrize(
        ("low", "high"), [(None, 90.0), (-50.0, None)], ids=["far away", "no end that way"]
    )
    def test_a_creep_that_leaves_nothing_soon_is_let_be(self, low, high):
        """A mean that creeps towards an end weeks away, or towards none, is not told."""
        creeping, said = Creeping(), []
        for step in range(1, 10 * 288):
            at = step * creeping.params.step
            said.append(creeping.see(at, 30.0 + 0.3 * at / DAY, low, high))
        assert not any(said)


class TestSwinging:
    def hours(self, swinging, start, count, width):
        """Feed hours of a swing, by the minute; give what was told."""
        said = []
        for minute in range(count * 60):
            value = 30.0 + width * math.sin(2 * math.pi * minute / 30)
            said.append(swinging.see(start + minute * MINUTE, value))
        return [one for one in said if one]

    def test_a_swing_that_stops_at_its_level_is_told(self):
        """A thermostat that swung by a kelvin for days and stands still at its level switches no more."""
        swinging = Swinging()
        assert self.hours(swinging, MINUTE, 40, 0.6) == []
        said = self.hours(swinging, MINUTE + 40 * HOUR, 6, 0.02)
        assert [one.wrong for one in said] == [True]
        assert " within an hour, usually by " in said[0].reason


class TestTimeConstants:
    def test_too_few_points_fit_nothing(self):
        """One point, or points on the ambient itself, give no time constant and no fit."""
        fit = DecayFit()
        fit.add(0, 30.0, 20.0)
        fit.add(MINUTE, 20.01, 20.0)
        assert (fit.n, fit.tau(), fit.fit()) == (1, None, 0.0)

    def test_a_limit_beyond_the_ambient_is_never_left(self):
        """What cools towards 20 °C does not reach 18 °C."""
        assert forecast(30.0, 18.0, Surroundings(20.0, 60.0, 1.0, 0.1)) is None

    def test_after_two_falls_the_doubt_is_an_assumed_one(self):
        """With fewer than three falls the spread of the time constant is a cautious guess."""
        box = BoxConstant()
        box.taus = [3_600_000.0]
        assert box.known() == (pytest.approx(3_600_000.0), 0.25)

    def test_a_memory_of_an_older_version_begins_a_new_fall(self):
        """A memory without the sums of the present fall is taken back for what it has."""
        state = {"taus": [3_600_000.0]}
        assert BoxConstant.restored(BoxConstantParams(), state).taus == [3_600_000.0]


class TestKnownConstants:
    def fall(self, tau, *, pace=None):
        """Give the minutes at which a box of a known time constant (100 min) is said to lose its heat."""
        heading, said = Heading(), []
        heading.learnt(100.0 * MINUTE, 0.1)
        for minute in range(1, 500):
            gone = max(0, minute - 400)
            value = 30.0 + (minute % 7) * 0.02
            value = value - pace * gone if pace else 15.0 + (value - 15.0) * math.exp(-gone / tau)
            verdict = heading.see(minute * MINUTE, value, 26.0, 33.0, 15.0)
            said += [minute] if verdict and verdict.wrong else []
        return said

    def test_a_fall_at_the_pace_of_heat_lost_is_told(self):
        """What cools as the box is known to cool has lost its heat, and is told within half an hour."""
        (told, *_) = self.fall(100.0)
        assert 400 < told <= 430

    def test_a_fall_far_slower_than_heat_lost_is_let_be(self):
        """What falls at a sixth of the known pace has its heater still."""
        assert self.fall(0.0, pace=0.025) == []

    def test_a_fall_far_faster_than_heat_lost_is_left_to_the_range(self):
        """What falls at three times the known pace may be a lid: no way out is foreseen from it."""
        assert self.fall(100.0 / 3) == []
        assert self.fall(100.0 / 1.6)


class TestTracks:
    def warm(self):
        """Give a track of a thermometer with an alarm that is held."""
        track = Track("box-1", "air", "a", Quantity.TEMPERATURE)
        track.stand = 2 * MINUTE
        range_ = Range(Span(28.5, 31.0), Span(26.0, 33.0))
        track.put(Limits(range_, 0.3, True, 5 * MINUTE, 2 * MINUTE, 5 * MINUTE))
        return track

    def test_an_open_lid_ends_no_alarm(self):
        """A pause lets only delays begin anew: an alarm that is held stays held."""
        track = self.warm()
        calls = [call for minute in range(9) for call in track.see(minute * MINUTE, 32.0)]
        assert [call.priority for call in calls] == [Priority.MEDIUM]
        track.pause()
        assert track.held
        assert not track.calm

    def test_a_guessed_lid_lets_only_ideal_wait(self):
        """A drop that looks like a lid lets the delay of ideal begin anew, and not that of safe."""
        track = self.warm()
        found = []
        for minute in range(9):
            found += [call.priority for call in track.see(minute * MINUTE, 27.0)]
            track.pause_lower()
        assert found == []
        for minute in range(9, 13):
            found += [call.priority for call in track.see(minute * MINUTE, 20.0)]
            track.pause_lower()
        assert found == [Priority.HIGH]


class TestSmallThings:
    def test_open_and_open_is_open(self):
        """Two spans that are open on different sides cover everything: the other one stands."""
        assert Span(20.0, None).wider(Span(None, 30.0)) == Span(None, 30.0)

    def test_a_quality_is_found_by_its_code(self):
        """Every quality comes back from the number under which it is kept."""
        assert [Quality.of(one.code) for one in Quality] == list(Quality)

    def test_a_reading_that_is_over_before_the_window_is_none_of_it(self):
        """What stood until before the window begins counts for nothing in it."""
        always = (InForce(0, Range(Span(28.0, 31.0), None)),)
        found = summarise([(0, 20.0), (HOUR, 30.0)], (HOUR, 2 * HOUR), 20 * MINUTE, always)
        assert (found.minimum, found.in_ideal) == (30.0, 100.0)

    def test_ranges_outside_a_reading_do_not_count(self):
        """A reading is judged only by the ranges that are in force while it stands."""
        warm, cool = Range(Span(28.0, 31.0), None), Range(Span(10.0, 20.0), None)
        ranges = (InForce(0, warm), InForce(HOUR, cool), InForce(2 * HOUR, warm))
        found = summarise([(0, 30.0), (90 * MINUTE, 30.0)], (0, 3 * HOUR), 20 * MINUTE, ranges)
        assert found.covered == pytest.approx(100 * 40 / 180)
        assert found.in_ideal == 50.0
