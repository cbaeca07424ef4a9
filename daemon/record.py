"""What passes between the judge and the logbook: values only.

The judge makes a :class:`Batch` for each round; the recorder commits batches in
order; page, commands and uplink read the same values back.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from rules.events import AlarmKey
from rules.plan import Priority
from rules.reading import Quality, Quantity

Json = None | bool | int | float | str | list["Json"] | dict[str, "Json"]
"""What a journal entry may hold."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One reading as it is recorded: the raw value is the record.

    Attributes:
        sensor: The sensor's name.
        quantity: What was measured; derived quantities are never recorded.
        raw: The value before correction, rounded to 0.001; NaN where there is none.
        at: The instant that it stands for, room time in ms (the stored grain).
        now: Room time in ms of the judge's round.
        quality: Grade and reason.
        stamp: The device's own stamp as sent (Unix ms), or None.
        counter: The device's own counter, or None.
        row: Row number in the logbook once it has one.
        note: What the reader has to say, or "".
    """

    sensor: str
    quantity: Quantity
    raw: float
    at: int
    now: int
    quality: Quality = Quality.GOOD
    stamp: int | None = None
    counter: int | None = None
    row: int | None = None
    note: str = ""


class Kind(StrEnum):
    """What a journal entry tells of."""

    START = "start"
    STOP = "stop"
    AWAY = "away"
    CLOCK = "clock"
    SETTINGS = "settings"
    PLAN = "plan"
    ORDER = "order"
    RAISED = "raised"
    CHANGED = "changed"
    CLEARED = "cleared"
    TOLD = "told"
    DELIVERED = "delivered"
    REFUSED = "refused"
    GAP = "gap"
    REJECTED = "rejected"
    NOT_RECORDED = "not recorded"
    REOPENED = "reopened"
    DELETED = "deleted"
    RESTORED = "restored"
    BACKUP = "backup"
    IMPORTED = "imported"
    EGG_LOG = "egg log"
    NOTE = "note"
    TEST = "test"


@dataclass(frozen=True, slots=True)
class Entered:
    """One line of the journal: append only.

    Attributes:
        now: Room time, ms.
        kind: What it tells of.
        body: The rest, as plain JSON values; instants in it are room time.
        row: Its number once it has one.
    """

    now: int
    kind: Kind
    body: Mapping[str, Json]
    row: int | None = None


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """One alarm through its life, as the logbook shows it (a projection of the journal).

    Instants are room time in ms; ``words`` is the reason as last said, rendered.
    """

    number: int
    key: AlarmKey
    priority: Priority
    since: int
    raised: int
    acknowledged: int | None = None
    acknowledged_by: str = ""
    cleared: int | None = None
    shelved_until: int | None = None
    cause: int | None = None
    alerted: int | None = None
    words: str = ""
    advice: str = ""
    label: str = ""
    sensors: tuple[str, ...] = ()
    value: float | None = None
    imported: bool = False


@dataclass(frozen=True, slots=True)
class Alert:
    """One message in the outbox, to one contact.

    Attributes:
        id: Its number in the outbox, given by the logbook (None before that).
        now: Room time at which it was decided.
        contact: Name of the contact.
        priority: Highest of what it tells.
        title: First line, short.
        text: The whole message, plain text.
        alarms: Numbers of the alarms in it.
        tone: Why it is said (``rules.events.Tone`` value, or "report", "test").
        tries: How often it was tried.
        next_try: Not before this room time.
        done: Room time at which it was delivered or given up, or None.
        outcome: Last outcome in words, or "".
    """

    id: int | None
    now: int
    contact: str
    priority: Priority
    title: str
    text: str
    alarms: tuple[int, ...] = ()
    tone: str = "raised"
    tries: int = 0
    next_try: int = 0
    done: int | None = None
    outcome: str = ""


@dataclass(frozen=True, slots=True)
class Asked:
    """An order as page or command wrote it, waiting to be taken by the watch.

    Attributes:
        id: Its number, given by the logbook.
        wall: Unix ms when it was written.
        by: Who.
        source: From where ("command", "page 192.0.2.7").
        body: Verb and its parts (see ``daemon/orders.py``).
        taken: Room time at which the watch took it, or None.
        answer: What the watch said to it, or "".
    """

    id: int
    wall: int
    by: str
    source: str
    body: Mapping[str, Json]
    taken: int | None = None
    answer: str = ""


@dataclass(frozen=True, slots=True)
class Batch:
    """Everything of one round that must be on the card together.

    Attributes:
        now: Room time of the round, ms.
        entries: Readings in the order in which the engine judged them.
        journal: Journal entries in order.
        alarms: Alarm rows as they are after the round (insert or replace by number).
        alerts: New messages for the outbox.
        delivered: Outbox rows whose state changed (matched by id).
        answers: Orders taken in this round: (id, room time, answer).
        shown: Derived values and forecasts by "place/spot/quantity/sensor", to show.
        urgent: An alarm changed: commit at once.
    """

    now: int
    entries: tuple[Entry, ...] = ()
    journal: tuple[Entered, ...] = ()
    alarms: tuple[AlarmRow, ...] = ()
    alerts: tuple[Alert, ...] = ()
    delivered: tuple[Alert, ...] = ()
    answers: tuple[tuple[int, int, str], ...] = ()
    shown: Mapping[str, Json] = field(default_factory=dict)
    urgent: bool = False
