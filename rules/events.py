"""What the engine is told, and what it answers.

Events go in through ``Engine.step``; effects are its only answer. All are
values; ``now`` is room time in ms and never steps back from event to event.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from rules.plan import Plan, Priority
from rules.reading import Quantity, Reading
from rules.words import Sentence


class AlarmKey(NamedTuple):
    """Who an alarm is: one thing that can be wrong.

    Attributes:
        place: Name of the place.
        spot: Where in it.
        subject: The quantity, or the sensor's name where the sensor itself is wrong.
        rule: The rule's name in a keeper's words ("too warm", "silent").
    """

    place: str
    spot: str
    subject: str
    rule: str


class Verb(StrEnum):
    """What a keeper can order the engine to do."""

    ACKNOWLEDGE = "acknowledge"
    TAKE_BACK = "take back"
    """Undo an acknowledgement."""
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    OUT_OF_SERVICE = "out of service"
    IN_SERVICE = "in service"


@dataclass(frozen=True, slots=True)
class Tick:
    """Time has passed; nothing else happened."""

    now: int


@dataclass(frozen=True, slots=True)
class Away:
    """The watch did not run from ``since`` to ``now``."""

    since: int
    now: int


@dataclass(frozen=True, slots=True)
class Order:
    """What a keeper told the watch.

    Attributes:
        now: Room time, ms.
        by: Who.
        verb: What to do.
        alarm: The alarm that it is about, or None where it is about a place.
        raised: The instant at which that alarm was raised: an order never hits a later
            alarm of the same identity.
        place: The place that it is about, or "".
        until: End of shelving, room time, or None.
    """

    now: int
    by: str
    verb: Verb
    alarm: AlarmKey | None = None
    raised: int | None = None
    place: str = ""
    until: int | None = None


Event = Reading | Tick | Order | Plan | Away
"""Everything that can be told to the engine."""


@dataclass(frozen=True, slots=True)
class Raised:
    """An alarm begins.

    Attributes:
        now: The instant at which it became due.
        alarm: Who it is.
        priority: How soon a person must act.
        since: When the trouble itself began.
        value: The value at ``now`` (°C, percent), or None.
        reason: What is wrong, with numbers.
        advice: What to try, or ().
        sensors: The sensors that hold it.
        cause: The wider alarm that explains it (then it is suppressed), or None.
    """

    now: int
    alarm: AlarmKey
    priority: Priority
    since: int
    value: float | None
    reason: Sentence
    advice: Sentence = ()
    sensors: tuple[str, ...] = ()
    cause: AlarmKey | None = None


class Change(StrEnum):
    """What changed in the life of an alarm."""

    WORSE = "worse"
    ACKNOWLEDGED = "acknowledged"
    TAKEN_BACK = "acknowledgement taken back"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed"
    UNSUPPRESSED = "unsuppressed"
    SAID_ANEW = "said anew"
    OUT_OF_SERVICE = "out of service"


@dataclass(frozen=True, slots=True)
class Changed:
    """An open alarm changes.

    Attributes:
        now: The instant.
        alarm: Who it is.
        raised: When it was raised.
        change: What changed.
        priority: Its priority now.
        by: Who did it, or "" where the engine did.
        until: End of shelving, or None.
        reason: What is wrong now, with numbers, or () where nothing new is said.
        advice: What to try, or ().
        cause: The wider alarm that explains it, where it is suppressed.
        value: The value now where something new is said, or None.
    """

    now: int
    alarm: AlarmKey
    raised: int
    change: Change
    priority: Priority
    by: str = ""
    until: int | None = None
    reason: Sentence = ()
    advice: Sentence = ()
    cause: AlarmKey | None = None
    value: float | None = None


@dataclass(frozen=True, slots=True)
class Cleared:
    """An alarm ends.

    Attributes:
        now: The instant.
        alarm: Who it was.
        raised: When it was raised.
        priority: Its priority at the end.
        reason: Why it ended.
        value: The value at ``now``, or None.
    """

    now: int
    alarm: AlarmKey
    raised: int
    priority: Priority
    reason: Sentence
    value: float | None = None


class Tone(StrEnum):
    """Why a contact is spoken to."""

    RAISED = "raised"
    WORSE = "worse"
    REPEAT = "repeat"
    ESCALATION = "escalation"
    RIGHT_AGAIN = "right again"


@dataclass(frozen=True, slots=True)
class Told:
    """One alarm as a part of a message.

    Attributes:
        alarm: Who it is.
        raised: When it was raised.
        priority: Its priority when this was decided.
        tone: Why it is said.
        explains: The open alarms that it explains (one cause, one message).
    """

    alarm: AlarmKey
    raised: int
    priority: Priority
    tone: Tone
    explains: tuple[AlarmKey, ...] = ()


@dataclass(frozen=True, slots=True)
class Notice:
    """One message to one contact; the shell puts it into words and delivers it.

    Attributes:
        now: The instant at which it became due.
        contact: Name of the contact.
        priority: The highest of what is told.
        told: What is told, gravest first.
    """

    now: int
    contact: str
    priority: Priority
    told: tuple[Told, ...]


@dataclass(frozen=True, slots=True)
class Shown:
    """A derived value or a forecast, for the page. Never an alarm.

    Attributes:
        now: The instant.
        place: Name of the place.
        spot: Where in it.
        quantity: What it is.
        sensor: The sensor that it was derived from.
        value: °C, kPa, g/m³ or percent; NaN where it is not known.
        detail: Named numbers (a forecast's early, expected and late instants in ms, the
            limit in °C), empty where there are none.
    """

    now: int
    place: str
    spot: str
    quantity: Quantity
    sensor: str
    value: float
    detail: tuple[tuple[str, float], ...] = ()


Effect = Raised | Changed | Cleared | Notice | Shown
"""Everything that the engine can answer."""
