"""What a clutch's temperature says of its hatchlings' sex, where that is known at all.

A share with its own doubt, never a verdict on one egg, and only for species with a
published reaction norm. This is for understanding a record, not for steering one: see
:data:`WELFARE`.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from rules.incubation.development import Curve, Stretch, stretches, total
from rules.incubation.equivalent import SENSITIVE, mean_of, of_days
from rules.incubation.fitting import Point
from rules.incubation.window import basis_of

WELFARE = (
    "the share is an estimate for a whole clutch, not for one egg; do not steer the temperature "
    "for a sex: warm or cold ends of the range cost hatchlings and their health. Ask a veterinarian "
    "with reptile practice, and keep within the safe range"
)
"""The caution that goes with every share."""

WINDOW = 1.645
"""A 90 % span reaches so many σ to either side."""

NORM_DOUBT = 0.3
"""σ of a pivotal temperature between populations, K (own proposal: T. hermanni 31.5–31.6
by two compilations, C. caretta 28–30 by beach)."""

SENSOR_DOUBT = 0.3
"""σ of a sensor's bias, K."""


class Pattern(StrEnum):
    """How sex comes about in a species."""

    TEMPERATURE = "by temperature"
    TWO_SIDED = "by temperature: female, male, female"
    GENOTYPE = "by genes"
    DISPUTED = "disputed"
    UNKNOWN = "no published reaction norm here"


class Period(StrEnum):
    """Where a clutch is with respect to the thermosensitive third."""

    AHEAD = "not yet reached"
    INSIDE = "in it"
    PAST = "past"


@dataclass(frozen=True, slots=True)
class Norm:
    """A logistic reaction norm: males = 1 / (1 + exp((pivot − T) / slope)).

    Attributes:
        pivot: Temperature of equal shares, °C.
        slope: Below 0: males from the cool side. K.
        sexed: How many hatchlings it rests on.
        note: What else must be known, or "".

    Source:
        Form: Girondot 1999; Godfrey et al. 2003; Hulin et al. 2009, Oecologia
        160:493. Figures: fitted to constant-temperature, untreated rows of the
        compilations DatabaseTSD and ROSIE.
    """

    pivot: float
    slope: float
    sexed: int
    note: str = ""

    def males(self, temperature: float) -> float:
        """Give the share of males at a constant temperature, 0 to 1."""
        exponent = max(-700.0, min(700.0, (self.pivot - temperature) / self.slope))
        return 1.0 / (1.0 + math.exp(exponent))

    @property
    def transition(self) -> float:
        """Give the width from 5 to 95 %, K."""
        return 2.0 * math.log(19.0) * abs(self.slope)


NORMS: dict[str, Norm] = {
    "Testudo hermanni": Norm(31.60, -0.323, 180),
    "Trachemys scripta": Norm(28.93, -0.461, 2990),
    "Centrochelys sulcata": Norm(30.80, -0.246, 82, "one source"),
    "Testudo graeca": Norm(30.74, -0.443, 160),
    "Emys orbicularis": Norm(28.48, -0.184, 1676),
    "Caretta caretta": Norm(29.83, -0.743, 3042),
    "Chrysemys picta": Norm(28.31, -0.543, 4136, "some populations give females in the cold too"),
}
"""Species with one-sided published norms."""

TWO_SIDED: dict[str, tuple[tuple[float, float, float], ...]] = {
    "Eublepharis macularius": (
        (26.0, 0.0, 0.0),
        (28.0, 0.0, 0.0),
        (29.0, 0.20, 0.20),
        (30.0, 0.24, 0.46),
        (31.0, 0.83, 0.83),
        (31.5, 0.89, 0.89),
        (32.0, 0.87, 0.87),
        (32.5, 0.37, 0.74),
        (33.0, 0.37, 0.80),
        (34.0, 0.0, 0.50),
        (35.0, 0.0, 0.50),
    ),
}
"""Female–male–female: (°C, least, greatest published share of males); between two by a
straight line, outside nothing is said.

Source:
    Viets et al. 1993 and two further papers in the Reptile Development Database; "mostly
    female" at 34–35 °C is written as 0–0.5. Constant 35 °C is near the lethal limit.
"""

_SNAKES = {
    *("Elaphe", "Pantherophis", "Pituophis", "Lampropeltis", "Heterodon", "Python", "Morelia"),
    *("Boa", "Natrix", "Naja", "Antaresia", "Malayopython", "Aspidites", "Thamnophis"),
}

_GENES: dict[str, str] = {
    "Chamaeleo calyptratus": "36–57 % males at all of 25–30 °C",
    "Salvator merianae": "no effect of temperature is published",
    "Varanus albigularis": "monitors have sex chromosomes",
    "Pogona vitticeps": "genetic males hatch as females above about 32 °C",
}

_DISPUTED: dict[str, str] = {
    "Correlophus ciliatus": "taken as decided by genes; some keepers' records disagree",
}


@dataclass(frozen=True, slots=True)
class SexOutlook:
    """What is known of a clutch's sexes.

    Attributes:
        pattern: How sex comes about in this species.
        period: Where the clutch is, or None where temperature does not decide.
        equivalent: Development-weighted mean of the daily constant-temperature equivalents
            over the part of the thermosensitive third that has passed, °C, or None.
        males: Expected share of males, 0 to 1, or None.
        males_low: Begin of its 90 % span, or None.
        males_high: End of it, or None.
        source: What it rests on, or "".
        cautions: What a keeper must know, each a sentence.
    """

    pattern: Pattern
    period: Period | None
    equivalent: float | None
    males: float | None
    males_low: float | None
    males_high: float | None
    source: str
    cautions: tuple[str, ...]


def pattern_of(species: str) -> tuple[Pattern, str]:
    """Give how sex comes about in a species, with a word on it or ""."""
    if species in NORMS:
        return Pattern.TEMPERATURE, NORMS[species].note
    if species in TWO_SIDED:
        return Pattern.TWO_SIDED, ""
    if species in _GENES:
        return Pattern.GENOTYPE, _GENES[species]
    if species.split(" ", 1)[0] in _SNAKES:
        return Pattern.GENOTYPE, "snakes have sex chromosomes"
    if species in _DISPUTED:
        return Pattern.DISPUTED, _DISPUTED[species]
    return Pattern.UNKNOWN, ""


def male_share(species: str, temperature: float) -> tuple[float, float, float] | None:
    """Give the expected share of males at a constant temperature with its 90 % span.

    Args:
        species: Scientific name.
        temperature: Constant, or a constant-temperature equivalent, °C.

    Returns:
        (share, least, greatest), each 0 to 1; None where no norm is published for this
        species or this temperature.

    Notes:
        The span comes from the norm's and the sensor's doubt in kelvin; where papers
        disagree it covers them.
    """
    reach = WINDOW * math.hypot(NORM_DOUBT, SENSOR_DOUBT)
    norm = NORMS.get(species)
    if norm is not None:
        ends = sorted((norm.males(temperature - reach), norm.males(temperature + reach)))
        return norm.males(temperature), ends[0], ends[1]
    table = TWO_SIDED.get(species)
    if table is None or not table[0][0] <= temperature <= table[-1][0]:
        return None
    low, high = _between(table, temperature)
    steps = [temperature + reach * i / 8 for i in range(-8, 9)]
    held = [_between(table, min(max(step, table[0][0]), table[-1][0])) for step in steps]
    return 0.5 * (low + high), min(span[0] for span in held), max(span[1] for span in held)


def sex_outlook(curve: Curve, species: str, records: Sequence[Point] = ()) -> SexOutlook:
    """Tell what the curve of a clutch says of its sexes.

    Args:
        curve: As for ``hatch_window``.
        species: Scientific name.
        records: The keeper's own (°C, days), for the sum of rates.

    Returns:
        The outlook; where genes decide or nothing is published, only that.

    Raises:
        NoRecord: Temperature decides, but there is nothing to sum up the development with.
    """
    pattern, word = pattern_of(species)
    if pattern not in (Pattern.TEMPERATURE, Pattern.TWO_SIDED):
        said = f"{species}: sex is decided {pattern.value}" if pattern is Pattern.GENOTYPE else ""
        said = said or f"{species}: {pattern.value}"
        return SexOutlook(pattern, None, None, None, None, None, "", (f"{said}{_after(word)}",))
    basis = basis_of(species, records)
    found = stretches(curve, basis.model, basis.tested)
    period = _period(total(found, lambda stretch: stretch.mid))
    worth = mean_of(of_days(found, *SENSITIVE))
    shares = male_share(species, worth) if worth == worth else None
    share, low, high = shares or (None, None, None)
    cautions = _cautions(species, period, found, worth if worth == worth else None, known=shares is not None)
    if word:
        cautions = (*cautions, f"{species}: {word}")
    worth_or_none = worth if worth == worth else None
    return SexOutlook(pattern, period, worth_or_none, share, low, high, _source(species), cautions)


def _after(word: str) -> str:
    """Add a word where there is one."""
    return f" ({word})" if word else ""


def _period(done: float) -> Period:
    """Place a progress."""
    if done < SENSITIVE[0]:
        return Period.AHEAD
    return Period.INSIDE if done < SENSITIVE[1] else Period.PAST


def _source(species: str) -> str:
    """Name what a norm rests on."""
    norm = NORMS.get(species)
    if norm is None:
        return "published shares of males at constant temperatures (Viets et al. 1993 and two further papers)"
    return (
        f"logistic norm fitted to {norm.sexed} sexed hatchlings of DatabaseTSD and ROSIE: equal shares at "
        f"{norm.pivot:.2f} °C, 5 to 95 % within {norm.transition:.1f} K"
    )


def _between(table: tuple[tuple[float, float, float], ...], temperature: float) -> tuple[float, float]:
    """Read both ends off the table; the temperature lies in it."""
    (cold, low, high), (warm, next_low, next_high) = next(
        (one, other) for one, other in itertools.pairwise(table) if temperature <= other[0]
    )
    part = (temperature - cold) / (warm - cold)
    return low + (next_low - low) * part, high + (next_high - high) * part


def _cautions(
    species: str, period: Period, found: Sequence[Stretch], worth: float | None, *, known: bool
) -> tuple[str, ...]:
    """Say what the share does not."""
    said: list[str] = []
    if period is Period.AHEAD:
        said.append("the thermosensitive third of the development is not yet reached: nothing is decided")
    elif period is Period.INSIDE:
        said.append("the thermosensitive third is not over: the share may still change")
    if worth is not None and not known:
        said.append(f"no share is published for {species} at {worth:.1f} °C")
    if any(stretch.gap for stretch in found):
        said.append("gaps in the curve are left out of the equivalent")
    return (*said, WELFARE)
