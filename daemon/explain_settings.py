"""Which settings count for a rule at a place: each with its origin and its line in the config."""

from collections.abc import Iterator
from dataclasses import dataclass

from daemon.effective import Effective, EffectiveSpot, Setting, provenance
from daemon.explain_rules import RuleWords, Sort
from daemon.explain_scene import Then
from daemon.standing import Basis
from daemon.texts import Speaker, lasting
from rules.calendar import last_edge, state_at
from rules.plan import PlaceKind
from rules.reading import Quantity
from rules.species import Origin, SourcedSpan
from rules.track import RULE_NAMES
from rules.words import Kelvin, Percent

Loc = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Counted:
    """One setting that counts.

    Attributes:
        what: Which ("ideal", "hold of safe", "silence of box-2").
        value: Its value in words.
        origin: Where it comes from: yours, a source, common practice, derived.
        line: Line in the config, or None: it is not written there.
    """

    what: str
    value: str
    origin: str
    line: int | None


@dataclass(frozen=True, slots=True)
class Which:
    """What the settings are wanted for: a rule at a place, a spot and a sensor."""

    rule: RuleWords
    place: str
    spot: str
    quantity: Quantity | None
    sensor: str
    now: int


def counted(then: Then, basis: Basis | None, which: Which, speak: Speaker) -> tuple[Counted, ...]:
    """Give the settings that count for a rule, in order of importance."""
    places = provenance(then.loaded.model, basis.overrides if basis else None)
    for index, place in enumerate(places):
        if place.place == which.place:
            return tuple(_counted(then, place, ("place", index), which, speak))
    return ()


def _counted(then: Then, place: Effective, at: Loc, which: Which, speak: Speaker) -> Iterator[Counted]:
    rule, quantity = which.rule, which.quantity
    if rule.sort is Sort.RANGE and quantity is not None:
        spot = _spot(place, which)
        if spot is not None:
            yield from _spans(then, place, at, (spot, _period(then, which)), speak)
            yield _deadband(then, spot, at, speak)
        humid = quantity is Quantity.HUMIDITY
        ideal, safe = (place.humid_ideal, place.humid_safe) if humid else (place.hold_ideal, place.hold_safe)
        slow = not humid and rule.name == RULE_NAMES[quantity][place.kind is PlaceKind.COLD_STORE]
        safely = ("slow", place.hold_slow) if slow else ("safe", safe)
        for name, setting in (("ideal", ideal), safely, ("off", place.hold_off)):
            yield _setting(then, f"hold of {name}", setting, (*at, "hold", name))
        if place.returning.value:
            what = "hold begins anew while it comes back, at most"
            yield _setting(then, what, place.returning, (*at, "hold", "returning"))
        if quantity is Quantity.TEMPERATURE and place.egg_lag is not None:
            key = "lag" if place.egg_lag.origin is Origin.YOURS else "egg_mass"
            yield _setting(then, "an egg's time constant", place.egg_lag, (*at, key))
    yield from _of_sensor(then, place, at, which)
    if place.species is not None and rule.sort not in (Sort.SENSOR, Sort.CONTACT):
        yield Counted("species", place.species, "yours", line_of(then, (*at, "species")))
    if place.stage is not None and rule.sort in (Sort.RANGE, Sort.CLIMATE):
        ordered = place.stage is not place.stage_in_config
        origin = "by order" if ordered else "yours" if place.table.stage else "usual for its kind"
        yield Counted("stage", place.stage.value, origin, line_of(then, (*at, "stage")))


def _of_sensor(then: Then, place: Effective, at: Loc, which: Which) -> Iterator[Counted]:
    for number, sensor in enumerate(place.sensors):
        if sensor.name != which.sensor:
            continue
        loc = (*at, "sensor", number)
        every = sensor.table.read.every
        written = line_of(then, (*loc, "read", "every"))
        origin = "yours" if written else "default"
        yield Counted(f"every of {sensor.name}", lasting(every), origin, written or line_of(then, loc))
        if which.rule.name == "silent":
            plan = next((one for one in then.plan.sensors if one.name == sensor.name), None)
            own = line_of(then, (*loc, "silence"))
            value = lasting(plan.silence) if plan is not None else "unknown"
            origin = "yours" if own else "default: the longer of five intervals and 10 min"
            yield Counted(f"silence of {sensor.name}", value, origin, own)


def _spot(place: Effective, which: Which) -> EffectiveSpot | None:
    mine = [one for one in place.spots if one.quantity is which.quantity and one.spot in (which.spot, "")]
    return next((one for one in mine if one.spot == which.spot), mine[0] if mine else None)


def _period(then: Then, which: Which) -> str:
    """Tell by which period is judged: day, night, or both (the wider counts)."""
    place = next(one for one in then.plan.places if one.name == which.place)
    calendar = then.plan.calendars.get(place.calendar)
    edge = last_edge(calendar, which.now)
    state = state_at(calendar, which.now)
    if state is None or (edge is not None and which.now < edge + place.settle):
        return "both"
    return "day" if state else "night"


def _spans(
    then: Then, place: Effective, at: Loc, which: tuple[EffectiveSpot, str], speak: Speaker
) -> Iterator[Counted]:
    spot, period = which
    both = [("day", spot.day), ("night", spot.night)]
    if spot.day == spot.night:
        both = [("", spot.day)]
    elif period != "both":
        both = [one for one in both if one[0] == period]
    for name, ranges in both:
        for span_name in ("ideal", "safe"):
            span = getattr(ranges, span_name, None)
            if span is not None:
                words = f"{span_name} by {name}" if name else span_name
                line = _span_line(then, place, at, (spot, name, span_name), span)
                yield Counted(words, _span_words(span, spot.quantity, speak), _origin(span), line)


def _span_words(span: SourcedSpan, quantity: Quantity, speak: Speaker) -> str:
    low, high = span.low, span.high
    if low is not None and high is not None:
        return f"{speak.value(quantity, low.value)} to {speak.value(quantity, high.value)}"
    if low is not None:
        return f"from {speak.value(quantity, low.value)}"
    return f"up to {speak.value(quantity, high.value)}" if high is not None else "open"


def _origin(span: SourcedSpan) -> str:
    ends = [end for end in (span.low, span.high) if end is not None]
    said = [
        end.origin.value
        if not end.source or end.origin is Origin.YOURS
        else f"{end.origin.value}: {end.source}"
        for end in ends
    ]
    return "; ".join(dict.fromkeys(said))


def _span_line(
    then: Then, place: Effective, at: Loc, which: tuple[EffectiveSpot, str, str], span: SourcedSpan
) -> int | None:
    """Give the line of a span: where it is written, else of what it was derived from."""
    spot, period, name = which
    yours = any(end is not None and end.origin is Origin.YOURS for end in (span.low, span.high))
    for number, entry in reversed(list(enumerate(place.table.range))):
        fits = (entry.spot or "") in (spot.spot, "") and (entry.when in ("always", period) or not period)
        loc = (*at, "range", number, spot.quantity.value)
        if fits and getattr(entry, spot.quantity.value) is not None:
            line = line_of(then, (*loc, name))
            if line is not None or yours:
                return line or line_of(then, loc)
    loc = (*at, spot.quantity.value)
    line = line_of(then, (*loc, name))
    if line is not None:
        return line
    derived = any(end is not None and end.origin is Origin.DERIVED for end in (span.low, span.high))
    return (line_of(then, loc) if derived else None) or line_of(then, (*at, "species"))


def _deadband(then: Then, spot: EffectiveSpot, at: Loc, speak: Speaker) -> Counted:
    warm = spot.quantity is Quantity.TEMPERATURE
    value = speak.say((Kelvin(spot.deadband) if warm else Percent(spot.deadband),))
    line = line_of(then, (*at, "deadband", spot.quantity.value))
    return Counted("deadband", value, spot.deadband_origin.value, line)


def _setting(then: Then, what: str, setting: Setting, loc: Loc) -> Counted:
    line = line_of(then, loc) if setting.origin is not Origin.COMMON_PRACTICE else None
    return Counted(what, lasting(setting.value), setting.origin.value, line)


def line_of(then: Then, loc: Loc) -> int | None:
    """Give the line of a key, or None where it is not written."""
    found = then.loaded.lines.get(loc)
    return None if found is None else found.line
