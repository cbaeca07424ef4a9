"""What can happen in a simulated room: faults and harmless disturbances, as data."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, StrEnum

from rules.plan import PlaceKind
from rules.reading import DAY, HOUR, MINUTE


class Target(Enum):
    """What a happening happens to."""

    ROOM = "room"
    PLACE = "place"
    SENSOR = "sensor"


class Harm(Enum):
    """What a happening does to those who live there."""

    NONE = "everyday life"
    FAULT = "a fault"
    DAMAGE = "a fault that harms eggs or animals"


class Happens(StrEnum):
    """Every kind of thing that can happen."""

    # To the room.
    MAINS_LOST = "mains lost"
    ROOM_COLD = "the room's heating fails"
    ROOM_HOT = "the room overheats"
    WINDOW_OPENED = "window opened"
    # To a place.
    HEATER_LOST = "heater lost"
    HEATER_STUCK = "heater stuck on"
    HEATER_WEAK = "heater grows weak"
    SET_POINT_MOVED = "thermostat bumped"
    THERMOSTAT_CREEPS = "thermostat creeps"
    SWING_GROWS = "thermostat swings ever wider"
    RELAY_CHATTERS = "relay chatters"
    FAN_LOST = "fan lost"
    LID_LEFT_OPEN = "lid left open"
    DRYING_OUT = "drying out"
    SEAL_LEAKS = "seal leaks"
    FLOODED = "flooded"
    LAMP_DEAD = "lamp dead"
    LAMP_STUCK = "lamp stays on"
    COMPRESSOR_LOST = "compressor lost"
    COMPRESSOR_STUCK = "compressor never stops"
    DOOR_AJAR = "door ajar"
    DEFROST_STUCK = "defrost never ends"
    FROST = "frost"
    HEAT_WAVE = "overheating outdoors"
    LID_OPENED = "lid opened briefly"
    MISTED = "misted"
    FED = "fed"
    DEFROST = "defrost"
    # To a sensor.
    STUCK = "stuck"
    DRIFTS = "drifts"
    OFFSET = "offset"
    SPIKES = "spikes"
    SILENT = "silent"
    DYING_BATTERY = "gaps grow"
    POWER_ON_VALUE = "power-on value"
    BUS_OPEN = "bus open"
    ALL_ONES = "all ones"
    NO_NUMBER = "no number"
    WRONG_CLOCK = "its clock is wrong"
    NOISY = "noisy"
    SATURATED = "saturated"
    MISWIRED = "humidity equals temperature"
    FELL_OUT = "fell out of its place"
    SUN_ON_SENSOR = "sun on the sensor"
    ONE_SPIKE = "one spike"
    SHORT_GAP = "short gap"


WARMED = frozenset({PlaceKind.INCUBATOR, PlaceKind.ENCLOSURE})
COLD = frozenset({PlaceKind.COLD_STORE})
OUTSIDE = frozenset({PlaceKind.OUTDOOR})
CLOSED = frozenset({PlaceKind.BOX, PlaceKind.INCUBATOR})
LIT = frozenset({PlaceKind.ENCLOSURE})
ANY = frozenset(PlaceKind)


@dataclass(frozen=True, slots=True)
class Nature:
    """What is known of one kind of happening.

    Attributes:
        target: What it happens to.
        harm: Whether a keeper wants to be told, and whether it harms if left alone.
        size: Its usual size in its own unit (K, percent, share, s).
        lasting: How long it usually lasts, ms.
        kinds: Kinds of place that it can happen in.
    """

    target: Target
    harm: Harm
    size: float
    lasting: int
    kinds: frozenset[PlaceKind] = ANY

    @property
    def fault(self) -> bool:
        """Tell whether a keeper wants to be told of it."""
        return self.harm is not Harm.NONE

    @property
    def damaging(self) -> bool:
        """Tell whether it harms eggs or animals if left alone."""
        return self.harm is Harm.DAMAGE


_R, _P, _S = Target.ROOM, Target.PLACE, Target.SENSOR
_NONE, _FAULT, _DAMAGE = Harm.NONE, Harm.FAULT, Harm.DAMAGE

NATURES: Mapping[Happens, Nature] = {
    Happens.MAINS_LOST: Nature(_R, _DAMAGE, 1, 5 * HOUR),
    Happens.ROOM_COLD: Nature(_R, _DAMAGE, 12, 10 * HOUR),
    Happens.ROOM_HOT: Nature(_R, _DAMAGE, 12, 8 * HOUR),
    Happens.WINDOW_OPENED: Nature(_R, _NONE, 3, 15 * MINUTE),
    Happens.HEATER_LOST: Nature(_P, _DAMAGE, 1, 8 * HOUR, WARMED),
    Happens.HEATER_STUCK: Nature(_P, _DAMAGE, 1, 6 * HOUR, WARMED),
    Happens.HEATER_WEAK: Nature(_P, _DAMAGE, 0.8, DAY, WARMED),
    Happens.SET_POINT_MOVED: Nature(_P, _DAMAGE, 3, 12 * HOUR, WARMED | COLD),
    Happens.THERMOSTAT_CREEPS: Nature(_P, _DAMAGE, 0.5, 5 * DAY, WARMED | COLD),
    Happens.SWING_GROWS: Nature(_P, _FAULT, 2.0, DAY, WARMED),
    Happens.RELAY_CHATTERS: Nature(_P, _FAULT, 1, 8 * HOUR, WARMED),
    Happens.FAN_LOST: Nature(_P, _FAULT, 2, 12 * HOUR, frozenset({PlaceKind.INCUBATOR})),
    Happens.LID_LEFT_OPEN: Nature(_P, _DAMAGE, 1, 4 * HOUR, CLOSED),
    Happens.DRYING_OUT: Nature(_P, _DAMAGE, 1, 2 * DAY, frozenset({PlaceKind.BOX})),
    Happens.SEAL_LEAKS: Nature(_P, _DAMAGE, 6, DAY, frozenset({PlaceKind.BOX})),
    Happens.FLOODED: Nature(_P, _DAMAGE, 1, DAY, frozenset({PlaceKind.BOX})),
    Happens.LAMP_DEAD: Nature(_P, _DAMAGE, 1, DAY, LIT),
    Happens.LAMP_STUCK: Nature(_P, _DAMAGE, 1, DAY, LIT),
    Happens.COMPRESSOR_LOST: Nature(_P, _DAMAGE, 1, 12 * HOUR, COLD),
    Happens.COMPRESSOR_STUCK: Nature(_P, _DAMAGE, 1, 12 * HOUR, COLD),
    Happens.DOOR_AJAR: Nature(_P, _DAMAGE, 0.5, 6 * HOUR, COLD),
    Happens.DEFROST_STUCK: Nature(_P, _DAMAGE, 12, 6 * HOUR, COLD),
    Happens.FROST: Nature(_P, _DAMAGE, 12, 10 * HOUR, OUTSIDE),
    Happens.HEAT_WAVE: Nature(_P, _DAMAGE, 15, 8 * HOUR, OUTSIDE),
    Happens.LID_OPENED: Nature(_P, _NONE, 1, 2 * MINUTE, CLOSED | COLD),
    Happens.MISTED: Nature(_P, _NONE, 1, MINUTE, CLOSED | LIT),
    Happens.FED: Nature(_P, _NONE, 1, 3 * MINUTE, LIT),
    Happens.DEFROST: Nature(_P, _NONE, 12, 20 * MINUTE, COLD),
    Happens.STUCK: Nature(_S, _FAULT, 1, 2 * DAY),
    Happens.DRIFTS: Nature(_S, _FAULT, 0.4, 10 * DAY),
    Happens.OFFSET: Nature(_S, _FAULT, 2.5, 2 * DAY),
    Happens.SPIKES: Nature(_S, _FAULT, 6, 6 * HOUR),
    Happens.SILENT: Nature(_S, _FAULT, 1, 6 * HOUR),
    Happens.DYING_BATTERY: Nature(_S, _FAULT, 1, 2 * DAY),
    Happens.POWER_ON_VALUE: Nature(_S, _FAULT, 85, 4 * HOUR),
    Happens.BUS_OPEN: Nature(_S, _FAULT, -127, 4 * HOUR),
    Happens.ALL_ONES: Nature(_S, _FAULT, 655.35, 4 * HOUR),
    Happens.NO_NUMBER: Nature(_S, _FAULT, 1, 4 * HOUR),
    Happens.WRONG_CLOCK: Nature(_S, _FAULT, 3300, DAY),
    Happens.NOISY: Nature(_S, _FAULT, 1.2, 12 * HOUR),
    Happens.SATURATED: Nature(_S, _FAULT, 100, DAY, frozenset({PlaceKind.BOX, PlaceKind.INCUBATOR})),
    Happens.MISWIRED: Nature(_S, _FAULT, 1, DAY),
    Happens.FELL_OUT: Nature(_S, _FAULT, 1, DAY, frozenset({PlaceKind.BOX, PlaceKind.INCUBATOR})),
    Happens.SUN_ON_SENSOR: Nature(_S, _NONE, 9, 90 * MINUTE, OUTSIDE),
    Happens.ONE_SPIKE: Nature(_S, _NONE, 5, MINUTE),
    Happens.SHORT_GAP: Nature(_S, _NONE, 1, 4 * MINUTE),
}
"""Every kind with its nature. Sizes: K (temperatures), K a day (drifts, creeping), a value
(fault numbers), s (clock), a share or a factor elsewhere. Own proposals, after the
disturbances that open logger records show (domain notes, section 11)."""

FAULTS = tuple(kind for kind, nature in NATURES.items() if nature.fault)
"""Kinds that a keeper wants to be told of."""

DISTURBANCES = tuple(kind for kind, nature in NATURES.items() if not nature.fault)
"""Kinds that are everyday life."""


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happens.

    Attributes:
        at: When it begins, ms since the scene's start.
        kind: What.
        who: Name of the place or sensor; "" for the room.
        lasting: How long, ms; None: as usual for its kind.
        size: Its size; None: as usual for its kind.
    """

    at: int
    kind: Happens
    who: str = ""
    lasting: int | None = None
    size: float | None = None

    @property
    def nature(self) -> Nature:
        """What is known of its kind."""
        return NATURES[self.kind]

    @property
    def span(self) -> int:
        """How long it lasts, ms."""
        return self.nature.lasting if self.lasting is None else self.lasting

    @property
    def amount(self) -> float:
        """Its size, in the unit of its kind."""
        return self.nature.size if self.size is None else self.size

    @property
    def until(self) -> int:
        """When it ends, ms since the scene's start."""
        return self.at + self.span


@dataclass(frozen=True, slots=True)
class Truth:
    """What was planted, for those who count what was found.

    Attributes:
        place: Name of the place (of the sensor's place); "" for the room.
        sensor: Name of the sensor, or "".
        kind: What.
        start: When it began, ms since the scene's start.
        until: When it ended, ms.
        damaging: It harms if left alone.
    """

    place: str
    sensor: str
    kind: Happens
    start: int
    until: int
    damaging: bool
