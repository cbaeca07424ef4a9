"""The config's sensors: how each is read, what it tells, its error and correction."""

from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, StrictBool, StrictStr, StringConstraints, model_validator

from daemon import units
from daemon.settings_types import (
    Every,
    Kelvin,
    Lasting,
    Name,
    Percent,
    Pointer,
    Says,
    Table,
    Text,
    Topic,
    quoted,
)
from rules.plan import ContactKind
from rules.reading import Quantity

MODELS: dict[str, tuple[float, float | None]] = {
    "DS18B20": (0.5, None),
    "DHT22": (0.5, 2.0),
    "AM2302": (0.5, 2.0),
    "SHT30": (0.3, 3.0),
    "SHT31": (0.3, 2.0),
    "SHT35": (0.1, 1.5),
    "SHT40": (0.2, 1.8),
    "SHT41": (0.2, 1.8),
    "SHT45": (0.1, 1.0),
    "BME280": (1.0, 3.0),
}
"""Own error of known sensors: K, and percent where they measure humidity. Source: data sheets."""


class ErrorTable(Table):
    """error: the sensor's own error."""

    temperature: Kelvin | None = Field(
        default=None, description='Its own error of temperature, a difference ("0.5 C").'
    )
    humidity: Percent | None = Field(default=None, description="Its own error of humidity, percent.")


def _reference(value: object) -> float:
    """Read one number of a correction: °C as a plain number, or with its unit."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        if not -100 <= value <= 200:
            raise ValueError(f"{value} is out of bounds; a temperature is -100 to 200 °C")
        return float(value)
    return units.temperature(value)


def _points(read: Any) -> BeforeValidator:
    """Read one or two points of a correction."""

    def points(value: object) -> tuple[tuple[float, float], ...]:
        pairs = value if isinstance(value, list | tuple) else ()
        if not 1 <= len(pairs) <= 2 or any(
            not isinstance(pair, list | tuple) or len(pair) != 2 for pair in pairs
        ):
            raise ValueError("a correction is one or two points [[reference, reading], …]")
        return tuple((read(pair[0]), read(pair[1])) for pair in pairs)

    return BeforeValidator(points)


Points = tuple[tuple[float, float], ...]


def _write_points(points: Points) -> str:
    """Write points as the config does."""
    return "[" + ", ".join(f"[{reference:g}, {reading:g}]" for reference, reading in points) + "]"


_POINTS = Says("one or two points [[reference, reading]]", _write_points, whole=True)
TemperaturePoints = Annotated[Points, _points(_reference), _POINTS]
HumidityPoints = Annotated[Points, _points(units.percent), _POINTS]


class CorrectionTable(Table):
    """correction: what was read beside what it really was.

    One point gives an offset, two give gain and offset. Guards: see domain section 3.
    """

    temperature: TemperaturePoints | None = Field(
        default=None, description="Points [[reference, reading]] in °C (or with their unit)."
    )
    humidity: HumidityPoints | None = Field(
        default=None, description="Points [[reference, reading]] in percent."
    )

    @model_validator(mode="after")
    def _sound(self) -> Self:
        """Refuse points that make no sound correction."""
        _check_points(self.temperature, "temperature", apart=5.0, farthest=10.0, unit="K")
        _check_points(self.humidity, "humidity", apart=20.0, farthest=25.0, unit="%")
        return self


def _check_points(points: Points | None, word: str, *, apart: float, farthest: float, unit: str) -> None:
    """Raise what is wrong with the points of one quantity."""
    for reference, reading in points or ():
        if abs(reference - reading) > farthest:
            raise ValueError(
                f"the {word} point [{reference:g}, {reading:g}] is {abs(reference - reading):g} {unit} off; "
                f"more than {farthest:g} {unit} is a broken sensor, not one to correct"
            )
    if points is None or len(points) < 2:
        return
    (reference, reading), (reference2, reading2) = points
    if abs(reading2 - reading) < apart:
        raise ValueError(
            f"the two {word} readings are closer than {apart:g} {unit}; give one point, or two farther apart"
        )
    gain = (reference2 - reference) / (reading2 - reading)
    if not 0.8 <= gain <= 1.2:
        raise ValueError(f"the two {word} points give a gain of {gain:.3f}; allowed is 0.8 to 1.2")


class _Quantities(Table):
    """Read tables that say what the source gives."""

    every: Every = Field(default=30_000, description="A reading comes at least this often.")
    on_change: StrictBool = Field(
        default=False,
        description="It reports on change: a reading stands until the next, every is its sign of life.",
    )


class ReadMqtt(_Quantities):
    """read, by = "mqtt": one topic of the broker."""

    by: Literal["mqtt"] = Field(description="Through the broker of [broker].")
    topic: Topic = Field(description='Topic; "+" captures a part as the sensor\'s name.')
    temperature: Pointer | None = Field(
        default=None, description='Pointer (RFC 6901) to it; "": the whole payload.'
    )
    humidity: Pointer | None = Field(
        default=None, description='Pointer to it, percent; "": the whole payload.'
    )
    contact: Pointer | None = Field(default=None, description="Pointer to it; true = as it should be.")
    battery: Pointer | None = Field(
        default=None, description="Pointer to it; shown as the sensor reports it."
    )
    signal: Pointer | None = Field(default=None, description="Pointer to it; shown as the sensor reports it.")
    time: Pointer | None = Field(
        default=None, description="Pointer to the sensor's stamp (Unix s or ms, or ISO 8601)."
    )
    counter: Pointer | None = Field(default=None, description="Pointer to the sensor's message counter.")
    unit: Literal["C", "F"] = Field(
        default="C", description='Unit of the temperature in the payload, "C" or "F".'
    )

    @property
    def pointers(self) -> dict[Quantity, str]:
        """The pointers that are given, by quantity."""
        given = {
            Quantity.TEMPERATURE: self.temperature,
            Quantity.HUMIDITY: self.humidity,
            Quantity.CONTACT: self.contact,
            Quantity.BATTERY: self.battery,
            Quantity.SIGNAL: self.signal,
        }
        return {quantity: pointer for quantity, pointer in given.items() if pointer is not None}

    @property
    def wild(self) -> bool:
        """The topic captures sensors' names."""
        return "+" in self.topic.split("/")


class ReadWire(_Quantities):
    """read, by = "1-wire": one slave on the bus."""

    by: Literal["1-wire"] = Field(description="Through the kernel's 1-wire bus.")
    address: Annotated[
        StrictStr, StringConstraints(pattern=r"^[0-9a-fA-F]{2}-[0-9a-fA-F]{12}$", to_lower=True)
    ] = Field(description='Its address as the kernel writes it, for example "28-0316a2794bff".')


Channel = Annotated[
    StrictStr,
    StringConstraints(pattern=r"^(temp|humidity)[1-9][0-9]?$"),
    Says('"temp1", "humidity1" or the like', quoted),
]


class ReadHwmon(_Quantities):
    """read, by = "hwmon": a driver that the kernel shows under hwmon."""

    by: Literal["hwmon"] = Field(description="Through the kernel's hwmon files.")
    device: Text = Field(description='The driver\'s name as its file "name" says, for example "sht3x".')
    path: Text | None = Field(
        default=None, description="Part of its device path, where several have one name."
    )
    channel: tuple[Channel, ...] = Field(
        default=("temp1",), description='Its files: "temp1", "humidity1", or both as a list.', min_length=1
    )

    @model_validator(mode="before")
    @classmethod
    def _one_or_more(cls, data: Any) -> Any:
        """Take one file as a list of one."""
        if isinstance(data, dict) and isinstance(data.get("channel"), str):
            return {**data, "channel": [data["channel"]]}
        return data


Measured = Literal["temperature", "humidity"]


class ReadIio(_Quantities):
    """read, by = "iio": a device of the kernel's industrial I/O."""

    by: Literal["iio"] = Field(description="Through the kernel's IIO files.")
    device: Text = Field(description='The device\'s name as its file "name" says, for example "hdc1080".')
    path: Text | None = Field(
        default=None, description="Part of its device path, where several have one name."
    )
    quantities: tuple[Measured, ...] = Field(
        default=("temperature", "humidity"),
        description="What it measures: temperature, humidity.",
        min_length=1,
    )


class ReadImport(_Quantities):
    """read, by = "import": readings only come from files."""

    by: Literal["import"] = Field(description="Only from files, by the command import.")
    every: Every = Field(default=3_600_000, description="A reading stands in the file at least this often.")
    quantities: tuple[Measured, ...] = Field(
        default=("temperature", "humidity"),
        description="What the files hold: temperature, humidity.",
        min_length=1,
    )


class ReadSimulated(_Quantities):
    """read, by = "simulated": a simulated room."""

    by: Literal["simulated"] = Field(description="From the simulated room, for trying things out.")
    quantities: tuple[Measured, ...] = Field(
        default=("temperature", "humidity"),
        description="What it measures: temperature, humidity.",
        min_length=1,
    )


Read = Annotated[
    ReadMqtt | ReadWire | ReadHwmon | ReadIio | ReadImport | ReadSimulated, Field(discriminator="by")
]


class SensorTable(Table):
    """[[place.sensor]]: a device or a part of one at one spot."""

    name: Name | None = Field(
        default=None,
        description="Unique; default: the place's name where it has one sensor, else place-spot.",
    )
    spot: Name = Field(
        default="air",
        description="air, substrate, warm side, cool side, basking surface, water, or your own word.",
    )
    contact: Literal["lid", "door", "mains"] | None = Field(
        default=None, description="What its contact tells of: lid, door or mains."
    )
    model: Text | None = Field(
        default=None, description='What it is ("DS18B20", "SHT31"): its own error is then known.'
    )
    error: ErrorTable = Field(
        default=ErrorTable(), description="Its own error, where you know better than the model."
    )
    silence: Lasting | None = Field(
        default=None, description="Silent after this long; default max(5 × every, 10 min)."
    )
    correction: CorrectionTable = Field(
        default=CorrectionTable(),
        description="Points [[reference, reading]]: one gives an offset, two gain and offset.",
    )
    read: Read = Field(description="How it is read.")

    @model_validator(mode="after")
    def _contact_alone(self) -> Self:
        """Refuse a contact that measures, and one that no reader can give."""
        if isinstance(self.read, ReadMqtt):
            pointers = self.read.pointers
            if self.contact is None and Quantity.CONTACT in pointers:
                raise ValueError('its contact needs a meaning: contact = "lid", "door" or "mains"')
            if self.contact is None and not pointers.keys() & {Quantity.TEMPERATURE, Quantity.HUMIDITY}:
                raise ValueError(
                    "names no quantity; give read a pointer for temperature, humidity or contact"
                )
        elif self.contact is not None and not isinstance(self.read, ReadImport | ReadSimulated):
            raise ValueError(f"a contact cannot be read by {self.read.by}; use mqtt, import or simulated")
        return self

    @property
    def kind(self) -> ContactKind | None:
        """What the contact tells of, in the rules' terms."""
        return ContactKind(self.contact) if self.contact is not None else None

    @property
    def pointers(self) -> dict[Quantity, str]:
        """Where in the payload each quantity is; a contact without a pointer is the whole payload."""
        if not isinstance(self.read, ReadMqtt):
            return {}
        given = self.read.pointers
        return given if self.contact is None else {Quantity.CONTACT: "", **given}

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """What it reports."""
        read = self.read
        if isinstance(read, ReadMqtt):
            return tuple(self.pointers)
        if self.contact is not None:
            return (Quantity.CONTACT,)
        if isinstance(read, ReadWire):
            return (Quantity.TEMPERATURE,)
        if isinstance(read, ReadHwmon):
            words = {"temp": Quantity.TEMPERATURE, "humidity": Quantity.HUMIDITY}
            return tuple(dict.fromkeys(words[name.rstrip("0123456789")] for name in read.channel))
        return tuple(dict.fromkeys(Quantity(word) for word in read.quantities))

    @property
    def errors(self) -> dict[Quantity, float]:
        """Its own error by quantity: what the keeper wrote, else what is known of the model."""
        model = self.model or ("DS18B20" if isinstance(self.read, ReadWire) else "")
        kelvin, percent = MODELS.get(model.upper(), (None, None))
        known = {
            Quantity.TEMPERATURE: kelvin if self.error.temperature is None else self.error.temperature,
            Quantity.HUMIDITY: percent if self.error.humidity is None else self.error.humidity,
        }
        return {q: error for q, error in known.items() if error is not None and q in self.quantities}

    @property
    def on_change(self) -> bool:
        """It reports on change; contacts always do."""
        return self.read.on_change or self.contact is not None
