"""The watch: readers, judge, recorder and delivery around one clock.

One thread (the caller's) runs the rounds: it drains the inbox on a short tick, judges
once a whole second, lets time pass in between, hands batches to the recorder and polls
the delivery. Nothing in it waits for a disk, a network or a phone service.
"""

import json
import logging
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from queue import Empty
from threading import Event

from daemon.alerting import unrecorded
from daemon.chores import Chores, View
from daemon.clock import Clock
from daemon.clutch_watch import ClutchWatch
from daemon.delivery import Delivery, Hooks, Reach
from daemon.history import history_of
from daemon.judge import Before, whole_second
from daemon.logbook import Archive, CannotRecord, Logbook
from daemon.notify import ServiceManager
from daemon.opening import NUMBERS, Opened
from daemon.pictures import Pictures
from daemon.record import AlarmRow, Alert, Asked, Batch, Entered, Json, Kind
from daemon.recorder import Recorder, Work
from daemon.reports import AWAY_LONGEST
from daemon.saved import Saved
from daemon.settings import Loaded, SettingsError, load
from daemon.standing import settings_entry
from daemon.taking import Look, TakenOrder, take
from rules.plan import ContactKind, Plan, Priority
from rules.reading import HOUR, SECOND
from sensors.reader import Arrival, Inbox, Reader, Reject, says

log = logging.getLogger("ovigil")

TICK = 200
"""How often the inbox is drained (ms); a short tick costs half of waking for each message."""

FEW_NUMBERS = 200
"""When so few alarm numbers are left, more are set aside."""

IMPATIENT = 3 * SECOND
"""What is urgent waits for its commit for so long, then it goes out from memory (ms)."""

COMMIT_AT = 16
"""A commit comes at so many unacknowledged messages where the broker's window is the usual one."""

LAST_WAIT = 50
"""How often the end looks whether the second is over (ms)."""

LAST_ANSWERS = 0.5
"""So long couriers on their way may still take at the end (s): what they say is recorded."""

LAST_COMMIT = 1.5
"""So long the last commit may take (s): the whole end stays within 5 s."""

STATUS_EVERY = 10 * SECOND
"""How often the service manager is told how it goes (ms)."""


@dataclass(frozen=True, slots=True)
class Outside:
    """What the watch stands in; proofs and the demo bring their own.

    Attributes:
        clock: The clocks.
        manager: The service manager.
        readers: Makes the readers of some settings.
        reach: Gives the address of each contact, by name.
        env: The environment.
        hooks: What the delivery asks for (another courier).
        heartbeat: Gives the address of the heartbeat of some settings, None where there is none.
        pictures: Curves are drawn for alerts.
    """

    clock: Clock
    manager: ServiceManager
    readers: Callable[[Loaded], list[Reader]]
    reach: Callable[[Loaded], Mapping[str, Reach]]
    env: Mapping[str, str] = field(default_factory=lambda: os.environ)
    hooks: Hooks = field(default_factory=Hooks)
    heartbeat: Callable[[Loaded], Reach | None] = lambda _: None
    pictures: bool = False


@dataclass(slots=True)
class Coming:
    """What has come in and waits for the next round.

    Attributes:
        arrivals: With the room time at which each came.
        heard: New names by the sensor whose topic has a wildcard.
        replan: The plan must be made anew.
        journal: Lines for the next round.
    """

    arrivals: list[tuple[int, Arrival | Reject]] = field(default_factory=list)
    heard: dict[str, set[str]] = field(default_factory=dict)
    replan: bool = True
    journal: list[Entered] = field(default_factory=list)


class Watch:
    """One room's watch from start to stop. Owned by the thread that runs it."""

    def __init__(self, opened: Opened, folder: Path, outside: Outside) -> None:
        """Prepare everything; nothing runs yet."""
        self._opened = opened
        self._folder = folder
        self._outside = outside
        self._room = opened.room
        self._judge = opened.judge
        self._standing = opened.standing
        self._offset = opened.offset
        self._inbox = Inbox()
        self._coming = Coming(journal=list(opened.journal))
        self._second = self._room.now() // SECOND
        self._hour = self._room.now() // HOUR
        self._reload = Event()
        self._status_at = 0
        self._ready = False
        self._stuck = False
        self._uncommitted: list[Alert] = []
        loaded = self._standing.loaded
        boottime = outside.clock.boottime
        self._recorder = Recorder(
            folder,
            self._inbox,
            boottime,
            commit=loaded.model.room.commit,
            window=_window(loaded),
        )
        self._chores = self._made_chores()
        self._clutches = self._made_clutches()
        hooks = replace(outside.hooks, ended=self._judge.ledger.ended)
        if outside.pictures:
            hooks = replace(hooks, picture=self._chores.pictures.of)
        self._delivery = Delivery(outside.reach(loaded), self._room.now, boottime, hooks)
        self._readers = outside.readers(loaded)
        self._saved = Saved(loaded.path)
        self._orders = {asked.id: asked for asked in self._earlier_orders()}

    def _made_chores(self) -> Chores:
        with Archive.open(self._folder) as archive:
            history = history_of(archive, self._room.now(), self._opened.away, longest=AWAY_LONGEST)
        pictures = Pictures(self._picture_job if self._outside.pictures else None)
        chores = Chores(self._folder, self._outside.clock.boottime, history, pictures)
        loaded = self._standing.loaded
        chores.settings(loaded, self._outside.heartbeat(loaded))
        return chores

    def _made_clutches(self) -> ClutchWatch:
        with Archive.open(self._folder) as archive:
            return ClutchWatch(archive, self._standing.loaded)

    def _picture_job(self, number: int) -> dict[str, Json]:
        loaded = self._standing.loaded
        where: dict[str, Json] = {"room": str(loaded.path.absolute()), "folder": str(self._folder)}
        return {"job": "picture", "text": loaded.text, "alarm": number, **where}

    def _earlier_orders(self) -> list[Asked]:
        with Archive.open(self._folder) as archive:
            self._delivery.offer(alert for alert in archive.outbox() if alert.done is None)
            return [asked for asked in archive.orders() if asked.taken is not None]

    # -- life -----------------------------------------------------------------------

    def run(self, stop: Event) -> None:
        """Watch until ``stop`` is set, then end within 5 s.

        Raises:
            RuntimeError: The recorder has ended by itself: a bug or a damaged logbook; the
                service manager starts the watch anew.
        """
        self.begin()
        try:
            while not self._outside.clock.wait(stop, TICK):
                self.turn()
                if not self._recorder.is_alive():
                    raise RuntimeError("the recorder has ended")
        finally:
            self.end()

    def reload(self) -> None:
        """Ask for the settings to be read again; any thread or signal handler may."""
        self._reload.set()

    @property
    def at_rest(self) -> bool:
        """Tell whether recorder and couriers have nothing to do: a simulated clock may go on."""
        return self._recorder.settled() and not self._delivery.busy and not self._chores.busy

    def open_rows(self) -> tuple[AlarmRow, ...]:
        """Give the rows of the open alarms."""
        return self._judge.ledger.open_rows()

    def now(self) -> int:
        """Give room time."""
        return self._room.now()

    def begin(self) -> None:
        """Start recorder and readers."""
        self._recorder.start()
        for batch in self._opened.batches:
            self._hand(Work(batch))
        self._say(ContactKind.CLOCK, well=self._room.trusted())
        self._say(ContactKind.SETTINGS, well=True)
        for reader in self._readers:
            reader.start(self._inbox)

    def turn(self) -> None:
        """One tick: drain, judge when a second is over, let time pass, deliver."""
        self._judged()
        self._deliver()

    def _judged(self) -> None:
        for arrival in self._inbox.drain():
            self._chores.listen(arrival)
            self._coming.arrivals.append((self._room.at_boot(arrival.arrived), arrival))
        now = self._room.now()
        if now // SECOND > self._second:
            self._second = now // SECOND
            self._round(whole_second(now))
            self._outside.manager.watchdog()
            self._once_a_second(now)
        batch = self._judge.tick(now)
        if batch is not None:
            self._hand(Work(batch))

    def end(self) -> None:
        """End readers, judge what came, commit, end couriers: within 5 s."""
        self._outside.manager.stopping()
        for reader in self._readers:
            reader.stop()
        now = self._room.now()
        self._coming.journal.append(Entered(now, Kind.STOP, {}))
        while self._room.now() // SECOND <= self._second:
            self._outside.clock.wait(Event(), LAST_WAIT)
        self._judge.rejects.hurry()
        self._judged()
        self._hand(Work(Batch(self._room.now(), shown=self._chores.last_state(now), urgent=True)))
        self._heed_outcomes(self._delivery.stop(LAST_ANSWERS))
        if not self._recorder.end(LAST_COMMIT):
            log.error("the card did not take the last commit in time")
        self._chores.stop()

    # -- rounds -----------------------------------------------------------------------

    def _round(self, now: int) -> None:
        before = self._before(now)
        came, self._coming.arrivals = self._coming.arrivals, []
        done = self._judge.round(came, now, self._offset, before)
        for stranger in done.strangers:
            self._hear(stranger, now)
        self._chores.present.take(done.batch.entries)
        work = Work(done.batch, done.settled, self._snapshot(now), self._chore(now))
        self._hand(work)

    def _before(self, now: int) -> Before:
        """Take settings, plan and orders of this instant."""
        taken = [self._take(asked, now) for asked in self._asked()]
        self._heed_reload(now)
        events: list[Plan] = []
        journal, self._coming.journal = self._coming.journal, []
        basis = self._standing.basis
        marked = self._clutches.marked(basis.overrides, now)
        if marked != basis.overrides:
            self._standing.basis = replace(basis, overrides=marked)
            self._coming.replan = True
        if self._coming.replan or self._coming.heard or self._standing.ends(now):
            plan, entered = self._renewed(now)
            events.append(plan)
            journal.append(entered)
        for _, one in taken:
            journal += [one.entered] if one.entered else []
        return Before(
            events=(*events, *(event for _, one in taken for event in one.events)),
            journal=tuple(journal),
            answers=tuple((number, now, one.answer) for number, one in taken),
            alarms=tuple(one.row for _, one in taken if one.row),
        )

    def _renewed(self, now: int) -> tuple[Plan, Entered]:
        coming, standing = self._coming, self._standing
        heard = {name: tuple(names) for name, names in standing.basis.heard.items()}
        for template, names in coming.heard.items():
            heard[template] = tuple(sorted({*heard.get(template, ()), *names}))
        coming.heard.clear()
        coming.replan = False
        last = standing.states(now) or standing.basis.last
        plan, entered = standing.renew(
            replace(standing.basis, offset=self._offset, heard=heard, last=last), now
        )
        self._judge.door.plan(plan)
        self._clutches.plan(plan)
        return plan, entered

    def _hear(self, stranger: Arrival, now: int) -> None:
        """A name that a wildcard captured for the first time joins the plan; it waits a second."""
        known = self._standing.basis.heard.get(stranger.template, ())
        if stranger.template and stranger.sensor not in known:
            self._coming.heard.setdefault(stranger.template, set()).add(stranger.sensor)
            self._coming.arrivals.append((now, stranger))
        elif stranger.settled is not None:
            stranger.settled()

    def _snapshot(self, now: int) -> bytes | None:
        """Give the engine's state once an hour and when the settings changed."""
        if now // HOUR == self._hour:
            return None
        self._hour = now // HOUR
        return json.dumps(self._judge.engine.state(), separators=(",", ":")).encode()

    def _hand(self, work: Work) -> None:
        """Hand work to the recorder; an empty round is no work."""
        batch = work.batch
        held = batch.entries or batch.journal or batch.alarms or batch.answers or batch.shown
        if held or batch.alerts or batch.delivered or work.settled or work.snapshot or work.chore:
            self._recorder.put(work)
        self._uncommitted += batch.alerts

    # -- orders and settings ------------------------------------------------------------

    def _asked(self) -> Iterator[Asked]:
        try:
            while True:
                yield self._recorder.orders.get_nowait()
        except Empty:
            return

    def _take(self, asked: Asked, now: int) -> tuple[int, TakenOrder]:
        standing = self._standing
        look = Look(now, standing.plan, self._row, standing.basis.overrides, self._order, self._clutches.take)
        taken = take(asked, look)
        self._orders[asked.id] = replace(asked, taken=now, answer=taken.answer)
        if taken.overrides is not None:
            standing.basis = replace(standing.basis, overrides=taken.overrides)
            self._coming.replan = True
        return asked.id, taken

    def _order(self, number: int) -> Asked | None:
        """Give an order: the newest are at hand, an older one is looked up."""
        known = self._orders.get(number)
        if known is not None:
            return known
        try:
            with Archive.open(self._folder) as archive:
                return archive.order(number)
        except CannotRecord:
            return None

    def _row(self, number: int) -> AlarmRow | None:
        row = self._judge.ledger.row(number)
        if row is not None:
            return row
        try:
            with Archive.open(self._folder) as archive:
                return archive.alarm(number)
        except CannotRecord:
            return None

    def _heed_reload(self, now: int) -> None:
        """Take changed settings whole, or keep the old ones and say so."""
        if not self._reload.is_set():
            return
        self._reload.clear()
        self._outside.manager.reloading()
        old = self._standing.loaded
        try:
            loaded = load(old.path, self._outside.env)
            readers = None if _wiring(loaded) == _wiring(old) else self._outside.readers(loaded)
        except SettingsError as error:
            self._refuse(str(error.problems[0]), error)
        except ValueError as error:
            self._refuse(str(error), error)
        else:
            self._apply(loaded, now, readers)
            self._say(ContactKind.SETTINGS, well=True)
        self._outside.manager.ready()

    def _refuse(self, note: str, error: Exception) -> None:
        self._say(ContactKind.SETTINGS, well=False, note=note)
        log.warning("the settings are refused; the old ones stay: %s", error)

    def _apply(self, loaded: Loaded, now: int, readers: list[Reader] | None) -> None:
        old = self._standing.loaded
        if loaded.digest == old.digest:
            return
        from daemon.check import difference

        changes: list[Json] = [str(one) for one in difference(old.model, loaded.model)]
        entry = settings_entry(loaded, now)
        self._coming.journal.append(replace(entry, body={**entry.body, "changes": changes}))
        self._standing.loaded = loaded
        self._coming.replan = True
        self._judge.ledger.address = loaded.model.page.address or ""
        self._recorder.commit_every = loaded.model.room.commit
        self._recorder.window = _window(loaded)
        self._delivery.replan(self._outside.reach(loaded))
        self._chores.settings(loaded, self._outside.heartbeat(loaded))
        self._clutches.settings(loaded)
        if readers is not None:
            self._change_readers(readers)

    def _change_readers(self, readers: list[Reader]) -> None:
        """Put other readers in the place of those that run."""
        for reader in self._readers:
            reader.stop()
        self._readers = readers
        for reader in self._readers:
            reader.start(self._inbox)

    def _say(self, kind: ContactKind, name: str = "", *, well: bool, note: str = "") -> None:
        self._inbox.put(says(kind.value, name, well=well, arrived=self._outside.clock.boottime(), note=note))

    # -- once a second --------------------------------------------------------------------

    def _once_a_second(self, now: int) -> None:
        self._look_at_clock(now)
        self._look_at_recorder()
        self._do_chores(now)
        if self._standing.loaded.model.room.reload == "on save" and self._saved.changed(now):
            self._reload.set()
        if self._opened.numbers.left < FEW_NUMBERS and not self._opened.numbers.asked:
            self._opened.numbers.asked = True
            more = self._opened.numbers.more
            self._recorder.put(
                Work(Batch(now), chore=lambda logbook: more.put(logbook.reserve_numbers(NUMBERS)))
            )
        if now - self._status_at >= STATUS_EVERY:
            self._status_at = now
            self._tell_status()

    def _look_at_clock(self, now: int) -> None:
        steps = self._room.poll()
        for step in steps:
            self._coming.journal.append(Entered(step.now, Kind.CLOCK, step.body()))
        if not steps:
            return
        clock, room = self._outside.clock, self._room
        trusted = room.trusted()
        offset = room.offset() if trusted else clock.wall() - now
        boot = clock.boot()
        self._recorder.put(
            Work(Batch(now), chore=lambda logbook: logbook.note_boot(boot, now, offset, trusted=trusted))
        )
        self._offset = offset if trusted else None
        self._coming.replan = True
        self._say(ContactKind.CLOCK, well=trusted)

    def _look_at_recorder(self) -> None:
        """A card that does not answer is an alarm; what must be told goes out from memory."""
        self._recorder.relieve()
        stuck = self._recorder.stuck
        if stuck != self._stuck:
            self._stuck = stuck
            note = "the card has not answered for 10 s" if stuck else ""
            self._say(ContactKind.RECORDER, well=not stuck, note=note)
        if stuck or not self._recorder.well:
            self._delivery.offer(unrecorded(alert) for alert in self._uncommitted)
        elif self._uncommitted and self._recorder.slow:
            late = self._room.now() - IMPATIENT
            urgent = [one for one in self._uncommitted if one.priority is Priority.HIGH and one.now <= late]
            self._delivery.offer(unrecorded(alert) for alert in urgent)

    def _do_chores(self, now: int) -> None:
        view = self._view(now)
        batch = self._chores.second(view)
        if batch is not None:
            self._hand(Work(batch))
        for arrival in self._chores.organs(view.rows):
            self._inbox.put(arrival)
        speaker, boottime = self._standing.speaker(now), self._outside.clock.boottime
        for arrival in self._clutches.says(now, speaker, boottime):
            self._inbox.put(arrival)

    def _view(self, now: int) -> View:
        recorder = "the card does not answer" if self._stuck else ""
        if not self._recorder.well:
            recorder = "readings cannot be recorded"
        return View(
            now,
            self._offset,
            self._standing,
            self._judge.ledger.open_rows(),
            recorder,
            self._delivery.all_silent,
            len(self._delivery.waiting),
        )

    def _tell_status(self) -> None:
        rows = self._judge.ledger.open_rows()
        words = f"{len(self._standing.plan.places) - 1} places, {len(rows)} alarms open, "
        words += f"{len(self._delivery.waiting)} alerts waiting"
        if not self._ready:
            self._ready = True
            self._outside.manager.ready(words)
        else:
            self._outside.manager.status(words)

    def _chore(self, now: int) -> Callable[[Logbook], None] | None:
        work = self._chores.due(now, uplink=self._standing.loaded.model.uplink is not None)
        if work is not None:
            return work
        forecast = self._clutches.work(self._folder, now)
        return None if forecast is None else lambda _: forecast()

    # -- delivery ---------------------------------------------------------------------------

    def _deliver(self) -> None:
        self._delivery.offer(self._chores.pictures.passed(self._committed_alerts()))
        self._heed_outcomes(self._delivery.poll())
        for arrival in self._delivery.says():
            self._inbox.put(arrival)

    def _heed_outcomes(self, outcomes: tuple[Alert, ...]) -> None:
        self._chores.outcomes(outcomes)
        if outcomes:
            self._hand(Work(_outcome_batch(self._room.now(), outcomes)))

    def _committed_alerts(self) -> Iterator[Alert]:
        try:
            while True:
                alert = self._recorder.alerts.get_nowait()
                self._uncommitted = [one for one in self._uncommitted if one != replace(alert, id=None)]
                yield alert
        except Empty:
            return


def _window(loaded: Loaded) -> int:
    """Give the number of unacknowledged messages at which a commit comes."""
    broker = loaded.model.broker
    return max(1, broker.window * 4 // 5) if broker else COMMIT_AT


def _wiring(loaded: Loaded) -> object:
    """Give what readers are made of: when it is equal, they go on."""
    model = loaded.model
    sensors = [(place.sensor_names(), tuple(one.read for one in place.sensor)) for place in model.place]
    return model.broker, model.room.sysfs, sensors


def _outcome_batch(now: int, outcomes: tuple[Alert, ...]) -> Batch:
    """Give the batch that writes what became of alerts."""
    journal = tuple(
        Entered(
            now,
            Kind.DELIVERED if alert.done is not None else Kind.REFUSED,
            {
                "contact": alert.contact,
                "alarms": list(alert.alarms),
                "tries": alert.tries,
                "outcome": alert.outcome,
            },
        )
        for alert in outcomes
    )
    numbered = tuple(alert for alert in outcomes if alert.id is not None)
    return Batch(now, journal=journal, delivered=numbered)
