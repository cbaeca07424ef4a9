"""A simulated room that fits some settings: for the demo and for ``by = "simulated"``."""

from dataclasses import replace

from daemon.effective import Effective, provenance
from daemon.settings_model import RoomFile
from daemon.settings_sensor import ReadSimulated
from rules.plan import PlaceKind
from rules.reading import Quantity
from rules.span import Range
from sensors.happenings import Happening
from sensors.scene import FABRICS, Fabric, Scene, SimPlace, SimSensor


def scene_of(
    model: RoomFile, *, seed: int, start_hour: float, happenings: tuple[Happening, ...] = ()
) -> Scene:
    """Make a scene of the places and simulated sensors of some settings.

    Each place is kept around the middle of its own ideal spans, so that a quiet night is
    quiet whatever the species.

    Args:
        model: The settings.
        seed: Everything by chance comes out of it.
        start_hour: Local hour of day at the scene's start.
        happenings: What is planted.
    """
    effective = provenance(model, None)
    places = tuple(_place(each, model) for each in _outer_first(effective))
    sensors = tuple(
        SimSensor(
            sensor.name,
            each.place,
            sensor.table.spot,
            sensor.table.quantities,
            sensor.table.read.every,
            sensor.table.kind,
        )
        for each in effective
        for sensor in each.sensors
        if isinstance(sensor.table.read, ReadSimulated)
    )
    return Scene(seed, places, sensors, happenings, start_hour=start_hour)


def _outer_first(effective: tuple[Effective, ...]) -> list[Effective]:
    """Put a place that surrounds others before them."""
    placed: dict[str, Effective] = {}
    waiting = list(effective)
    while waiting:
        ready = [each for each in waiting if each.table.inside is None or each.table.inside in placed]
        placed.update({each.place: each for each in ready})
        waiting = [each for each in waiting if each.place not in placed]
    return list(placed.values())


def _place(each: Effective, model: RoomFile) -> SimPlace:
    table = each.table
    around = _middle(each, Quantity.TEMPERATURE)
    inner = [one for one in provenance(model, None) if one.table.inside == table.name]
    if around is None and inner and table.kind is PlaceKind.INCUBATOR:
        around = _middle(inner[0], Quantity.TEMPERATURE)
    hours = table.day or model.room.day
    made = SimPlace(
        table.name,
        table.kind,
        table.inside if _surrounds(table.inside, model) else None,
        table.store,
        around,
        _middle(each, Quantity.HUMIDITY),
        day=(hours.start / 60, hours.end / 60),
    )
    made = replace(made, fabric=_fabric(made, each))
    return replace(made, egg=each.egg_lag.value / 1000) if each.egg_lag else made


def _fabric(made: SimPlace, each: Effective) -> Fabric:
    """Fit lamp and night to what the animals are meant to have."""
    usual = FABRICS[made.usual]
    basks = any(spot.spot == "basking surface" for spot in each.spots)
    night = [spot for spot in each.spots if spot.quantity is Quantity.TEMPERATURE and spot.night is not None]
    cool = next((_middle_of(spot.night.range()) for spot in night if spot.night is not None), None)
    drop = usual.night if cool is None else max(made.target - cool, 0.0)
    return replace(usual, lamp=usual.lamp if basks else 0.0, night=drop if usual.night else 0.0)


def _surrounds(name: str | None, model: RoomFile) -> bool:
    """Tell whether a place's surroundings are another place and not the room itself."""
    kinds = {place.name: place.kind for place in model.place}
    return name is not None and kinds.get(name) not in (None, PlaceKind.ROOM)


def _middle(each: Effective, quantity: Quantity) -> float | None:
    """Give the middle of a place's ideal span by day, of its warm side where it has sides."""
    spots = [spot for spot in each.spots if spot.quantity is quantity and spot.day is not None]
    ranked = sorted(spots, key=lambda spot: spot.spot not in ("", "air", "substrate", "warm side"))
    for spot in ranked:
        range_ = spot.day.range() if spot.day is not None else None
        middle = _middle_of(range_)
        if middle is not None:
            return middle
    return None


def _middle_of(range_: Range | None) -> float | None:
    span = (range_.ideal or range_.safe) if range_ else None
    if span is None:
        return None
    if span.low is None or span.high is None:
        return span.low + 1.5 if span.low is not None else (span.high or 0.0) - 1.5
    return (span.low + span.high) / 2
