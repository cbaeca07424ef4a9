"""What ``check --json`` answers: the models are its schema. °C, percent, seconds."""

from collections.abc import Iterator

from pydantic import BaseModel, ConfigDict, Field

from daemon.effective import PERIODS, Effective, EffectiveSensor
from rules.reading import SECOND, Quantity
from rules.species import SourcedSpan


class Answer(BaseModel):
    """What all parts of an answer have in common."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class NumberAnswer(Answer):
    """One number of a span."""

    value: float = Field(description="°C or percent.")
    origin: str = Field(description="One of the values of rules.species.Origin.")
    source: str = Field(description="The same in words, or empty.")


class SpanAnswer(Answer):
    """A span; an open side is null."""

    low: NumberAnswer | None = Field(description="Lower end.")
    high: NumberAnswer | None = Field(description="Upper end.")


class RangeAnswer(Answer):
    """The range of one quantity at one spot in one period."""

    spot: str = Field(description="Where; empty: every spot without an entry of its own.")
    quantity: str = Field(description='"temperature" or "humidity".')
    when: str = Field(description='"day" or "night".')
    ideal: SpanAnswer | None = Field(description="Ideal span, or null.")
    safe: SpanAnswer | None = Field(description="Safe span, or null.")
    deadband: float = Field(description="How far back inside a limit clears (K, percent).")
    deadband_origin: str = Field(description="Where the deadband comes from.")


class HoldAnswer(Answer):
    """A span of time with its origin."""

    seconds: float = Field(description="Seconds.")
    origin: str = Field(description="Where it comes from.")


class SensorAnswer(Answer):
    """One sensor."""

    name: str = Field(description="Its name.")
    spot: str = Field(description="Where in the place.")
    by: str = Field(description="How it is read.")
    quantities: list[str] = Field(description="What it reports.")
    every: float = Field(description="A reading comes at least this often (s).")
    contact: str | None = Field(description="What its contact tells of, or null.")
    error: dict[str, float] = Field(description="Its own error by quantity (K, percent).")
    correction: dict[str, list[tuple[float, float]]] = Field(
        description="Points (reference, reading) by quantity; absent: none."
    )


class PlaceAnswer(Answer):
    """One place."""

    place: str = Field(description="Its name.")
    kind: str = Field(description="What sort of place.")
    inside: str | None = Field(description="The place that it stands in, or null.")
    species: str | None = Field(description="Species in force, or null.")
    species_in_config: str | None = Field(description="Species as the config has it, or null.")
    stage: str | None = Field(description="Stage in force, or null.")
    stage_in_config: str | None = Field(description="Stage as the config has it, or null.")
    in_use: bool = Field(description="In use now.")
    in_use_in_config: bool = Field(description="In use as the config has it.")
    egg_lag: float | None = Field(description="Time constant of an egg (s), or null.")
    hold: dict[str, HoldAnswer] = Field(
        description='"ideal", "safe", "slow", "off", "returning"; of humidity too.'
    )
    settle: float = Field(description="The wider of day and night counts for this long after a change (s).")
    settling: float = Field(description="Ideal waits for this long when the place is new (s).")
    ranges: list[RangeAnswer] = Field(description="What is judged, by spot, quantity and period.")
    sensors: list[SensorAnswer] = Field(description="Its sensors.")


class SecretAnswer(Answer):
    """One secret that the config names."""

    name: str = Field(description="Its name.")
    use: str = Field(description="What it is for.")
    present: bool = Field(description="It is there; its value is never shown.")


class CheckAnswer(Answer):
    """The whole answer."""

    room: str = Field(description="Name of the room.")
    file: str = Field(description="The config.")
    digest: str = Field(description="SHA-256 of its text.")
    places: list[PlaceAnswer] = Field(description="Every place, in the order of the config.")
    secrets: list[SecretAnswer] = Field(description="Every secret that the config names.")
    warnings: list[str] = Field(description="What a keeper should know, in words.")


def place_answer(place: Effective) -> PlaceAnswer:
    """Turn one place into its answer."""
    holds = place.holds | {f"{name} of humidity": hold for name, hold in place.humid_holds.items()}
    return PlaceAnswer(
        place=place.place,
        kind=place.kind.value,
        inside=place.table.inside,
        species=place.species,
        species_in_config=place.species_in_config,
        stage=place.stage.value if place.stage is not None else None,
        stage_in_config=place.stage_in_config.value if place.stage_in_config is not None else None,
        in_use=place.in_use,
        in_use_in_config=place.in_use_in_config,
        egg_lag=place.egg_lag.value / SECOND if place.egg_lag is not None else None,
        hold={name: HoldAnswer(seconds=h.value / SECOND, origin=h.origin.value) for name, h in holds.items()},
        settle=place.table.settle / SECOND,
        settling=place.table.settling / SECOND,
        ranges=list(_range_answers(place)),
        sensors=[_sensor_answer(sensor) for sensor in place.sensors],
    )


def _range_answers(place: Effective) -> Iterator[RangeAnswer]:
    """Give one answer for each spot, quantity and period that is judged."""
    for entry in place.spots:
        for period in PERIODS:
            both = entry.by(period)
            if both is not None:
                yield RangeAnswer(
                    spot=entry.spot,
                    quantity=entry.quantity.value,
                    when=period,
                    ideal=_span_answer(both.ideal),
                    safe=_span_answer(both.safe),
                    deadband=entry.deadband,
                    deadband_origin=entry.deadband_origin.value,
                )


def _span_answer(span: SourcedSpan | None) -> SpanAnswer | None:
    """Turn a span into its answer."""
    if span is None:
        return None
    low, high = (
        None if end is None else NumberAnswer(value=end.value, origin=end.origin.value, source=end.source)
        for end in (span.low, span.high)
    )
    return SpanAnswer(low=low, high=high)


def _sensor_answer(sensor: EffectiveSensor) -> SensorAnswer:
    """Turn a sensor into its answer."""
    entry = sensor.table
    quantities = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
    points = {q.value: getattr(entry.correction, q.value) for q in quantities}
    return SensorAnswer(
        name=sensor.name,
        spot=entry.spot,
        by=entry.read.by,
        quantities=[quantity.value for quantity in entry.quantities],
        every=entry.read.every / SECOND,
        contact=entry.contact,
        error={quantity.value: error for quantity, error in entry.errors.items()},
        correction={quantity: list(given) for quantity, given in points.items() if given},
    )
