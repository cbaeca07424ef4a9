"""Not cooling: a cold store that rises and is not pulled down."""

import math
from collections.abc import Callable
from itertools import pairwise

import pytest

from rules.cooling import Cooling
from rules.plan import Priority
from rules.reading import DAY, HOUR, MINUTE
from rules.verdict import Verdict
from rules.words import Instant, Lasting

FAULT = 5 * DAY + 6 * HOUR
"""When something goes wrong (ms)."""


def swing(at: int, level: float = -20.0, width: float = 0.9) -> float:
    """Give a store that a thermostat holds: a wave of 36 min."""
    return level + width * math.sin(2 * math.pi * at / (36 * MINUTE))


def defrosting(at: int, minutes: int = 20) -> float:
    """Give it with a defrost twice a day: up by 0.4 K/min for so many minutes, and back in a quarter hour."""
    into = at % (12 * HOUR) / MINUTE - 60
    up = 0.4 * minutes
    lift = 0.0
    if 0 <= into < minutes:
        lift = 0.4 * into
    elif minutes <= into < minutes + 15:
        lift = up * (1 - (into - minutes) / 15)
    return swing(at) + lift


def play(air: Callable[[int], float], days: float = 7, cooling: Cooling | None = None) -> list[Verdict]:
    """Show a store's air by the minute; give what was said."""
    cooling = cooling or Cooling()
    found = (cooling.see(at, air(at)) for at in range(MINUTE, int(days * DAY), MINUTE))
    return [one for one in found if one is not None]


def raised(said: list[Verdict]) -> list[Verdict]:
    """Give the first verdict of each trouble."""
    return [
        one for before, one in pairwise([None, *said]) if one.wrong and (before is None or not before.wrong)
    ]


def after_fault(verdict: Verdict) -> float:
    """Give when it is told, in minutes after the fault, from what it says itself."""
    (lasting,) = [piece for piece in verdict.reason[:2] if isinstance(piece, Lasting)]
    return (verdict.since + lasting.span - FAULT) / MINUTE


def lost(at: int) -> float:
    """The compressor fails: it goes where the room is, 5 K in the first hour."""
    if at < FAULT:
        return defrosting(at)
    start = defrosting(FAULT)
    return start + (21 - start) * (1 - math.exp(-(at - FAULT) / (8 * HOUR)))


def ajar(at: int) -> float:
    """The door stands ajar for six hours: 12 K up, to where the machine can just hold it."""
    hours = (at - FAULT) / HOUR
    if 0 <= hours < 6:
        return -20 + 12 * (1 - math.exp(-hours * 4)) + 0.1 * math.sin(at / MINUTE)
    return defrosting(at) + (12 * math.exp(-(hours - 6) * 2) if hours >= 6 else 0.0)


def even(at: int) -> float:
    """Give a machine that holds its store to a tenth."""
    return 4.0 + 0.1 * (at % (2 * MINUTE) > 0)


@pytest.mark.parametrize("air", [swing, defrosting, even])
def test_a_healthy_store_says_nothing(air):
    """A fortnight of thermostat and defrosts, or of a machine that holds it even."""
    assert play(air, 14) == []


def test_a_room_that_gets_warmer_says_nothing():
    """An even store that follows a hot afternoon by half a degree is no fault."""
    assert play(lambda at: 6.0 + 0.5 * max(0.0, math.sin(2 * math.pi * at / DAY)), 14) == []


@pytest.mark.parametrize("air", [lost, ajar], ids=["compressor lost", "door ajar"])
def test_what_is_not_pulled_down_is_told_within_the_hour(air):
    """A failed compressor and a door ajar are told long before a defrost would teach to wait."""
    (first,) = raised(play(air))
    assert 20 < after_fault(first) < 60
    assert first.priority is Priority.MEDIUM
    assert "; here that takes " in first.reason


def test_it_clears_when_it_cools_again():
    """With the door shut it is over within half an hour, for good; the words were renewed each half hour."""
    said = play(ajar)
    assert [one.wrong for one in said].count(False) == 1
    assert not said[-1].wrong
    assert said[-1].value == pytest.approx(-9, abs=2)
    assert said[-1].reason[0] == "It cools again, now "
    assert 9 <= sum(one.wrong for one in said) <= 14


def test_a_slow_way_back_is_no_new_rise():
    """After a night without the mains it takes hours to get cold: that is not told again."""

    def back(at: int) -> float:
        hours = (at - FAULT) / HOUR
        if 0 <= hours < 6:
            return swing(FAULT) + 3 * hours
        return swing(at) + (18 * math.exp(-(hours - 6) / 3) if hours >= 6 else 0.0)

    cooling, over = Cooling(), []
    assert len(raised(play(back, (FAULT + 6 * HOUR) / DAY, cooling))) == 1
    for at in range(FAULT + 6 * HOUR, 8 * DAY, MINUTE):
        over += [(at, verdict)] if (verdict := cooling.see(at, back(at))) else []
    ((at, _),) = [one for one in over if not one[1].wrong]
    assert at - FAULT <= 6 * HOUR + 30 * MINUTE
    assert all(told <= at for told, _ in over)


def test_an_even_store_that_is_set_warmer_is_learnt_anew():
    """Where nothing swings, half a day at another level is that level."""
    cooling = Cooling()
    said = play(lambda at: even(at) + min(4.0, 2 * max(0, at - FAULT) / HOUR), 9, cooling)
    assert len(raised(said)) == 1
    assert said[-1].reason[0] == "It is held at another level now: "
    assert cooling.middle == pytest.approx(8.0, abs=0.3)


def test_long_defrosts_are_learnt():
    """A store whose defrosts go up for an hour is not told of them, and of a lost compressor later."""

    def long(at: int) -> float:
        return defrosting(at, 60)

    assert play(long, 14) == []
    (first,) = raised(play(lambda at: long(at) if at < FAULT else long(FAULT) + (at - FAULT) / HOUR * 4))
    assert 90 < after_fault(first) < 150


def test_one_odd_rise_teaches_nothing():
    """After one warm load of 75 min a lost compressor is told as if it had not been."""

    def loaded(at: int) -> float:
        into = (at - 3 * DAY) / MINUTE
        return lost(at) + (0.2 * into if 0 <= into < 75 else 0.0)

    told = raised(play(loaded))
    assert 20 < after_fault(told[-1]) < 60


def reset(at: int) -> float:
    """Set from -20 to -14 °C it rises by 5 K an hour, and is held there."""
    rising = -20 + 5 * (at - FAULT) / HOUR
    return swing(at) if at < FAULT else swing(at, -14.0) if rising > -14 else rising


def test_a_new_level_is_learnt():
    """A store that is set warmer is told of once, right when it is held again, and watched from then on."""
    cooling = Cooling()
    said = play(reset, 9, cooling)
    assert len(raised(said)) == 1
    assert not said[-1].wrong
    assert said[-1].value == pytest.approx(-14, abs=1)
    assert cooling.middle == pytest.approx(-14, abs=0.5)
    start = 9 * DAY
    warming = (
        cooling.see(at, reset(start) + (at - start) / HOUR * 4) for at in range(start, 10 * DAY, MINUTE)
    )
    first = next(one for one in warming if one is not None)
    assert first.wrong


def test_what_swings_and_rises_is_not_held():
    """A lost compressor beside a fan that stirs the air turns up and down, ever higher: it stays told."""

    def stirred(at: int) -> float:
        cycles = (at - FAULT) / (20 * MINUTE)
        return swing(at) if at < FAULT else -20 + 0.6 * cycles + 0.5 * math.sin(2 * math.pi * cycles)

    said = play(stirred, (FAULT + 6 * HOUR) / DAY)
    assert said
    assert all(one.wrong for one in said)


def test_nothing_is_told_while_it_is_learnt():
    """In the first two days nothing is usual."""
    assert play(lambda at: swing(at) if at < DAY else -10.0, 1.9) == []


def test_a_gap_begins_the_rise_anew():
    """What was not seen is no rise: it counts from the first reading after it."""
    cooling = Cooling()
    assert play(lost, FAULT / DAY, cooling) == []
    again = FAULT + 50 * MINUTE
    found = (cooling.see(at, lost(at)) for at in range(again, again + 2 * HOUR, MINUTE))
    first = next(one for one in found if one is not None)
    assert first.since == again


def test_where_safe_will_be_left_it_is_high():
    """With safe's end an hour or two ahead it says when, and is right to a quarter of an hour."""
    end = -13.0
    cooling = Cooling()
    said = [one for at in range(MINUTE, 6 * DAY, MINUTE) if (one := cooling.see(at, lost(at), end))]
    assert said[0].priority is Priority.HIGH
    (at,) = [piece.at for piece in said[0].reason if isinstance(piece, Instant)]
    left = next(at for at in range(FAULT, 6 * DAY, MINUTE) if lost(at) > end)
    assert abs(at - left) <= 15 * MINUTE
    beyond = [one for one in said if one.value and one.value > end]
    assert " Safe ends at " in beyond[0].reason


def test_a_slow_rise_is_medium_until_safe_is_near():
    """Far from safe's end nobody is woken; when it is two hours ahead the alarm gets graver at once."""
    end = -2.0
    cooling = Cooling()
    said = [one for at in range(MINUTE, 6 * DAY, MINUTE) if (one := cooling.see(at, lost(at), end))]
    graver = [one.priority for one in said].index(Priority.HIGH)
    assert graver > 0
    assert {one.priority for one in said[graver:] if one.wrong} == {Priority.HIGH}


def test_a_gap_while_it_is_wrong_ends_nothing():
    """After an hour without a reading it is still wrong, and clears when it is cold."""
    cooling = Cooling()
    for at in range(MINUTE, FAULT + 2 * HOUR, MINUTE):
        cooling.see(at, ajar(at))
    assert cooling.wrong
    found = [cooling.see(at, ajar(at)) for at in range(FAULT + 3 * HOUR, FAULT + 12 * HOUR, MINUTE)]
    assert [one.wrong for one in found if one][-1] is False
    assert found[0] is None or found[0].wrong
