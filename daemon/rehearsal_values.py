"""What a rehearsal is about and what it finds: values only."""

from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from daemon.night import Window
from daemon.settings import Loaded
from rules.events import AlarmKey
from rules.plan import Priority
from rules.reading import Quantity
from rules.words import Sentence

AT_LEAST = 1_000
"""Alarms whose instants differ by less are the same in time (ms)."""


@dataclass(frozen=True, slots=True)
class Task:
    """What one process judges.

    Attributes:
        loaded: The settings to judge by.
        folder: Folder of the logbook.
        window: The nights that count; what lies before them only warms up.
        orders: Orders of those nights are given again.
        unheard: Sensors that have no record and are new in these settings: their silence
            says nothing.
        yardstick: Measure trouble too.
        as_it_was: Judge by the settings that were in force then, not by ``loaded``; only
            where the journal does not hold them any more (and for nights out of files)
            ``loaded`` counts.
        places: Judge only these places, and what they stand in; None: all.
    """

    loaded: Loaded
    folder: Path
    window: Window
    orders: bool = True
    unheard: frozenset[str] = frozenset()
    yardstick: bool = False
    as_it_was: bool = False
    places: frozenset[str] | None = None


@dataclass(frozen=True, slots=True)
class Life:
    """One alarm as an engine judged it. Instants are room time, ms.

    Attributes:
        key: Who it is.
        raised: When it was raised.
        since: When the trouble began.
        cleared: When it cleared, or None: still open at the end.
        priority: The highest that it had.
        value: The value when it was raised or got worse, or None.
        reason: What was wrong, as said then.
        sensors: The sensors that held it.
        cause: The wider alarm that explained it when it was raised, or None.
        told: When a contact first heard of it, or None.
        imported: It is about readings that came out of a file.
    """

    key: AlarmKey
    raised: int
    since: int
    cleared: int | None
    priority: Priority
    value: float | None = None
    reason: Sentence = ()
    sensors: tuple[str, ...] = ()
    cause: AlarmKey | None = None
    told: int | None = None
    imported: bool = False

    def overlaps(self, other: "Life") -> bool:
        """Tell whether two alarms are open at one instant."""
        return _before(self.raised, other.cleared) and _before(other.raised, self.cleared)


def _before(instant: int, end: int | None) -> bool:
    return end is None or instant < end


@dataclass(frozen=True, slots=True)
class Message:
    """One alert to one contact: when, to whom, whether at night."""

    now: int
    contact: str
    priority: Priority
    by_night: bool


@dataclass(frozen=True, slots=True)
class Trouble:
    """A stretch outside safe at one spot, in covered time."""

    place: str
    spot: str
    quantity: Quantity
    sensor: str
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Judged:
    """What one engine found in the window.

    Attributes:
        alarms: Those whose life touches the window, in order of raising.
        messages: The alerts that it would have sent.
        readings: How many readings of the window were judged.
        trouble: Where safe was left, by these settings; () where it was not measured.
    """

    alarms: tuple[Life, ...] = ()
    messages: tuple[Message, ...] = ()
    readings: int = 0
    trouble: tuple[Trouble, ...] = ()


class What(StrEnum):
    """What becomes of an alarm under the proposed settings."""

    VANISHED = "vanished"
    APPEARED = "appeared"
    EARLIER = "earlier"
    LATER = "later"
    OTHERWISE = "otherwise"
    """At the same time, at another priority."""


@dataclass(frozen=True, slots=True)
class AlarmChange:
    """One alarm that the proposed settings change.

    Attributes:
        what: What becomes of it.
        current: As the current settings judge it, or None where they do not raise it.
        proposed: As the proposed ones do, or None.
        number: Its number in the journal, where it was raised in those nights, or None.
        label: What a keeper said of it ("real", "nuisance", "known work"), or "".
    """

    what: What
    current: Life | None
    proposed: Life | None
    number: int | None = None
    label: str = ""

    @property
    def life(self) -> Life:
        """The current one, else the proposed one."""
        life = self.current or self.proposed
        if life is None:
            raise ValueError("a change without an alarm")
        return life

    @property
    def later_by(self) -> int:
        """How much later it comes (ms); below zero: earlier; 0 where there is only one."""
        if self.current is None or self.proposed is None:
            return 0
        return self.proposed.raised - self.current.raised


@dataclass(frozen=True, slots=True)
class Load:
    """How much some settings have to say in the window.

    Attributes:
        alarms: Alarms that were raised in it.
        alarms_a_day: The same for 24 hours.
        alerts: Messages to contacts.
        alerts_a_day: The same for 24 hours.
        alerts_at_night: Messages in the night of the room.
        most_in_ten_minutes: Alarms in the fullest ten minutes.
        unseen: How long safe was left without an open alarm about it (ms); safe as the
            current settings have it, for both.
    """

    alarms: int
    alarms_a_day: float
    alerts: int
    alerts_a_day: float
    alerts_at_night: int
    most_in_ten_minutes: int
    unseen: int


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What :func:`daemon.rehearsal.rehearse` finds.

    Attributes:
        window: The nights that were judged.
        current: As the current settings judge them.
        proposed: As the proposed ones do.
        changes: Changed alarms, in order of time.
        load: (current, proposed).
        orders: Orders of those nights were given again.
    """

    window: Window
    current: Judged
    proposed: Judged
    load: tuple[Load, Load]
    changes: tuple[AlarmChange, ...] = field(default=())
    orders: bool = True

    def by(self, what: What) -> tuple[AlarmChange, ...]:
        """Give the changes of one sort."""
        return tuple(change for change in self.changes if change.what is what)
