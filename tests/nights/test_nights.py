"""The nights in small: a few days, a few faults, both simulators, and the way of counting."""

import pytest

from rules.reading import DAY, HOUR, MINUTE
from sensors.happenings import Happening, Happens
from tests.kit.otherroom import OtherRoom
from tests.nights.baselines import check
from tests.nights.early import losses
from tests.nights.judged import SLEEPLESS, Alert, judge, plan_for
from tests.nights.played import Played, planted, play
from tests.nights.room import scene
from tests.nights.scoring import score

PLAIN = (Happens.MAINS_LOST, Happens.HEATER_STUCK, Happens.SILENT, Happens.POWER_ON_VALUE)
"""Kinds that nothing may miss."""

DAYS = 3


def played(seed: int, faults: int, *, other: bool = False, days: int = DAYS) -> Played:
    """Play a few days with so many of the plain faults."""
    one = planted(seed, days=days, faults=faults, other=other, kinds=PLAIN)
    return play(one, plan_for({}), days=days, other=other)


@pytest.fixture(scope="module")
def troubled() -> Played:
    """Give three days with four faults."""
    return played(951, len(PLAIN))


class TestNights:
    def test_plain_faults_are_told_and_little_else(self, troubled: Played) -> None:
        """Four plain faults in three days are all told; hardly anything is said for nothing."""
        told = judge(troubled)[SLEEPLESS]
        found = score(troubled, told.alerts, told.messages)
        assert [one.truth.kind for one in found.outcomes if one.told is None] == []
        assert len(found.outcomes) == len(PLAIN)
        assert len(found.false) <= 1
        assert found.crowd <= 3

    def test_range_checks_say_far_more_for_nothing(self, troubled: Played) -> None:
        """The range check without a hold cries wolf all day on the same readings."""
        told = judge(troubled)[SLEEPLESS]
        ours = score(troubled, told.alerts, told.messages)
        theirs = {name: score(troubled, alerts, ()) for name, alerts in check(troubled)}
        assert len(theirs["ideal, no hold"].false) > 20 * (1 + len(ours.false))

    def test_quiet_days_are_quiet(self) -> None:
        """Two days of everyday life without a fault bring at most one alert, none by night."""
        quiet = played(952, 0, days=2)
        told = judge(quiet)[SLEEPLESS]
        found = score(quiet, told.alerts, told.messages)
        assert len(found.false) <= 1
        assert found.at_night == 0

    def test_other_physics(self) -> None:
        """By the other simulator the plain faults are told too."""
        other = played(953, len(PLAIN), other=True, days=2)
        told = judge(other)[SLEEPLESS]
        found = score(other, told.alerts, told.messages)
        assert [one.truth.kind for one in found.outcomes if one.told is None] == []

    def test_early_bound(self) -> None:
        """In 95 of 100 heat losses safe is left no sooner than the early bound said."""
        figures = losses(60, seed=954)
        assert figures.told >= 0.8 * figures.losses
        assert figures.right >= 0.95 * figures.told


class TestOtherRoom:
    def test_same_seed_same_night(self) -> None:
        """Two equal scenes play alike by the other physics, another seed differs."""
        first = OtherRoom(scene(7)).advance(HOUR)
        assert OtherRoom(scene(7)).advance(HOUR) == first
        assert OtherRoom(scene(8)).advance(HOUR) != first


class TestCounting:
    """An alert tells of a fault, is explained by it, or is false."""

    @pytest.mark.parametrize(
        ("minutes", "place", "rule", "told", "false"),
        [
            (30, "incubator-1", "too warm", True, 0),
            (30, "box-1", "too warm", True, 0),
            (30, "incubator-1", "silent", False, 0),
            (30, "incubator-2", "too warm", False, 1),
            (-30, "incubator-1", "too warm", False, 1),
            (15 * 60, "incubator-1", "too warm", False, 1),
        ],
        ids=["fits", "a box inside", "explained", "elsewhere", "before", "long after"],
    )
    def test_an_alert(self, minutes: int, place: str, rule: str, told: bool, false: int) -> None:
        """It counts for the fault of its place, in its span, where its rule fits."""
        stuck = Happening(DAY, Happens.HEATER_STUCK, "incubator-1", 6 * HOUR)
        one = Played(scene(1, (stuck,)), (), 3 * DAY)
        at = DAY + minutes * MINUTE
        found = score(one, (Alert(at, place, "temperature", rule, at, 1),), (at,))
        assert (found.outcomes[0].told is not None) is told
        assert len(found.false) == false
