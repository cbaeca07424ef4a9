"""Say what a config means: what is judged where, where each number is from, and what to know.

Only reads. Also tells two configs apart by what they put in force.
"""

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from pydantic import BaseModel

from daemon.check_answer import CheckAnswer, SecretAnswer, place_answer
from daemon.check_warnings import warnings_of
from daemon.effective import (
    PERIODS,
    Effective,
    EffectiveSensor,
    EffectiveSpot,
    Overrides,
    provenance,
)
from daemon.secrets import Secrets
from daemon.settings import Loaded
from daemon.settings_keys import written
from daemon.settings_model import RoomFile
from daemon.units import say_difference, say_duration, say_temperature
from rules.plan import slow_side
from rules.reading import Quantity
from rules.species import Bound, Origin, SourcedRange, SourcedSpan


@dataclass(frozen=True, slots=True)
class Needed:
    """A secret that the config names.

    Attributes:
        name: Its name.
        use: What it is for.
        present: It is there.
    """

    name: str
    use: str
    present: bool


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What a config means.

    Attributes:
        room: Name of the room.
        path: The config.
        digest: SHA-256 of its text.
        show: "C" or "F".
        places: What is in force at each place.
        secrets: Every secret that is named.
        warnings: What a keeper should know.
    """

    room: str
    path: Path
    digest: str
    show: str
    places: tuple[Effective, ...]
    secrets: tuple[Needed, ...]
    warnings: tuple[str, ...]

    def text(self) -> tuple[str, ...]:
        """Give the lines for people."""
        lines = [f"{self.room} ({self.path})"]
        for place in self.places:
            lines += ["", *_place_lines(place, self.show)]
        if self.secrets:
            lines += ["", "secrets (never shown):"]
            lines += [f"  {each.name}: {each.use}: {_there(present=each.present)}" for each in self.secrets]
        if self.warnings:
            lines += ["", "to know:", *(f"  {words}" for words in self.warnings)]
        return tuple(lines)

    def answer(self) -> CheckAnswer:
        """Give the answer for programs; its model is the schema."""
        return CheckAnswer(
            room=self.room,
            file=str(self.path),
            digest=self.digest,
            places=[place_answer(place) for place in self.places],
            secrets=[SecretAnswer(name=e.name, use=e.use, present=e.present) for e in self.secrets],
            warnings=list(self.warnings),
        )


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that two configs put in force differently.

    Attributes:
        place: The place, or "" for the room as a whole.
        what: What it is.
        before: As it was, "none" where it was not.
        after: As it is, "none" where it is not.
    """

    place: str
    what: str
    before: str
    after: str

    def __str__(self) -> str:
        """Write it as one line."""
        where = f"{self.place}: " if self.place else ""
        return f"{where}{self.what}: {self.before} → {self.after}"


def report(
    loaded: Loaded, *, env: Mapping[str, str] = os.environ, overrides: Overrides | None = None
) -> CheckReport:
    """Say what a config means.

    Args:
        loaded: The config.
        env: Environment names and values (for the credentials folder).
        overrides: What orders changed since.

    Returns:
        The report. A missing secret is a warning in it.
    """
    places = provenance(loaded.model, overrides)
    secrets = needed_secrets(loaded.model, Secrets.for_config(loaded.path, env))
    missing = (f"secret {each.name!r} ({each.use}) is missing" for each in secrets if not each.present)
    return CheckReport(
        room=loaded.model.room.name,
        path=loaded.path,
        digest=loaded.digest,
        show=loaded.model.room.show,
        places=places,
        secrets=secrets,
        warnings=(*missing, *loaded.warnings, *warnings_of(loaded.model, places)),
    )


def needed_secrets(model: RoomFile, secrets: Secrets) -> tuple[Needed, ...]:
    """List every secret that the config names and say whether it is there."""
    uses: dict[str, str] = {}
    for contact in model.contact:
        uses.setdefault(contact.reach, f"reaches contact {contact.name}")
    if model.broker is not None and model.broker.user is not None:
        uses["broker"] = "password at the broker"
    if model.uplink is not None:
        uses["uplink"] = "token at the uplink's server"
    if model.watch.heartbeat is not None:
        uses[model.watch.heartbeat] = "address of the heartbeat"
    return tuple(Needed(name, use, secrets.get(name) is not None) for name, use in uses.items())


def difference(
    old: RoomFile, new: RoomFile, *, overrides: Overrides | None = None, show: str | None = None
) -> tuple[Difference, ...]:
    """Tell two configs apart by what they put in force.

    Args:
        old: The settings before.
        new: The settings after.
        overrides: What orders changed; in force under both.
        show: "C" or "F"; None: as the new config shows.

    Returns:
        One entry for each thing that differs; () where both mean the same.
    """
    unit = show if show is not None else new.room.show
    before, after = _facts(old, overrides, unit), _facts(new, overrides, unit)
    keys = list(dict.fromkeys((*before, *after)))
    pairs = ((key, before.get(key, "none"), after.get(key, "none")) for key in keys)
    return tuple(Difference(*key, was, now) for key, was, now in pairs if was != now)


_Facts = dict[tuple[str, str], str]


def _facts(model: RoomFile, overrides: Overrides | None, unit: str) -> _Facts:
    """Flatten what is in force into named words."""
    facts: _Facts = {}
    for path, value in _flat(model, "", frozenset({"place"})):
        facts["", path] = value
    for place in provenance(model, overrides):
        facts |= {(place.place, what): words for what, words in _place_facts(place, unit)}
    return facts


def _flat(table: BaseModel, path: str, leave: frozenset[str] = frozenset()) -> Iterator[tuple[str, str]]:
    """Flatten a table into keys and what the config would say; named elements go by their name."""
    for key, info in type(table).model_fields.items():
        value = getattr(table, key)
        here = f"{path}.{key}" if path else key
        if key in leave:
            continue
        if isinstance(value, BaseModel):
            yield from _flat(value, here)
        elif isinstance(value, tuple) and value and all(isinstance(each, BaseModel) for each in value):
            for each in value:
                yield from _flat(each, f"{here} {getattr(each, 'name', getattr(each, 'id', ''))}")
        elif value is not None:
            yield here, written(info, value)


def _place_facts(place: Effective, unit: str) -> Iterator[tuple[str, str]]:
    """Give what is in force at a place, by name."""
    yield "kind", place.kind.value
    yield "inside", place.table.inside or "none"
    yield "store", str(place.table.store or "none")
    yield "species", place.species or "none"
    yield "stage", str(place.stage or "none")
    yield "in use", "yes" if place.in_use else "no"
    yield "day", str(place.table.day or "the room's")
    for name, hold in place.holds.items():
        yield f"hold {name}", say_duration(hold.value)
    for name, hold in place.humid_holds.items():
        yield f"hold of humidity {name}", say_duration(hold.value)
    yield "settle", say_duration(place.table.settle)
    yield "settling", say_duration(place.table.settling)
    yield "lag of the egg", say_duration(place.egg_lag.value) if place.egg_lag else "none"
    yield "advice", place.table.advice or "none"
    for entry in place.spots:
        yield f"{_where(entry)}, deadband", _deadband(entry, unit)
        for period in PERIODS:
            both = entry.by(period)
            for name in ("ideal", "safe"):
                span: SourcedSpan | None = getattr(both, name) if both is not None else None
                if span is not None:
                    yield f"{_where(entry)}, {period}, {name}", _bare_span(span, entry.quantity, unit)
    for sensor in place.sensors:
        for path, words in _flat(sensor.table, "", frozenset({"name"})):
            yield f"sensor {sensor.name} {path}", words


def _there(*, present: bool) -> str:
    """Say whether a secret is there."""
    return "there" if present else "MISSING"


def _place_lines(place: Effective, unit: str) -> Iterator[str]:
    """Give the lines of one place."""
    yield _headline(place)
    for entry in place.spots:
        yield from _spot_lines(entry, unit)
    if not place.spots:
        yield "  no range: recorded, not judged"
    said = {
        "slow": f"safe on the {'cool' if slow_side(place.table.store) < 0 else 'warm'} side",
        "returning": "anew while it comes back, up to",
    }
    held = (
        f"{said.get(name, name)} {say_duration(hold.value)} ({hold.origin.value})"
        for name, hold in place.holds.items()
        if (name != "slow" or hold != place.hold_safe) and (name != "returning" or hold.value)
    )
    yield "  hold: " + ", ".join(held)
    if any(entry.quantity is Quantity.HUMIDITY for entry in place.spots):
        words = ", ".join(
            f"{n} {say_duration(h.value)} ({h.origin.value})" for n, h in place.humid_holds.items()
        )
        yield f"  hold of humidity: {words}"
    yield (f"  settle {say_duration(place.table.settle)} after day or night begins, "
           f"settling {say_duration(place.table.settling)} when new")  # fmt: skip
    if place.egg_lag is not None:
        lag = place.egg_lag
        yield f"  an egg follows the air with a lag of {round(lag.value / 60_000)} min ({lag.origin.value})"
    for sensor in place.sensors:
        yield _sensor_line(sensor, unit)


def _headline(place: Effective) -> str:
    """Give the first line of a place: what it is."""
    parts = [f"{place.place}: {place.kind.value}"]
    if place.table.store is not None:
        parts[0] += f" ({place.table.store.value})"
    if place.table.inside is not None:
        parts[0] += f" in {place.table.inside}"
    if place.species is not None:
        parts.append(place.species)
    if place.stage is not None:
        ordered = place.stage is not place.stage_in_config
        was = place.stage_in_config.value if place.stage_in_config is not None else "none"
        parts.append(f"{place.stage.value}{f' by order (config: {was})' if ordered else ''}")
    ordered = place.in_use != place.in_use_in_config
    if not place.in_use or ordered:
        parts.append(("in use" if place.in_use else "out of use") + (" by order" if ordered else ""))
    return ", ".join(parts)


def _spot_lines(entry: EffectiveSpot, unit: str) -> Iterator[str]:
    """Give the lines of one spot and quantity: one where day and night are the same."""
    if entry.day == entry.night:
        yield f"  {_where(entry)}, day and night: {_range_words(entry.day, entry.quantity, unit)}"
    else:
        for period in PERIODS:
            yield f"  {_where(entry)}, {period}: {_range_words(entry.by(period), entry.quantity, unit)}"
    yield f"    deadband {_deadband(entry, unit)} ({entry.deadband_origin.value})"


def _where(entry: EffectiveSpot) -> str:
    """Name the spot and the quantity."""
    return f"{entry.spot or 'everywhere'}, {entry.quantity.value}"


def _deadband(entry: EffectiveSpot, unit: str) -> str:
    """Write a deadband."""
    temperature = entry.quantity is Quantity.TEMPERATURE
    return say_difference(entry.deadband, unit) if temperature else f"{entry.deadband:g} %"


def _range_words(both: SourcedRange | None, quantity: Quantity, unit: str) -> str:
    """Write both spans with the origin of each number."""
    if both is None:
        return "nothing is judged"
    named = (("ideal", both.ideal), ("safe", both.safe))
    given = ((name, span) for name, span in named if span is not None)
    return "; ".join(f"{name} {_span_words(span, quantity, unit)}" for name, span in given)


def _span_words(span: SourcedSpan, quantity: Quantity, unit: str) -> str:
    """Write a span with its origin: once where both ends have the same."""
    low, high = span.low, span.high
    one = low is None or high is None or (low.origin, low.source) == (high.origin, high.source)
    if one:
        known = low if low is not None else high
        return f"{_bare_span(span, quantity, unit)} ({_origin(known)})" if known is not None else "open"
    bottom, top = _number(low, quantity, unit), _number(high, quantity, unit)
    return f"{bottom} ({_origin(low)}) to {top} ({_origin(high)})"


def _bare_span(span: SourcedSpan, quantity: Quantity, unit: str) -> str:
    """Write a span without its origin."""
    if span.low is None:
        return f"up to {_number(span.high, quantity, unit)}"
    if span.high is None:
        return f"from {_number(span.low, quantity, unit)}"
    return f"{_number(span.low, quantity, unit)} to {_number(span.high, quantity, unit)}"


def _number(bound: Bound | None, quantity: Quantity, unit: str) -> str:
    """Write one end."""
    if bound is None:
        return "open"
    return say_temperature(bound.value, unit) if quantity is Quantity.TEMPERATURE else f"{bound.value:g} %"


def _origin(bound: Bound | None) -> str:
    """Write where a number comes from; the bare word where its source says no more."""
    if bound is None:
        return "open"
    if not bound.source or bound.origin is Origin.YOURS or bound.source == "common practice, from memory":
        return bound.origin.value
    return f"{bound.origin.value}: {bound.source}"


def _sensor_line(sensor: EffectiveSensor, unit: str) -> str:
    """Give the line of one sensor."""
    entry = sensor.table
    what = f"{entry.contact} contact" if entry.contact else " and ".join(q.value for q in entry.quantities)
    parts = [f"  sensor {sensor.name}: {what} at {entry.spot}, by {entry.read.by}"]
    parts.append(f"every {say_duration(entry.read.every)}")
    for quantity, error in entry.errors.items():
        shown = say_difference(error, unit) if quantity is Quantity.TEMPERATURE else f"{error:g} %"
        parts.append(f"own error ±{shown}")
    for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY):
        points = getattr(entry.correction, quantity.value)
        if points:
            shown = "; ".join(f"{reading:g} read at {reference:g}" for reference, reading in points)
            parts.append(f"{quantity.value} corrected ({shown})")
    return ", ".join(parts)
