"""The clutches as the running watch knows them: which orders can be, which places need care.

Orders are checked against a book in memory, so that the judge's thread waits for no disk.
Forecasts are made on the recorder's thread, one clutch at a time; what they say of a
clutch that is overdue comes back as the word of an organ of the watch.
"""

import logging
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING

from daemon.clutch_settings import ClutchSettings, clutch_settings
from daemon.clutches import Season, forecast, read_book, with_entered
from daemon.effective import Overrides
from daemon.logbook import Archive, CannotRecord, Labels, LogbookDamaged
from daemon.record import Entered
from daemon.texts import Speaker, plural
from rules.clutch import Account, Clutch, ClutchError, offered_stage
from rules.plan import ContactKind, Plan
from rules.reading import DAY, HOUR, MINUTE, SECOND
from rules.season import hatching_watch, overdue, settling
from sensors.reader import Arrival, Boottime, says

if TYPE_CHECKING:
    from daemon.settings import Loaded

log = logging.getLogger("ovigil")

LOOK_EVERY = HOUR
"""Each clutch is forecast so often (ms)."""

APART = 20 * SECOND
"""So long the recorder's thread has for its own work between two forecasts (ms)."""

TURN_EVERY = MINUTE
"""How often it is looked whether a hatching or settling is over (ms)."""

KEPT = DAY
"""A clutch is watched for so long after its last egg was out (ms): its alarm must clear."""


@dataclass(frozen=True, slots=True)
class Found:
    """What the recorder's thread found out: end of a clutch's window, and the labels as stored."""

    clutch: str
    latest: int | None
    labels: Labels


class ClutchWatch:
    """Owned by the judge's thread; only :meth:`work` gives something to another one.

    Args:
        archive: The logbook.
        loaded: The settings.
    """

    def __init__(self, archive: Archive, loaded: "Loaded") -> None:
        """Read config and egg log."""
        self._settings: ClutchSettings = clutch_settings(loaded)
        self._entries = archive.egg_log()
        self._labels = archive.labels()
        self._book, _ = read_book(self._settings, self._entries, self._labels)
        self._plan = Plan(0)
        self._marks = Overrides()
        self._turned: int | None = None
        self._looked: dict[str, int] = {}
        self._looked_at: int | None = None
        self._latest: dict[str, int | None] = {}
        self._said: dict[str, bool] = {}
        self._found: SimpleQueue[Found] = SimpleQueue()

    # -- settings and orders ----------------------------------------------------------------

    def settings(self, loaded: "Loaded") -> None:
        """Take other settings."""
        self._settings = clutch_settings(loaded)
        self._read()

    def take(self, entered: Entered) -> str:
        """Take a line of the egg log.

        Returns:
            What to answer: what is left, and the change of stage that it offers.

        Raises:
            ClutchError: It cannot be so; nothing is taken.
        """
        before = self._book
        self._book = with_entered(before, entered, self._settings, self._labels)
        self._entries.append(entered)
        self._turned = None
        id_ = str(entered.body.get("clutch", ""))
        self._looked.pop(id_, None)
        try:
            account = self._book.account(id_)
        except ClutchError:
            return "noted"
        left = f"noted: {plural(account.left, 'egg')} of {id_} left in {account.box}"
        grown = len(self._book.entries) > len(before.entries)
        return left + (self._offer(account) if grown else "")

    def _offer(self, account: Account) -> str:
        """Offer the change of stage that the newest entry suggests; nothing changes by itself."""
        offer = offered_stage(self._book.entries[-1])
        if offer is None:
            return ""
        place = next((one for one in self._plan.places if one.name == (offer[0] or account.box)), None)
        if place is None or place.stage is offer[1]:
            return ""
        return f'; if the stage of {place.name} changes too, order "stage {place.name} {offer[1].value}"'

    # -- the plan ---------------------------------------------------------------------------

    def marked(self, was: Overrides, now: int) -> Overrides:
        """Give overrides with the places that need care now and the clutches that are watched."""
        if self._turned is None or not 0 <= now - self._turned < TURN_EVERY:
            self._turned = now
            self._marks = self._marks_at(now)
        marks = self._marks
        return replace(was, hatching=marks.hatching, settling=marks.settling, clutches=marks.clutches)

    def _marks_at(self, now: int) -> Overrides:
        hatching: dict[str, int] = {}
        for one in hatching_watch(self._book, now):
            hatching[one.box] = min(one.since, hatching.get(one.box, one.since))
        watched = [clutch.id for clutch in self._book.clutches if self._watched(clutch, now)]
        return Overrides(
            hatching=hatching,
            settling={one.place: one.since for one in settling(self._book, now)},
            clutches=tuple(sorted(watched)),
        )

    def _watched(self, clutch: Clutch, now: int) -> bool:
        over = self._book.account(clutch.id).over
        return over is None or now - over < KEPT

    def plan(self, plan: Plan) -> None:
        """Take the plan in force."""
        self._plan = plan

    # -- forecasts --------------------------------------------------------------------------

    def work(self, folder: Path, now: int) -> Callable[[], None] | None:
        """Give the forecast that is due as work for the recorder's thread, or None."""
        if self._looked_at is not None and 0 <= now - self._looked_at < APART:
            return None
        due = [id_ for id_ in self._marks.clutches if now - self._looked.get(id_, -LOOK_EVERY) >= LOOK_EVERY]
        if not due:
            return None
        self._looked_at = self._looked[due[0]] = now
        season = Season(self._book, self._settings, (), self._plan, self._labels, now)

        def look() -> None:
            try:
                with Archive.open(folder) as archive:
                    latest = forecast(archive, season, due[0]).expectation.latest
                    self._found.put(Found(due[0], latest, archive.labels()))
            except (CannotRecord, LogbookDamaged) as error:
                log.warning("clutch %s could not be looked at; again in an hour: %s", due[0], error)

        return look

    def says(self, now: int, speaker: Speaker, boottime: Boottime) -> list[Arrival]:
        """Give what is news of the clutches that are overdue, or are no longer."""
        self._hear()
        said: list[Arrival] = []
        for id_ in self._marks.clutches:
            known = {one.id: one for one in self._book.clutches}.get(id_)
            if known is None or id_ not in self._latest:
                continue
            verdict = overdue(known, self._book.account(id_), self._latest[id_], now)
            well = verdict is None or not verdict.wrong
            if self._said.get(id_) == well:
                continue
            self._said[id_] = well
            note = "" if verdict is None or well else speaker.say(verdict.reason)
            said.append(says(ContactKind.CLUTCH.value, id_, well=well, arrived=boottime(), note=note))
        return said

    def _hear(self) -> None:
        try:
            while True:
                found = self._found.get_nowait()
                self._latest[found.clutch] = found.latest
                if found.labels != self._labels:
                    self._labels = found.labels
                    self._read()
        except Empty:
            return

    def _read(self) -> None:
        self._book, _ = read_book(self._settings, self._entries, self._labels)
        self._turned = None
