"""Heat lost and heaters stuck on, on simulated boxes."""

import math
import random
from itertools import pairwise

import pytest

from rules.common import CommonFall
from rules.heading import Heading, HeadingParams
from rules.plan import Priority
from rules.reading import HOUR, MINUTE
from rules.thermal import BoxConstant, BoxConstantParams
from tests.kit.heatbox import Box, instant, varied, wandering

WARMING_UP = 240
"""Minutes that the engine's settling hushes."""


def lose(seed, heater, *, measured=True, calm_hours=12):
    """Run a varied box, lose its heat (or stick it on); give (minutes to alarm, early, lead, false)."""
    rng = random.Random(seed)
    box, room = varied(rng)
    base = box.rest(room)
    low, high = base - rng.uniform(2, 4), base + rng.uniform(1.5, 3)
    heading, begin = Heading(), calm_hours * 60 + rng.randrange(60)
    sinking = rng.choice([0, 0, 2, 4])
    alarm, false = None, 0
    heading.hush(instant(WARMING_UP))
    for minute in range(begin + 600):
        lost = minute >= begin
        ambient = wandering(minute, room) - (sinking * (1 - math.exp((begin - minute) / 300)) if lost else 0)
        box.minute(ambient, heater=heater if lost else "kept")
        shown = round(ambient + rng.gauss(0, 0.1), 1) if measured else None
        verdict = heading.see(instant(minute), box.read(rng), low, high, shown)
        if verdict and verdict.wrong and not lost:
            false += 1
        if verdict and verdict.wrong and lost and alarm is None:
            alarm = minute, heading.ahead[0]
        true = box.air if box.spot == "air" else box.mass
        if lost and (true < low if heater == "lost" else true > high):
            return alarm and alarm[0] - begin, alarm and alarm[1], alarm and minute - alarm[0], false, minute
    return None, None, None, false, None


class TestEarlyBound:
    @pytest.mark.parametrize("measured", [True, False], ids=["room measured", "room unknown"])
    @pytest.mark.parametrize("heater", ["lost", "stuck"])
    def test_right_in_95_percent(self, heater, measured):
        """Over varied boxes the early bound is right in at least 95 %, most losses are told ahead."""
        runs = [lose(seed, heater, measured=measured) for seed in range(120)]
        left = [run for run in runs if run[4] is not None]
        told = [run for run in left if run[0] is not None]
        right = [run for run in told if instant(run[4]) >= run[1]]
        leads = sorted(run[2] for run in told)
        print(
            f"{heater}: {len(told)}/{len(left)} told, {len(right)} bounds right,",
            f"median lead {leads[len(leads) // 2]} min",
        )
        assert len(right) >= 0.95 * len(told)
        assert len(told) >= 0.7 * len(left)
        assert leads[len(leads) // 2] >= 20
        assert sum(run[3] for run in runs) <= 2


def steady(hours, box=None, room=20.0, seed=1):
    """Give a heading that has watched a healthy box for some hours, and the box."""
    box, heading, rng = box or Box(), Heading(), random.Random(seed)
    for minute in range(hours * 60):
        box.minute(room)
        assert heading.see(instant(minute), box.read(rng), 26.0, 33.0, room) is None
    return heading, box, rng


def shown(values, every, *, low=27.0, high=32.2, **given):
    """Show a curve at a pace after a calm day; give the verdicts that raise."""
    heading, day = Heading(HeadingParams.of(every, **given)), 24 * HOUR // every
    calm = [values[0] + 0.1 * (index % 2) for index in range(day)]
    found = [heading.see((index + 1) * every, one, low, high) for index, one in enumerate([*calm, *values])]
    return [one for one in found if one is not None and one.wrong]


class TestOtherWaysOut:
    @pytest.mark.parametrize("drop", [[29.9, 29.4, 29.5, 29.6], [29.5, 29.1, 29.7], [29.4, 28.9, 29.2, 29.4]])
    def test_a_lid_on_a_slow_sensor_is_no_loss(self, drop):
        """Of a box that is lifted out a sensor that speaks every five minutes sees one or two low values."""
        assert shown([30.0] * 6 + drop + [29.8] * 6, 5 * MINUTE) == []

    def test_a_loss_on_a_slow_sensor_is_one(self):
        """Heat that is lost goes on falling, and is told."""
        assert shown([30.0 - 0.2 * max(0, n - 4) for n in range(24)], 5 * MINUTE) != []

    def test_a_thermostat_that_was_turned_is_no_runaway(self):
        """Set half a degree warmer it rises for ten minutes and stops far from safe's end."""
        assert shown([29.5 + min(0.5, 0.05 * n) for n in range(60)], MINUTE) == []

    def test_a_runaway_is_told_early(self):
        """A heater that is stuck on goes on rising: a third of the way is enough."""
        first = shown([29.5 + 0.05 * n for n in range(60)], MINUTE)[0]
        assert first.value < 31.0

    def test_a_slow_rise_by_day_is_no_runaway(self):
        """Under lamps 1.4 K an hour flattens long before the limit; the same in a box is told."""
        warming = [30.0 + 1.4 * n / 60 for n in range(90)]
        assert shown(warming, MINUTE, high=34.0, lit=True) == []
        assert shown(warming, MINUTE, high=34.0) != []

    def test_a_store_that_freezes_is_told_ahead(self):
        """A compressor that never stops drives a refrigerator down, whatever the room's air is."""
        (first, *_) = shown([4.0 - 0.05 * n for n in range(60)], MINUTE, low=1.0, high=8.0, cold=True)
        assert first.value > 1.0
        assert "freezes" in first.advice[0]

    def test_the_end_of_a_defrost_is_no_fall(self):
        """From its defrost a store comes back fast, on its first day too, when nothing is usual yet."""
        back = [6.0 + 13 * math.exp(-n / 12) for n in range(60)]
        up = [6.0 + 4 * min(n, 3) for n in range(12)]
        assert shown([*up, *back], MINUTE, low=4.0, high=9.0, cold=True) == []
        heading = Heading(HeadingParams.of(MINUTE, cold=True))
        found = [heading.see((n + 1) * MINUTE, one, 4.0, 9.0) for n, one in enumerate([*up, *back])]
        assert not any(found)

    def test_a_defrost_is_not_foreseen(self):
        """What lifts a store is looked at by other rules."""
        assert shown([-20.0 + 0.5 * n for n in range(20)], MINUTE, low=-40.0, high=-10.0, cold=True) == []


class TestToldApart:
    def test_lid_for_minutes_is_no_loss(self):
        """A lid that is open for five minutes raises nothing."""
        heading, box, rng = steady(12)
        for minute in range(720, 840):
            box.minute(20.0, lid=minute < 725)
            assert heading.see(instant(minute), box.read(rng), 26.0, 33.0, 20.0) is None

    def test_room_above_the_limit_carries_nowhere(self):
        """Heat lost in a room that is itself inside the safe range is no way out of it."""
        heading, box, rng = steady(12, Box(set_point=28.0, air=28.0, mass=28.0), 26.8)
        for minute in range(720, 1200):
            box.minute(26.8, heater="lost")
            assert heading.see(instant(minute), box.read(rng), 26.0, 33.0, 26.8) is None

    def test_hush_recognises_nothing(self):
        """After a change of period nothing is recognised until it has settled."""
        heading, box, rng = steady(12)
        heading.hush(instant(780))
        for minute in range(720, 780):
            box.minute(20.0, heater="lost")
            assert heading.see(instant(minute), box.read(rng), 20.0, 33.0, 18.0) is None

    def test_gap_begins_anew(self):
        """A gap neither raises nor clears: recognition begins anew after it."""
        heading, box, rng = steady(12)
        for minute in range(720, 728):
            box.minute(20.0, heater="lost")
            heading.see(instant(minute), box.read(rng), 26.0, 33.0, 20.0)
        assert heading.see(instant(760), 27.0, 26.0, 33.0, 20.0) is None
        assert len(heading.means) == 1


class TestLife:
    def test_raised_renewed_cleared(self):
        """A loss is raised high within 20 min, renewed at most every ten, cleared when heat is back."""
        heading, box, rng = steady(12)
        said = []
        for minute in range(720, 1000):
            box.minute(20.0, heater="lost" if minute < 750 else "kept")
            verdict = heading.see(instant(minute), box.read(rng), 26.0, 33.0, 20.0)
            if verdict:
                said.append((minute, verdict))
        assert said[0][0] - 720 <= 20
        assert said[0][1].priority is Priority.HIGH
        assert [verdict.wrong for _, verdict in said] == [True] * (len(said) - 1) + [False]
        assert all(later - sooner >= 10 for (sooner, _), (later, _) in pairwise(said[:-1]))

    def test_slow_sensor(self):
        """A sensor that reports every five minutes finds the loss of a slow box too."""
        box, heading, rng = Box(tau=300.0), Heading(HeadingParams.of(5 * MINUTE)), random.Random(2)
        found = None
        for minute in range(1200):
            box.minute(20.0, heater="lost" if minute >= 720 else "kept")
            if minute % 5 == 0 and heading.see(instant(minute), box.read(rng), 26.0, 33.0, 20.0):
                found = minute
                break
        assert found is not None
        assert 720 < found <= 780


class TestBoxConstant:
    @pytest.mark.parametrize("tau", [45.0, 90.0, 240.0], ids=str)
    def test_learns_from_its_own_falls(self, tau):
        """After three falls τ is known within 20 %, and its spread with it."""
        box, learner, rng = Box(tau=tau, share=0.05), BoxConstant(), random.Random(3)
        for minute in range(3 * 1440):
            box.minute(20.0, heater="lost" if 600 < minute % 1440 < 720 else "kept")
            learner.see(instant(minute), box.read(rng), 20.0)
        known = learner.known()
        assert known is not None
        assert known[0] / MINUTE == pytest.approx(tau, rel=0.2)
        assert 0.1 <= known[1] < 0.5

    def test_learns_nothing_without_ambient(self):
        """Without the room's air nothing is learnt."""
        learner = BoxConstant(BoxConstantParams())
        for minute in range(120):
            assert learner.see(instant(minute), 30 - minute * 0.05, None) is None
        assert learner.known() is None


class TestCommonFall:
    def see(self, common, place, hours, watched=8, **given):
        """Tell of a place that is too cool since some hours."""
        return common.see(place, (place, "air", "too cool"), round(hours * HOUR), watched, **given)

    @pytest.mark.parametrize(("foreseen", "least"), [(True, 2), (False, 3)], ids=["heading", "range left"])
    def test_several_are_one(self, foreseen, least):
        """The last of enough places within two hours makes it one alarm; one place alone ends it."""
        common, names = CommonFall(), ["box-1", "box-2", "box-3"][:least]
        said = [self.see(common, name, 1 + n / 2, foreseen=foreseen) for n, name in enumerate(names)]
        assert said[:-1] == [None] * (least - 1)
        assert ", ".join(names) in said[-1].reason[0]
        assert common.sweep(lambda *what: what[0] != "box-3") is None
        over = common.sweep(lambda *what: what[0] == "box-1")
        assert over is not None
        assert not over.wrong
        assert common.sweep(lambda *_: False) is None
        assert not common.falls

    def test_alone_is_alone(self):
        """Three of forty, or two that are hours apart, are not one cause."""
        few, apart = CommonFall(), CommonFall()
        assert [self.see(few, name, 1, 40) for name in "abc"] == [None] * 3
        assert [self.see(apart, name, 5 * n + 1, foreseen=True) for n, name in enumerate("ab")] == [None] * 2

    def test_what_began_at_another_time_is_not_explained(self):
        """It explains its own places, and only what began with it."""
        common = CommonFall()
        for name in "abc":
            self.see(common, name, 1)
        assert common.explains("a", 2 * HOUR)
        assert not common.explains("a", 9 * HOUR)
        assert not common.explains("d", 2 * HOUR)
