"""Dried out, or only warmed up: what a change of humidity means, in a keeper's words.

Relative humidity falls by about 4.5 % for every degree of warming at 28 °C and 80 %
although no water is lost. So a humidity alarm is split into what temperature did and
what moisture did (log-mean split, ``rules.psychrometrics``).

What to try is common practice of keepers, has no published source, and says so.
"""

from dataclasses import dataclass
from math import exp, log

from rules import psychrometrics
from rules.detector import Detector
from rules.plan import Stage
from rules.reading import HOUR, MINUTE
from rules.words import Degrees, Percent, Sentence


def split_in_words(t0: float, rh0: float, t1: float, rh1: float) -> Sentence:
    """Say what changed humidity from (t0, rh0) to (t1, rh1): °C, percent.

    Returns:
        A sentence with the split; () where the split is not defined.
    """
    temperature, moisture = psychrometrics.humidity_change_split(t0, rh0, t1, rh1)
    if temperature != temperature:
        return ()
    return (
        "Humidity went from ",
        Percent(rh0),
        " to ",
        Percent(rh1),
        f": {_signed(temperature)} points by {'cooling' if temperature > 0 else 'warming'} (",
        Degrees(t0),
        " to ",
        Degrees(t1),
        f"), {_signed(moisture)} points by {'water that came' if moisture > 0 else 'water that went'}. ",
        cause(temperature, moisture),
    )


def _signed(part: float) -> str:
    """Write a part of a change with its sign: "+5", "-11", "0"."""
    whole = round(part)
    return f"{whole:+d}" if whole else "0"


def cause(temperature: float, moisture: float) -> str:
    """Say which of the two parts (percent of humidity) it was.

    A part that is smaller than 1.5 % or a quarter of the other counts as nothing: that
    is what a good sensor is off (own proposal).
    """
    small = max(1.5, 0.25 * max(abs(temperature), abs(moisture)))
    by_temperature, by_moisture = abs(temperature) >= small, abs(moisture) >= small
    if by_temperature and not by_moisture:
        return "It only warmed up; no water was lost." if temperature < 0 else "It only cooled down."
    if by_moisture and not by_temperature:
        return "It dried out." if moisture < 0 else "Water was added."
    if not by_moisture:
        return "Hardly anything changed."
    if temperature < 0 and moisture < 0:
        return "It warmed up and it dried out."
    if temperature < 0:
        return "It warmed up, though water was added."
    return "It dried out, though it cooled down." if moisture < 0 else "It cooled down and water was added."


def drying_advice(stage: Stage | None, box_temperature: float) -> Sentence:
    """Say what to try against drying.

    Misting is suggested only in the hatching stage, with water as warm as the box: cold
    drops on an egg chill it, and standing water drowns it.

    Args:
        stage: Stage of the animals, or None.
        box_temperature: The box's temperature, °C.
    """
    if stage is Stage.HATCHING:
        return (
            "Common practice: mist the walls, not the animals, with water at ",
            Degrees(round(box_temperature, 1)),
            "; close the lid well.",
        )
    if stage is Stage.INCUBATION:
        return (
            "Common practice: look for a leak at lid and vents, weigh the box, ",
            "and give back the water that it lost to the substrate beside the eggs, at ",
            Degrees(round(box_temperature, 1)),
            ". Do not mist eggs.",
        )
    return ("Common practice: fill the water bowl, moisten the substrate, look for a draught.",)


@dataclass(frozen=True, slots=True)
class MoistureReferenceParams:
    """How the state before the trouble is kept. Own proposals.

    Attributes:
        smooth: Time constant, ms.
        step: One pair per this span, ms.
    """

    smooth: int = 2 * HOUR
    step: int = MINUTE


class MoistureReference(Detector[MoistureReferenceParams]):
    """Remembers temperature and humidity as they were while all was well.

    The mean is taken of ln e, so that it is one of vapour pressure.
    """

    __slots__ = ("at", "due", "log_pressure", "temperature")

    def __init__(self, params: MoistureReferenceParams | None = None) -> None:
        """Begin without a reference."""
        super().__init__(params or MoistureReferenceParams())
        self.at = 0
        self.due = 0
        self.log_pressure: float | None = None
        self.temperature = 0.0

    def see(self, at: int, temperature: float, humidity: float) -> None:
        """Take a good pair of one sensor; call it only while no humidity alarm holds."""
        if at < self.due:
            return
        self.due = at + self.params.step
        pressure = psychrometrics.vapour_pressure(temperature, humidity)
        if not pressure > 0:
            return
        step, self.at = at - self.at, at
        if self.log_pressure is None or step > 4 * self.params.smooth:
            self.log_pressure, self.temperature = log(pressure), temperature
            return
        weight = 1 - exp(-step / self.params.smooth)
        self.log_pressure += (log(pressure) - self.log_pressure) * weight
        self.temperature += (temperature - self.temperature) * weight

    def pair(self) -> tuple[float, float] | None:
        """Give (temperature °C, humidity %) before the trouble, or None."""
        if self.log_pressure is None:
            return None
        saturated = psychrometrics.saturation_vapour_pressure(self.temperature)
        return self.temperature, min(100.0, 100 * exp(self.log_pressure) / saturated)

    def explain(self, temperature: float, humidity: float) -> Sentence:
        """Say what changed humidity since; () without a reference."""
        before = self.pair()
        return split_in_words(*before, temperature, humidity) if before else ()
