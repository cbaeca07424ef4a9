"""What the engine says of ranges and silence, in a keeper's words.

Values stay typed (``rules.words``); what to try is common practice, no source.
"""

from rules.plan import Priority, SensorPlan
from rules.reading import Quantity
from rules.track import Call, Track
from rules.words import Degrees, Instant, Lasting, Percent, Piece, Sentence

LOWER_RULES = frozenset({"too cool", "too dry"})
"""Rules about the lower side."""


def measured(quantity: Quantity, value: float) -> Piece:
    """Give a value of a judged quantity as a piece of a sentence."""
    return Percent(value) if quantity is Quantity.HUMIDITY else Degrees(value)


def call_reason(track: Track, call: Call) -> Sentence:
    """Say what is wrong with a curve that left its range."""
    which = "safe" if call.priority is Priority.HIGH else "ideal"
    bound = "from" if call.rule in LOWER_RULES else "up to"
    what = "egg temperature " if track.quantity is Quantity.EGG_TEMPERATURE else ""
    return (
        what,
        measured(track.quantity, track.value),
        f" ({track.spot}), {which} is {bound} ",
        measured(track.quantity, call.limit),
        "; since ",
        Instant(call.since),
    )


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
