"""The plan: everything that a keeper set, in the engine's terms.

The shell compiles it from the config, turns local schedules into instants and
hands it in as an event. A plan is a value: two equal plans are one plan.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from rules.calendar import Calendar
from rules.reading import HOUR, MINUTE, Quantity
from rules.span import Range


class Priority(StrEnum):
    """How soon a person must act."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"

    @property
    def rank(self) -> int:
        """Order them: low 0, medium 1, high 2."""
        return _RANK[self]


_RANK = {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 2}


class PlaceKind(StrEnum):
    """What sort of place it is."""

    ROOM = "room"
    INCUBATOR = "incubator"
    BOX = "box"
    ENCLOSURE = "enclosure"
    OUTDOOR = "outdoor"
    COLD_STORE = "cold-store"


class Store(StrEnum):
    """What a cold store is for."""

    REFRIGERATOR = "refrigerator"
    FREEZER = "freezer"
    HIBERNATION = "hibernation"


class Stage(StrEnum):
    """Where its animals are in life."""

    INCUBATION = "incubation"
    HATCHING = "hatching"
    HATCHLING = "hatchling"
    JUVENILE = "juvenile"
    ADULT = "adult"
    COOLING = "cooling"


WATCH = "watch"
"""The place of the watch's own organs; no place of a keeper may have this name."""

ROOM_DAY = "day:room"
"""The calendar of the room's own day; every plan has it where the time is known."""


@dataclass(frozen=True, slots=True)
class SpotRange:
    """The range of one quantity at one spot of a place, by day and by night.

    Attributes:
        spot: Where in the place; "" holds for every spot that has no own entry.
        quantity: Temperature or humidity.
        day: The range by day, or None where nothing is judged by day.
        night: The range by night, or None.
        deadband: How far back inside a limit a value must come before its alarm may
            clear: K for temperature, percent for humidity.
    """

    spot: str
    quantity: Quantity
    day: Range | None
    night: Range | None
    deadband: float


def slow_side(store: Store | None) -> int:
    """Give the side on which harm comes slowly: -1 the cool one, in a cold store 1, the warm one."""
    return -1 if store is None else 1


@dataclass(frozen=True, slots=True)
class PlacePlan:
    """One place.

    Attributes:
        name: Unique in the room.
        kind: What sort of place.
        inside: The place that it stands in, or None.
        store: What a cold store is for, else None.
        species: Scientific name, or None.
        stage: Stage of its animals, or None.
        in_use: Out of use, nothing is judged there.
        calendar: Key of the calendar of its day; true is day.
        ranges: Its ranges by spot and quantity.
        hold_ideal: How long ideal must be left before the alarm (ms).
        hold_safe: How long safe must be left before the alarm (ms).
        hold_off: How long it must be right again before the alarm clears (ms).
        hold_slow: … safe on the side on which harm comes slowly (the cool and the dry one; in
            a cold store the warm one), or None: as ``hold_safe`` (ms).
        returning: While a curve comes back by itself these delays (ideal's, and safe's on the
            slow side) begin anew, for so long at most (ms).
        humid_ideal: … ideal of humidity, or None: as ``hold_ideal`` (ms).
        humid_safe: … safe of humidity, or None: as ``hold_safe`` (ms).
        settle: How long the wider of day and night counts after a change of period (ms).
        settling: How long ideal does not count when the place is new or changes (ms).
        egg_lag: Time constant of an egg in this place's air (ms), or None: no lag.
        advice: The keeper's own words for this place's alerts, or "".
    """

    name: str
    kind: PlaceKind
    inside: str | None = None
    store: Store | None = None
    species: str | None = None
    stage: Stage | None = None
    in_use: bool = True
    calendar: str = ROOM_DAY
    ranges: tuple[SpotRange, ...] = ()
    hold_ideal: int = 20 * MINUTE
    hold_safe: int = 2 * MINUTE
    hold_off: int = 5 * MINUTE
    hold_slow: int | None = None
    returning: int = 0
    humid_ideal: int | None = None
    humid_safe: int | None = None
    settle: int = HOUR
    settling: int = 2 * HOUR
    egg_lag: int | None = None
    advice: str = ""


class ContactKind(StrEnum):
    """What a two-state quantity tells of; true (1) is as it should be.

    The first three belong to a keeper's sensors. The rest are the watch's own
    links and organs, which speak through the same door.
    """

    LID = "lid"
    DOOR = "door"
    MAINS = "mains"
    READER = "reader"
    RECORDER = "recorder"
    DELIVERY = "delivery"
    DISK = "disk"
    CLOCK = "clock"
    SETTINGS = "settings"
    SUPPLY = "supply"
    CLUTCH = "clutch"


@dataclass(frozen=True, slots=True)
class Correction:
    """What turns a raw value into a true one: value = gain · raw + offset."""

    gain: float = 1.0
    offset: float = 0.0

    def apply(self, raw: float) -> float:
        """Correct ``raw``; NaN stays NaN. The result is rounded to 0.001."""
        return round(self.gain * raw + self.offset, 3)


@dataclass(frozen=True, slots=True)
class SensorPlan:
    """One sensor.

    Attributes:
        name: Unique in the room.
        place: Name of its place.
        spot: Where in the place: air, substrate, warm side, cool side, basking surface,
            water, or the keeper's word.
        quantities: What it reports.
        every: Its sign of life comes at least this often (ms).
        contact: What its contact tells of, or None.
        on_change: It reports on change: a reading stands until the next.
        silence: Silent when nothing came for this long while the watch listened (ms);
            0: never (a sensor that only comes from files, an organ of the watch).
        error: Its own error by quantity (K, percent), where known.
        corrections: The correction in force by quantity.
        reader: Name of the reader that it comes through ("mqtt", "1-wire", …).
        imported: It only comes from files: never silent, no alerts.
    """

    name: str
    place: str
    spot: str = "air"
    quantities: tuple[Quantity, ...] = (Quantity.TEMPERATURE,)
    every: int = 30_000
    contact: ContactKind | None = None
    on_change: bool = False
    silence: int = 10 * MINUTE
    error: Mapping[Quantity, float] = field(default_factory=dict)
    corrections: Mapping[Quantity, Correction] = field(default_factory=dict)
    reader: str = "mqtt"
    imported: bool = False


@dataclass(frozen=True, slots=True)
class ContactPlan:
    """A contact person with a way to reach them.

    Attributes:
        name: Unique in the room.
        priorities: The priorities that they are told of.
        quiet: Key of the calendar of their quiet hours (true: only high), or None.
        on_duty: Key of the calendar of their duty (true: on duty), or None: always.
        after: Told when an alarm is unacknowledged for this long (ms).
    """

    name: str
    priorities: frozenset[Priority] = frozenset(Priority)
    quiet: str | None = None
    on_duty: str | None = None
    after: int = 0


@dataclass(frozen=True, slots=True)
class Plan:
    """The settings as an event: from ``now`` on they are in force.

    Attributes:
        now: Room time, ms.
        places: Every place, in the order of the config.
        sensors: Every sensor, the watch's own organs included.
        contacts: Every contact, in the order of the config.
        calendars: Schedules by key. A key that is missing is a schedule whose state is
            not known (the clock is not trusted): then the wider of day and night counts,
            no hour is quiet and everybody is on duty.
    """

    now: int
    places: tuple[PlacePlan, ...] = ()
    sensors: tuple[SensorPlan, ...] = ()
    contacts: tuple[ContactPlan, ...] = ()
    calendars: Mapping[str, Calendar] = field(default_factory=dict)
