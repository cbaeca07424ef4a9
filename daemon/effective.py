"""What is in force at every place: ranges with the origin of each number, holds, sensors.

Table, fallbacks, derivations and the keeper's own numbers are merged here, once;
the plan is made of it and ``check`` shows it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from daemon.settings_model import HumidityRange, PlaceTable, RoomFile, TemperatureRange
from daemon.settings_sensor import SensorTable
from rules import species as table
from rules.plan import PlaceKind, Stage, Store
from rules.reading import MINUTE, Quantity
from rules.span import Span
from rules.species import Bound, Expected, Origin, SourcedRange, SourcedSpan
from rules.species_table import Species

Period = Literal["day", "night"]

PERIODS: tuple[Period, Period] = ("day", "night")

DEADBANDS = {Quantity.TEMPERATURE: 0.3, Quantity.HUMIDITY: 3.0}
"""How far back inside a limit clears, where nobody says (K, percent)."""

HUMID_IDEAL, HUMID_SAFE = 45 * MINUTE, 20 * MINUTE
"""Usual holds of humidity (ms): moisture harms over hours, and misting is no alarm (common practice)."""

_USUAL = (20 * MINUTE, 2 * MINUTE, 5 * MINUTE)
_OUTDOOR = (20 * MINUTE, 10 * MINUTE, 5 * MINUTE)
_HIBERNATION = (60 * MINUTE, 30 * MINUTE, 5 * MINUTE)
"""Animals in the cold follow its air over hours, and their refrigerator defrosts like any other."""

SLOW = 8 * MINUTE
"""Usual hold of safe's cool side in incubators and boxes (ms): eggs cool over hours, and a lid is open
for minutes. Heat kills quickly: the warm side keeps the short hold (common practice, no source)."""

RETURNING, RETURNING_LIT, RETURNING_COLD = 60 * MINUTE, 40 * MINUTE, 180 * MINUTE
"""How long delays begin anew while a curve comes back: usual, under lamps, in cold stores (ms; ours)."""

_COLD = (60 * MINUTE, 45 * MINUTE, 5 * MINUTE)
"""Holds (ideal, safe, off; ms). A defrost lasts up to 42 min, a door 4 min."""


@dataclass(frozen=True, slots=True)
class Overrides:
    """What orders changed since the config: by place.

    Attributes:
        stage: Stage in force.
        species: Species in force, scientific or common name.
        in_use: In or out of use.
        hatching: Where eggs hatch, by the egg log: since when (room time, ms).
        settling: Where new hatchlings are left alone, by the egg log: since when.
        clutches: Ids of the clutches that are watched for being overdue.
    """

    stage: Mapping[str, Stage] = field(default_factory=dict)
    species: Mapping[str, str] = field(default_factory=dict)
    in_use: Mapping[str, bool] = field(default_factory=dict)
    hatching: Mapping[str, int] = field(default_factory=dict)
    settling: Mapping[str, int] = field(default_factory=dict)
    clutches: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Setting:
    """A span of time with its origin.

    Attributes:
        value: Milliseconds.
        origin: Where it comes from.
    """

    value: int
    origin: Origin


@dataclass(frozen=True, slots=True)
class EffectiveSpot:
    """The range of one quantity at one spot, by day and by night.

    Attributes:
        spot: Where; "" is every spot without an entry of its own.
        quantity: Temperature or humidity.
        day: By day, or None where nothing is judged.
        night: By night, or None.
        deadband: How far back inside a limit clears (K, percent).
        deadband_origin: Where that comes from.
    """

    spot: str
    quantity: Quantity
    day: SourcedRange | None
    night: SourcedRange | None
    deadband: float
    deadband_origin: Origin

    def by(self, period: Period) -> SourcedRange | None:
        """Give the range of one period."""
        return self.day if period == "day" else self.night


@dataclass(frozen=True, slots=True)
class EffectiveSensor:
    """One sensor as it is set.

    Attributes:
        name: Its name, the default one worked out.
        table: The config's entry.
    """

    name: str
    table: SensorTable


@dataclass(frozen=True, slots=True)
class Effective:
    """Everything that is in force at one place.

    Attributes:
        place: Name.
        kind: What sort of place.
        species: Scientific name where the table knows it, else as written, or None.
        species_in_config: As the config has it, or None.
        stage: Stage in force, or None.
        stage_in_config: The config's, the usual one for its kind included, or None.
        in_use: In or out of use now.
        in_use_in_config: As the config has it.
        spots: Ranges by spot and quantity.
        hold_ideal: How long ideal may be left.
        hold_safe: How long safe may be left.
        hold_slow: … on the side on which harm comes slowly.
        returning: For how long delays begin anew while a curve comes back.
        hold_off: How long right again clears.
        humid_ideal: How long ideal humidity may be left.
        humid_safe: How long safe humidity may be left.
        egg_lag: Time constant of an egg, or None.
        sensors: Its sensors.
        table: The config's entry.
        hatching: Eggs hatch here: silence is told sooner.
        settling: New hatchlings are here: holds are halved.
    """

    place: str
    kind: PlaceKind
    species: str | None
    species_in_config: str | None
    stage: Stage | None
    stage_in_config: Stage | None
    in_use: bool
    in_use_in_config: bool
    spots: tuple[EffectiveSpot, ...]
    hold_ideal: Setting
    hold_safe: Setting
    hold_slow: Setting
    returning: Setting
    hold_off: Setting
    humid_ideal: Setting
    humid_safe: Setting
    egg_lag: Setting | None
    sensors: tuple[EffectiveSensor, ...]
    table: PlaceTable
    hatching: bool = False
    settling: bool = False

    @property
    def holds(self) -> dict[str, Setting]:
        """Its holds by their names in the config."""
        return {
            "ideal": self.hold_ideal,
            "safe": self.hold_safe,
            "slow": self.hold_slow,
            "off": self.hold_off,
            "returning": self.returning,
        }

    @property
    def humid_holds(self) -> dict[str, Setting]:
        """Those of humidity, where they are others."""
        return {"ideal": self.humid_ideal, "safe": self.humid_safe}


def provenance(model: RoomFile, overrides: Overrides | None = None) -> tuple[Effective, ...]:
    """Say what is in force at every place and where each number comes from."""
    ordered = overrides if overrides is not None else Overrides()
    return tuple(_effective(place, ordered) for place in model.place)


def _effective(place: PlaceTable, ordered: Overrides) -> Effective:
    """Say it of one place."""
    written = ordered.species.get(place.name, place.species)
    known = table.find(written) if written is not None else None
    stage = place.stage_now(ordered.stage.get(place.name))
    ideal, safe, off = _holds(place)
    humid_ideal, humid_safe = _slower(ideal, HUMID_IDEAL), _slower(safe, HUMID_SAFE)
    slow, returning = _slow(place, safe), _returning(place, ideal, safe)
    if place.name in ordered.settling:
        ideal, safe, slow = map(_tighter, (ideal, safe, slow))
        humid_ideal, humid_safe = map(_tighter, (humid_ideal, humid_safe))
    sensors = zip(place.sensor_names(), place.sensor, strict=True)
    return Effective(
        place=place.name,
        kind=place.kind,
        species=known.name if known is not None else written,
        species_in_config=place.species,
        stage=stage,
        stage_in_config=place.stage_now(),
        in_use=ordered.in_use.get(place.name, place.in_use),
        in_use_in_config=place.in_use,
        spots=_spots(place, known, stage),
        hold_ideal=ideal,
        hold_safe=safe,
        hold_slow=slow,
        returning=returning,
        hold_off=off,
        humid_ideal=humid_ideal,
        humid_safe=humid_safe,
        egg_lag=_egg_lag(place, stage),
        sensors=tuple(EffectiveSensor(name, sensor) for name, sensor in sensors),
        table=place,
        hatching=place.name in ordered.hatching,
        settling=place.name in ordered.settling,
    )


def _slower(hold: Setting, usual: int) -> Setting:
    """Give the hold of humidity: the keeper's own as it is, else no shorter than usual for it."""
    return hold if hold.origin is Origin.YOURS else Setting(max(hold.value, usual), hold.origin)


def _tighter(hold: Setting) -> Setting:
    """Halve a hold while new hatchlings settle; one that is short already stays."""
    return Setting(max(hold.value // 2, min(hold.value, MINUTE)), Origin.DERIVED)


def _holds(place: PlaceTable) -> tuple[Setting, Setting, Setting]:
    """Give ideal, safe and off holds."""
    usual = _USUAL
    if place.kind is PlaceKind.OUTDOOR:
        usual = _OUTDOOR
    elif place.store in (Store.REFRIGERATOR, Store.FREEZER):
        usual = _COLD
    elif place.store is Store.HIBERNATION:
        usual = _HIBERNATION
    own = (place.hold.ideal, place.hold.safe, place.hold.off)
    ideal, safe, off = (
        Setting(value, Origin.COMMON_PRACTICE) if mine is None else Setting(mine, Origin.YOURS)
        for value, mine in zip(usual, own, strict=True)
    )
    return ideal, safe, off


def _slow(place: PlaceTable, safe: Setting) -> Setting:
    """Give safe's hold on the slow side: the keeper's own, else longer where lids are opened."""
    if place.hold.slow is not None:
        return Setting(place.hold.slow, Origin.YOURS)
    lidded = place.kind in (PlaceKind.INCUBATOR, PlaceKind.BOX)
    return Setting(SLOW, Origin.COMMON_PRACTICE) if lidded and safe.origin is not Origin.YOURS else safe


def _returning(place: PlaceTable, ideal: Setting, safe: Setting) -> Setting:
    """Give how long delays begin anew: a keeper's own hold is kept to the minute."""
    if place.hold.returning is not None:
        return Setting(place.hold.returning, Origin.YOURS)
    if Origin.YOURS in (ideal.origin, safe.origin):
        return Setting(0, Origin.DERIVED)
    usual = {PlaceKind.ENCLOSURE: RETURNING_LIT, PlaceKind.COLD_STORE: RETURNING_COLD}
    return Setting(usual.get(place.kind, RETURNING), Origin.COMMON_PRACTICE)


def _egg_lag(place: PlaceTable, stage: Stage | None) -> Setting | None:
    """Give the time constant of an egg: measured, else from its mass; only in a box with eggs."""
    if place.kind is not PlaceKind.BOX or stage not in table.EGG_STAGES:
        return None
    if place.lag is not None:
        return Setting(place.lag, Origin.YOURS) if place.lag > 0 else None
    if place.egg_mass is None:
        return None
    from rules.egg import lag_of_mass

    return Setting(lag_of_mass(place.egg_mass), Origin.DERIVED)


def _spots(place: PlaceTable, known: Species | None, stage: Stage | None) -> tuple[EffectiveSpot, ...]:
    """Merge table and own numbers into one entry for each spot and quantity."""
    found = _merged(place, known, stage)
    made = []
    for (spot, quantity), periods in sorted(found.items(), key=lambda item: item[0]):
        day, night = (_complete(periods[p], quantity, _margin_stage(place, stage)) for p in PERIODS)
        if day is None and night is None:
            continue
        own = place.deadband.temperature if quantity is Quantity.TEMPERATURE else place.deadband.humidity
        deadband = DEADBANDS[quantity] if own is None else own
        origin = Origin.COMMON_PRACTICE if own is None else Origin.YOURS
        made.append(EffectiveSpot(spot, quantity, day, night, deadband, origin))
    return tuple(made)


_Given = TemperatureRange | HumidityRange
_Key = tuple[str, Quantity]
_Periods = dict[Period, SourcedRange | None]


def _merged(place: PlaceTable, known: Species | None, stage: Stage | None) -> dict[_Key, _Periods]:
    """Give what is said of each spot, quantity and period: own numbers over the table's."""
    found: dict[_Key, _Periods] = {}
    whole = {q for q in DEADBANDS if getattr(place, q.value) is not None}
    for each in _from_table(place, known, stage):
        if each.quantity not in whole:
            found[each.spot, each.quantity] = {"day": each.day, "night": each.night}
    for quantity in whole:
        own = getattr(place, quantity.value)
        base = _table_whole(place, known, stage, quantity)
        found["", quantity] = {period: _own(own, base[period]) for period in PERIODS}
    entries = sorted(place.range, key=lambda entry: entry.spot is not None)
    for entry in entries:
        for quantity in DEADBANDS:
            given = getattr(entry, quantity.value)
            if given is not None:
                periods = PERIODS if entry.when == "always" else (entry.when,)
                _lay_over(found, (entry.spot or "", quantity), given, periods)
    return found


def _lay_over(
    found: dict[_Key, _Periods],
    key: _Key,
    given: _Given,
    periods: tuple[Period, ...],
) -> None:
    """Lay a range of one spot over what is there; other periods stay as they were."""
    whole: _Periods = found.get(("", key[1]), {"day": None, "night": None})
    there = found.setdefault(key, dict(whole))
    for period in periods:
        there[period] = _own(given, there[period])


def _from_table(place: PlaceTable, known: Species | None, stage: Stage | None) -> tuple[Expected, ...]:
    """Give what the table says of a place."""
    if place.store in (Store.REFRIGERATOR, Store.FREEZER):
        return table.cold_store(place.store)
    if known is None or stage is None:
        return ()
    spots = [sensor.spot for sensor in place.sensor] + [entry.spot for entry in place.range if entry.spot]
    return table.expected(known, stage, place.kind, spots)


def _table_whole(
    place: PlaceTable, known: Species | None, stage: Stage | None, quantity: Quantity
) -> _Periods:
    """Give what the table says of the place as a whole, by period."""
    whole = [e for e in _from_table(place, known, stage) if e.spot == "" and e.quantity is quantity]
    entry = whole[0] if whole else None
    return {"day": entry.day if entry else None, "night": entry.night if entry else None}


def _own(given: _Given, base: SourcedRange | None) -> SourcedRange:
    """Turn the keeper's numbers into a range; a missing ideal is what the table has inside safe."""
    ideal = _sourced(given.ideal)
    safe = _sourced(given.safe)
    if ideal is None and given.safe is not None and base is not None and base.ideal is not None:
        ideal = _inside(base.ideal, given.safe)
    if safe is None and given.ideal is not None and base is not None and base.safe is not None:
        safe = _published(base.safe, given.ideal)
    return SourcedRange(ideal, safe)


def _published(safe: SourcedSpan, ideal: Span) -> SourcedSpan | None:
    """Keep a published safe limit around the keeper's ideal, which always lies in it; else None."""
    ends = (safe.low, safe.high)
    if not any(end is not None and end.origin is Origin.SOURCE for end in ends):
        return None
    low, high = ends
    if low is not None and (ideal.low is None or ideal.low < low.value):
        low = Bound(ideal.low, Origin.YOURS) if ideal.low is not None else None
    if high is not None and (ideal.high is None or ideal.high > high.value):
        high = Bound(ideal.high, Origin.YOURS) if ideal.high is not None else None
    return SourcedSpan(low, high)


def _sourced(span: Span | None) -> SourcedSpan | None:
    """Mark a span as the keeper's."""
    if span is None:
        return None
    return SourcedSpan(
        *(None if end is None else Bound(end, Origin.YOURS, "") for end in (span.low, span.high))
    )


def _inside(ideal: SourcedSpan, safe: Span) -> SourcedSpan | None:
    """Cut the table's ideal span to the keeper's safe one; None where they do not meet."""
    low, high = ideal.low, ideal.high
    words = "the table's ideal, cut to your safe span"
    if safe.low is not None and (low is None or low.value < safe.low):
        low = Bound(safe.low, Origin.DERIVED, words)
    if safe.high is not None and (high is None or high.value > safe.high):
        high = Bound(safe.high, Origin.DERIVED, words)
    if low is not None and high is not None and low.value > high.value:
        return None
    return SourcedSpan(low, high)


def _margin_stage(place: PlaceTable, stage: Stage | None) -> Stage | None:
    """Give the stage by whose margins safe is derived around the keeper's own ideal."""
    if stage is not None:
        return stage
    usual = {
        PlaceKind.BOX: Stage.INCUBATION,
        PlaceKind.ENCLOSURE: Stage.ADULT,
        PlaceKind.OUTDOOR: Stage.ADULT,
    }
    return usual.get(place.kind)


def _complete(both: SourcedRange | None, quantity: Quantity, stage: Stage | None) -> SourcedRange | None:
    """Derive the safe span where only ideal is known; None where nothing is judged."""
    if both is not None and both.safe is None and both.ideal is not None and stage is not None:
        both = SourcedRange(both.ideal, table.derive_safe(both.ideal, quantity, stage))
    return both if both is not None and both.range() is not None else None
