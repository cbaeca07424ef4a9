"""What a species' table says about a place, and where each number is from.

The table holds ideal spans only. Safe spans are derived, gaps are filled by
named fallbacks, and every number keeps its origin so that a keeper can see
which to confirm.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from difflib import get_close_matches
from enum import StrEnum

from rules.plan import PlaceKind, Stage, Store
from rules.reading import Quantity
from rules.span import Range, Span
from rules.species_table import MEMORY, TABLE, Row, Species


class Origin(StrEnum):
    """Where a number comes from."""

    SOURCE = "source"
    COMMON_PRACTICE = "common practice, no source"
    DERIVED = "derived"
    FALLBACK = "fallback"
    YOURS = "yours"


@dataclass(frozen=True, slots=True)
class Bound:
    """One end of a span with its origin.

    Attributes:
        value: °C or percent.
        origin: Where it comes from.
        source: The same in words: a citation, or how it was derived.
    """

    value: float
    origin: Origin
    source: str = ""


@dataclass(frozen=True, slots=True)
class SourcedSpan:
    """A span whose ends know where they come from; None is an open side."""

    low: Bound | None
    high: Bound | None

    def span(self) -> Span | None:
        """Give the bare span, or None where both sides are open."""
        if self.low is None and self.high is None:
            return None
        return Span(self.low.value if self.low else None, self.high.value if self.high else None)


@dataclass(frozen=True, slots=True)
class SourcedRange:
    """A range whose numbers know where they come from."""

    ideal: SourcedSpan | None
    safe: SourcedSpan | None

    def range(self) -> Range | None:
        """Give the bare range, or None where nothing is judged."""
        ideal = self.ideal.span() if self.ideal else None
        safe = self.safe.span() if self.safe else None
        return Range(ideal, safe) if ideal is not None or safe is not None else None


@dataclass(frozen=True, slots=True)
class Expected:
    """What is expected of one quantity at one spot, by day and by night.

    Attributes:
        spot: Where; "" is everywhere in the place.
        quantity: Temperature or humidity.
        day: By day, or None where nothing is judged.
        night: By night, or None.
    """

    spot: str
    quantity: Quantity
    day: SourcedRange | None
    night: SourcedRange | None


AIR, WARM, COOL, BASKING = "air", "warm side", "cool side", "basking surface"

EGG_STAGES = frozenset({Stage.INCUBATION, Stage.HATCHING})
"""Stages whose rows are the egg's in a box."""

MARGINS: dict[Stage, tuple[float, float]] = {
    Stage.INCUBATION: (3.0, 1.0),
    Stage.HATCHING: (3.0, 1.0),
    Stage.HATCHLING: (3.0, 3.0),
    Stage.JUVENILE: (3.0, 3.0),
    Stage.ADULT: (4.0, 4.0),
    Stage.COOLING: (2.0, 2.0),
}
"""How far safe reaches below and above ideal where no source gives it (K)."""

HUMIDITY_MARGIN = 10.0
"""How far safe reaches to both sides of ideal humidity (percent)."""

HATCHING_HUMIDITY = 5.0
"""How much more humid hatching is than incubation (percent)."""

FALLBACKS: dict[Stage, tuple[Stage, ...]] = {
    Stage.HATCHING: (Stage.INCUBATION,),
    Stage.JUVENILE: (Stage.HATCHLING, Stage.ADULT),
}
"""Whose rows stand in for a stage that the table lacks, best first."""

STORE_MARGIN = 0.5
"""How far inside the published limit of a cold store its ideal ends (K)."""

_STORES = {
    Store.REFRIGERATOR: (0.0, 4.4, "USDA FSIS: refrigerator at or below 40 °F (4.4 °C)"),
    Store.FREEZER: (None, -17.8, "USDA FSIS and FDA: freezer at or below 0 °F (−17.8 °C)"),
}

_BY_NAME = {name.casefold(): species for species in TABLE for name in (species.name, *species.common)}


def find(name: str) -> Species | None:
    """Give the species with this scientific or common name, whatever its case."""
    return _BY_NAME.get(" ".join(name.casefold().split()))


def suggest(name: str) -> tuple[str, ...]:
    """Give up to three names of the table that look like ``name``, as they are written."""
    asked = " ".join(name.casefold().split())
    close = get_close_matches(asked, _BY_NAME, n=3, cutoff=0.6)
    close += [known for known in _BY_NAME if asked and asked in known.split() and known not in close]
    written = {n.casefold(): n for species in TABLE for n in (species.name, *species.common)}
    return tuple(written[known] for known in close[:3])


def stages(species: Species) -> tuple[Stage, ...]:
    """Give the stages for which the table has numbers, fallbacks included."""
    own = {row.stage for row in species.rows}
    return tuple(
        stage for stage in Stage if stage in own or any(other in own for other in FALLBACKS.get(stage, ()))
    )


def expected(
    species: Species, stage: Stage, kind: PlaceKind, spots: Iterable[str] = ()
) -> tuple[Expected, ...]:
    """Say what a species needs in a place of this kind at this stage.

    Args:
        species: Whose table.
        stage: Its stage of life.
        kind: Outdoors only the safe span counts: ideal is no promise of the weather.
        spots: Spots where the place has sensors; fallbacks are made for these.

    Returns:
        One entry for each spot and quantity that has numbers; () where the table has
        nothing for this stage, and always in the room's own air.
    """
    rows, loan = _rows(species, stage)
    if kind is PlaceKind.ROOM or not rows:
        return ()
    wanted = dict.fromkeys([*(row.spot for row in rows), *spots])
    if any(row.spot == "" for row in rows):
        wanted = {"": None}
    quantities = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
    made = (_expected(rows, spot, quantity, stage) for spot in wanted for quantity in quantities)
    found = [each for each in made if each is not None]
    if loan is not None:
        found = [_lent(each, stage, loan) for each in found]
    if kind is PlaceKind.OUTDOOR:
        found = [replace(each, day=_safe_only(each.day), night=_safe_only(each.night)) for each in found]
    return tuple(found)


def cold_store(store: Store) -> tuple[Expected, ...]:
    """Say what a cold store for food needs: the published limit is its safe one.

    Returns:
        One entry for temperature; () for hibernation, whose numbers are the species'.
    """
    if store not in _STORES:
        return ()
    low, limit, source = _STORES[store]
    inside = Bound(round(limit - STORE_MARGIN, 3), Origin.DERIVED, f"{STORE_MARGIN} K inside the limit")
    bottom = Bound(low, Origin.SOURCE, source) if low is not None else None
    both = SourcedRange(SourcedSpan(bottom, inside), SourcedSpan(None, Bound(limit, Origin.SOURCE, source)))
    return (Expected("", Quantity.TEMPERATURE, both, both),)


def derive_safe(ideal: SourcedSpan, quantity: Quantity, stage: Stage) -> SourcedSpan | None:
    """Derive the safe span around an ideal one.

    Returns:
        The wider span, marked derived; humidity is clipped to 0 to 100, where 100 is no
        upper limit. None where both sides are open.
    """
    below, above = MARGINS[stage]
    words = f"ideal −{below:g}/+{above:g} K"
    if quantity is Quantity.HUMIDITY:
        below = above = HUMIDITY_MARGIN
        words = f"ideal ±{below:g} %"
    low = ideal.low.value - below if ideal.low else None
    high = ideal.high.value + above if ideal.high else None
    if quantity is Quantity.HUMIDITY:
        low = max(low, 0.0) if low is not None else None
        high = None if high is None or high >= 100 else high
    if low is None and high is None:
        return None
    return SourcedSpan(_bound(low, Origin.DERIVED, words), _bound(high, Origin.DERIVED, words))


def _bound(value: float | None, origin: Origin, source: str) -> Bound | None:
    """Make a bound of a value that may be open."""
    return None if value is None else Bound(round(value, 3), origin, source)


def _rows(species: Species, stage: Stage) -> tuple[list[Row], Stage | None]:
    """Give a stage's rows, and the stage that lent them where it has none."""
    own = [row for row in species.rows if row.stage is stage]
    if own:
        return own, None
    for other in FALLBACKS.get(stage, ()):
        lent = [row for row in species.rows if row.stage is other]
        if lent:
            return lent, other
    return [], None


def _expected(rows: list[Row], spot: str, quantity: Quantity, stage: Stage) -> Expected | None:
    """Say what one quantity at one spot should be, or None where nothing is known."""
    day = _ideal(rows, spot, quantity, "day", stage)
    night = _ideal(rows, spot, quantity, "night", stage)
    if day is None and night is None:
        return None
    return Expected(spot, quantity, _around(day, quantity, stage), _around(night, quantity, stage))


def _around(ideal: SourcedSpan | None, quantity: Quantity, stage: Stage) -> SourcedRange | None:
    """Put the derived safe span around an ideal one."""
    return SourcedRange(ideal, derive_safe(ideal, quantity, stage)) if ideal is not None else None


def _ideal(rows: list[Row], spot: str, quantity: Quantity, when: str, stage: Stage) -> SourcedSpan | None:
    """Give the ideal span from the row, else from the fallback for this spot."""
    row = _row(rows, spot, when)
    if row is not None:
        return _of_row(row, quantity, stage)
    if when == "night" and spot in (WARM, COOL):
        air = _row(rows, AIR, "night")
        return _relabel(_of_row(air, quantity, stage), "the night row of air") if air else None
    if when == "day" and spot == AIR:
        return _between(rows, quantity, stage)
    return None


def _row(rows: list[Row], spot: str, when: str) -> Row | None:
    """Find the row of a spot for a period."""
    return next((row for row in rows if row.spot == spot and row.when in (when, "always")), None)


def _of_row(row: Row, quantity: Quantity, stage: Stage) -> SourcedSpan | None:
    """Turn a row into a span; hatching is more humid than the incubation that lends it."""
    pair = row.temperature if quantity is Quantity.TEMPERATURE else row.humidity
    if pair is None:
        return None
    more = 0.0
    if quantity is Quantity.HUMIDITY and stage is Stage.HATCHING and row.stage is Stage.INCUBATION:
        more = HATCHING_HUMIDITY
    letter = "t" if quantity is Quantity.TEMPERATURE else "h"
    origin = Origin.SOURCE if letter in row.sourced else Origin.COMMON_PRACTICE
    known = origin is Origin.SOURCE or row.source.startswith(MEMORY)
    source = row.source if known else MEMORY
    low, high = pair[0] + more, pair[1] + more
    open_top = quantity is Quantity.HUMIDITY and high >= 100
    return SourcedSpan(_bound(low, origin, source), _bound(None if open_top else high, origin, source))


def _between(rows: list[Row], quantity: Quantity, stage: Stage) -> SourcedSpan | None:
    """Span the air by day from the cool side's low to the warm side's high."""
    cool, warm = _row(rows, COOL, "day"), _row(rows, WARM, "day")
    if cool is None or warm is None:
        return None
    low, high = _of_row(cool, quantity, stage), _of_row(warm, quantity, stage)
    if low is None or high is None:
        return None
    words = "from the cool side's lower to the warm side's upper end"
    return SourcedSpan(
        replace(low.low, origin=Origin.DERIVED, source=words) if low.low else None,
        replace(high.high, origin=Origin.DERIVED, source=words) if high.high else None,
    )


def _relabel(span: SourcedSpan | None, words: str) -> SourcedSpan | None:
    """Mark a span's numbers as borrowed."""
    if span is None:
        return None
    return SourcedSpan(_borrowed(span.low, words), _borrowed(span.high, words))


def _borrowed(bound: Bound | None, words: str) -> Bound | None:
    """Mark one number as borrowed; what it was stays in its words."""
    if bound is None:
        return None
    return Bound(bound.value, Origin.FALLBACK, f"{words} ({bound.source})")


def _lent(entry: Expected, stage: Stage, lender: Stage) -> Expected:
    """Mark what another stage lent."""
    words = f"{stage.value} as {lender.value}"
    humid = stage is Stage.HATCHING and entry.quantity is Quantity.HUMIDITY
    words += f" +{HATCHING_HUMIDITY:g} %" if humid else ""
    return replace(entry, day=_lent_range(entry.day, words), night=_lent_range(entry.night, words))


def _lent_range(both: SourcedRange | None, words: str) -> SourcedRange | None:
    """Mark the ideal span of one period as lent; safe is derived anyway."""
    return replace(both, ideal=_relabel(both.ideal, words)) if both is not None else None


def _safe_only(both: SourcedRange | None) -> SourcedRange | None:
    """Drop ideal; None where no safe span is left."""
    return SourcedRange(None, both.safe) if both is not None and both.safe is not None else None
