"""The room of the nights: 24 places of every kind, as a config and as a scene.

The keeper's text and the simulated room are made of one list, so that a quiet night is
quiet. Two sensors at one spot stand in three places; paces, steps and stamps vary.
"""

from dataclasses import dataclass, replace
from pathlib import Path

from daemon.settings import load_text
from daemon.settings_model import RoomFile
from rules.plan import ContactKind, PlaceKind, Store
from rules.reading import MINUTE, SECOND, Quantity
from sensors.happenings import Happening
from sensors.scene import Scene, SimPlace, SimSensor

LOST = 0.02
"""Share of the readings that never arrive."""

HEAD = """\
[room]
name = "Cellar"
time_zone = "UTC"
day = "07:00-21:00"

[broker]

[[contact]]
name = "first"
reach = "phone"
priorities = ["high", "medium"]
quiet = "22:30-06:30"

[[contact]]
name = "sleepless"
reach = "phone"
priorities = ["high", "medium", "low"]
"""

WARM_EGGS = 'temperature = { ideal = ["28.5 C", "31 C"], safe = ["26 C", "33 C"] }'
DAMP_EGGS = "humidity = { ideal = [72, 92], safe = [60, 98] }"
EGGS = f'species = "Paroedura picta"\nstage = "incubation"\negg_mass = "1.5 g"\n{WARM_EGGS}\n{DAMP_EGGS}'
INCUBATOR = f"{WARM_EGGS}\nhumidity = {{ safe = [25, 95] }}"
BOTH = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
WARMTH = (Quantity.TEMPERATURE,)


def _pen_range(spot: str, day: tuple[int, int, int, int], night: tuple[int, int, int, int]) -> str:
    lines = []
    for when, (safe_low, low, high, safe_high) in (("day", day), ("night", night)):
        span = f'ideal = ["{low} C", "{high} C"], safe = ["{safe_low} C", "{safe_high} C"]'
        lines.append(f'[[place.range]]\nspot = "{spot}"\nwhen = "{when}"\ntemperature = {{ {span} }}')
    return "\n\n".join(lines)


def _pen(shift: int) -> str:
    """Give the ranges of an enclosure whose cool side is kept at 26 °C + ``shift`` by day."""
    night = (15 + shift, 19 + shift, 25 + shift, 28 + shift)
    spots = {
        "cool side": (20, 24, 28, 31),
        "warm side": (24, 28, 33, 36),
        "basking surface": (31, 36, 42, 46),
    }
    ranges = [_pen_range(spot, tuple(n + shift for n in day), night) for spot, day in spots.items()]  # type: ignore[arg-type]
    return "\n\n".join(["humidity = { ideal = [30, 70], safe = [20, 85] }", *ranges])


OUTDOORS = 'temperature = { safe = ["3 C", "34 C"] }'
HIBERNATION = 'temperature = { ideal = ["4 C", "8 C"], safe = ["2 C", "10 C"] }'


@dataclass(frozen=True, slots=True)
class _Spec:
    """One place: as it is simulated, what the keeper writes, and its sensors by spot."""

    sim: SimPlace
    text: str
    sensors: tuple[SimSensor, ...]


def _sensor(place: str, spot: str = "air", number: int = 0, **given: object) -> SimSensor:
    name = f"{place}-{spot.replace(' ', '-')}{f'-{number}' if number else ''}"
    return replace(SimSensor(name, place, spot, BOTH, MINUTE, lost=LOST), **given)  # type: ignore[arg-type]


def _specs() -> list[_Spec]:
    made = [
        _Spec(
            SimPlace("cellar", PlaceKind.ROOM),
            "",
            (
                _sensor("cellar", noise=(0.05, 0.4)),
                SimSensor("mains", "cellar", contact=ContactKind.MAINS, every=MINUTE),
            ),
        )
    ]
    made += _incubators()
    made += _lone_boxes()
    for number in range(6):
        made.append(_enclosure(number))
    for number in range(2):
        name = f"pen-{number + 1}"
        made.append(
            _Spec(
                SimPlace(name, PlaceKind.OUTDOOR), OUTDOORS, (_sensor(name, every=2 * MINUTE, stamped=True),)
            )
        )
    for store, text in ((Store.REFRIGERATOR, ""), (Store.FREEZER, ""), (Store.HIBERNATION, HIBERNATION)):
        sim = SimPlace(store.value, PlaceKind.COLD_STORE, store=store)
        probe = _sensor(store.value, quantities=WARMTH, grain=(0.0625, 0.1), every=MINUTE)
        made.append(_Spec(sim, f'store = "{store.value}"\n{text}', (probe,)))
    return made


def _incubators() -> list[_Spec]:
    made = []
    for name, boxes in (("incubator-1", (1, 2, 3, 4, 5)), ("incubator-2", (6, 7, 8))):
        inner = (_sensor(name, every=30 * SECOND), _sensor(name, number=2, grain=(0.0625, 0.1)))
        made.append(
            _Spec(
                SimPlace(name, PlaceKind.INCUBATOR, around=29.8),
                INCUBATOR,
                inner if name == "incubator-1" else inner[:1],
            )
        )
        made += [_box(f"box-{number}", name, number) for number in boxes]
    return made


def _box(name: str, inside: str | None, number: int) -> _Spec:
    spot = "air" if number % 2 else "substrate"
    sensors = (
        _sensor(name, spot, stamped=number % 3 == 0, grain=(0.1, 0.1) if number % 4 else (0.01, 0.01)),
    )
    if number == 3:
        sensors = (*sensors, _sensor(name, spot, 2))
    if number == 5:
        sensors = (*sensors, SimSensor("lid-5", name, contact=ContactKind.LID, every=MINUTE))
    sim = SimPlace(name, PlaceKind.BOX, inside, around=29.8, humidity=82.0)
    return _Spec(sim, EGGS, sensors)


def _lone_boxes() -> list[_Spec]:
    return [_box("box-9", None, 9), _box("box-10", None, 10)]


def _enclosure(number: int) -> _Spec:
    name, shift = f"enclosure-{number + 1}", number % 3 - 1
    spots = ("cool side", "warm side", "basking surface")[: 2 + number % 2]
    sensors = tuple(
        _sensor(name, spot, every=MINUTE, quantities=BOTH if spot == "cool side" else WARMTH)
        for spot in spots
    )
    return _Spec(SimPlace(name, PlaceKind.ENCLOSURE, around=26.0 + shift), _pen(shift), sensors)


def config() -> str:
    """Give what the keeper wrote."""
    parts = [HEAD]
    for spec in _specs():
        sim = spec.sim
        inside = f'inside = "{sim.inside}"\n' if sim.inside else ""
        own, _, ranges = spec.text.partition("[[place.range]]")
        parts.append(f'[[place]]\nname = "{sim.name}"\nkind = "{sim.kind.value}"\n{inside}{own}')
        if ranges:
            parts.append(f"[[place.range]]{ranges}")
        parts += [_sensor_text(one) for one in spec.sensors]
    return "\n\n".join(parts)


def _sensor_text(one: SimSensor) -> str:
    head = f'[[place.sensor]]\nname = "{one.name}"\nspot = "{one.spot}"\n'
    fields = {Quantity.TEMPERATURE: "/t", Quantity.HUMIDITY: "/h"}
    read = ", ".join(f'{quantity.value} = "{fields[quantity]}"' for quantity in one.quantities)
    if one.contact:
        head = f'[[place.sensor]]\nname = "{one.name}"\ncontact = "{one.contact.value}"\n'
        read = 'contact = "/ok"'
    stamp = ', time = "/ts"' if one.stamped else ""
    every = one.every // SECOND
    return f'{head}read = {{ by = "mqtt", topic = "cellar/{one.name}", {read}{stamp}, every = "{every} s" }}'


def model() -> RoomFile:
    """Load what the keeper wrote."""
    return load_text(config(), Path("room.toml"), {}).model


def scene(seed: int, happenings: tuple[Happening, ...] = (), *, start_hour: float = 5.0) -> Scene:
    """Give the simulated room."""
    specs = _specs()
    return Scene(
        seed,
        tuple(spec.sim for spec in specs),
        tuple(one for spec in specs for one in spec.sensors),
        happenings,
        start_hour=start_hour,
        room=(20.5, 1.2),
        weather=(16.0, 6.0),
    )
