"""A scene: the places, sensors and happenings of a simulated room, as values."""

import random
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from rules.plan import ContactKind, PlaceKind, Store
from rules.reading import DAY, HOUR, MINUTE, SECOND, Quantity
from sensors.happenings import DISTURBANCES, FAULTS, NATURES, Happening, Happens, Target, Truth


@dataclass(frozen=True, slots=True)
class Fabric:
    """How a kind of place takes up and loses heat and water. Own values, plausible for its size.

    Attributes:
        fast: Time constant of the air, s.
        slow: Time constant of the whole when heat is lost, s.
        keep: Share of the mass in what the air tends to; the rest is what surrounds it.
        power: How far its heater lifts it above what surrounds it (a compressor: below), K.
        swing: Half the hysteresis of its thermostat, K.
        vapour: Time constant of its vapour, s.
        night: How much cooler its thermostat keeps it by night, K.
        lamp: How far the lamp lifts the basking surface above the air, K; 0: no lamp.
        defrost: It defrosts so often, s; 0: never.
    """

    fast: float = 150.0
    slow: float = 5_400.0
    keep: float = 0.85
    power: float = 0.0
    swing: float = 0.25
    vapour: float = 900.0
    night: float = 0.0
    lamp: float = 0.0
    defrost: float = 0.0


FABRICS: Mapping[PlaceKind | Store, Fabric] = {
    PlaceKind.ROOM: Fabric(),
    PlaceKind.INCUBATOR: Fabric(fast=120, slow=9_000, power=22, swing=0.2, vapour=1_200),
    PlaceKind.BOX: Fabric(fast=150, slow=5_400, power=18, swing=0.3, vapour=900),
    PlaceKind.ENCLOSURE: Fabric(
        fast=400, slow=7_200, keep=0.6, power=25, swing=0.4, night=4, lamp=13, vapour=1_800
    ),
    PlaceKind.OUTDOOR: Fabric(),
    Store.REFRIGERATOR: Fabric(fast=240, slow=36_000, keep=0.9, power=45, swing=0.6, vapour=1_200),
    Store.FREEZER: Fabric(
        fast=240, slow=72_000, keep=0.92, power=75, swing=1.0, vapour=1_200, defrost=12 * 3600
    ),
    Store.HIBERNATION: Fabric(fast=240, slow=36_000, keep=0.9, power=40, swing=0.4, vapour=1_200),
}
"""The fabric of each kind. A box inside an incubator has no heater of its own."""

AROUND: Mapping[PlaceKind | Store, tuple[float, float]] = {
    PlaceKind.ROOM: (21.0, 50.0),
    PlaceKind.INCUBATOR: (30.0, 60.0),
    PlaceKind.BOX: (29.5, 82.0),
    PlaceKind.ENCLOSURE: (26.0, 50.0),
    PlaceKind.OUTDOOR: (14.0, 70.0),
    Store.REFRIGERATOR: (3.0, 60.0),
    Store.FREEZER: (-21.0, 60.0),
    Store.HIBERNATION: (6.0, 75.0),
}
"""°C and percent that a place is kept around where the scene does not say."""


@dataclass(frozen=True, slots=True)
class SimPlace:
    """A place of the scene.

    Attributes:
        name: Its name.
        kind: What sort of place.
        inside: Name of the place that surrounds it; None: the room (outdoors: the weather).
        store: What a cold store is for.
        around: °C that it is kept around, or None: usual for its kind.
        humidity: Percent that it is kept around, or None: usual for its kind.
        fabric: How it takes up heat, or None: usual for its kind.
        day: Local hours between which it is day there.
        egg: Time constant of an egg in its air, s.
    """

    name: str
    kind: PlaceKind
    inside: str | None = None
    store: Store | None = None
    around: float | None = None
    humidity: float | None = None
    fabric: Fabric | None = None
    day: tuple[float, float] = (7.0, 21.0)
    egg: float = 1_200.0

    @property
    def usual(self) -> PlaceKind | Store:
        """The key of its usual values."""
        if self.kind is PlaceKind.COLD_STORE:
            return self.store or Store.REFRIGERATOR
        return self.kind

    @property
    def target(self) -> float:
        """°C that it is kept around."""
        return AROUND[self.usual][0] if self.around is None else self.around

    @property
    def moist(self) -> float:
        """Percent that it is kept around."""
        return AROUND[self.usual][1] if self.humidity is None else self.humidity

    @property
    def body(self) -> Fabric:
        """How it takes up heat; a box inside something has no heater."""
        fabric = self.fabric or FABRICS[self.usual]
        if self.inside is not None and self.kind is PlaceKind.BOX:
            return replace(fabric, power=0.0)
        return fabric


@dataclass(frozen=True, slots=True)
class SimSensor:
    """A sensor of the scene.

    Attributes:
        name: Its name.
        place: Name of its place.
        spot: Where in it: air, substrate, warm side, cool side, basking surface, water.
        quantities: What it measures; with a contact only that counts.
        every: Its pace, ms.
        contact: What its contact tells of, or None.
        noise: Standard deviation of its temperature (K) and humidity (percent).
        grain: Steps in which it gives them.
        lag: Its own time constant, s.
        lost: Share of its readings that never arrive.
        stamped: It puts its own stamp on.
    """

    name: str
    place: str
    spot: str = "air"
    quantities: tuple[Quantity, ...] = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
    every: int = 30 * SECOND
    contact: ContactKind | None = None
    noise: tuple[float, float] = (0.03, 0.3)
    grain: tuple[float, float] = (0.01, 0.1)
    lag: float = 20.0
    lost: float = 0.0
    stamped: bool = False


@dataclass(frozen=True, slots=True)
class Scene:
    """A simulated room, from its seed to what is planted. Two equal scenes play alike.

    Attributes:
        seed: Everything by chance comes out of it.
        places: Its places; one that surrounds another stands before it.
        sensors: Its sensors.
        happenings: What happens, in any order.
        start_hour: Local hour of day at instant 0.
        room: Mean of the room's air, °C, and how far it swings over a day, K.
        weather: The same outdoors.
        step: Grid of the physics, ms.

    Raises:
        ValueError: A name is unknown or stands twice, or an order is wrong.
    """

    seed: int
    places: tuple[SimPlace, ...]
    sensors: tuple[SimSensor, ...]
    happenings: tuple[Happening, ...] = ()
    start_hour: float = 18.0
    room: tuple[float, float] = (20.0, 1.2)
    weather: tuple[float, float] = (12.0, 6.0)
    step: int = 10 * SECOND

    def __post_init__(self) -> None:
        """Refuse a scene that cannot be played."""
        known: set[str] = set()
        for place in self.places:
            if place.name in known or (place.inside is not None and place.inside not in known):
                raise ValueError(f'place "{place.name}" stands twice, or inside one that comes later')
            known.add(place.name)
        names = {sensor.name for sensor in self.sensors}
        if len(names) != len(self.sensors):
            raise ValueError("two sensors have one name")
        for sensor in self.sensors:
            if sensor.place not in known:
                raise ValueError(f'sensor "{sensor.name}" is in an unknown place "{sensor.place}"')
        whose = {Target.ROOM: {""}, Target.PLACE: known, Target.SENSOR: names}
        for happening in self.happenings:
            if happening.who not in whose[happening.nature.target]:
                raise ValueError(f'"{happening.kind.value}" happens to an unknown "{happening.who}"')


def truths(scene: Scene) -> tuple[Truth, ...]:
    """List the faults that are planted, in order of their start."""
    home = {sensor.name: sensor.place for sensor in scene.sensors}
    found = [
        Truth(
            place=home.get(one.who, one.who),
            sensor=one.who if one.nature.target is Target.SENSOR else "",
            kind=one.kind,
            start=one.at,
            until=one.until,
            damaging=one.nature.damaging,
        )
        for one in scene.happenings
        if one.nature.fault
    ]
    return tuple(sorted(found, key=lambda truth: (truth.start, truth.place, truth.sensor)))


def possible(scene: Scene, kind: Happens) -> tuple[str, ...]:
    """Give the names that a kind can happen to in this scene; () for none."""
    nature = NATURES[kind]
    if nature.target is Target.ROOM:
        return ("",)
    places = {place.name: place for place in scene.places if place.kind in nature.kinds}
    if nature.target is Target.PLACE:
        # A box inside an incubator has no heater of its own, and shares its lid with nothing.
        return tuple(name for name in places if not _needs_heater(kind) or places[name].body.power > 0)
    humid = kind in {Happens.ALL_ONES, Happens.SATURATED, Happens.MISWIRED}
    return tuple(
        sensor.name
        for sensor in scene.sensors
        if sensor.place in places
        and sensor.contact is None
        and (not humid or Quantity.HUMIDITY in sensor.quantities)
        and (kind is not Happens.WRONG_CLOCK or sensor.stamped)
    )


def _needs_heater(kind: Happens) -> bool:
    """Tell whether a kind only makes sense where there is heat or cold to control."""
    return kind in {Happens.HEATER_LOST, Happens.HEATER_STUCK, Happens.HEATER_WEAK, Happens.SET_POINT_MOVED}


def with_disturbances(scene: Scene, *, days: float, each_day: float = 24.0) -> Scene:
    """Plant everyday life: harmless disturbances at waking hours, by the scene's seed."""
    chance = random.Random(f"{scene.seed}/disturbances")  # noqa: S311 - a simulation, no secret
    kinds = [kind for kind in DISTURBANCES if possible(scene, kind)]
    planted = []
    for _ in range(round(days * each_day)):
        kind = chance.choice(kinds)
        hour = chance.uniform(7.5, 21.5) + 24 * chance.randrange(max(1, round(days)))
        at = round((hour - scene.start_hour) * HOUR)
        if at > 0:
            planted.append(Happening(at, kind, chance.choice(possible(scene, kind))))
    return replace(scene, happenings=(*scene.happenings, *planted))


def with_faults(
    scene: Scene, kinds: Iterable[Happens] = FAULTS, *, first: int = HOUR, gap: int = DAY
) -> Scene:
    """Plant one fault of each kind that the scene can have, one after another.

    Args:
        scene: Where.
        kinds: Which; those that the scene cannot have are left out.
        first: Onset of the first, ms.
        gap: From one onset to the next, ms, plus up to a tenth by chance.
    """
    chance = random.Random(f"{scene.seed}/faults")  # noqa: S311 - a simulation, no secret
    planted, at = [], first
    for kind in kinds:
        names = possible(scene, kind)
        if names:
            planted.append(Happening(at, kind, chance.choice(names)))
            at += gap + round(chance.uniform(0, 0.1) * gap / MINUTE) * MINUTE
    return replace(scene, happenings=(*scene.happenings, *planted))
