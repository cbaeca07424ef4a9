"""A fortnight as it was heard, and where the truth left safe: columns, so that it fits in memory."""

import random
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Protocol

from rules.plan import PlaceKind, Plan, SpotRange
from rules.psychrometrics import saturation_vapour_pressure as saturation
from rules.reading import DAY, HOUR, MINUTE, Quantity
from rules.roster import in_force
from rules.span import Range
from sensors.happenings import FAULTS, Happening, Happens, Target
from sensors.scene import Scene, possible, with_disturbances
from sensors.simroom import Heard, SimRoom
from tests.kit.otherroom import OtherRoom, varied, with_rounds
from tests.nights.room import scene

NOTHING = float("-inf")
"""In a column: this quantity was not in the message."""

HARMED = 10 * MINUTE
"""Out of safe by the truth for this long on end is damage (ms)."""

NO_HUMIDITY = frozenset({PlaceKind.ROOM, PlaceKind.OUTDOOR, PlaceKind.COLD_STORE})


class Body(Protocol):
    """A simulated place, of whichever physics."""

    air: float
    egg: float
    vapour: float

    def at(self, spot: str) -> float:
        """Give the temperature of a spot, °C."""


class Room(Protocol):
    """A simulated room, of whichever physics."""

    now: int

    def advance(self, to: int) -> list[Heard]:
        """Play on."""


@dataclass(slots=True)
class Played:
    """What was heard.

    Attributes:
        scene: What was played.
        names: Sensors by number.
        at, who, warm, wet, shut, stamp: Columns; -1 is no stamp, ``NOTHING`` no such value.
        left: Spans in which a place was out of safe by the truth, ms.
        lasting: How long it was played, ms.
    """

    scene: Scene
    names: tuple[str, ...]
    lasting: int
    at: "array[int]" = field(default_factory=lambda: array("q"))
    who: "array[int]" = field(default_factory=lambda: array("H"))
    warm: "array[float]" = field(default_factory=lambda: array("d"))
    wet: "array[float]" = field(default_factory=lambda: array("d"))
    shut: "array[float]" = field(default_factory=lambda: array("d"))
    stamp: "array[int]" = field(default_factory=lambda: array("q"))
    left: dict[str, list[tuple[int, int]]] = field(default_factory=dict)

    def heard(self) -> Iterator[Heard]:
        """Give every message, ascending."""
        columns = zip(self.at, self.who, self.warm, self.wet, self.shut, self.stamp, strict=True)
        for at, who, warm, wet, shut, stamp in columns:
            values = {}
            if warm != NOTHING:
                values[Quantity.TEMPERATURE] = warm
            if wet != NOTHING:
                values[Quantity.HUMIDITY] = wet
            if shut != NOTHING:
                values[Quantity.CONTACT] = shut
            yield Heard(at, self.names[who], values, None if stamp < 0 else stamp)


def planted(seed: int, *, days: int, faults: int, other: bool, kinds: tuple[Happens, ...] = FAULTS) -> Scene:
    """Give a scene with everyday life and so many faults, each kind before any comes again.

    Faults begin after a day and a half, at any hour; no place has two at a time, and
    nothing else begins within half a day of what befalls the whole room.
    """
    base = scene(seed)
    base = varied(base) if other else base
    base = with_disturbances(base, days=days, each_day=26)
    base = with_rounds(base, days=days) if other else base
    return replace(base, happenings=(*base.happenings, *_faults(base, days, faults, kinds)))


def _faults(base: Scene, days: int, count: int, kinds: tuple[Happens, ...]) -> list[Happening]:
    chance = random.Random(f"nights/{base.seed}")  # a simulation, no secret
    order = chance.sample(kinds, len(kinds)) + chance.choices(kinds, k=max(0, count - len(kinds)))
    made: list[Happening] = []
    home = {sensor.name: sensor.place for sensor in base.sensors}
    for kind in sorted(order[:count], key=lambda one: _target(one) is not Target.ROOM):
        for _ in range(60):
            lasting = min(Happening(0, kind).nature.lasting, 5 * DAY)
            at = round(chance.uniform(1.5 * DAY, max(1.6 * DAY, days * DAY - min(lasting, 30 * HOUR))))
            one = Happening(at, kind, chance.choice(possible(base, kind) or ("",)), lasting)
            if possible(base, kind) and not any(_meet(one, other, home) for other in made):
                made.append(one)
                break
    return made


def _target(kind: Happens) -> Target:
    return Happening(0, kind).nature.target


def _meet(one: Happening, other: Happening, home: dict[str, str]) -> bool:
    room = not one.who or not other.who
    margin = 6 * HOUR if room else 3 * HOUR
    same = room or home.get(one.who, one.who) == home.get(other.who, other.who)
    return same and one.at < other.until + margin and other.at < one.until + margin


def play(one: Scene, plan: Plan, *, days: int, other: bool) -> Played:
    """Play a scene; note minute by minute where the truth is out of safe."""
    room: SimRoom | OtherRoom = OtherRoom(one) if other else SimRoom(one)
    names = tuple(sensor.name for sensor in one.sensors)
    number = {name: index for index, name in enumerate(names)}
    played = Played(one, names, days * DAY)
    truth = Truth(plan, one)
    for now in range(MINUTE, days * DAY + 1, MINUTE):
        for heard in room.advance(now):
            played.at.append(heard.at)
            played.who.append(number[heard.sensor])
            for column, quantity in (
                (played.warm, Quantity.TEMPERATURE),
                (played.wet, Quantity.HUMIDITY),
                (played.shut, Quantity.CONTACT),
            ):
                column.append(heard.values.get(quantity, NOTHING))
            played.stamp.append(-1 if heard.stamp is None else heard.stamp)
        truth.see(now, room.bodies)
    played.left = truth.left
    return played


class Truth:
    """Watches by the scene's own numbers where a place is out of safe."""

    def __init__(self, plan: Plan, one: Scene) -> None:
        """Look at the spots that have sensors; where eggs lag, at what an egg feels."""
        self.left: dict[str, list[tuple[int, int]]] = {}
        self._plan = plan
        self._cold = {place.name for place in one.places if place.kind is PlaceKind.COLD_STORE}
        self._looks = list(self._looking(one))

    def _looking(self, one: Scene) -> Iterator[tuple[str, str, bool, SpotRange]]:
        places = {place.name: place for place in self._plan.places}
        for name, spot in dict.fromkeys((each.place, each.spot) for each in one.sensors if not each.contact):
            place = places[name]
            for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY):
                found = [
                    each for each in place.ranges if each.quantity is quantity and each.spot in (spot, "")
                ]
                if found and not (quantity is Quantity.HUMIDITY and place.kind in NO_HUMIDITY):
                    egg = place.egg_lag is not None and spot == "air"
                    yield name, spot, egg, max(found, key=lambda each: len(each.spot))

    def see(self, now: int, bodies: "dict[str, object] | object") -> None:
        """Look at every place at an instant."""
        for name, spot, egg, found in self._looks:
            body: Body = bodies[name]  # type: ignore[index]
            range_ = self._range(name, found, now)
            if range_ is None or range_.safe is None:
                continue
            # In a cold store what counts is the goods, not the air that a door lets in.
            warm = body.egg if egg else body.at("substrate" if name in self._cold else spot)
            value = (
                warm
                if found.quantity is Quantity.TEMPERATURE
                else 100 * body.vapour / saturation(body.at(spot))
            )
            if not range_.safe.holds(value):
                self._leave(name, now)

    def _range(self, name: str, found: SpotRange, now: int) -> Range | None:
        if found.day == found.night:
            return found.day
        place = next(each for each in self._plan.places if each.name == name)
        return in_force(found, self._plan.calendars.get(place.calendar), place.settle, now + self._plan.now)

    def _leave(self, name: str, now: int) -> None:
        spans = self.left.setdefault(name, [])
        if spans and now - spans[-1][1] <= MINUTE:
            spans[-1] = (spans[-1][0], now)
        else:
            spans.append((now, now))


def harmed(played: Played, places: frozenset[str] | None, start: int, until: int) -> int | None:
    """Give the instant at which one of some places (None: any) has been out of safe for ``HARMED``."""
    found = []
    for name, spans in played.left.items():
        if places is None or name in places:
            for begin, end in spans:
                from_ = max(begin, start)
                if from_ <= until and end - from_ >= HARMED:
                    found.append(from_ + HARMED)
    return min(found, default=None)
