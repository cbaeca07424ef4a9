"""What is wrong between the parts of a config: names, addresses, places inside places, numbers.

Each check gives findings, a place in the file and a sentence. All of them always
run, so that a keeper sees everything that is wrong at once.
"""

from collections.abc import Callable, Iterable, Iterator
from difflib import get_close_matches
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from daemon.settings_model import ClutchTable, PlaceTable, RoomFile
from daemon.settings_sensor import MODELS, ReadHwmon, ReadIio, ReadMqtt, ReadWire, SensorTable
from daemon.settings_words import did_you_mean
from daemon.toml_lines import Loc
from rules import species as table
from rules.plan import WATCH, PlaceKind, Store
from rules.reading import Quantity

Finding = tuple[Loc, str]
"""A place in the file and what is wrong there."""

PLACEHOLDER = "\N{REPLACEMENT CHARACTER}"
"""Begins names that the loader puts in where the file has none that can be read."""


def cross(model: RoomFile, broken: Iterable[Loc] = ()) -> list[Finding]:
    """Check the whole config.

    Args:
        model: A model; parts that could not be read stand in it as placeholders.
        broken: Where these parts are, so that nothing is said about them twice.

    Returns:
        Findings, in no order.
    """
    checks: tuple[Callable[[RoomFile], Iterator[Finding]], ...] = (
        _zone, _names, _inside, _stores, _broker, _addresses, _sensors, _ranges,
    )  # fmt: skip
    found = [finding for check in checks for finding in check(model)]
    spoilt = set(broken)
    for index, place in enumerate(model.place):
        if not any(loc[:2] == ("place", index) and _about_numbers(loc[2:3]) for loc in spoilt):
            found += _numbers(("place", index), place)
    sensors_known = not any(loc[:1] == ("place",) and loc[2:3] in {("sensor",), ()} for loc in spoilt)
    if not any(loc[:1] == ("clutch",) for loc in spoilt):
        found += _clutches(model, sensors_known=sensors_known)
    return found


def _about_numbers(key: Loc) -> bool:
    """Tell whether a key that could not be read may have given a place its numbers."""
    return not key or bool(get_close_matches(str(key[0]), _NUMBER_KEYS, n=1))


_NUMBER_KEYS = ("temperature", "humidity", "range", "species", "stage", "kind", "store")


def _zone(model: RoomFile) -> Iterator[Finding]:
    """The time zone is known."""
    name = model.room.time_zone
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        hint = did_you_mean(name, available_timezones())
        yield (
            ("room", "time_zone"),
            f'time zone "{name}" is not known{hint or "; write for example Europe/Lisbon"}',
        )


def _names(model: RoomFile) -> Iterator[Finding]:
    """No two places, sensors, contacts or clutches share a name, and none is the watch's."""
    places = [(("place", i, "name"), place.name) for i, place in enumerate(model.place)]
    sensors: list[Finding] = [
        (("place", i, "sensor", j, "name"), name)
        for i, place in enumerate(model.place)
        for j, name in enumerate(place.sensor_names())
    ]
    contacts = [(("contact", i, "name"), contact.name) for i, contact in enumerate(model.contact)]
    clutches = [(("clutch", i, "id"), clutch.id) for i, clutch in enumerate(model.clutch)]
    yield from _twice(places, "places", "name")
    yield from _twice(sensors, "sensors", "name (give each its own)")
    yield from _twice(contacts, "contacts", "name")
    yield from _twice(clutches, "clutches", "id")
    for loc, name in places:
        if name == WATCH:
            yield loc, f'no place may be named "{WATCH}": the watch itself speaks under this name'


def _twice(named: Iterable[tuple[Loc, str]], kind: str, word: str) -> Iterator[Finding]:
    """Say which names stand twice."""
    first: dict[str, Loc] = {}
    for loc, name in named:
        if name in first and not name.startswith(PLACEHOLDER):
            yield loc, f'two {kind} have the same {word}: "{name}"'
        first.setdefault(name, loc)


def _inside(model: RoomFile) -> Iterator[Finding]:
    """Every place stands in a place that exists, and in the end in none."""
    outer = {place.name: place.inside for place in model.place}
    unreadable = any(name.startswith(PLACEHOLDER) for name in outer)
    for index, place in enumerate(model.place):
        loc: Loc = ("place", index, "inside")
        if place.inside is None:
            continue
        if place.inside not in outer:
            if not unreadable:
                known = ", ".join(outer)
                hint = did_you_mean(place.inside, outer)
                yield loc, f'inside = "{place.inside}" is no place{hint} (places: {known})'
            continue
        if _circle(place.name, outer):
            yield loc, f'"{place.name}" stands in itself: follow inside from "{place.inside}"'


def _circle(name: str, outer: dict[str, str | None]) -> bool:
    """Tell whether following ``inside`` comes back."""
    seen, at = {name}, outer[name]
    while at is not None and at in outer:
        if at == name:
            return True
        if at in seen:
            return False
        seen.add(at)
        at = outer[at]
    return False


def _stores(model: RoomFile) -> Iterator[Finding]:
    """A cold store says what it is for, and nothing else does."""
    allowed = ", ".join(store.value for store in Store)
    for index, place in enumerate(model.place):
        cold = place.kind is PlaceKind.COLD_STORE
        if cold and place.store is None:
            yield ("place", index, "kind"), f"a cold store needs store = one of {allowed}"
        if not cold and place.store is not None:
            yield (
                ("place", index, "store"),
                f"store is for a cold-store only; this is of kind {place.kind.value}",
            )


def _broker(model: RoomFile) -> Iterator[Finding]:
    """MQTT needs a broker."""
    if model.broker is not None:
        return
    for loc, _, sensor in _all_sensors(model):
        if isinstance(sensor.read, ReadMqtt):
            yield (*loc, "read", "by"), 'by = "mqtt" needs a [broker] table'
            return


def _all_sensors(model: RoomFile) -> Iterator[tuple[Loc, str, SensorTable]]:
    """Give every sensor with its place in the file and its name."""
    for i, place in enumerate(model.place):
        for j, (name, sensor) in enumerate(zip(place.sensor_names(), place.sensor, strict=True)):
            yield ("place", i, "sensor", j), name, sensor


def _addresses(model: RoomFile) -> Iterator[Finding]:
    """No two sensors read the same thing."""
    taken: dict[tuple[str, ...], str] = {}
    wild: list[tuple[str, str, str]] = []
    for loc, name, sensor in _all_sensors(model):
        for address, words in _addresses_of(sensor):
            other = taken.get(address) or _overlap(address, taken, wild)
            if other is not None:
                yield (*loc, "read"), f'sensors "{other}" and "{name}" are on one address: {words}'
                break
            taken[address] = name
            if address[0] == "mqtt" and "+" in address[1].split("/"):
                wild.append((address[1], address[2], name))


def _addresses_of(sensor: SensorTable) -> Iterator[tuple[tuple[str, ...], str]]:
    """Give what a sensor reads, as keys and in words."""
    read = sensor.read
    if isinstance(read, ReadMqtt):
        for pointer in dict.fromkeys(sensor.pointers.values()):
            shown = f'pointer "{pointer}"' if pointer else "the whole payload"
            yield ("mqtt", read.topic, pointer), f"topic {read.topic}, {shown}"
    elif isinstance(read, ReadWire):
        yield ("1-wire", read.address), f"1-wire {read.address}"
    elif isinstance(read, ReadHwmon):
        for channel in read.channel:
            yield ("hwmon", read.device, read.path or "", channel), f"hwmon {read.device} {channel}"
    elif isinstance(read, ReadIio):
        for quantity in read.quantities:
            yield ("iio", read.device, read.path or "", quantity), f"iio {read.device} {quantity}"


def _overlap(
    address: tuple[str, ...], taken: dict[tuple[str, ...], str], wild: list[tuple[str, str, str]]
) -> str | None:
    """Find a topic with a wildcard that takes the same messages."""
    if address[0] != "mqtt":
        return None
    topic, pointer = address[1], address[2]
    others = wild
    if "+" in topic.split("/"):
        others = [(key[1], key[2], name) for key, name in taken.items() if key[0] == "mqtt"]
    return next((name for other, at, name in others if at == pointer and _meet(other, topic)), None)


def _meet(one: str, other: str) -> bool:
    """Tell whether two topics can take the same message."""
    first, second = one.split("/"), other.split("/")
    pairs = zip(first, second, strict=False)
    return len(first) == len(second) and all(a == b or "+" in (a, b) for a, b in pairs)


def _sensors(model: RoomFile) -> Iterator[Finding]:
    """Models are known; corrections and errors are of what the sensor reports."""
    for loc, name, sensor in _all_sensors(model):
        if sensor.model is not None and sensor.model.upper() not in MODELS:
            known = ", ".join(MODELS)
            hint = did_you_mean(sensor.model, MODELS) or "; leave it out and give error instead"
            yield (*loc, "model"), f'model "{sensor.model}" is not known{hint} (known: {known})'
        for key in ("correction", "error"):
            for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY):
                given = getattr(getattr(sensor, key), quantity.value)
                if given is not None and quantity not in sensor.quantities:
                    yield (*loc, key, quantity.value), f'sensor "{name}" reports no {quantity.value}'


def _ranges(model: RoomFile) -> Iterator[Finding]:
    """No spot has two ranges for one quantity and period."""
    for i, place in enumerate(model.place):
        seen: set[tuple[str, str, str]] = set()
        for j, entry in enumerate(place.range):
            periods = ("day", "night") if entry.when == "always" else (entry.when,)
            spot = entry.spot or ""
            quantities = [q for q in ("temperature", "humidity") if getattr(entry, q) is not None]
            keys = {(spot, period, quantity) for period in periods for quantity in quantities}
            whole = {q for q in quantities if spot == "" and getattr(place, q) is not None}
            if keys & seen or whole:
                shown = f'spot "{spot}"' if spot else "the whole place"
                yield (
                    ("place", i, "range", j),
                    f'a second range of {shown} of "{place.name}" in the same period',
                )
            seen |= keys


def _numbers(loc: Loc, place: PlaceTable) -> Iterator[Finding]:
    """What is known of the species and stage gives numbers, or the keeper's own do."""
    own = place.temperature or place.humidity or place.range
    if place.species is None:
        if place.stage is not None and not own:
            yield (
                (*loc, "stage"),
                f'stage "{place.stage.value}" has no number: give a species, or temperature = …',
            )
        return
    known = table.find(place.species)
    if own:
        return
    if known is None:
        close = table.suggest(place.species)
        hint = f"; did you mean {' or '.join(repr(each) for each in close)}?" if close else ";"
        words = f'species "{place.species}" is not in the table{hint}'
        yield (*loc, "species"), f"{words} (or give your own numbers: temperature = …)"
        return
    stage = place.stage_now()
    allowed = table.stages(known)
    if stage is not None and stage not in allowed and place.kind is not PlaceKind.ROOM:
        words = ", ".join(each.value for each in allowed)
        about = f"the table has no number for {known.name} as {stage.value} (it has: {words})"
        yield (*loc, "stage" if place.stage else "species"), f"{about}; give your own: temperature = …"


def _clutches(model: RoomFile, *, sensors_known: bool) -> Iterator[Finding]:
    """Every clutch lies in a box that is watched, and in a spot of its own."""
    places = {place.name: place for place in model.place}
    for index, clutch in enumerate(model.clutch):
        loc: Loc = ("clutch", index, "box")
        box = places.get(clutch.box)
        if box is None and any(name.startswith(PLACEHOLDER) for name in places):
            continue
        if box is None:
            hint = did_you_mean(clutch.box, places)
            yield loc, f'box = "{clutch.box}" is no place{hint} (places: {", ".join(places)})'
        elif sensors_known and not any(Quantity.TEMPERATURE in sensor.quantities for sensor in box.sensor):
            yield loc, f'box "{clutch.box}" has no sensor of temperature; a clutch needs one'
        for other in model.clutch[:index]:
            if _share(other, clutch):
                pair = f'clutches "{other.id}" and "{clutch.id}"'
                yield loc, f'{pair} lie in one position of "{clutch.box}"; give each its own: position = …'


def _share(one: ClutchTable, other: ClutchTable) -> bool:
    """Tell whether two clutches of one season lie in one position."""
    first, second = one.laid or one.found, other.laid or other.found
    same = (one.box, one.position) == (other.box, other.position)
    return same and first is not None and second is not None and abs((first - second).days) < 365
