"""The engine's step for each reading, beside a bare range check, over one quiet night.

Sixty places with a thermometer and a hygrometer each (120 curves), a reading a minute, ten
hours: the wobble of a thermostat, a slow wave of the room and the noise of the last digit,
always inside ideal. The baseline is what one would write by hand: the state looked up by
(sensor, quantity), the value held against two limits, value and verdict stored. Both take the same
readings, hour by hour in turn, so that whatever else the machine does hits both.
"""

import math
import random
import time
from collections.abc import Callable, Sequence
from typing import Any

from rules.calendar import Calendar
from rules.engine import Engine
from rules.plan import ROOM_DAY, ContactPlan, PlaceKind, PlacePlan, Plan, SensorPlan, SpotRange, Stage
from rules.reading import HOUR, MINUTE, Quantity, Reading
from rules.span import Range, Span
from tests.bench.figure import Figure, compared

NAME = "engine step per reading, 120 curves, beside a bare range check"
BOUND = 70.0
"""Bare checks that one step of the engine may cost with every rule on (judging by ranges
alone it is held to 45, and was measured at 7)."""

PLACES = 60
HOURS = 10
START = 1_000 * HOUR
KINDS = (PlaceKind.BOX, PlaceKind.INCUBATOR, PlaceKind.ENCLOSURE)
BOTH = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
WARM = Range(Span(27.0, 31.0), Span(25.0, 33.0))
DAMP = Range(Span(70.0, 90.0), Span(60.0, 98.0))


def figures() -> list[Figure]:
    """Measure both sides over the same night."""
    ours, baseline = measured()
    note = "microseconds of CPU; every rule is on, nothing is wrong"
    return [compared(NAME, ours, baseline, bound=BOUND, note=note)]


def plan() -> Plan:
    """Give a room of sixty places."""
    ranges = (
        SpotRange("", Quantity.TEMPERATURE, WARM, WARM, 0.3),
        SpotRange("", Quantity.HUMIDITY, DAMP, DAMP, 3.0),
    )
    places, sensors = [PlacePlan("cellar", PlaceKind.ROOM)], []
    for number in range(PLACES):
        kind = KINDS[number % len(KINDS)]
        stage = Stage.ADULT if kind is PlaceKind.ENCLOSURE else Stage.INCUBATION
        lag = 15 * MINUTE if kind is PlaceKind.BOX else None
        places.append(PlacePlan(f"place-{number}", kind, stage=stage, ranges=ranges, egg_lag=lag))
        sensors.append(SensorPlan(f"sensor-{number}", f"place-{number}", quantities=BOTH, every=MINUTE))
    calendars = {ROOM_DAY: Calendar(first=False)}
    return Plan(START, tuple(places), tuple(sensors), (ContactPlan("first"),), calendars)


def hour_of_night(hour: int, chance: random.Random) -> list[Reading]:
    """Give an hour of readings in the order in which the judge hands them over."""
    readings = []
    for minute in range(hour * 60 + 1, hour * 60 + 61):
        at = START + minute * MINUTE
        for number in range(PLACES):
            wave = math.sin(minute / 90 + number) + 0.2 * math.sin(minute + 3 * number)
            warm = round(29.0 + 0.2 * wave + chance.gauss(0, 0.03), 2)
            damp = round(80.0 - 2.0 * wave + chance.gauss(0, 0.3), 1)
            readings.append(Reading(f"sensor-{number}", Quantity.HUMIDITY, damp, at, at))
            readings.append(Reading(f"sensor-{number}", Quantity.TEMPERATURE, warm, at, at))
    return readings


class Bare:
    """A range check as one would write it by hand."""

    def __init__(self) -> None:
        """Know the limits of every curve, and nothing of its value: [low, high, value, wrong]."""
        self.states: dict[tuple[str, Quantity], list[Any]] = {
            (f"sensor-{number}", quantity): [span.low, span.high, None, False]
            for number in range(PLACES)
            for quantity, span in ((Quantity.TEMPERATURE, WARM.ideal), (Quantity.HUMIDITY, DAMP.ideal))
            if span is not None
        }
        self.left: list[Reading] = []

    def step(self, reading: Reading) -> None:
        """Look up the state, hold the value against its limits, store value and verdict."""
        state = self.states[(reading.sensor, reading.quantity)]
        value = reading.value
        wrong = value < state[0] or value > state[1]
        if wrong and not state[3]:
            self.left.append(reading)
        state[2] = value
        state[3] = wrong


def measured() -> tuple[float, float]:
    """Give microseconds of CPU a reading of the engine and of the bare check: the median hour of each."""
    engine, bare, chance = Engine(plan()), Bare(), random.Random(3)
    ours, theirs, raised = [], [], 0
    for hour in range(HOURS):
        readings = hour_of_night(hour, chance)
        theirs.append(_timed(bare.step, readings))
        ours.append(_timed(engine.step, readings))
        raised += len(engine.open_alarms())
    if raised or bare.left:
        raise ValueError("the night was not quiet: the two did not do the same work")
    return sorted(ours)[HOURS // 2], sorted(theirs)[HOURS // 2]


def _timed(step: Callable[[Reading], object], readings: Sequence[Reading]) -> float:
    begin = time.process_time_ns()
    for reading in readings:
        step(reading)
    return (time.process_time_ns() - begin) / 1_000 / len(readings)
