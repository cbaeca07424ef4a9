"""The ledger: what the engine answers becomes journal, alarm rows and alerts.

It gives alarms their numbers (out of blocks that the logbook set aside, so that none
is used twice even if a commit fails) and keeps the rows of open and lately closed
alarms, so that a message can be put into words. The judge's thread owns it.
"""

from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace

from daemon.alerting import Facts, worded
from daemon.record import AlarmRow, Alert, Entered, Json, Kind
from daemon.texts import Speaker
from rules.events import AlarmKey, Change, Changed, Cleared, Effect, Notice, Raised, Shown
from rules.reading import Quantity
from rules.snapshot import sentence_state
from rules.words import Sentence

CLOSED_KEPT = 200
"""So many closed alarms are remembered for messages that come after them."""


@dataclass(slots=True)
class Page:
    """What one round writes.

    Attributes:
        journal: Journal entries in order.
        alarms: Changed alarm rows by number.
        alerts: New messages.
        shown: Derived values and forecasts.
    """

    journal: list[Entered] = field(default_factory=list)
    alarms: dict[int, AlarmRow] = field(default_factory=dict)
    alerts: list[Alert] = field(default_factory=list)
    shown: dict[str, Json] = field(default_factory=dict)


@dataclass(slots=True)
class Held:
    """One alarm as the ledger keeps it: its row and what it says, unrendered."""

    row: AlarmRow
    reason: Sentence
    advice: Sentence
    ended: Sentence = ()


class Ledger:
    """Numbers, rows and words of alarms. Owned by the judge's thread.

    Args:
        numbers: Gives the next alarm number.
        speaker: Gives the way of speaking as of an instant.
        address: The page's address for links, or "".
        imported: The alarms are those of imported nights: nothing is sent.
    """

    def __init__(
        self,
        numbers: Iterator[int],
        speaker: Callable[[int], Speaker],
        *,
        address: str = "",
        imported: bool = False,
    ) -> None:
        """Begin with no alarm known."""
        self._numbers = numbers
        self._speaker = speaker
        self._imported = imported
        self.address = address
        self._open: dict[AlarmKey, Held] = {}
        self._closed: OrderedDict[tuple[AlarmKey, int], Held] = OrderedDict()

    # -- after a restart ---------------------------------------------------------

    def adopt(self, row: AlarmRow, reason: Sentence, advice: Sentence) -> None:
        """Go on with an alarm that the journal holds open."""
        self._open[row.key] = Held(row, reason, advice)

    def recall(self, row: AlarmRow) -> None:
        """Remember an alarm that had ended before the restart: an alert of it still waits."""
        self._closed[(row.key, row.raised)] = Held(row, (), ())

    def open_rows(self) -> tuple[AlarmRow, ...]:
        """Give the rows of the open alarms."""
        return tuple(held.row for held in self._open.values())

    def row(self, number: int) -> AlarmRow | None:
        """Give the row of an open or lately closed alarm by its number."""
        every = (*self._open.values(), *self._closed.values())
        return next((held.row for held in every if held.row.number == number), None)

    def ended(self, number: int) -> int | None:
        """Give when an alarm ended, or None while it is open or not known any more."""
        row = self.row(number)
        return row.cleared if row else None

    # -- writing --------------------------------------------------------------------

    def write(self, effects: Iterable[Effect], page: Page) -> None:
        """Write what the engine answered onto a page."""
        for effect in effects:
            if isinstance(effect, Raised):
                self._raised(effect, page)
            elif isinstance(effect, Changed):
                self._changed(effect, page)
            elif isinstance(effect, Cleared):
                self._cleared(effect, page)
            elif isinstance(effect, Notice):
                self._told(effect, page)
            else:
                self._shown(effect, page)

    def _raised(self, effect: Raised, page: Page) -> None:
        speak = self._speaker(effect.now)
        row = AlarmRow(
            number=next(self._numbers),
            key=effect.alarm,
            priority=effect.priority,
            since=effect.since,
            raised=effect.now,
            cause=self._number_of(effect.cause),
            words=speak.say(effect.reason),
            advice=speak.say(effect.advice),
            sensors=effect.sensors,
            value=effect.value,
            imported=self._imported,
        )
        self._open[effect.alarm] = Held(row, effect.reason, effect.advice)
        body: dict[str, Json] = {
            "since": effect.since,
            "value": effect.value,
            "reason": sentence_state(effect.reason),
            "advice": sentence_state(effect.advice),
            "sensors": list(effect.sensors),
        }
        self._enter(Kind.RAISED, effect.now, row, body, page)

    def _changed(self, effect: Changed, page: Page) -> None:
        held = self._open.get(effect.alarm)
        if held is None:
            return
        row = replace(held.row, priority=effect.priority, cause=self._number_of(effect.cause))
        if effect.reason:
            held.reason = effect.reason
            row = replace(row, words=self._speaker(effect.now).say(effect.reason))
            row = row if effect.value is None else replace(row, value=effect.value)
        if effect.advice:
            held.advice = effect.advice
            row = replace(row, advice=self._speaker(effect.now).say(effect.advice))
        held.row = _after_change(row, effect)
        body: dict[str, Json] = {"change": effect.change.value, "by": effect.by, "until": effect.until}
        if effect.reason:
            body["reason"] = sentence_state(effect.reason)
        self._enter(Kind.CHANGED, effect.now, held.row, body, page)

    def _cleared(self, effect: Cleared, page: Page) -> None:
        held = self._open.pop(effect.alarm, None)
        if held is None:
            return
        held.row = replace(held.row, cleared=effect.now, value=effect.value, priority=effect.priority)
        held.ended = effect.reason
        self._closed[(effect.alarm, effect.raised)] = held
        while len(self._closed) > CLOSED_KEPT:
            self._closed.popitem(last=False)
        body: dict[str, Json] = {
            "reason": sentence_state(effect.reason),
            "words": self._speaker(effect.now).say(effect.reason),
        }
        self._enter(Kind.CLEARED, effect.now, held.row, body, page)

    def _told(self, effect: Notice, page: Page) -> None:
        alert = worded(effect, self._facts, self._speaker(effect.now), self.address)
        page.alerts.append(alert)
        for told in effect.told:
            held = self._held(told.alarm, told.raised)
            if held is not None and held.row.alerted is None:
                held.row = replace(held.row, alerted=effect.now)
                page.alarms[held.row.number] = held.row
        body: dict[str, Json] = {
            "contact": effect.contact,
            "priority": effect.priority.value,
            "alarms": list(alert.alarms),
            "tones": [told.tone.value for told in effect.told],
            "title": alert.title,
        }
        page.journal.append(Entered(effect.now, Kind.TOLD, body))

    def _shown(self, effect: Shown, page: Page) -> None:
        name = f"{effect.place}/{effect.spot}/{effect.quantity.value}/{effect.sensor}"
        value = None if effect.value != effect.value else effect.value
        page.shown[name] = {"now": effect.now, "value": value, **dict(effect.detail)}

    def label(self, row: AlarmRow, page: Page) -> None:
        """Take a row that people changed (a label): the book and the page have it."""
        for held in (*self._open.values(), *self._closed.values()):
            if held.row.number == row.number:
                held.row = row
        page.alarms[row.number] = row

    def _enter(self, kind: Kind, now: int, row: AlarmRow, body: dict[str, Json], page: Page) -> None:
        whole: dict[str, Json] = {
            "number": row.number,
            "alarm": list(row.key),
            "raised": row.raised,
            "priority": row.priority.value,
            "cause": row.cause,
            **body,
        }
        page.journal.append(Entered(now, kind, whole))
        page.alarms[row.number] = row

    # -- looking up --------------------------------------------------------------------

    def _number_of(self, key: AlarmKey | None) -> int | None:
        held = self._open.get(key) if key else None
        return held.row.number if held else None

    def _held(self, key: AlarmKey, raised: int | None) -> Held | None:
        held = self._open.get(key)
        if held is not None and raised in (None, held.row.raised):
            return held
        return self._closed.get((key, raised)) if raised is not None else None

    def _facts(self, key: AlarmKey, raised: int | None) -> Facts | None:
        held = self._held(key, raised)
        if held is None:
            return None
        row = held.row
        quantity = Quantity(key.subject) if key.subject in _QUANTITIES else None
        return Facts(
            row.number,
            key,
            row.priority,
            row.since,
            held.reason,
            held.advice,
            row.value,
            quantity,
            cleared=row.cleared,
            ended=held.ended,
        )


_QUANTITIES = frozenset(quantity.value for quantity in Quantity)


def _after_change(row: AlarmRow, effect: Changed) -> AlarmRow:
    """Give a row as it is after what people or time did to its alarm."""
    change = effect.change
    if change is Change.ACKNOWLEDGED:
        return replace(row, acknowledged=effect.now, acknowledged_by=effect.by)
    if change in (Change.WORSE, Change.TAKEN_BACK):
        return replace(row, acknowledged=None, acknowledged_by="")
    if change is Change.SHELVED:
        return replace(row, shelved_until=effect.until)
    if change is Change.UNSHELVED:
        return replace(row, shelved_until=None)
    return row
