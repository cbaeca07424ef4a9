"""The config as a plan: the only thing that reads the settings model for the rules."""

from collections.abc import Iterator, Mapping, Sequence
from zoneinfo import ZoneInfo

from daemon.calendars import WallOffset, dates_calendar, hours_calendar
from daemon.effective import Effective, EffectiveSpot, Overrides, provenance
from daemon.settings_model import ContactTable, PlaceTable, RoomFile
from daemon.settings_sensor import ReadImport, ReadMqtt, SensorTable
from rules.calendar import Calendar
from rules.plan import (
    ROOM_DAY,
    WATCH,
    ContactKind,
    ContactPlan,
    Correction,
    PlaceKind,
    PlacePlan,
    Plan,
    SensorPlan,
    SpotRange,
)
from rules.reading import MINUTE, Quantity
from rules.season import DISTURB_NOT
from sensors.reader import organ

ORGAN_EVERY = MINUTE
"""Sign of life of the watch's own organs (ms); they are never silent."""

HATCHING_SILENCE = 5 * MINUTE
"""While eggs hatch a sensor is silent after this (ms), or after three intervals."""


def compile(  # noqa: A001, PLR0913  # the contract's own name; five of six are by keyword
    model: RoomFile,
    *,
    now: int,
    clock: WallOffset | None,
    overrides: Overrides | None = None,
    heard: Mapping[str, Sequence[str]] | None = None,
    last: Mapping[str, bool] | None = None,
) -> Plan:
    """Turn the settings into the engine's plan.

    Args:
        model: The settings.
        now: Room time, ms.
        clock: How room time and wall clock lie, or None while the clock is not trusted.
        overrides: What orders changed.
        heard: Names heard so far by the name of the sensor whose topic has a wildcard.
        last: Last known state by calendar key; used only while the clock is not trusted.

    Returns:
        The plan. Equal settings give equal plans.
    """
    effective = provenance(model, overrides)
    return Plan(
        now=now,
        places=(*(_place(each) for each in effective), PlacePlan(WATCH, PlaceKind.ROOM)),
        sensors=(
            *_sensors(effective, heard or {}),
            *_organs(model),
            *(
                _organ(ContactKind.CLUTCH, organ(ContactKind.CLUTCH.value, id_))
                for id_ in _clutches(overrides)
            ),
        ),
        contacts=tuple(_contact(each) for each in model.contact),
        calendars=_calendars(model, now, clock, last or {}),
    )


def correction_of(points: tuple[tuple[float, float], ...]) -> Correction:
    """Turn points (reference, reading) into a correction: one gives an offset, two also a gain.

    Source: gain = (ref2 − ref1)/(raw2 − raw1), offset = ref1 − gain·raw1.
    """
    (reference, raw), *more = points
    if not more:
        return Correction(1.0, reference - raw)
    gain = (more[0][0] - reference) / (more[0][1] - raw)
    return Correction(gain, reference - gain * raw)


def _place(effective: Effective) -> PlacePlan:
    """Turn one place into the rules' terms."""
    place = effective.table
    return PlacePlan(
        name=place.name,
        kind=place.kind,
        inside=place.inside,
        store=place.store,
        species=effective.species,
        stage=effective.stage,
        in_use=effective.in_use,
        calendar=_day_key(place),
        ranges=tuple(_range(spot) for spot in effective.spots),
        hold_ideal=effective.hold_ideal.value,
        hold_safe=effective.hold_safe.value,
        hold_slow=effective.hold_slow.value,
        returning=effective.returning.value,
        hold_off=effective.hold_off.value,
        humid_ideal=effective.humid_ideal.value,
        humid_safe=effective.humid_safe.value,
        settle=place.settle,
        settling=place.settling,
        egg_lag=effective.egg_lag.value if effective.egg_lag is not None else None,
        advice=_advice(effective),
    )


def _advice(effective: Effective) -> str:
    """Give the keeper's words, and while new hatchlings settle the reminder not to disturb."""
    own = effective.table.advice
    if not effective.settling:
        return own
    return f"{own} New hatchlings are here: {DISTURB_NOT}.".strip()


def _clutches(overrides: Overrides | None) -> tuple[str, ...]:
    return overrides.clutches if overrides is not None else ()


def _range(spot: EffectiveSpot) -> SpotRange:
    """Turn one spot's range into the rules' terms."""
    day, night = (each.range() if each is not None else None for each in (spot.day, spot.night))
    return SpotRange(spot.spot, spot.quantity, day, night, spot.deadband)


def _sensors(effective: Sequence[Effective], heard: Mapping[str, Sequence[str]]) -> Iterator[SensorPlan]:
    """Give every sensor's plan; one with a wildcard gives one for each name that was heard."""
    taken = {sensor.name for each in effective for sensor in each.sensors if not _is_wild(sensor.table)}
    for each in effective:
        for sensor in each.sensors:
            if not _is_wild(sensor.table):
                yield _sensor(sensor.name, each, sensor.table)
                continue
            for name in sorted(set(heard.get(sensor.name, ())) - taken):
                taken.add(name)
                yield _sensor(name, each, sensor.table)


def _is_wild(sensor: SensorTable) -> bool:
    """Tell whether the topic captures names."""
    return isinstance(sensor.read, ReadMqtt) and sensor.read.wild


def _sensor(name: str, place: Effective, sensor: SensorTable) -> SensorPlan:
    """Turn one sensor into the rules' terms."""
    every = sensor.read.every
    imported = isinstance(sensor.read, ReadImport)
    silence = max(5 * every, 10 * MINUTE) if sensor.silence is None else sensor.silence
    if place.hatching and silence:
        silence = min(silence, max(3 * every, HATCHING_SILENCE))
    points = {
        Quantity.TEMPERATURE: sensor.correction.temperature,
        Quantity.HUMIDITY: sensor.correction.humidity,
    }
    return SensorPlan(
        name=name,
        place=place.place,
        spot=sensor.spot,
        quantities=sensor.quantities,
        every=every,
        contact=sensor.kind,
        on_change=sensor.on_change,
        silence=0 if imported else silence,
        error=sensor.errors,
        corrections={quantity: correction_of(given) for quantity, given in points.items() if given},
        reader=sensor.read.by,
        imported=imported,
    )


def _organs(model: RoomFile) -> Iterator[SensorPlan]:
    """Give the watch's own organs, which speak like sensors."""
    readers = dict.fromkeys(sensor.read.by for place in model.place for sensor in place.sensor)
    for by in readers:
        if by != "import":
            yield _organ(ContactKind.READER, organ("reader", by))
    yield _organ(ContactKind.RECORDER, organ("recorder"))
    for contact in model.contact:
        yield _organ(ContactKind.DELIVERY, organ("delivery", contact.name))
    for kind in (ContactKind.DISK, ContactKind.CLOCK, ContactKind.SETTINGS, ContactKind.SUPPLY):
        yield _organ(kind, organ(kind.value))


def _organ(kind: ContactKind, name: str) -> SensorPlan:
    """Make the plan of one organ: it reports on change and is never silent."""
    return SensorPlan(
        name=name,
        place=WATCH,
        quantities=(Quantity.CONTACT,),
        every=ORGAN_EVERY,
        contact=kind,
        on_change=True,
        silence=0,
        reader=WATCH,
    )


def _contact(contact: ContactTable) -> ContactPlan:
    """Turn one contact into the rules' terms."""
    return ContactPlan(
        name=contact.name,
        priorities=frozenset(contact.priorities),
        quiet=f"quiet:{contact.name}" if contact.quiet is not None else None,
        on_duty=f"duty:{contact.name}" if contact.on_duty is not None else None,
        after=contact.after,
    )


def _day_key(place: PlaceTable) -> str:
    """Name the calendar of a place's day; a place called "room" must not take the room's."""
    if place.day is None:
        return ROOM_DAY
    key = f"day:{place.name}"
    return key if key != ROOM_DAY else f"{key}/own"


def _calendars(
    model: RoomFile, now: int, clock: WallOffset | None, last: Mapping[str, bool]
) -> dict[str, Calendar]:
    """Make every calendar; without a trusted clock the last known states, without edges."""
    zone = ZoneInfo(model.room.time_zone)
    hours = {ROOM_DAY: model.room.day}
    hours |= {_day_key(place): place.day for place in model.place if place.day is not None}
    hours |= {f"quiet:{each.name}": each.quiet for each in model.contact if each.quiet is not None}
    dates = {f"duty:{each.name}": each.on_duty for each in model.contact if each.on_duty is not None}
    if clock is None:
        return {key: Calendar(last[key]) for key in (*hours, *dates) if key in last}
    made = {key: hours_calendar(each, zone, now, clock) for key, each in hours.items()}
    return made | {key: dates_calendar(each, zone, now, clock) for key, each in dates.items()}


__all__ = ["Overrides", "WallOffset", "compile", "correction_of", "provenance"]
