"""What the engine says of ranges and silence, in a keeper's words.

Values stay typed (``rules.words``); what to try is common practice, no source.
"""

from rules.moisture import drying_advice
from rules.plan import PlaceKind, PlacePlan, Priority, SensorPlan
from rules.reading import Quantity
from rules.track import Call, Track
from rules.words import Degrees, Instant, Lasting, Percent, Piece, Sentence

LOWER_RULES = frozenset({"too cool", "too dry"})
"""Rules about the lower side."""


def measured(quantity: Quantity, value: float) -> Piece:
    """Give a value of a judged quantity as a piece of a sentence."""
    return Percent(value) if quantity is Quantity.HUMIDITY else Degrees(value)


def call_reason(track: Track, call: Call, place: PlacePlan) -> Sentence:
    """Say what is wrong with a curve that left its range; of warm goods only an estimate is known."""
    goods = place.store is not None and call.rule == "too warm"
    where = "estimated in what lies there" if goods else track.spot
    which = "safe" if call.priority is Priority.HIGH else "ideal"
    bound = "from" if call.rule in LOWER_RULES else "up to"
    what = "egg temperature " if track.quantity is Quantity.EGG_TEMPERATURE else ""
    return (
        what,
        measured(track.quantity, track.value),
        f" ({where}), {which} is {bound} ",
        measured(track.quantity, call.limit),
        "; since ",
        Instant(call.since),
    )


def range_advice(place: PlacePlan, rule: str, warmth: float) -> Sentence:
    """Say what to try when a range was left (common practice, no source).

    Args:
        place: Where.
        rule: Which side was left.
        warmth: Temperature beside it, °C, or NaN.
    """
    if rule == "too dry":
        return drying_advice(place.stage, warmth) if warmth == warmth else ()
    if rule == "too humid":
        return ("Let some air in for a minute; look for standing water near eggs or hatchlings.",)
    if place.kind is PlaceKind.COLD_STORE:
        return ("Look at door, plug and thermostat; keep it shut until you know.",)
    if place.kind is PlaceKind.OUTDOOR:
        return ("Give shade and water, or a shelter; move the animals where it goes on.",)
    if rule == "too warm":
        return ("Open it a little and switch its heat off by hand; look at the thermostat.",)
    return ("Look at its heater, plug and thermostat; keep it shut, it holds its heat for a while.",)


def right_reason(track: Track, call: Call) -> Sentence:
    """Say that a curve is back in its range."""
    return ("Right again: ", measured(track.quantity, track.value), " since ", Instant(call.since))


def silence_reason(sensor: SensorPlan, seen: int, *, blind: bool) -> tuple[Sentence, Sentence]:
    """Say that a sensor is silent, and what to try."""
    reason: Sentence = (
        "Nothing from ",
        sensor.name,
        f" ({sensor.spot}) since ",
        Instant(seen),
        "; it should come every ",
        Lasting(sensor.every),
    )
    if blind:
        reason = (*reason, ". Nothing else measures warmth there")
    advice = ("Look at its power, battery, cable and radio; until then go by a thermometer in the place.",)
    return reason, advice
