"""The egg log: what happened to a clutch, and what follows from it.

Counts are never typed: eggs left, hatch rate, totals and the loss of weight follow from
the entries. A book is a value; whatever is refused leaves the old one as it was.
"""

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from rules.plan import Stage
from rules.reading import DAY

LONGEST = 365 * DAY
"""A clutch that nobody closed gives its position free after so long (ms)."""


class ClutchError(Exception):
    """What a keeper wants to write down cannot be so; nothing was written."""


class Deed(StrEnum):
    """What was done or seen."""

    CANDLED = "candled"
    WEIGHED = "weighed"
    SLUMPED = "slumped"
    PIPPED = "pipped"
    HATCHED = "hatched"
    DIED = "died"
    REMOVED = "removed"
    MOVED = "moved"
    SOLD = "sold"
    UNDONE = "undone"


class Of(StrEnum):
    """What it was done to."""

    EGG = "egg"
    HATCHLING = "hatchling"


_USUALLY = {Deed.SOLD: Of.HATCHLING}


@dataclass(frozen=True, slots=True)
class Clutch:
    """Eggs laid together.

    Attributes:
        id: Unique.
        species: Scientific name.
        laid: The instant from which days are counted (room time, ms); may lie before the
            watch's first start.
        eggs: How many at first, at least 1.
        box: The place that they were put into.
        position: Where in the box, where it holds more than one clutch.
        found: ``laid`` is the day on which it was found; it was laid earlier.
        parents: In the keeper's words.
        records: The keeper's own (°C, days).
        sex: Show what the temperature may mean for the sex.
        number: Of the entry that added it; 0: it was there from the start.
    """

    id: str
    species: str
    laid: int
    eggs: int
    box: str
    position: str = ""
    found: bool = False
    parents: str = ""
    records: tuple[tuple[float, float], ...] = ()
    sex: bool = False
    number: int = 0


@dataclass(frozen=True, slots=True)
class EggEntry:
    """One line of the egg log.

    Attributes:
        number: Its number, rising.
        clutch: Whose.
        at: When it happened (room time, ms).
        now: When it was written down.
        deed: What.
        count: How many eggs or hatchlings; 0: it is about all of them.
        of: Eggs or hatchlings; None: what is usual for the deed.
        grams: Weight of the counted eggs together, g.
        box: Where to, for a move.
        position: Where in it.
        undoes: Number of the entry that it takes back.
        by: Who.
        note: Free words.
    """

    number: int
    clutch: str
    at: int
    now: int
    deed: Deed
    count: int = 0
    of: Of | None = None
    grams: float | None = None
    box: str = ""
    position: str = ""
    undoes: int | None = None
    by: str = ""
    note: str = ""

    @property
    def subject(self) -> Of:
        """What it was done to."""
        return self.of or _USUALLY.get(self.deed, Of.EGG)


@dataclass(frozen=True, slots=True)
class Stay:
    """Where a clutch lay: from ``start`` to ``end`` (None: still), room time in ms."""

    start: int
    end: int | None
    box: str
    position: str


@dataclass(frozen=True, slots=True)
class Weighing:
    """One point of the weight curve.

    Attributes:
        at: Room time, ms.
        grams: Of one egg, mean.
        loss: Since the first weighing, percent; below 0 the eggs took up water.
    """

    at: int
    grams: float
    loss: float


@dataclass(frozen=True, slots=True)
class Arrival:
    """Hatchlings that moved into a place."""

    at: int
    count: int
    place: str


@dataclass(frozen=True, slots=True)
class Account:
    """What follows from a clutch's entries. Counts are eggs unless said otherwise.

    Attributes:
        left: Eggs still in the box.
        pipped: Eggs seen pipped.
        hatched: Eggs that hatched.
        slumped: Eggs that slumped.
        died: Eggs that died.
        removed: Eggs taken out.
        sold: Eggs sold.
        hatchlings: Hatchlings in the keeper's hands.
        hatchlings_died: Hatchlings that died.
        hatchlings_sold: Hatchlings sold.
        stays: Where it lay, ascending; the last is open while eggs are left.
        weighings: The weight curve.
        arrivals: Where hatchlings went.
        candled: Instants of candling.
        first_pip: Instant of the first pip (or hatching, where none was seen), or None.
        first_hatch: Instant of the first hatching, or None.
        last_hatch: Instant of the newest hatching, or None.
        over: Instant at which the last egg was out, or None.
        entries: The entries that count, ascending by instant.
    """

    left: int
    pipped: int = 0
    hatched: int = 0
    slumped: int = 0
    died: int = 0
    removed: int = 0
    sold: int = 0
    hatchlings: int = 0
    hatchlings_died: int = 0
    hatchlings_sold: int = 0
    stays: tuple[Stay, ...] = ()
    weighings: tuple[Weighing, ...] = ()
    arrivals: tuple[Arrival, ...] = ()
    candled: tuple[int, ...] = ()
    first_pip: int | None = None
    first_hatch: int | None = None
    last_hatch: int | None = None
    over: int | None = None
    entries: tuple[EggEntry, ...] = ()

    @property
    def box(self) -> str:
        """Where it lies, or lay last."""
        return self.stays[-1].box

    @property
    def position(self) -> str:
        """Where in the box."""
        return self.stays[-1].position

    @property
    def hatch_rate(self) -> float | None:
        """Share of the eggs whose fate is known that hatched, 0 to 1; None: of none yet."""
        known = self.hatched + self.slumped + self.died
        return self.hatched / known if known else None


@dataclass(frozen=True, slots=True)
class Totals:
    """A season: clutches and the sums over them (see :class:`Account`)."""

    clutches: int
    eggs: int
    left: int
    hatched: int
    slumped: int
    died: int
    removed: int
    sold: int
    hatchlings: int
    hatchlings_died: int
    hatchlings_sold: int

    @property
    def hatch_rate(self) -> float | None:
        """Share of the eggs whose fate is known that hatched, 0 to 1; None: of none yet."""
        known = self.hatched + self.slumped + self.died
        return self.hatched / known if known else None


@dataclass(frozen=True, slots=True)
class Book:
    """Every clutch and the whole egg log. A value; each change gives a new one.

    Attributes:
        clutches: In the order in which they were added.
        entries: In the order in which they were written.
    """

    clutches: tuple[Clutch, ...] = ()
    entries: tuple[EggEntry, ...] = ()

    def clutch(self, id_: str) -> Clutch:
        """Give a clutch.

        Raises:
            ClutchError: There is none of that id.
        """
        for clutch in self.clutches:
            if clutch.id == id_:
                return clutch
        known = ", ".join(clutch.id for clutch in self.clutches) or "none"
        raise ClutchError(f'there is no clutch "{id_}" (clutches: {known})')

    def account(self, id_: str) -> Account:
        """Give what follows from a clutch's entries."""
        return account(self.clutch(id_), [entry for entry in self.entries if entry.clutch == id_])

    def with_clutch(self, clutch: Clutch, boxes: Mapping[str, bool]) -> "Book":
        """Add a clutch.

        Args:
            clutch: The new one.
            boxes: Each place, and whether a sensor of temperature is in it.

        Raises:
            ClutchError: Its id is taken, it has no eggs, its box is unknown or has no
                sensor, or its position is taken. This book stays as it is.
        """
        if any(other.id == clutch.id for other in self.clutches):
            raise ClutchError(f'there is a clutch "{clutch.id}" already')
        if clutch.eggs < 1:
            raise ClutchError(f'clutch "{clutch.id}" needs at least one egg, not {clutch.eggs}')
        _check_box(clutch.box, boxes)
        grown = replace(self, clutches=(*self.clutches, clutch))
        _check_positions(grown, clutch.id)
        return grown

    def with_entry(self, entry: EggEntry, boxes: Mapping[str, bool]) -> "Book":
        """Write an entry.

        Args:
            entry: The new one.
            boxes: As for :meth:`with_clutch`.

        Raises:
            ClutchError: It cannot be so (see the text). This book stays as it is.
        """
        clutch = self.clutch(entry.clutch)
        if entry.deed is Deed.UNDONE:
            self._check_undo(entry)
        else:
            _check_entry(clutch, entry, boxes)
        grown = replace(self, entries=(*self.entries, entry))
        grown.account(entry.clutch)
        if entry.deed in (Deed.MOVED, Deed.UNDONE):
            _check_positions(grown, entry.clutch)
        return grown

    def totals(self, since: int, until: int) -> Totals:
        """Sum up the clutches laid in ``since <= laid < until`` (room time, ms)."""
        season = [clutch for clutch in self.clutches if since <= clutch.laid < until]
        accounts = [self.account(clutch.id) for clutch in season]
        return Totals(
            clutches=len(season),
            eggs=sum(clutch.eggs for clutch in season),
            left=sum(each.left for each in accounts),
            hatched=sum(each.hatched for each in accounts),
            slumped=sum(each.slumped for each in accounts),
            died=sum(each.died for each in accounts),
            removed=sum(each.removed for each in accounts),
            sold=sum(each.sold for each in accounts),
            hatchlings=sum(each.hatchlings for each in accounts),
            hatchlings_died=sum(each.hatchlings_died for each in accounts),
            hatchlings_sold=sum(each.hatchlings_sold for each in accounts),
        )

    def _check_undo(self, undo: EggEntry) -> None:
        """Refuse to take back what is not there, is an undo itself, or is taken back already."""
        target = next((entry for entry in self.entries if entry.number == undo.undoes), None)
        if target is None or target.clutch != undo.clutch:
            raise ClutchError(f'clutch "{undo.clutch}" has no entry {undo.undoes} to take back')
        if target.deed is Deed.UNDONE:
            raise ClutchError(f"entry {undo.undoes} takes another back; write what happened anew instead")
        if any(entry.undoes == undo.undoes for entry in self.entries):
            raise ClutchError(f"entry {undo.undoes} is taken back already")


def account(clutch: Clutch, entries: Iterable[EggEntry]) -> Account:
    """Work out what follows from a clutch's entries.

    Args:
        clutch: The clutch.
        entries: Its entries in any order; those that were taken back do not count.

    Raises:
        ClutchError: More would be taken than there is, at any instant.
    """
    written = list(entries)
    undone = {entry.undoes for entry in written if entry.deed is Deed.UNDONE}
    counting = [e for e in written if e.deed is not Deed.UNDONE and e.number not in undone]
    counting.sort(key=lambda entry: (entry.at, entry.number))
    first = Stay(clutch.laid, None, clutch.box, clutch.position)
    found = Account(left=clutch.eggs, stays=(first,), entries=tuple(counting))
    for entry in counting:
        found = _applied(clutch, found, entry)
        if found.left == 0 and found.over is None:
            last = replace(found.stays[-1], end=entry.at)
            found = replace(found, over=entry.at, stays=(*found.stays[:-1], last))
    return found


def offered_stage(entry: EggEntry) -> tuple[str, Stage] | None:
    """Give the change of stage that an entry suggests: (place, stage), or None.

    The shell asks; nothing changes by itself.
    """
    if entry.deed is Deed.MOVED and entry.box:
        return entry.box, Stage.HATCHLING if entry.subject is Of.HATCHLING else Stage.INCUBATION
    if entry.deed is Deed.PIPPED:
        return entry.box, Stage.HATCHING
    return None


_EGGS_OUT = {
    Deed.SLUMPED: "slumped",
    Deed.HATCHED: "hatched",
    Deed.DIED: "died",
    Deed.REMOVED: "removed",
    Deed.SOLD: "sold",
}
_HATCHLINGS_OUT = {Deed.DIED: "hatchlings_died", Deed.SOLD: "hatchlings_sold"}


def _applied(clutch: Clutch, before: Account, entry: EggEntry) -> Account:
    """Apply one entry."""
    if entry.deed is Deed.CANDLED:
        return replace(before, candled=(*before.candled, entry.at))
    if entry.deed is Deed.WEIGHED:
        return replace(before, weighings=(*before.weighings, _weighing(before, entry)))
    if entry.deed is Deed.MOVED:
        return _moved(clutch, before, entry)
    if entry.deed is Deed.PIPPED:
        return _pipped(clutch, before, entry)
    if entry.subject is Of.HATCHLING:
        return _hatchlings_out(clutch, before, entry)
    return _eggs_out(clutch, before, entry)


def _eggs_out(clutch: Clutch, before: Account, entry: EggEntry) -> Account:
    """Take eggs out of the box."""
    count = entry.count or before.left
    if count > before.left or count == 0:
        raise ClutchError(
            f'clutch "{clutch.id}": {count} {_eggs(count)} {entry.deed.value}, but only {before.left} '
            f"{'was' if before.left == 1 else 'were'} left then"
        )
    name = _EGGS_OUT[entry.deed]
    after = _counted(before, name, count, left=before.left - count)
    if entry.deed is Deed.HATCHED:
        after = replace(
            after,
            hatchlings=after.hatchlings + count,
            first_pip=entry.at if after.first_pip is None else after.first_pip,
            first_hatch=entry.at if after.first_hatch is None else after.first_hatch,
            last_hatch=entry.at,
        )
    return after


def _hatchlings_out(clutch: Clutch, before: Account, entry: EggEntry) -> Account:
    """Take hatchlings out of the keeper's hands."""
    count = entry.count or before.hatchlings
    name = _HATCHLINGS_OUT.get(entry.deed)
    if name is None:
        raise ClutchError(f'clutch "{clutch.id}": "{entry.deed.value}" is written of eggs, not of hatchlings')
    if count > before.hatchlings or count == 0:
        raise ClutchError(
            f'clutch "{clutch.id}": {count} hatchlings {entry.deed.value}, but only '
            f"{before.hatchlings} were there then"
        )
    after = _counted(before, name, count, left=before.left)
    return replace(after, hatchlings=before.hatchlings - count)


def _counted(before: Account, name: str, count: int, *, left: int) -> Account:
    """Add to one of the counts."""
    sums = {
        "slumped": before.slumped,
        "hatched": before.hatched,
        "died": before.died,
        "removed": before.removed,
        "sold": before.sold,
        "hatchlings_died": before.hatchlings_died,
        "hatchlings_sold": before.hatchlings_sold,
    }
    sums[name] += count
    return replace(
        before,
        left=left,
        slumped=sums["slumped"],
        hatched=sums["hatched"],
        died=sums["died"],
        removed=sums["removed"],
        sold=sums["sold"],
        hatchlings_died=sums["hatchlings_died"],
        hatchlings_sold=sums["hatchlings_sold"],
    )


def _pipped(clutch: Clutch, before: Account, entry: EggEntry) -> Account:
    """Note pips; the eggs stay in the box until they hatch."""
    count = entry.count or 1
    if count > before.left:
        raise ClutchError(
            f'clutch "{clutch.id}": {count} {_eggs(count)} pipped, but only {before.left} were left then'
        )
    first = entry.at if before.first_pip is None else before.first_pip
    return replace(before, pipped=before.pipped + count, first_pip=first)


def _moved(clutch: Clutch, before: Account, entry: EggEntry) -> Account:
    """Move the eggs to another box, or hatchlings to a place."""
    if entry.subject is Of.HATCHLING:
        count = entry.count or before.hatchlings
        if count > before.hatchlings or count == 0:
            there = f"only {before.hatchlings} were there then"
            raise ClutchError(f'clutch "{clutch.id}": {count} hatchlings moved, but {there}')
        return replace(before, arrivals=(*before.arrivals, Arrival(entry.at, count, entry.box)))
    if before.left == 0:
        raise ClutchError(f'clutch "{clutch.id}" had no eggs left to move')
    last = replace(before.stays[-1], end=entry.at)
    stay = Stay(entry.at, None, entry.box, entry.position)
    return replace(before, stays=(*before.stays[:-1], last, stay))


def _weighing(before: Account, entry: EggEntry) -> Weighing:
    """Make a point of the weight curve."""
    each = (entry.grams or 0.0) / (entry.count or before.left or 1)
    first = before.weighings[0].grams if before.weighings else each
    return Weighing(entry.at, each, 100.0 * (first - each) / first)


def _check_entry(clutch: Clutch, entry: EggEntry, boxes: Mapping[str, bool]) -> None:
    """Refuse what can be seen to be wrong without the other entries."""
    if entry.at < clutch.laid:
        early = (clutch.laid - entry.at) / DAY
        raise ClutchError(
            f'clutch "{clutch.id}": "{entry.deed.value}" would be {early:.1f} days before the clutch was '
            f"{'found' if clutch.found else 'laid'}"
        )
    if entry.at > entry.now:
        raise ClutchError(f'clutch "{clutch.id}": "{entry.deed.value}" lies in the future')
    if entry.count < 0:
        raise ClutchError(f'clutch "{clutch.id}": a count of {entry.count} cannot be')
    if entry.deed is Deed.WEIGHED and not (entry.grams is not None and 0.0 < entry.grams < 1e5):
        raise ClutchError(f'clutch "{clutch.id}": "weighed" needs the weight in grams, above 0')
    if entry.deed is Deed.MOVED and not entry.box:
        raise ClutchError(f'clutch "{clutch.id}": "moved" needs the place that it moved to')
    if entry.deed is Deed.MOVED:
        _check_box(entry.box, boxes, sensor=entry.subject is Of.EGG)


def _check_box(box: str, boxes: Mapping[str, bool], *, sensor: bool = True) -> None:
    """Refuse a box that is unknown or, where it matters, has no sensor."""
    if box not in boxes:
        raise ClutchError(f'"{box}" is no place (places: {", ".join(boxes) or "none"})')
    if sensor and not boxes[box]:
        raise ClutchError(f'box "{box}" has no sensor of temperature; a clutch needs one')


def _meet(one: Stay, other: Stay) -> bool:
    """Tell whether two stays share a position at some instant."""
    if (one.box, one.position) != (other.box, other.position):
        return False
    one_end, other_end = (stay.start + LONGEST if stay.end is None else stay.end for stay in (one, other))
    return one.start < other_end and other.start < one_end


def _eggs(count: int) -> str:
    """Say egg or eggs."""
    return "egg" if count == 1 else "eggs"


def _check_positions(book: Book, id_: str) -> None:
    """Refuse two clutches in one position of a box at the same time."""
    stays = book.account(id_).stays
    for clutch in book.clutches:
        if clutch.id == id_:
            continue
        for mine, other in itertools.product(stays, book.account(clutch.id).stays):
            if _meet(mine, other):
                where = f'"{mine.box}"' + (f', position "{mine.position}"' if mine.position else "")
                raise ClutchError(
                    f'clutches "{id_}" and "{clutch.id}" would lie in one position of {where}; '
                    "give each a position of its own"
                )
