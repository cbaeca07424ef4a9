"""Clutches out of config and egg log, the curve of each, and its forecast.

Reads the logbook, writes nothing. Page, commands and the watch look through the same
:class:`Season`.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import TYPE_CHECKING

from daemon.clutch_entry import LAID, clutch_of, entry_of, parts_of, undo_of
from daemon.clutch_settings import ClutchSettings, clutch_settings
from daemon.logbook import Archive, Labels
from daemon.record import Entered, Json, Kind
from rules.clutch import LONGEST, Account, Book, Clutch, ClutchError, EggEntry, Stay
from rules.incubation import Curve, HatchWindow, NoForecast, hatch_window
from rules.incubation.review import Review, review
from rules.plan import Correction, Plan, SensorPlan
from rules.reading import DAY, HOUR, Quantity
from rules.season import Due, Expectation, due
from rules.sex import SexOutlook, sex_outlook
from rules.span import Span

if TYPE_CHECKING:
    from daemon.settings import Loaded

FRESH = 2 * HOUR
"""A newest reading at most so old stands for now (ms)."""

WEEK = 7 * DAY
"""What is due within so long is shown (ms)."""

STALE = 30 * DAY
"""A logbook that ended so long ago is looked at as of its end (ms): it is a season past."""

_NEAREST = ("substrate",)


@dataclass(frozen=True, slots=True)
class Season:
    """All clutches of a room as of an instant.

    Attributes:
        book: Clutches and egg log.
        settings: The config's part of them.
        trouble: Entries of the journal that do not fit any more, in words.
        plan: Sensors and ranges, for looking back.
        labels: Room time to Unix ms.
        now: Room time, ms.
    """

    book: Book
    settings: ClutchSettings
    trouble: tuple[str, ...]
    plan: Plan
    labels: Labels
    now: int

    @property
    def boxes(self) -> Mapping[str, bool]:
        """Each place, and whether a sensor of temperature is in it."""
        return self.settings.boxes

    @property
    def zone(self) -> tzinfo:
        """The room's time zone."""
        return self.settings.zone


@dataclass(frozen=True, slots=True)
class Forecast:
    """One clutch with its forecast.

    Attributes:
        clutch: The clutch.
        account: What follows from its log.
        window: When it hatches, or None: see ``needs``.
        needs: What is missing for a forecast, or "".
        sex: What its temperature says of sex, where the keeper asks for it.
        curve: The temperature that it rests on, as from :func:`clutch_curve`.
    """

    clutch: Clutch
    account: Account
    window: HatchWindow | None
    needs: str = ""
    sex: SexOutlook | None = None
    curve: Curve = ()

    def instant(self, day: float) -> int | None:
        """Give the instant of a day since laying, None where it never comes."""
        return None if not math.isfinite(day) else self.clutch.laid + round(day * DAY)

    @property
    def expectation(self) -> Expectation:
        """Give its window as instants."""
        days = (self.window.earliest, self.window.expected, self.window.latest) if self.window else ()
        earliest, expected, latest = (self.instant(day) for day in days or (math.inf,) * 3)
        return Expectation(self.clutch.id, earliest, expected, latest)


def boxes_of(loaded: "Loaded") -> Mapping[str, bool]:
    """Give each place and whether a sensor of temperature is in it."""
    return clutch_settings(loaded).boxes


def as_of(archive: Archive, labels: Labels, wall: int) -> int:
    """Give the instant as of which clutches are looked at: now, or the end of an old logbook.

    Args:
        archive: The logbook.
        labels: Its labels.
        wall: The wall clock, Unix ms.

    Returns:
        Room time, ms.
    """
    now, last = labels.room_instant(wall), archive.last_instant()
    if last is None:
        return now
    return last if now - last > STALE else max(now, last)


def open_season(archive: Archive, loaded: "Loaded", wall: int) -> Season:
    """Read config and egg log.

    Args:
        archive: The logbook.
        loaded: The settings.
        wall: The wall clock, Unix ms.
    """
    from daemon.night import Window, plan_at  # stands on the settings library

    labels = archive.labels()
    now = as_of(archive, labels, wall)
    plan = plan_at(archive, loaded, Window(now, now + 1))
    return season_of(archive, clutch_settings(loaded), plan, now)


def season_of(archive: Archive, settings: ClutchSettings, plan: Plan, now: int) -> Season:
    """Read the egg log under settings that were taken before.

    Args:
        archive: The logbook.
        settings: The config's part of the clutches.
        plan: Sensors and ranges in force.
        now: Room time, ms.
    """
    labels = archive.labels()
    book, trouble = read_book(settings, archive.egg_log(), labels)
    return Season(book, settings, trouble, plan, labels, now)


def read_book(
    settings: ClutchSettings, entries: Sequence[Entered], labels: Labels
) -> tuple[Book, tuple[str, ...]]:
    """Make the book of the config's clutches and the egg log; give it with what did not fit."""
    book, trouble = Book(), []
    for clutch in settings.begun(labels):
        try:
            book = book.with_clutch(clutch, settings.boxes)
        except ClutchError as error:
            trouble.append(str(error))
    for entered in entries:
        try:
            book = with_entered(book, entered, settings, labels)
        except ClutchError as error:
            trouble.append(str(error))
    return book, tuple(trouble)


def with_entered(book: Book, entered: Entered, settings: ClutchSettings, labels: Labels) -> Book:
    """Add one line of the egg log to a book.

    Args:
        book: What was before.
        entered: A journal entry of kind "egg log": an order "egg" or its undo.
        settings: Places and time zone.
        labels: Room time to Unix ms.

    Raises:
        ClutchError: It cannot be so; the book stays as it is.
    """
    id_, boxes = str(entered.body.get("clutch", "")), settings.boxes
    if "undoes" in entered.body:
        undo = undo_of(id_, entered)
        return _without_clutch(book, undo) or book.with_entry(undo, boxes)
    parts = parts_of(str(entered.body.get("entry", "")))
    if parts.get("deed") == LAID:
        return book.with_clutch(clutch_of(parts, entered, settings.zone, labels.room_instant), boxes)
    return book.with_entry(entry_of(parts, id_, entered, labels.room_instant), boxes)


def tried(season: Season, clutch: str, text: str, by: str = "") -> Book:
    """Try an entry before it is ordered; nothing is written.

    Args:
        season: As of now.
        clutch: Whose.
        text: The entry, as from ``clutch_entry.written``.
        by: Who.

    Raises:
        ClutchError: It cannot be so.
    """
    body: dict[str, Json] = {"verb": "egg", "clutch": clutch, "entry": text, "by": by, "order": _next(season)}
    entered = Entered(season.now, Kind.EGG_LOG, body)
    return with_entered(season.book, entered, season.settings, season.labels)


def without(season: Season, clutch: str, number: int) -> Book:
    """Try to take an entry back; nothing is written.

    Raises:
        ClutchError: It cannot be taken back.
    """
    body: dict[str, Json] = {"verb": "undo", "clutch": clutch, "undoes": number, "order": _next(season)}
    entered = Entered(season.now, Kind.EGG_LOG, body)
    return with_entered(season.book, entered, season.settings, season.labels)


def coming(season: Season, windows: Sequence[Expectation], until: int) -> tuple[Due, ...]:
    """List what is due until an instant, the keeper's own reminders among it.

    Args:
        season: The clutches.
        windows: Hatch windows of those that have one.
        until: Room time, ms.
    """
    reminders = season.settings.reminded(season.labels, season.now, until)
    return due(season.book, windows, tuple(reminders), season.now, until)


def windows_of(archive: Archive, season: Season) -> list[Expectation]:
    """Give the hatch windows of all clutches that have eggs left."""
    ids = [one.id for one in season.book.clutches if season.book.account(one.id).left]
    return [forecast(archive, season, id_).expectation for id_ in ids]


def clutch_curve(archive: Archive, season: Season, id_: str, until: int | None = None) -> Curve:
    """Give the temperature of a clutch's boxes since it was laid: hourly means, gaps as None.

    Args:
        archive: The logbook.
        season: The clutches.
        id_: Which clutch.
        until: End (room time, ms); None: now, or when its last egg was out.

    Notes:
        Of several sensors in a box the one in the substrate counts (it has the egg's
        temperature); where it is silent, the next. An egg's lag of minutes does not
        matter over weeks, so air is taken as it is.
    """
    clutch, account = season.book.clutch(id_), season.book.account(id_)
    end = min(season.now, until or account.over or season.now, clutch.laid + LONGEST)
    curve: list[tuple[float, float | None]] = []
    for stay in account.stays:
        curve += _of_stay(archive, season.plan, stay, (clutch.laid, end))
    kept: list[tuple[float, float | None]] = []
    for point in curve:
        if not kept or point[0] >= kept[-1][0]:
            kept.append(point)
    return _to_the_end(kept, (end - clutch.laid) / DAY)


def forecast(archive: Archive, season: Season, id_: str) -> Forecast:
    """Forecast one clutch.

    Returns:
        The forecast; what is missing stands in ``needs``.
    """
    clutch, account = season.book.clutch(id_), season.book.account(id_)
    curve = clutch_curve(archive, season, id_)
    try:
        window = hatch_window(curve, species=clutch.species, records=clutch.records)
        sex = sex_outlook(curve, clutch.species, clutch.records) if clutch.sex else None
    except NoForecast as missing:
        return Forecast(clutch, account, None, str(missing), curve=curve)
    except ValueError as wrong:
        needs = f"its own records cannot be used: {wrong}"
        return Forecast(clutch, account, None, needs, curve=curve)
    return Forecast(clutch, account, window, sex=sex, curve=curve)


def looked_back(archive: Archive, season: Season, id_: str) -> Review | None:
    """Review one clutch up to its first hatching (or to now); None without any reading."""
    clutch, account = season.book.clutch(id_), season.book.account(id_)
    curve = clutch_curve(archive, season, id_, account.first_hatch)
    hatched = None if account.first_hatch is None else (account.first_hatch - clutch.laid) / DAY
    try:
        return review(
            curve,
            species=clutch.species,
            records=clutch.records,
            ideal=_ideal(season.plan, account.box),
            hatched=hatched,
        )
    except NoForecast:
        return None


def find_entry(season: Season, number: int) -> EggEntry | None:
    """Give an entry of the log by its number, or None."""
    return next((entry for entry in season.book.entries if entry.number == number), None)


def _next(season: Season) -> int:
    """Give a number that no entry has."""
    return max((entry.number for entry in season.book.entries), default=0) + 1


def _without_clutch(book: Book, undo: EggEntry) -> Book | None:
    """Take an added clutch out again; None where the undo is of an entry.

    Raises:
        ClutchError: Something was written of it meanwhile.
    """
    added = next((clutch for clutch in book.clutches if clutch.id == undo.clutch), None)
    if added is None or added.number == 0 or added.number != undo.undoes:
        return None
    if any(entry.clutch == undo.clutch for entry in book.entries):
        raise ClutchError(f'clutch "{undo.clutch}" has entries; take those back first')
    return Book(tuple(clutch for clutch in book.clutches if clutch is not added), book.entries)


def _sensors(plan: Plan, box: str) -> Sequence[SensorPlan]:
    """Give a box's sensors of temperature, the one nearest to the eggs first."""
    mine = [one for one in plan.sensors if one.place == box and Quantity.TEMPERATURE in one.quantities]
    return sorted(mine, key=lambda one: one.spot not in _NEAREST)


def _of_stay(
    archive: Archive, plan: Plan, stay: Stay, ends: tuple[int, int]
) -> list[tuple[float, float | None]]:
    """Give the hours of one stay as (days since laying, °C or None)."""
    laid, until = ends
    start, end = stay.start, min(until, stay.end if stay.end is not None else until)
    if end <= start:
        return []
    hours: dict[int, float] = {}
    first, last = start // HOUR, -(-end // HOUR)
    for sensor in _sensors(plan, stay.box):
        correction = sensor.corrections.get(Quantity.TEMPERATURE, Correction())
        for bucket in archive.envelope(
            sensor.name, Quantity.TEMPERATURE, first * HOUR, last * HOUR, last - first
        ):
            if bucket.mean == bucket.mean:
                hours.setdefault(bucket.start // HOUR, correction.apply(bucket.mean))
    found: list[tuple[float, float | None]] = []
    for hour in range(first, last):
        middle = min(max(hour * HOUR + HOUR // 2, start), end)
        found.append(((middle - laid) / DAY, hours.get(hour)))
    if found and found[0][1] is not None:
        found.insert(0, ((start - laid) / DAY, found[0][1]))
    return found


def _to_the_end(curve: list[tuple[float, float | None]], day: float) -> Curve:
    """Let the newest reading stand for now where it is fresh; else say that it is not known."""
    if day <= 0.0:
        return []
    if not curve or curve[-1][0] >= day:
        return curve
    newest = next(((at, value) for at, value in reversed(curve) if value is not None), None)
    fresh = newest is not None and day - newest[0] <= FRESH / DAY
    if fresh and newest is not None:
        kept = [point for point in curve if point[0] <= newest[0]]
        return [*kept, (day, newest[1])]
    return [*curve, (day, None)]


def _ideal(plan: Plan, box: str) -> Span | None:
    """Give the ideal span of a box's temperature by day."""
    place = next((one for one in plan.places if one.name == box), None)
    for found in place.ranges if place else ():
        if found.quantity is Quantity.TEMPERATURE and found.day is not None:
            return found.day.ideal
    return None
