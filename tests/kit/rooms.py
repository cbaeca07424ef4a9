"""A small room for tests of the engine, and evenings played in it.

The room is made up: an incubator with two boxes, an enclosure with day and night, the
mains and an MQTT reader. An evening is a list of plain acts (a mood for a sensor, rounds
of readings, orders, plans, spans away); :func:`play` turns it into events, asking a leading
engine which alarms are open, so that the same events can be told to any other engine.
"""

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from hypothesis import strategies as st

from rules.calendar import Calendar
from rules.engine import Engine
from rules.events import Away, Effect, Event, Order, Tick, Verb
from rules.plan import (
    ROOM_DAY,
    ContactKind,
    ContactPlan,
    PlaceKind,
    PlacePlan,
    Plan,
    Priority,
    SensorPlan,
    SpotRange,
    Stage,
)
from rules.reading import DAY, HOUR, MINUTE, SECOND, Quality, Quantity, Reading
from rules.span import Range, Span

T0 = 1_000 * HOUR
"""Where every evening begins (room time, ms)."""

EVERY = 60 * SECOND
HOLD_IDEAL, HOLD_SAFE, HOLD_OFF = 5 * MINUTE, 2 * MINUTE, 3 * MINUTE
SILENCE = 10 * MINUTE

WARM = Range(Span(28.5, 31.0), Span(26.0, 33.0))
"""The range of every thermometer in the small room."""

DAMP = Range(Span(75.0, 90.0), Span(60.0, 98.0))
BY_DAY = Range(Span(30.0, 33.0), Span(27.0, 36.0))
BY_NIGHT = Range(Span(24.0, 27.0), Span(20.0, 30.0))


def spot(quantity: Quantity, day: Range, night: Range | None = None, deadband: float = 0.3) -> SpotRange:
    """Give a range for every spot of a place; without a night it is the day's."""
    return SpotRange("", quantity, day, day if night is None else night, deadband)


def place(name: str, kind: PlaceKind = PlaceKind.BOX, **given: object) -> PlacePlan:
    """Give a place with the small room's delays, settled from the start."""
    base = PlacePlan(
        name,
        kind,
        ranges=(spot(Quantity.TEMPERATURE, WARM), spot(Quantity.HUMIDITY, DAMP, deadband=3.0)),
        hold_ideal=HOLD_IDEAL,
        hold_safe=HOLD_SAFE,
        hold_off=HOLD_OFF,
        settling=0,
    )
    return replace(base, **given)  # type: ignore[arg-type]


def sensor(name: str, at: str, *quantities: Quantity, **given: object) -> SensorPlan:
    """Give a sensor at the small room's pace; a thermometer where nothing is said."""
    kinds = quantities or (Quantity.TEMPERATURE,)
    base = SensorPlan(name, at, quantities=kinds, every=EVERY, silence=SILENCE)
    return replace(base, **given)  # type: ignore[arg-type]


def contact(name: str, at: str, kind: ContactKind, **given: object) -> SensorPlan:
    """Give a two-state sensor."""
    return sensor(name, at, Quantity.CONTACT, contact=kind, on_change=True, **given)


def organ(name: str, at: str, kind: ContactKind) -> SensorPlan:
    """Give an organ of the watch: never silent."""
    return contact(name, at, kind, silence=0)


def one_box(**given: object) -> Plan:
    """Give the smallest room: one box, one thermometer, one contact."""
    base = Plan(
        T0,
        (place("box-1"),),
        (sensor("a", "box-1"),),
        (ContactPlan("first"),),
        {ROOM_DAY: Calendar(first=True)},
    )
    return replace(base, **given)  # type: ignore[arg-type]


def small_room() -> Plan:
    """Give the whole small room."""
    pen_day = Calendar(first=True, edges=(T0 + 2 * HOUR, T0 + 14 * HOUR, T0 + 26 * HOUR))
    both = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
    return Plan(
        T0,
        (
            place("cellar", PlaceKind.ROOM, ranges=()),
            place("inc-1", PlaceKind.INCUBATOR, inside="cellar"),
            place("box-1", inside="inc-1"),
            place("box-2", inside="inc-1", settling=30 * MINUTE, advice="Open the left vent."),
            place(
                "pen",
                PlaceKind.ENCLOSURE,
                calendar="day:pen",
                settle=30 * MINUTE,
                ranges=(spot(Quantity.TEMPERATURE, BY_DAY, BY_NIGHT),),
            ),
        ),
        (
            contact("mains", "cellar", ContactKind.MAINS, every=5 * MINUTE, silence=30 * MINUTE),
            organ("reader/mqtt", "cellar", ContactKind.READER),
            sensor("inc", "inc-1"),
            sensor("a", "box-1", *both),
            sensor("b", "box-1", *both),
            sensor("c", "box-2", *both),
            contact("lid", "box-2", ContactKind.LID, silence=0),
            sensor("d", "pen", on_change=True, every=5 * MINUTE, silence=30 * MINUTE),
        ),
        (
            ContactPlan("first", quiet="quiet:first"),
            ContactPlan("second", frozenset({Priority.HIGH}), after=15 * MINUTE),
            ContactPlan("third", on_duty="duty:third"),
        ),
        {
            ROOM_DAY: Calendar(first=True, edges=(T0 + 2 * HOUR, T0 + 12 * HOUR, T0 + 26 * HOUR)),
            "day:pen": pen_day,
            "quiet:first": Calendar(first=False, edges=(T0 + 3 * HOUR, T0 + 11 * HOUR, T0 + 27 * HOUR)),
            "duty:third": Calendar(first=False, edges=(T0 + HOUR, T0 + 9 * HOUR)),
        },
    )


def _changed_places(plan: Plan, **given: object) -> Plan:
    return replace(plan, places=tuple(replace(one, **given) for one in plan.places))  # type: ignore[arg-type]


def _in_box(plan: Plan, name: str, **given: object) -> Plan:
    changed = (replace(one, **given) if one.name == name else one for one in plan.places)  # type: ignore[arg-type]
    return replace(plan, places=tuple(changed))


def variant(number: int, now: int) -> Plan:
    """Give one of the plans that a keeper of the small room may load, in force from ``now``."""
    plan = small_room()
    cooler = (spot(Quantity.TEMPERATURE, Range(Span(26.0, 29.0), Span(24.0, 31.0))),)
    variants = (
        plan,
        _in_box(plan, "box-1", ranges=cooler),
        _in_box(plan, "box-2", stage=Stage.HATCHING),
        _in_box(plan, "inc-1", in_use=False),
        replace(plan, calendars={}),
        _changed_places(plan, hold_ideal=8 * MINUTE, hold_safe=4 * MINUTE),
        replace(plan, sensors=tuple(one for one in plan.sensors if one.name != "b")),
        replace(plan, places=(*plan.places[2:], *plan.places[:2]), sensors=plan.sensors[::-1]),
        _in_box(plan, "box-1", egg_lag=10 * MINUTE),
    )
    return replace(variants[number % len(variants)], now=now)


VARIANTS = 9
"""How many different plans :func:`variant` gives."""


# -- evenings ---------------------------------------------------------------------------


class Mood(StrEnum):
    """How a sensor behaves until it is told otherwise."""

    IDEAL = "ideal"
    ABOVE = "above ideal"
    TOO_HIGH = "above safe"
    BELOW = "below ideal"
    TOO_LOW = "below safe"
    EDGE = "inside ideal, within the deadband"
    ABSENT = "absent"
    BAD = "bad"
    LATE = "late"
    SUSPECT = "suspect"
    NAN = "not a number"
    SKEWED = "with a wrong clock"


SENSORS = ("inc", "a", "b", "c", "d")
CONTACTS = ("mains", "reader/mqtt", "lid")

VALUES: dict[Quantity, dict[Mood, float]] = {
    Quantity.TEMPERATURE: {
        Mood.IDEAL: 30.0,
        Mood.ABOVE: 32.0,
        Mood.TOO_HIGH: 36.5,
        Mood.BELOW: 27.5,
        Mood.TOO_LOW: 18.0,
        Mood.EDGE: 30.9,
    },
    Quantity.HUMIDITY: {
        Mood.IDEAL: 82.0,
        Mood.ABOVE: 94.0,
        Mood.TOO_HIGH: 99.0,
        Mood.BELOW: 66.0,
        Mood.TOO_LOW: 50.0,
        Mood.EDGE: 89.0,
    },
}

QUALITIES = {
    Mood.BAD: Quality.FAULT_CODE,
    Mood.LATE: Quality.LATE,
    Mood.SUSPECT: Quality.SPIKE,
    Mood.NAN: Quality.NOT_A_NUMBER,
}


@dataclass(frozen=True, slots=True)
class Act:
    """One act of an evening: what, on whom, how much."""

    what: str
    who: int = 0
    much: int = 0
    mood: Mood = Mood.IDEAL


MOODS = (
    *(Mood.ABOVE, Mood.TOO_HIGH, Mood.BELOW, Mood.TOO_LOW) * 3,
    *(Mood.IDEAL, Mood.EDGE) * 2,
    *(Mood.ABSENT, Mood.BAD, Mood.LATE, Mood.SUSPECT, Mood.NAN, Mood.SKEWED),
)
"""Weighted: an evening drifts towards the limits."""


def acts() -> st.SearchStrategy[Act]:
    """Give one act; rounds of readings and moods beyond the limits are the most likely."""
    whom = st.integers(0, len(SENSORS) - 1)
    rounds = st.builds(Act, st.just("rounds"), much=st.integers(1, 14))
    mood = st.builds(Act, st.just("mood"), who=whom, mood=st.sampled_from(MOODS))
    shift = st.builds(Act, st.just("all"), mood=st.sampled_from(MOODS[:16]))
    switch = st.builds(Act, st.just("contact"), who=st.integers(0, 2), much=st.integers(0, 1))
    order = st.builds(Act, st.just("order"), who=st.integers(0, 9), much=st.integers(0, 5))
    rarely = st.one_of(
        st.builds(Act, st.just("away"), much=st.integers(1, 90)),
        st.builds(Act, st.just("plan"), much=st.integers(0, VARIANTS - 1)),
        st.builds(Act, st.just("wait"), much=st.integers(1, 80)),
    )
    return st.one_of(rounds, rounds, rounds, mood, mood, shift, switch, order, order, rarely)


def evenings(most: int = 30) -> st.SearchStrategy[list[Act]]:
    """Give evenings of up to ``most`` acts."""
    return st.lists(acts(), min_size=1, max_size=most)


def in_order(readings: Iterable[Reading]) -> list[Reading]:
    """Sort a batch as the judge hands it over: by instant, sensor, quantity."""
    return sorted(readings, key=lambda one: (one.at, one.sensor, one.quantity.value))


@dataclass
class Player:
    """Plays acts on a leading engine and keeps what was told and answered.

    Attributes:
        plan: The plan in force.
        lead: The engine that leads.
        events: What it was told.
        answers: What it answered, event by event.
        plans: The plan that was in force before each event.
        counted: How often each state of an alarm was seen, by its letter.
    """

    plan: Plan = field(default_factory=small_room)
    now: int = T0
    lead: Engine = field(init=False)
    events: list[Event] = field(default_factory=list)
    answers: list[tuple[Effect, ...]] = field(default_factory=list)
    plans: list[Plan] = field(default_factory=list)
    moods: dict[str, Mood] = field(default_factory=dict)
    states: dict[str, bool] = field(default_factory=dict)
    counted: dict[str, int] = field(default_factory=dict)
    round: int = 0

    def __post_init__(self) -> None:
        """Begin with everything as it should be."""
        self.lead = Engine(self.plan)

    def tell(self, event: Event) -> None:
        """Tell the leading engine and keep both sides."""
        self.events.append(event)
        self.plans.append(self.plan)
        self.answers.append(self.lead.step(event))
        if isinstance(event, Plan):
            self.plan = event
        for letter in letters(self.lead):
            self.counted[letter] = self.counted.get(letter, 0) + 1

    def act(self, act: Act) -> None:
        """Play one act."""
        if act.what == "rounds":
            for _ in range(act.much):
                self._round()
        elif act.what == "mood":
            self.moods[SENSORS[act.who]] = act.mood
        elif act.what == "all":
            self.moods = dict.fromkeys(SENSORS, act.mood)
        elif act.what == "contact":
            self.states[CONTACTS[act.who]] = bool(act.much)
            self.now += 7 * SECOND
            self._contact(CONTACTS[act.who])
        elif act.what == "order":
            self._order(act)
        elif act.what == "away":
            since, self.now = self.now, self.now + act.much * MINUTE
            self.tell(Away(since, self.now))
        elif act.what == "plan":
            self.now += 11 * SECOND
            self.tell(variant(act.much, self.now))
        else:
            self.now += act.much * MINUTE
            self.tell(Tick(self.now))

    def _contact(self, name: str) -> None:
        value = float(self.states.get(name, True))
        self.tell(Reading(name, Quantity.CONTACT, value, self.now, self.now))

    def _round(self) -> None:
        self.round += 1
        self.now += EVERY + (self.round % 3) * SECOND
        batch: list[Reading] = []
        for one in self.plan.sensors:
            if one.contact is None:
                batch += self._readings(one)
            elif self.round % 4 == 0:
                value = float(self.states.get(one.name, True))
                batch.append(Reading(one.name, Quantity.CONTACT, value, self.now, self.now))
        for reading in in_order(batch):
            self.tell(reading)

    def _readings(self, one: SensorPlan) -> list[Reading]:
        mood = self.moods.get(one.name, Mood.IDEAL)
        if mood is Mood.ABSENT:
            return []
        at = self.now - (self.round % 2) * 2 * SECOND
        found = []
        for quantity in one.quantities:
            usual = VALUES[quantity]
            value = usual.get(mood, usual[Mood.TOO_HIGH]) + (self.round % 5) * 0.01
            if mood is Mood.NAN:
                value = math.nan
            quality = QUALITIES.get(mood, Quality.GOOD)
            skew = HOUR if mood is Mood.SKEWED else 0
            if mood is Mood.LATE:
                at = self.now - 20 * MINUTE
            found.append(Reading(one.name, quantity, round(value, 3), at, self.now, quality, skew=skew))
        return found

    def _order(self, act: Act) -> None:
        verbs = tuple(Verb)
        verb = verbs[act.much % len(verbs)]
        self.now += 3 * SECOND
        if verb in (Verb.OUT_OF_SERVICE, Verb.IN_SERVICE):
            names = [one.name for one in self.plan.places]
            self.tell(Order(self.now, "Ines", verb, place=names[act.who % len(names)]))
            return
        alarms = self.lead.open_alarms()
        if not alarms:
            return
        alarm = alarms[act.who % len(alarms)]
        until = self.now + 20 * MINUTE if verb is Verb.SHELVE else None
        self.tell(Order(self.now, "Ines", verb, alarm.key, alarm.raised, until=until))

    def end(self) -> "Player":
        """Let everything that is due become told."""
        self.now += 2 * DAY
        self.tell(Tick(self.now))
        return self


def letters(engine: Engine) -> set[str]:
    """Give the letters of the ISA-18.2 states that an engine's alarms are in."""
    alarms = engine.open_alarms()
    found = {one.life.value for one in alarms} or {"A"}
    over = {
        "D": engine._book.returned,
        "G": engine._book.shelves,
        "H": any(one.cause is not None for one in alarms),
        "I": any(place.out for place in engine._places.values()),
    }
    found |= {letter for letter, there in over.items() if there}
    return found


def play(evening: Sequence[Act]) -> Player:
    """Play a whole evening."""
    player = Player()
    for act in evening:
        player.act(act)
    return player


def usual() -> list[Act]:
    """Give one evening on which most things happen: cold, mains, orders, plans, away, faults."""
    rounds = Act("rounds", much=14)
    return [
        *(Act("rounds", much=9), Act("all", mood=Mood.TOO_LOW), Act("contact", who=0), rounds),
        *(Act("order", who=1, much=2), Act("plan", much=1), Act("away", much=33)),
        *(Act("mood", who=1, mood=Mood.NAN), rounds, Act("plan", much=7), Act("wait", much=70)),
        *(Act("all", mood=Mood.IDEAL), Act("contact", who=0, much=1), rounds, Act("plan", much=8)),
    ]


def told(engine: Engine, events: Iterable[Event]) -> list[Effect]:
    """Tell events to an engine and give all its effects in one list."""
    return [effect for event in events for effect in engine.step(event)]


def flat(player: Player) -> list[Effect]:
    """Give everything that the leading engine answered in one list."""
    return [effect for answer in player.answers for effect in answer]


def copied(plan: Plan, engine: Engine) -> Engine:
    """Give an engine that was kept as JSON text and taken back."""
    return Engine.restored(plan, json.loads(json.dumps(engine.state())))


def steadily(
    name: str, values: Sequence[float], *, start: int = T0 + EVERY, every: int = EVERY, **given: object
) -> list[Reading]:
    """Give good readings of a thermometer at its pace."""
    readings = []
    for index, value in enumerate(values):
        at = start + index * every
        reading = Reading(name, Quantity.TEMPERATURE, value, at, at)
        readings.append(replace(reading, **given) if given else reading)  # type: ignore[arg-type]
    return readings
