"""What a keeper should know of a config that is allowed: one check, one kind of warning."""

from collections.abc import Callable, Iterator
from ipaddress import ip_address
from urllib.parse import urlsplit

from daemon.effective import PERIODS, Effective, EffectiveSpot
from daemon.settings_model import RoomFile
from daemon.units import say_difference, say_duration
from rules import species as table
from rules.plan import PlaceKind, Priority, Store
from rules.reading import Quantity
from rules.species import Bound, Origin, SourcedSpan

Said = Iterator[str]


def warnings_of(model: RoomFile, places: tuple[Effective, ...]) -> tuple[str, ...]:
    """Give every warning about a config and what is in force, in words."""
    of_place: tuple[Callable[[Effective, RoomFile], Said], ...] = (
        _changed_by_order, _stage_assumed, _no_sensor, _nothing_judged, _no_egg_mass, _narrow,
        _short_holds, _silences,
    )  # fmt: skip
    found = [words for each in places for check in of_place for words in check(each, model)]
    return (
        *found,
        *_room(model),
        *_contacts(model),
        *_watch(model),
        *_page(model),
        *_clutches(model),
        *_to_confirm(places),
    )


def spot_of(place: Effective, spot: str, quantity: Quantity) -> EffectiveSpot | None:
    """Give the entry that holds for a spot: its own, else that of the whole place."""
    own = [each for each in place.spots if each.quantity is quantity and each.spot in (spot, "")]
    return max(own, key=lambda each: each.spot == spot, default=None)


def _changed_by_order(place: Effective, _: RoomFile) -> Said:
    """An order has changed what the config says."""
    if place.stage is not place.stage_in_config:
        now, was = _word(place.stage), _word(place.stage_in_config)
        yield f"{place.place}: stage is {now} by order; the config says {was}"
    known = table.find(place.species_in_config) if place.species_in_config else None
    written = known.name if known is not None else place.species_in_config
    if place.species != written:
        yield f"{place.place}: species is {place.species} by order; the config says {written or 'none'}"
    if place.in_use != place.in_use_in_config:
        now, was = ("in use", "out of use") if place.in_use else ("out of use", "in use")
        yield f"{place.place}: {now} by order; the config says {was}"


def _word(stage: object) -> str:
    """Name a stage or its absence."""
    return str(stage) if stage is not None else "none"


def _stage_assumed(place: Effective, _: RoomFile) -> Said:
    """The stage is the usual one, not a written one."""
    if place.table.stage is None and place.stage is not None and place.stage is place.stage_in_config:
        yield f"{place.place}: no stage is written; it is judged as {place.stage.value}"


def _no_sensor(place: Effective, model: RoomFile) -> Said:
    """Nothing measures there."""
    if any(Quantity.TEMPERATURE in each.table.quantities for each in place.sensors):
        return
    holds_others = any(other.inside == place.place for other in model.place)
    if not place.sensors and not holds_others:
        yield f"{place.place}: has no sensor; nothing is seen there"
    elif place.spots:
        yield f"{place.place}: has a range and no sensor of temperature"


def _nothing_judged(place: Effective, _: RoomFile) -> Said:
    """Nothing is judged at a place or at one of its spots."""
    if not place.spots:
        if place.kind not in (PlaceKind.ROOM, PlaceKind.INCUBATOR):
            yield f"{place.place}: has no range; readings are recorded and not judged"
        return
    for sensor in place.sensors:
        if Quantity.TEMPERATURE not in sensor.table.quantities:
            continue
        if spot_of(place, sensor.table.spot, Quantity.TEMPERATURE) is None:
            yield (f'{place.place}: sensor {sensor.name} is at "{sensor.table.spot}", which has no range '
                   "of temperature; it is recorded and not judged")  # fmt: skip


def _no_egg_mass(place: Effective, _: RoomFile) -> Said:
    """A box with eggs whose lag is not known."""
    if place.kind is PlaceKind.BOX and place.stage in table.EGG_STAGES and place.egg_lag is None:
        yield f"{place.place}: has no egg_mass or lag; its eggs are taken to feel the air's changes at once"


def _narrow(place: Effective, model: RoomFile) -> Said:
    """A span is narrower than twice the sensor's own error."""
    for sensor in place.sensors:
        for quantity, error in sensor.table.errors.items():
            entry = spot_of(place, sensor.table.spot, quantity)
            for name in ("ideal", "safe"):
                width = min(_widths(entry, name), default=None) if entry is not None else None
                if width is not None and width < 2 * error:
                    wide, off = (_amount(each, quantity, model) for each in (width, error))
                    yield (f"{place.place}: {name} {quantity.value} is {wide} wide, less than twice the own "
                           f"error of sensor {sensor.name} (±{off})")  # fmt: skip


def _widths(entry: EffectiveSpot, name: str) -> Iterator[float]:
    """Give the widths of a spot's ideal or safe spans."""
    for period in PERIODS:
        both = entry.by(period)
        span: SourcedSpan | None = getattr(both, name) if both is not None else None
        if span is not None and span.low is not None and span.high is not None:
            yield round(span.high.value - span.low.value, 3)


def _amount(value: float, quantity: Quantity, model: RoomFile) -> str:
    """Write a difference of a quantity."""
    return say_difference(value, model.room.show) if quantity is Quantity.TEMPERATURE else f"{value:g} %"


def _short_holds(place: Effective, _: RoomFile) -> Said:
    """A hold is shorter than two intervals of a sampled sensor."""
    for sensor in place.sensors:
        if sensor.table.on_change or not place.spots:
            continue
        for name, hold in (("ideal", place.hold_ideal), ("safe", place.hold_safe)):
            if 0 <= hold.value < 2 * sensor.table.read.every:
                span, every = say_duration(hold.value), say_duration(sensor.table.read.every)
                yield (f"{place.place}: hold {name} ({span}) is shorter than two intervals of sensor "
                       f"{sensor.name} (every {every}); a second reading must confirm it anyway")  # fmt: skip


def _silences(place: Effective, _: RoomFile) -> Said:
    """A silence that ordinary gaps would raise."""
    for sensor in place.sensors:
        silence, every = sensor.table.silence, sensor.table.read.every
        if silence is not None and 0 < silence < 2 * every:
            yield (f"{place.place}: silence ({say_duration(silence)}) of sensor {sensor.name} is shorter "
                   f"than two of its intervals (every {say_duration(every)})")  # fmt: skip


def _room(model: RoomFile) -> Said:
    """The room as a whole."""
    if "time_zone" not in model.room.model_fields_set:
        yield "room: no time_zone is written; day, night and quiet hours are taken as UTC"
    if not model.place:
        yield "the config has no place; nothing is watched"


def _contacts(model: RoomFile) -> Said:
    """Somebody is told of what is urgent, at once."""
    if not any(Priority.HIGH in each.priorities for each in model.contact):
        yield "no contact is told of high priority; nobody would wake up"
    elif not any(Priority.HIGH in each.priorities and each.after == 0 for each in model.contact):
        yield "no contact is told of high priority at once (after = 0)"


def _watch(model: RoomFile) -> Said:
    """Somebody notices when the watch itself is gone."""
    if model.watch.heartbeat is None:
        yield ("watch: no heartbeat is written; when the power, the board or the router dies, nobody is told "
               "(README, \"Who watches the watch\")")  # fmt: skip
    if model.contact and all(each.report is None for each in model.contact):
        yield 'watch: no contact has a daily report; report = "07:00" says each morning that all is well'
    if model.contact and model.watch.test is None:
        yield 'watch: the way to the contacts is never tested; test = "sunday 10:00" does it each week'


def _page(model: RoomFile) -> Said:
    """The link in an alert can be opened from a phone."""
    address = model.page.address
    if address is None:
        yield "page: no address is written; alerts carry no link"
    elif is_loopback(urlsplit(address).hostname or ""):
        yield f"page: address {address} cannot be reached from the network; a phone could not open the link"
    elif is_loopback(model.page.host):
        yield (f"page: address is {address}, but the page listens on {model.page.host} only; "
               'host = "0.0.0.0" opens it to the network')  # fmt: skip
    if model.page.open and not is_loopback(model.page.host):
        yield "page: open = true, so everybody on the network can read it"


def is_loopback(host: str) -> bool:
    """Tell whether a host name means this machine only."""
    if host == "localhost" or host.endswith(".localhost"):
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def _clutches(model: RoomFile) -> Said:
    """A clutch has something to forecast from."""
    for clutch in model.clutch:
        if table.find(clutch.species) is None and not clutch.records:
            close = table.suggest(clutch.species)
            hint = f" (did you mean {' or '.join(close)}?)" if close else ""
            yield f"clutch {clutch.id}: species {clutch.species} is not in the table{hint}; give records = …"


def _to_confirm(places: tuple[Effective, ...]) -> Said:
    """Most numbers are nobody's measurement."""
    numbers = [bound for place in places for bound in bounds_of(place)]
    loose = sum(
        1 for bound in numbers if bound.origin in (Origin.COMMON_PRACTICE, Origin.FALLBACK, Origin.DERIVED)
    )
    if loose:
        yield (f"{loose} of {len(numbers)} numbers are common practice from memory, or derived from it: "
               "confirm them for your animals")  # fmt: skip
    if any(place.table.store in (Store.REFRIGERATOR, Store.FREEZER) for place in places):
        yield "cold stores: the limits are those of food for people, an upper bound of caution for feeders"


def bounds_of(place: Effective) -> Iterator[Bound]:
    """Give every number of a place's ranges."""
    ranges = [both for entry in place.spots for both in (entry.day, entry.night) if both is not None]
    spans = [span for both in ranges for span in (both.ideal, both.safe) if span is not None]
    for span in spans:
        yield from (end for end in (span.low, span.high) if end is not None)
