"""What is due around the clutches: tonight, this week, and what is late.

Room time in ms; the shell hands in where tonight and the week end.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from rules.clutch import Account, Book, Clutch
from rules.contact import OVERDUE_ADVICE
from rules.plan import Priority
from rules.reading import DAY, HOUR
from rules.verdict import Verdict
from rules.words import Instant, Sentence

SETTLING = 24 * HOUR
"""New hatchlings are left alone for so long (common practice: they hide)."""

CANDLE_ON = (7.0, 30.0)
"""Days after laying on which candling is due (own proposal: once for a sign of life,
once to find what has stopped; more often only disturbs)."""

CANDLED_EARLY = 3 * DAY
"""Candled so long before it was due counts for it."""

MISSED = 7 * DAY
"""What was due longer ago than this is on no list any more: it is too late for it."""

HATCHING_WATCH = 10 * DAY
"""The hatching watch ends so long after the newest pip or hatching at the latest."""

DISTURB_NOT = "leave them alone: new hatchlings hide and settle in their first 24 hours; look, do not handle"
"""The reminder that goes with new hatchlings."""


class Kind(StrEnum):
    """What is due."""

    CANDLE = "candle"
    REMINDER = "reminder"
    HATCH = "hatch"
    LEAVE_ALONE = "leave alone"


@dataclass(frozen=True, slots=True)
class Reminder:
    """One day on which the keeper wants to be reminded: feed out of the refrigerator, for example.

    Attributes:
        at: Begin of the day (room time, ms).
        until: End of the day.
        text: In the keeper's words.
        clutch: What it is about, or "": then it stands whatever becomes of the clutches.
        again: It comes back by itself: once its day is over it is not late but over.
    """

    at: int
    until: int
    text: str
    clutch: str = ""
    again: bool = False


@dataclass(frozen=True, slots=True)
class Expectation:
    """A clutch's hatch window as instants; None is never."""

    clutch: str
    earliest: int | None
    expected: int | None
    latest: int | None


@dataclass(frozen=True, slots=True)
class Due:
    """Something that is due.

    Attributes:
        at: When it begins to be due.
        until: When it ends to be, or None.
        kind: What sort.
        clutch: Which clutch, or "".
        place: Which place, or "".
        text: In a keeper's words.
        late: It was due before now and is not done.
    """

    at: int
    until: int | None
    kind: Kind
    clutch: str
    place: str
    text: Sentence
    late: bool = False


@dataclass(frozen=True, slots=True)
class HatchingWatch:
    """A clutch that is hatching.

    Attributes:
        clutch: Its id.
        box: Where.
        since: The first pip.
        out: How many hatched.
        left: How many are still in the box.
    """

    clutch: str
    box: str
    since: int
    out: int
    left: int


@dataclass(frozen=True, slots=True)
class Settling:
    """A place with new hatchlings: until when it is left alone, and how many came."""

    place: str
    since: int
    until: int
    count: int
    text: Sentence


def hatching_watch(book: Book, now: int) -> tuple[HatchingWatch, ...]:
    """Give the clutches that are hatching: from the first pip until no egg is left."""
    found = []
    for clutch in book.clutches:
        account = book.account(clutch.id)
        first = account.first_pip
        if first is None or account.left == 0 or now < first:
            continue
        newest = max(account.last_hatch or first, first)
        if now - newest <= HATCHING_WATCH:
            found.append(HatchingWatch(clutch.id, account.box, first, account.hatched, account.left))
    return tuple(found)


def settling(book: Book, now: int) -> tuple[Settling, ...]:
    """Give the places whose hatchlings came less than a day ago."""
    found: dict[str, Settling] = {}
    for clutch in book.clutches:
        for arrival in book.account(clutch.id).arrivals:
            if not arrival.at <= now < arrival.at + SETTLING:
                continue
            before = found.get(arrival.place)
            since = max(arrival.at, before.since) if before else arrival.at
            count = arrival.count + (before.count if before else 0)
            text: Sentence = (f"{count} new since ", Instant(since), ": ", DISTURB_NOT)
            found[arrival.place] = Settling(arrival.place, since, since + SETTLING, count, text)
    return tuple(found.values())


def due(
    book: Book,
    windows: Iterable[Expectation],
    reminders: Iterable[Reminder],
    now: int,
    until: int,
) -> tuple[Due, ...]:
    """List what is due from now until an instant ("tonight", "this week"), with what is late.

    Args:
        book: Clutches and egg log.
        windows: Hatch windows of those that have one.
        reminders: The keeper's own, with their days.
        now: Room time, ms.
        until: End of tonight or of the week.

    Returns:
        By instant, what is late first.
    """
    found = [one for clutch in book.clutches for one in _candling(clutch, book.account(clutch.id), now)]
    found += [kept for one in reminders for kept in _reminded(book, one, now)]
    found += [hatch for window in windows for hatch in _hatching(book, window, now)]
    found += [
        Due(one.since, one.until, Kind.LEAVE_ALONE, "", one.place, one.text) for one in settling(book, now)
    ]
    wanted = [one for one in found if one.at <= until]
    return tuple(sorted(wanted, key=lambda one: (not one.late, one.at, one.clutch)))


def overdue(clutch: Clutch, account: Account, latest: int | None, now: int) -> Verdict | None:
    """Judge a clutch with eggs left after the end of its window.

    Args:
        clutch: The clutch.
        account: Its account.
        latest: End of its window, or None where no day can be named.
        now: Room time, ms.

    Returns:
        Low priority while it is overdue; not wrong once the last egg is out; None otherwise.
    """
    if latest is None or now <= latest:
        return None
    if account.left == 0:
        return Verdict("overdue", wrong=False, since=latest, reason=("no egg is left in the box",))
    eggs = "1 egg" if account.left == 1 else f"{account.left} eggs"
    return Verdict(
        "overdue",
        wrong=True,
        since=latest,
        priority=Priority.LOW,
        value=float(account.left),
        reason=(
            f"{eggs} of {clutch.id} in {account.box}; the hatch window ended ",
            Instant(latest),
            "; late hatching is common, and the window may be wrong",
        ),
        advice=(OVERDUE_ADVICE,),
    )


def _candling(clutch: Clutch, account: Account, now: int) -> Iterable[Due]:
    """List the candlings that are not done: of those that are due the newest, and what comes."""
    if account.left == 0 or account.first_pip is not None:
        return
    days = [clutch.laid + round(day * DAY) for day in CANDLE_ON]
    newest = max((at for at in days if at <= now), default=now)
    for day, at in zip(CANDLE_ON, days, strict=True):
        done = any(candled >= at - CANDLED_EARLY for candled in account.candled)
        if done or at < newest or now - at > MISSED:
            continue
        text: Sentence = (f"candle {clutch.id}: day {day:g}",)
        yield Due(at, None, Kind.CANDLE, clutch.id, account.box, text, late=at + DAY <= now)


def _reminded(book: Book, one: Reminder, now: int) -> Iterable[Due]:
    """List a reminder: not where its clutch is over, and not for ever."""
    over = now >= one.until
    if (over and one.again) or now - one.until > MISSED:
        return
    known = [clutch.id for clutch in book.clutches]
    box = ""
    if one.clutch in known:
        account = book.account(one.clutch)
        box = account.box
        if account.left == 0 and account.hatchlings == 0:
            return
    yield Due(one.at, one.until, Kind.REMINDER, one.clutch, box, (one.text,), late=over)


def _hatching(book: Book, window: Expectation, now: int) -> Iterable[Due]:
    """List a hatch window that is open or will be."""
    account = book.account(window.clutch)
    if account.left == 0 or window.earliest is None:
        return
    eggs = "1 egg" if account.left == 1 else f"{account.left} eggs"
    late = window.latest is not None and window.latest < now
    says = "is overdue" if late else "is hatching" if account.first_pip is not None else "may hatch"
    text: Sentence = (f"{window.clutch} {says}, {eggs} left",)
    yield Due(window.earliest, window.latest, Kind.HATCH, window.clutch, account.box, text, late=late)


def within(found: Sequence[Due], until: int) -> tuple[Due, ...]:
    """Give the part of a list that is due until an instant."""
    return tuple(one for one in found if one.at <= until)
