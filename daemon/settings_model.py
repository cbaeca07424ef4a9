"""The config as a model: every key with its unit, default and description.

Only :mod:`daemon.settings` makes one and only :mod:`daemon.compile` reads the
parts that the rules judge by. Values are in the program's own units: ms, °C, K,
percent, grams.
"""

from datetime import date
from typing import Annotated, Literal, Self

from pydantic import Field, StrictBool, StrictInt, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from daemon import units
from daemon.settings_sensor import SensorTable
from daemon.settings_types import (
    DURATION,
    Celsius,
    Days,
    Every,
    Grams,
    HoursOfDay,
    HumiditySpan,
    Kelvin,
    Lasting,
    Minute,
    Name,
    Path,
    Percent,
    Port,
    Says,
    SecretName,
    Table,
    TemperatureSpan,
    Text,
    Web,
    WeekTime,
    Words,
    as_written,
)
from rules.plan import PlaceKind, Priority, Stage, Store
from rules.reading import DAY
from rules.span import Range, Span


class RoomTable(Table):
    """[room]: the whole installation."""

    name: Text = Field(default="Room", description="What the room is called on screens and in alerts.")
    time_zone: Text = Field(
        default="UTC",
        description='Time zone of day, night, quiet hours and texts, an IANA name ("Europe/Lisbon").',
    )
    show: Literal["C", "F"] = Field(
        default="C",
        description='"C" or "F": how screens, alerts and reports show temperatures; the record is °C.',
    )
    clock: Literal["24 h", "12 h"] = Field(default="24 h", description="How the hour is written on screens.")
    date: Literal["year-month-day", "day.month.year", "month/day/year"] = Field(
        default="year-month-day", description="How the date is written on screens."
    )
    data: Path = Field(
        default="state",
        description="Folder of the logbook, relative to this file; the service's STATE_DIRECTORY wins.",
    )
    day: HoursOfDay = Field(
        default=units.Hours(420, 1260), description="Hours of the day, local time; the rest is night."
    )
    commit: Annotated[int, as_written(units.duration), Field(ge=1000, le=300_000), DURATION] = Field(
        default=15_000, description="The logbook is written at least this often (1 s to 5 min)."
    )
    sysfs: Path = Field(
        default="/sys", description="Root under which kernel sensors (1-wire, hwmon, iio) are found."
    )
    time_from: Literal["network", "board"] = Field(
        default="network",
        description='Who vouches for the clock: "network" (a time service), or "board" (a clock with a '
        "battery, and no network).",
    )
    reload: Literal["on order", "on save"] = Field(
        default="on order",
        description='When changed settings are applied: "on order" (a reload) or "on save".',
    )


class BrokerTable(Table):
    """[broker]: the MQTT broker; left out: no MQTT."""

    host: Text = Field(default="127.0.0.1", description="Name or address of the broker.")
    port: Port = Field(default=1883, description="Its port (8883 is usual with TLS).")
    user: Text | None = Field(default=None, description='User name; its password is the secret "broker".')
    client: Text = Field(
        default="ovigil", description="Client name at the broker; it keeps the session under it."
    )
    window: Annotated[StrictInt, Field(ge=1, le=65535)] = Field(
        default=20,
        description="The broker's limit of unacknowledged messages; a commit comes before it is reached.",
    )
    tls: StrictBool = Field(default=False, description="Speak TLS with the broker.")
    ca: Path | None = Field(
        default=None,
        description="File of the authority that signed the broker's certificate; left out: the system's.",
    )


class PageTable(Table):
    """[page]: the web page."""

    address: Web | None = Field(
        default=None, description="What the link in an alert opens; it should be reachable from the phone."
    )
    host: Text = Field(
        default="127.0.0.1", description='Where the page listens; "0.0.0.0" is the whole network.'
    )
    port: Port = Field(default=8300, description="Port of the page.")
    open: StrictBool = Field(
        default=False, description="On the network, reading needs no passcode; orders always need the login."
    )
    hosts: tuple[Text, ...] = Field(
        default=(), description="Further host names under which the page may be opened."
    )
    certificate: Path | None = Field(
        default=None, description="File of the page's certificate (PEM): with it and key the page speaks TLS."
    )
    key: Path | None = Field(default=None, description="File of the certificate's private key (PEM).")

    @model_validator(mode="after")
    def _certificate_and_key(self) -> Self:
        """Refuse one without the other."""
        if (self.certificate is None) != (self.key is None):
            raise ValueError("certificate and key belong together: give both, or neither")
        return self


class ContactTable(Table):
    """[[contact]]: a person with a way to reach them."""

    name: Name = Field(description="What the contact is called; unique.")
    reach: SecretName = Field(description="Name of a secret in the credentials folder: an apprise URL.")
    priorities: tuple[Priority, ...] = Field(
        default=(Priority.HIGH, Priority.MEDIUM),
        description="Priorities that the contact is told of: high, medium, low.",
    )
    quiet: HoursOfDay | None = Field(
        default=None, description="Only high priority in these hours, local time; left out: no quiet hours."
    )
    after: Lasting = Field(
        default=0, description="Told when an alarm is unacknowledged for this long (escalation); 0: at once."
    )
    on_duty: tuple[Days, ...] | None = Field(
        default=None, description="Days on which the contact is told, both ends included; left out: always."
    )
    report: Minute | None = Field(
        default=None, description="Hour at which the morning report is sent, local time; left out: none."
    )


class TemperatureRange(Table):
    """Two nested spans of temperature."""

    ideal: TemperatureSpan | None = Field(
        default=None, description='Ideal span, for example ["28.5 C", "31 C"].'
    )
    safe: TemperatureSpan | None = Field(
        default=None, description='Safe span around it; an open side is "none".'
    )

    @model_validator(mode="after")
    def _nested(self) -> Self:
        """Refuse an ideal span that reaches outside safe."""
        _check_nested(self.ideal, self.safe)
        return self


class HumidityRange(Table):
    """Two nested spans of relative humidity."""

    ideal: HumiditySpan | None = Field(default=None, description="Ideal span, percent, for example [75, 90].")
    safe: HumiditySpan | None = Field(
        default=None, description="Safe span around it, percent; 100 is no upper limit."
    )

    @model_validator(mode="after")
    def _nested(self) -> Self:
        """Refuse an ideal span that reaches outside safe."""
        _check_nested(self.ideal, self.safe)
        return self


def _check_nested(ideal: Span | None, safe: Span | None) -> None:
    """Raise what is wrong with a pair of spans."""
    if ideal is None and safe is None:
        raise ValueError("has neither an ideal nor a safe span; write at least one")
    if ideal is None or safe is None:
        return
    outside_low = safe.low is not None and (ideal.low is None or ideal.low < safe.low)
    outside_high = safe.high is not None and (ideal.high is None or ideal.high > safe.high)
    if outside_low or outside_high:
        raise ValueError("ideal reaches outside safe; the safe span must hold the ideal one")
    Range(ideal, safe)


class RangeTable(Table):
    """[[place.range]]: a range of one spot, by day, by night or both."""

    spot: Name | None = Field(
        default=None, description="Where in the place; left out: every spot without its own."
    )
    when: Literal["day", "night", "always"] = Field(
        default="always", description="When it holds: day, night or always."
    )
    temperature: TemperatureRange | None = Field(default=None, description="Range of temperature there.")
    humidity: HumidityRange | None = Field(default=None, description="Range of humidity there, percent.")

    @model_validator(mode="after")
    def _something(self) -> Self:
        """Refuse an entry without a range."""
        if self.temperature is None and self.humidity is None:
            raise ValueError("this range has no numbers; give temperature or humidity")
        return self


class HoldTable(Table):
    """hold: how long something must last before it is said."""

    ideal: Lasting | None = Field(
        default=None, description="Ideal left for this long is an alarm (medium); default 20 min."
    )
    safe: Lasting | None = Field(
        default=None, description="Safe left for this long is an alarm (high); default 2 min."
    )
    off: Lasting | None = Field(
        default=None, description="Right again for this long, the alarm clears; default 5 min."
    )
    slow: Lasting | None = Field(
        default=None,
        description=(
            "As safe, of temperature on the side on which harm comes slowly: the cool one, in a cold"
            " store the warm one. Default as safe; in incubators and boxes 8 min where you set no safe."
        ),
    )
    returning: Lasting | None = Field(
        default=None,
        description=(
            "While a curve comes back by itself, ideal's hold begins anew, for so long at most (safe's"
            " on the slow side for a third of it). Default 60 min, 40 min in enclosures, 180 min in"
            " cold stores; none where you set ideal or safe."
        ),
    )


class DeadbandTable(Table):
    """deadband: how far back inside a limit a value must come before its alarm may clear."""

    temperature: Kelvin | None = Field(
        default=None, description='A difference, "0.3 C" or "0.5 F"; default 0.3 K.'
    )
    humidity: Percent | None = Field(default=None, description="Percent; default 3.")


_USUAL_STAGE = {
    PlaceKind.BOX: Stage.INCUBATION,
    PlaceKind.ENCLOSURE: Stage.ADULT,
    PlaceKind.OUTDOOR: Stage.ADULT,
    PlaceKind.COLD_STORE: Stage.COOLING,
}


class PlaceTable(Table):
    """[[place]]: an incubator, a box, an enclosure, an outdoor pen, a cold store or the room's air."""

    name: Name = Field(description="Unique.")
    kind: PlaceKind = Field(description="room, incubator, box, enclosure, outdoor or cold-store.")
    inside: Name | None = Field(default=None, description="The place that it stands in.")
    store: Store | None = Field(
        default=None, description="What a cold store is for: refrigerator, freezer or hibernation."
    )
    species: Text | None = Field(default=None, description="Scientific or common name of its animals.")
    stage: Stage | None = Field(
        default=None,
        description="incubation, hatching, hatchling, juvenile, adult or cooling; "
        "default with a species: incubation in a box, cooling in a cold store, else adult.",
    )
    temperature: TemperatureRange | None = Field(
        default=None, description="Your range for the whole place; it wins over the species table."
    )
    humidity: HumidityRange | None = Field(
        default=None,
        description="Your range of humidity for the whole place, percent; it wins over the table.",
    )
    egg_mass: Grams | None = Field(
        default=None, description='Mass of one egg ("1.5 g"): how slowly it follows the air.'
    )
    lag: Lasting | None = Field(
        default=None,
        description="Time constant of an egg in this box as you measured it; wins over egg_mass.",
    )
    day: HoursOfDay | None = Field(
        default=None, description="Hours of its day, local time; default: the room's."
    )
    settle: Lasting = Field(
        default=3_600_000,
        description="After a change of day and night the wider of both counts for this long.",
    )
    settling: Lasting = Field(
        default=7_200_000,
        description="When the place is new, changes or comes into use, ideal waits for this long.",
    )
    hold: HoldTable = Field(
        default=HoldTable(), description="How long something must last before it is an alarm."
    )
    deadband: DeadbandTable = Field(
        default=DeadbandTable(), description="How far back inside a limit clears."
    )
    advice: Words = Field(default="", description="Your own words, shown with this place's alerts.")
    in_use: StrictBool = Field(default=True, description="Out of use, nothing is judged here.")
    range: tuple[RangeTable, ...] = Field(
        default=(), description="Ranges of single spots, by day and by night."
    )
    sensor: tuple[SensorTable, ...] = Field(default=(), description="Its sensors.")

    def sensor_names(self) -> tuple[str, ...]:
        """Name every sensor: its own name, else the place's or place-spot."""
        alone = len(self.sensor) == 1
        return tuple(
            each.name or (self.name if alone else f"{self.name}-{each.contact or each.spot}")
            for each in self.sensor
        )

    def stage_now(self, ordered: Stage | None = None) -> Stage | None:
        """Give the stage that is judged by: ordered, else written, else the usual one for its kind."""
        if ordered is not None or self.stage is not None:
            return ordered or self.stage
        return _USUAL_STAGE.get(self.kind) if self.species else None


class UplinkTable(Table):
    """[uplink]: an InfluxDB server that gets a copy; its token is the secret "uplink"."""

    url: Web = Field(description="Address of the server.")
    org: Text = Field(default="ovigil", description="Organisation at the server.")
    bucket: Text = Field(default="ovigil", description="Bucket at the server.")


class BackupTable(Table):
    """[backup]: the nightly copy of the logbook."""

    at: Minute = Field(default=210, description="Hour of the nightly backup, local time.")
    second: Path | None = Field(default=None, description="A second folder for each backup, on another disk.")


class WatchTable(Table):
    """[watch]: who watches the watch."""

    heartbeat: SecretName | None = Field(
        default=None, description="Name of a secret: a web address that is called while all is well."
    )
    every: Every = Field(default=300_000, description="How often the heartbeat is sent.")
    test: WeekTime | None = Field(
        default=None,
        description='When each week the path of the alerts is tested ("sunday 10:00"); left out: never.',
    )


_DaysLong = Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False, strict=True)]


def _write_record(record: tuple[float, float]) -> str:
    """Write an own record as the config does."""
    return f'["{record[0]:g} C", {record[1]:g}]'


Record = Annotated[tuple[Celsius, _DaysLong], Says('["28.5 C", 58]', _write_record)]


class ClutchTable(Table):
    """[[clutch]]: eggs laid together; give laid or found."""

    id: Name = Field(description="Unique.")
    species: Text = Field(description="Scientific or common name.")
    parents: Words = Field(default="", description="The parents, in your own words.")
    laid: date | None = Field(default=None, description="Day on which it was laid (2026-09-30).")
    found: date | None = Field(
        default=None, description="Day on which it was found, where laid is not known."
    )
    eggs: Annotated[StrictInt, Field(ge=1, le=1000)] = Field(description="How many eggs.")
    box: Name = Field(description="The place with the eggs.")
    position: Words = Field(default="", description="Where in the box, where it holds more than one clutch.")
    records: tuple[Record, ...] = Field(
        default=(),
        description='Your own records, [["28.5 C", 58]]: hatched after so many days at this temperature.',
    )
    sex: StrictBool = Field(
        default=False, description="Show what the temperature may mean for the sex, where that is published."
    )

    @model_validator(mode="after")
    def _begun(self) -> Self:
        """Refuse a clutch without a day, or with two."""
        if (self.laid is None) == (self.found is None):
            raise ValueError("give the day on which it was laid, or else on which it was found; one of them")
        return self


def _apart(value: object) -> int:
    """Read a span of whole days, at least one."""
    span = units.duration(value)
    if span < DAY or span % DAY:
        raise ValueError('must be whole days, at least one ("3 days")')
    return span


Apart = Annotated[int, as_written(_apart), DURATION]


class ReminderTable(Table):
    """[[reminder]]: days on which you want to be reminded, beside what is due of the clutches."""

    text: Text = Field(description='What is to be done: "crickets out of the refrigerator".')
    on: date | None = Field(default=None, description="The day (2026-12-03); or give every and since.")
    every: Apart | None = Field(
        default=None, description='It comes back after so many whole days ("3 days"); needs since.'
    )
    since: date | None = Field(default=None, description="The first of the days that come back.")
    clutch: Name | None = Field(
        default=None, description="The clutch that it is for: when that is over, so is the reminder."
    )

    @model_validator(mode="after")
    def _dated(self) -> Self:
        """Refuse a reminder without a day, or with two ways of saying it."""
        if (self.on is None) == (self.since is None) or (self.every is None) != (self.since is None):
            raise ValueError("give on = a date, or else every = a span of days and since = a date")
        return self


class RoomFile(BaseSettings):
    """The whole config: one room."""

    model_config = SettingsConfigDict(
        extra="forbid", frozen=True, arbitrary_types_allowed=True, enable_decoding=False
    )

    room: RoomTable = Field(default=RoomTable(), description="The room.")
    broker: BrokerTable | None = Field(default=None, description="The MQTT broker; left out: no MQTT.")
    page: PageTable = Field(default=PageTable(), description="The web page.")
    contact: tuple[ContactTable, ...] = Field(default=(), description="Who is told.")
    place: tuple[PlaceTable, ...] = Field(default=(), description="The places.")
    uplink: UplinkTable | None = Field(default=None, description="A copy to InfluxDB; left out: none.")
    backup: BackupTable = Field(default=BackupTable(), description="The nightly backup.")
    watch: WatchTable = Field(default=WatchTable(), description="Who watches the watch.")
    clutch: tuple[ClutchTable, ...] = Field(default=(), description="The clutches.")
    reminder: tuple[ReminderTable, ...] = Field(
        default=(), description="Days on which you want to be reminded."
    )

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],  # noqa: ARG003  # the library's signature
        init_settings: PydanticBaseSettingsSource,
        *_: PydanticBaseSettingsSource,
        **__: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Take only what the loader hands in: it merged file, credentials and environment."""
        return (init_settings,)
