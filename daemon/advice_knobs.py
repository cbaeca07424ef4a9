"""What advice may turn: the hold of ideal, the off-delay, deadbands and ideal spans.

Never safe: neither its span nor its hold. Each knob only lets the watch say less.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from daemon.advice_text import appended, changed
from daemon.effective import Effective, EffectiveSpot
from daemon.settings import Loaded
from daemon.texts import lasting
from daemon.toml_lines import Loc
from daemon.units import say_duration
from rules.reading import MINUTE, Quantity
from rules.species import Origin, SourcedSpan
from rules.track import RULE_NAMES

HOLDS = tuple(minutes * MINUTE for minutes in (10, 15, 20, 25, 30, 40, 50, 60, 90, 120))
OFFS = tuple(minutes * MINUTE for minutes in (5, 10, 15, 20, 30, 45, 60))
DEADBANDS = {Quantity.TEMPERATURE: (0.3, 0.5, 0.8, 1.0, 1.5), Quantity.HUMIDITY: (3.0, 5.0, 8.0, 10.0)}
WIDER = {Quantity.TEMPERATURE: (0.2, 0.5, 0.8, 1.0, 1.5, 2.0), Quantity.HUMIDITY: (2.0, 4.0, 6.0, 10.0)}
"""How far an ideal span may be widened (K, percent), inside safe."""


@dataclass(frozen=True, slots=True)
class Knob:
    """One setting that may be turned.

    Attributes:
        place: Whose.
        name: What it is called in the table ("hold of ideal").
        now: Its present value in words.
        ladder: Values to try, the mildest first.
        say: Puts a value into words.
        write: Puts a value into a config's text.
    """

    place: str
    name: str
    now: str
    ladder: tuple[float, ...]
    say: Callable[[float], str]
    write: Callable[[str, float], str]


def knobs(
    loaded: Loaded, places: Iterable[Effective], place: str, rules: Iterable[tuple[str, str]]
) -> list[Knob]:
    """Give what may be turned at a place because of some alarms.

    Args:
        loaded: The settings.
        places: What is in force.
        place: Its name.
        rules: (rule, spot) of the alarms that are too many.
    """
    for index, one in enumerate(places):
        if one.place == place:
            return list(_knobs(loaded, one, index, dict.fromkeys(rules)))
    return []


def _knobs(
    loaded: Loaded, place: Effective, index: int, rules: Mapping[tuple[str, str], None]
) -> Iterator[Knob]:
    at: Loc = ("place", index)
    for name, setting, steps in (("ideal", place.hold_ideal, HOLDS), ("off", place.hold_off, OFFS)):
        ladder = tuple(step for step in steps if step > setting.value)
        words = "hold of ideal" if name == "ideal" else "right again for (off)"
        write = _duration((*at, "hold", name), {} if name == "off" else _kept(place, at))
        yield Knob(place.place, words, lasting(setting.value), ladder, _lasting, write)
    seen: set[tuple[str, Quantity]] = set()
    for rule, spot in rules:
        found = _spot_of(place, rule, spot)
        if found is None:
            continue
        quantity = found.quantity
        if ("", quantity) not in seen:
            seen.add(("", quantity))
            yield _deadband(place.place, found, at)
        ideal = _ideal(loaded, place, index, (found, spot), upper=rule == RULE_NAMES[quantity][1])
        if ideal is not None:
            yield ideal


def _spot_of(place: Effective, rule: str, spot: str) -> EffectiveSpot | None:
    for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY):
        if rule in RULE_NAMES[quantity]:
            mine = [one for one in place.spots if one.quantity is quantity and one.spot in (spot, "")]
            return next((one for one in mine if one.spot == spot), mine[0] if mine else None)
    return None


def _lasting(value: float) -> str:
    return lasting(int(value))


def _duration(loc: Loc, beside: Mapping[Loc, str]) -> Callable[[str, float], str]:
    return lambda text, value: changed(text, {loc: f'"{say_duration(int(value))}"', **beside})


def _kept(place: Effective, at: Loc) -> dict[Loc, str]:
    """Give what must be written beside a hold of ideal: with a hold of one's own nothing is usual."""
    if place.returning.origin is not Origin.COMMON_PRACTICE:
        return {}
    return {(*at, "hold", "returning"): f'"{say_duration(place.returning.value)}"'}


def _deadband(place: str, spot: EffectiveSpot, at: Loc) -> Knob:
    quantity = spot.quantity
    loc = (*at, "deadband", quantity.value)
    ladder = tuple(step for step in DEADBANDS[quantity] if step > spot.deadband)

    def write(text: str, value: float) -> str:
        return changed(text, {loc: _difference(quantity, value)})

    name = f"deadband of {quantity.value}"
    return Knob(place, name, _by(quantity, spot.deadband), ladder, lambda value: _by(quantity, value), write)


def _difference(quantity: Quantity, value: float) -> str:
    return f'"{value:g} C"' if quantity is Quantity.TEMPERATURE else f"{value:g}"


def _by(quantity: Quantity, value: float) -> str:
    return f"{value:g} {'K' if quantity is Quantity.TEMPERATURE else '%'}"


def _ideal(
    loaded: Loaded, place: Effective, index: int, which: tuple[EffectiveSpot, str], *, upper: bool
) -> Knob | None:
    """Give the knob of one end of an ideal span; None where day and night differ or it is open."""
    spot, where = which
    both = spot.day
    if both is None or spot.day != spot.night or both.ideal is None:
        return None
    end = both.ideal.high if upper else both.ideal.low
    limit = None if both.safe is None else (both.safe.high if upper else both.safe.low)
    if end is None:
        return None
    sign = 1 if upper else -1
    steps = [round(end.value + sign * step, 3) for step in WIDER[spot.quantity]]
    ladder = tuple(step for step in steps if limit is None or sign * step <= sign * limit.value)
    ideal, safe = both.ideal, both.safe

    def write(text: str, value: float) -> str:
        low = value if not upper else _value(ideal, upper=False)
        high = value if upper else _value(ideal, upper=True)
        spans = {"ideal": _span(spot.quantity, low, high)}
        if safe is not None:
            spans["safe"] = _span(spot.quantity, _value(safe, upper=False), _value(safe, upper=True))
        return _write_spans(loaded, text, (place, index), (spot, where), spans)

    unit = "°C" if spot.quantity is Quantity.TEMPERATURE else "%"
    name = f"{'upper' if upper else 'lower'} end of ideal {spot.quantity.value}"
    return Knob(place.place, name, f"{end.value:g} {unit}", ladder, lambda value: f"{value:g} {unit}", write)


def _value(span: SourcedSpan, *, upper: bool) -> float | None:
    end = span.high if upper else span.low
    return None if end is None else end.value


def _span(quantity: Quantity, low: float | None, high: float | None) -> str:
    open_low = "none" if quantity is Quantity.TEMPERATURE else "0"
    open_high = "none" if quantity is Quantity.TEMPERATURE else "100"

    def end(value: float | None, otherwise: str) -> str:
        if quantity is Quantity.TEMPERATURE:
            return f'"{otherwise}"' if value is None else f'"{value:g} C"'
        return otherwise if value is None else f"{value:g}"

    return f"[{end(low, open_low)}, {end(high, open_high)}]"


def _write_spans(
    loaded: Loaded,
    text: str,
    where: tuple[Effective, int],
    which: tuple[EffectiveSpot, str],
    spans: Mapping[str, str],
) -> str:
    """Write spans where the keeper's own stand, else as a range of the spot."""
    place, index = where
    spot, name = which
    quantity = spot.quantity.value
    for number, entry in enumerate(place.table.range):
        if (
            (entry.spot or "") == spot.spot
            and getattr(entry, quantity) is not None
            and entry.when == "always"
        ):
            return _into(loaded, text, ("place", index, "range", number, quantity), spans)
    own = spot.day is not None and spot.day.ideal is not None and _is_own(spot.day.ideal)
    if getattr(place.table, quantity) is not None and spot.spot == "" and own:
        return _into(loaded, text, ("place", index, quantity), spans)
    inner = ", ".join(f"{key} = {value}" for key, value in spans.items())
    return appended(text, index, f'[[place.range]]\nspot = "{name}"\n{quantity} = {{ {inner} }}')


def _is_own(span: SourcedSpan) -> bool:
    return any(end is not None and end.origin is Origin.YOURS for end in (span.low, span.high))


def _into(loaded: Loaded, text: str, table: Loc, spans: Mapping[str, str]) -> str:
    """Write ideal; safe only where it is not written, so that it stays what it is."""
    wanted = {(*table, "ideal"): spans["ideal"]}
    if (*table, "safe") not in loaded.lines and "safe" in spans:
        wanted[*table, "safe"] = spans["safe"]
    return changed(text, wanted)
