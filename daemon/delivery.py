"""Bring alerts to their contacts: what is due, what failed, what goes together.

The parent's side. One thread of the watch owns it and calls :meth:`Delivery.poll` on
its tick; nothing here waits. Sending is done by couriers (:mod:`daemon.errand`), so a
phone service that hangs, crashes or eats memory takes nothing with it.

Theory of operation. Each contact is a line of waiting alerts of its own; at most one
courier at a time carries for it, so a dead contact delays nobody. At least once: an
alert leaves the line only when a service took it (or its contact left the config). An
attempt that may have arrived although it failed counts against "at most 3 in any hour";
one that surely has not (no connection) does not. When a contact that failed is tried
again, all that waits goes as one message, gravest first, and what is right again
meanwhile shrinks to a line.
"""

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from daemon.alerting import REPORT, TEST, grouped
from daemon.courier import Outcome, Parcel, Result
from daemon.errand import Errand, Start
from daemon.record import Alert
from daemon.texts import lasting
from rules.plan import ContactKind
from rules.reading import HOUR, MINUTE
from sensors.reader import Arrival, Boottime, says

UNSENT_WAITS = tuple(minutes * MINUTE for minutes in (1, 2, 5, 10, 20))
"""Wait after the n-th failure of a contact, where nothing was sent (ms); the last repeats."""

MAYBE_WAITS = tuple(minutes * MINUTE for minutes in (1, 2, 57, 20))
"""Wait after the n-th attempt with an alert that may have arrived (ms): with these no
hour ever holds more than three, also across a restart."""

PER_HOUR = 3
"""Attempts with one alert in any hour that may have arrived."""

ALONE_WAIT = MINUTE
"""Longest wait while no contact at all can be reached (ms)."""

FAILING_TRIES = 3
"""Failures in a row after which a contact counts as failing."""

FAILING_FOR = 5 * MINUTE
"""Time since the first failure in a row after which it does (ms)."""

COURIERS = 3
"""Most couriers at a time: each needs up to 56 MiB. The last is kept for contacts that work."""

NOT_NEWS = {REPORT: 20 * HOUR, TEST: HOUR}
"""After this a report or a test is given up: the next one says it better (ms)."""

_REMEMBERED = 2_000
_UNSENT = frozenset({Outcome.UNREACHABLE, Outcome.NO_TARGET})

Reach = Callable[[], str]
"""Gives a contact's address, a secret; asked anew for each attempt."""

Ended = Callable[[int], int | None]
"""Gives when the alarm of a number ended (room time, ms), or None while it is open."""

_Key = tuple[str, int, str, tuple[int, ...], str]


@dataclass(slots=True)
class _Waiting:
    """One alert in the line of its contact.

    Attributes:
        alert: As it stands now.
        maybes: Attempts that may have arrived, those of an earlier process included.
        recent: Room time of the last three of them that this process made.
    """

    alert: Alert
    maybes: int = 0
    recent: tuple[int, ...] = ()

    def spent(self, now: int) -> bool:
        """Tell whether this hour has seen as many attempts as may be."""
        return len([at for at in self.recent if at > now - HOUR]) >= PER_HOUR


@dataclass(slots=True)
class _Line:
    """One contact.

    Attributes:
        waiting: Its alerts by key, in order of arrival.
        carried: Keys of what a courier carries for it now.
        attempted: Room time of the last attempt, or None before the first.
        failures: Failures in a row.
        since: Room time of the first of them.
        failing: Whether it has been called failing.
        note: Why it failed last.
        proven: Whether this process has reached it: an alarm about it may be open from before.
    """

    waiting: dict[_Key, _Waiting] = field(default_factory=dict)
    carried: tuple[_Key, ...] = ()
    attempted: int | None = None
    failures: int = 0
    since: int = 0
    failing: bool = False
    note: str = ""
    proven: bool = False

    def hurry(self, now: int) -> None:
        """The contact can be reached: what surely has not arrived need not wait any longer."""
        unsent = tuple(outcome.value for outcome in _UNSENT)
        for item in self.waiting.values():
            if item.alert.next_try > now and item.alert.outcome.startswith(unsent):
                item.alert = replace(item.alert, next_try=now)

    def ranked(self) -> list[tuple[_Key, _Waiting]]:
        """Give what waits, gravest first and the oldest of them first."""
        return sorted(
            self.waiting.items(), key=lambda pair: (-pair[1].alert.priority.rank, pair[1].alert.now)
        )


@dataclass(frozen=True, slots=True)
class Hooks:
    """What delivery asks of the rest of the watch; each must answer in milliseconds.

    Attributes:
        start: Starts a courier, or None for the real one.
        ended: Tells whether an alarm has ended meanwhile.
        picture: Gives the PNG (base64) that goes with an alert, or "".
    """

    start: Start | None = None
    ended: Ended = lambda _: None
    picture: Callable[[Alert], str] = lambda _: ""


class Delivery:
    """All contacts' lines. Lives as long as the watch; one thread owns it.

    Args:
        reach: Address of each contact, by name.
        clock: Room time, ms.
        boottime: The boot-time clock, ms: for the couriers' deadlines and arrivals.
        hooks: What it asks of the rest of the watch.
    """

    def __init__(
        self,
        reach: Mapping[str, Reach],
        clock: Callable[[], int],
        boottime: Boottime,
        hooks: Hooks = Hooks(),
    ) -> None:
        self._reach = dict(reach)
        self._clock = clock
        self._boottime = boottime
        self._hooks = hooks
        self._start = hooks.start or (lambda parcels: Errand(parcels, boottime))
        self._lines: dict[str, _Line] = {name: _Line() for name in reach}
        self._errands: list[Errand] = []
        self._settled: dict[_Key, Alert] = {}
        self._outcomes: list[Alert] = []
        self._said: list[Arrival] = []

    def offer(self, alerts: Iterable[Alert]) -> None:
        """Take alerts that wait. The same one may be offered any number of times.

        One that was offered from memory (``id`` None) and comes again with its number
        is the same; if it is delivered already, its outcome is given again with the number.
        """
        for alert in alerts:
            if alert.done is not None:
                continue
            key = _key(alert)
            if (known := self._settled.get(key)) is not None:
                self._offered_again(key, known, alert)
                continue
            line = self._lines.setdefault(alert.contact, _Line())
            waiting = line.waiting.setdefault(key, _Waiting(alert, maybes=alert.tries))
            if waiting.alert.id is None and alert.id is not None:
                waiting.alert = replace(waiting.alert, id=alert.id)

    def replan(self, reach: Mapping[str, Reach]) -> None:
        """Take other settings: what waits for a contact that is gone is given up, and said."""
        self._reach = dict(reach)
        for name in reach:
            self._lines.setdefault(name, _Line())

    def poll(self) -> tuple[Alert, ...]:
        """Hear the couriers, send what is due; give every alert whose state changed."""
        now = self._clock()
        self._hear(now)
        for name, line in self._lines.items():
            self._drop_old(name, line, now)
        due = [name for name, line in self._lines.items() if self._chosen(name, line, now)]
        ailing = [name for name in due if self._lines[name].failures]
        self._send([name for name in due if name not in ailing], COURIERS, now)
        self._send(ailing, COURIERS - 1, now)
        return self._given()

    def says(self) -> list[Arrival]:
        """Give what is to be put into the inbox: a contact began to fail, or works again."""
        said, self._said = self._said, []
        return said

    @property
    def all_silent(self) -> bool:
        """Tell whether no contact can be reached: every one that was tried fails, and one was."""
        tried = [
            line for name, line in self._lines.items() if line.attempted is not None and name in self._reach
        ]
        return bool(tried) and all(line.failing for line in tried)

    @property
    def failing(self) -> dict[str, str]:
        """Give the contacts that fail, with the reason."""
        return {name: line.note for name, line in self._lines.items() if line.failing and name in self._reach}

    @property
    def waiting(self) -> tuple[Alert, ...]:
        """Give what waits, in no order."""
        return tuple(item.alert for line in self._lines.values() for item in line.waiting.values())

    @property
    def busy(self) -> bool:
        """Tell whether a courier is on its way."""
        return bool(self._errands)

    def stop(self, within: float = 0.0) -> tuple[Alert, ...]:
        """End every courier; what had no answer stays waiting.

        Args:
            within: How long couriers on their way may still take (s).

        Returns:
            The alerts whose state changed.
        """
        ends = time.monotonic() + within
        while self._errands and time.monotonic() < ends:
            self._hear(self._clock())
            time.sleep(0.02)
        now = self._clock()
        for errand in self._errands:
            self._take(errand.end(), now)
            self._lost(errand, now, "the watch stopped before the answer")
        self._errands.clear()
        return self._given()

    def _given(self) -> tuple[Alert, ...]:
        outcomes, self._outcomes = tuple(self._outcomes), []
        return outcomes

    def _offered_again(self, key: _Key, known: Alert, alert: Alert) -> None:
        if known.id is None and alert.id is not None:
            self._settled[key] = replace(known, id=alert.id)
            self._outcomes.append(self._settled[key])
        elif known.id is not None:
            self._outcomes.append(known)

    def _hear(self, now: int) -> None:
        """Take what the couriers have said; one that ended without a word may have sent."""
        for errand in list(self._errands):
            self._take(errand.poll(), now)
            if errand.ended:
                self._lost(errand, now, "the courier ended without an answer")
                self._errands.remove(errand)

    def _lost(self, errand: Errand, now: int, words: str) -> None:
        self._take([Result(left, Outcome.ANSWER_LOST, words) for left in sorted(errand.open)], now)

    def _take(self, results: Iterable[Result], now: int) -> None:
        """Write outcomes; a parcel is named after its contact, which has one on its way at most."""
        for result in results:
            name = result.id
            line = self._lines[name]
            self._settle(line, result, now)
            self._judge(name, line, result, now)

    def _settle(self, line: _Line, result: Result, now: int) -> None:
        """Write one outcome into every alert that the message carried."""
        words = f"{result.outcome.value}: {result.words}" if result.words else result.outcome.value
        carried, line.carried = line.carried, ()
        for key in carried:
            item = line.waiting[key]
            alert = replace(item.alert, tries=item.alert.tries + 1, outcome=words)
            if result.outcome is Outcome.ACCEPTED:
                self._done(line, key, replace(alert, done=now))
                continue
            if result.outcome not in _UNSENT:
                item.maybes += 1
                item.recent = (*item.recent[1 - PER_HOUR :], now)
            item.alert = replace(alert, next_try=now + self._wait(line, item, result.outcome))
            self._outcomes.append(item.alert)

    def _wait(self, line: _Line, item: _Waiting, outcome: Outcome) -> int:
        """How long an alert waits after a failure (ms)."""
        if outcome in _UNSENT:
            return UNSENT_WAITS[min(line.failures, len(UNSENT_WAITS) - 1)]
        return MAYBE_WAITS[min(item.maybes, len(MAYBE_WAITS)) - 1]

    def _judge(self, name: str, line: _Line, result: Result, now: int) -> None:
        """Say when a contact begins to fail and when it works again."""
        if result.outcome is Outcome.ACCEPTED:
            if line.failing or not line.proven:
                self._say(name, well=True, note="it can be reached")
            line.proven = True
            line.failures, line.failing, line.note = 0, False, ""
            line.hurry(now)
            return
        line.since = line.since if line.failures else now
        line.failures += 1
        line.note = f"{result.outcome.value}, {result.words}" if result.words else result.outcome.value
        lasts = line.failures >= FAILING_TRIES or now - line.since >= FAILING_FOR
        if not line.failing and (lasts or result.outcome is Outcome.NO_TARGET):
            line.failing = True
            self._say(name, well=False, note=line.note)

    def _say(self, name: str, *, well: bool, note: str) -> None:
        self._said.append(
            says(ContactKind.DELIVERY.value, name, well=well, arrived=self._boottime(), note=note)
        )

    def _drop_old(self, name: str, line: _Line, now: int) -> None:
        """Give up what nobody can get any more, and say so in the outcome."""
        for key, item in list(line.waiting.items()):
            if key in line.carried:
                continue
            limit = NOT_NEWS.get(item.alert.tone)
            if name not in self._reach:
                self._done(
                    line,
                    key,
                    replace(item.alert, done=now, outcome="given up: no such contact in the config"),
                )
            elif limit is not None and now - item.alert.now > limit:
                words = f"given up after {lasting(limit)}: {item.alert.outcome or 'never sent'}"
                self._done(line, key, replace(item.alert, done=now, outcome=words))

    def _done(self, line: _Line, key: _Key, alert: Alert) -> None:
        """Take an alert out of its line and remember that it is settled."""
        line.waiting.pop(key, None)
        self._settled[key] = alert
        while len(self._settled) > _REMEMBERED:
            self._settled.pop(next(iter(self._settled)))
        self._outcomes.append(alert)

    def _send(self, names: Sequence[str], most: int, now: int) -> None:
        """Start one courier for what is due at these contacts."""
        if not names or len(self._errands) >= most:
            return
        parcels = [self._parcel(name, self._lines[name], now) for name in names]
        try:
            self._errands.append(self._start(parcels))
        except OSError as fault:
            words = f"the courier did not start ({fault.strerror})"
            self._take([Result(name, Outcome.UNREACHABLE, words) for name in names], now)

    def _chosen(self, name: str, line: _Line, now: int) -> list[tuple[_Key, _Waiting]]:
        """Choose what one message carries: one alert, or all where the contact comes back."""
        if line.carried or name not in self._reach or not line.waiting:
            return []
        rest = [pair for pair in line.ranked() if not pair[1].spent(now)]
        due = [pair for pair in rest if now >= pair[1].alert.next_try or self._hurried(line, pair[1], now)]
        late = any(item.alert.tries or now - item.alert.now > FAILING_FOR for _, item in due)
        return rest if due and (line.failures or late or len(due) > PER_HOUR) else due[:1]

    def _hurried(self, line: _Line, item: _Waiting, now: int) -> bool:
        """While nobody at all can be reached, the next try comes within a minute."""
        rested = line.attempted is None or now - line.attempted >= ALONE_WAIT
        return self.all_silent and not item.maybes and rested

    def _parcel(self, name: str, line: _Line, now: int) -> Parcel:
        """Wrap what is due at one contact, and remember that it is on its way."""
        chosen = self._chosen(name, line, now)
        alerts = [item.alert for _, item in chosen]
        message = grouped(alerts, self._hooks.ended, now)
        line.carried = tuple(key for key, _ in chosen)
        line.attempted = now
        return Parcel(
            id=name,
            contact=name,
            reach=self._reach[name](),
            title=message.title,
            text=message.text,
            priority=alerts[0].priority.value,
            picture=self._hooks.picture(alerts[0]),
        )


def mark(path: Path, *, silent: bool) -> None:
    """Leave or take away the local sign that nobody can be reached; a lost sign is no fault."""
    try:
        if silent:
            path.write_text("No contact can be reached.\n", encoding="utf-8")
        else:
            path.unlink(missing_ok=True)
    except OSError:
        return


def _key(alert: Alert) -> _Key:
    """Who an alert is, with or without its number in the outbox."""
    return alert.contact, alert.now, alert.tone, alert.alarms, alert.title
