"""What the egg feels: air, delayed by the egg's own mass.

An egg follows the air around it as dTe/dt = (T - Te) / τ (Newton's law of cooling,
lumped: Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, ch. 5; its Biot
number is 0.04–0.15). A lid that is open for two minutes hardly reaches it.
"""

from dataclasses import dataclass
from math import exp, isfinite, pi

from rules.detector import Detector
from rules.reading import MINUTE

SPECIFIC_HEAT = 3600.0
"""J/(kg K), an egg's (common estimate: mostly water)."""

DENSITY = 1060.0
"""kg/m³, an egg's (common estimate)."""

TRANSFER = 10.0
"""W/(m² K), still air and radiation together (common estimate)."""

NOT_LAGGED = frozenset({"substrate", "basking surface", "water"})
"""Spots whose sensor already has what it touches: no lag is put on it.

Substrate beside the shell is the egg's temperature, while air differs by about 2 K
(J. Exp. Biol. 2018, 221(20) jeb188698, *Trachemys*). A basking surface is a surface and
is never compared with a range of air.
"""


def lag_of_mass(grams: float) -> int:
    """Give the time constant of an egg in still air.

    Args:
        grams: Its mass, above 0.

    Returns:
        Time constant, ms: τ = m·c / (h·A) of a sphere. 1 g 12.9 min, 10 g 27.8 min,
        20 g 35.0 min, 50 g 47.5 min.

    Raises:
        ValueError: The mass is not above 0 (the settings' fault).

    Source:
        Lumped sphere, see the module; in substrate the box's mass rules and τ is hours:
        then measure it.
    """
    if not grams > 0 or not isfinite(grams):
        raise ValueError(f"an egg's mass must be above 0 g, not {grams}")
    mass = grams / 1000
    radius: float = (3 * mass / DENSITY / (4 * pi)) ** (1 / 3)
    return round(mass * SPECIFIC_HEAT / (TRANSFER * 4 * pi * radius**2) * 1000)


def lagged(spot: str) -> bool:
    """Tell whether a sensor at ``spot`` measures what eggs feel only after a lag."""
    return spot not in NOT_LAGGED


@dataclass(frozen=True, slots=True)
class EggLagParams:
    """How the egg lags.

    Attributes:
        lag: Time constant, ms, above 0.
        cover: A reading stands for at most this long, ms (2 × ``every``); from a sensor
            that reports on change a very long span.
        bridge: A gap beyond cover that is shorter than this share of the lag is bridged
            by the mean of the readings beside it (own proposal: at most 22 % of the
            step between them is then wrong). After a longer one the egg is taken to be
            as the air is.
    """

    lag: int
    cover: int = MINUTE
    bridge: float = 0.25


class EggLag(Detector[EggLagParams]):
    """First-order filter that is exact for readings at uneven instants.

    A reading stands until the next one, at most ``cover``. What the egg had during a
    long gap is not known: it begins anew at the air's temperature, which leaves a span
    no later than the egg would.

    NaN never comes in; were it to, the result would be NaN until the next long gap.

    Example:
        >>> egg = EggLag(EggLagParams(lag=2_100_000, cover=10_000_000))
        >>> egg.see(0, 30.0), egg.see(1, 25.0), round(egg.see(2_100_001, 25.0), 2)
        (30.0, 30.0, 26.84)
    """

    __slots__ = ("_factor", "_step", "air", "at", "egg")

    def __init__(self, params: EggLagParams) -> None:
        """Begin without a reading."""
        super().__init__(params)
        self.at: int | None = None
        self.air = 0.0
        self.egg = 0.0
        self._step = 0
        self._factor = 0.0

    def see(self, at: int, value: float) -> float:
        """Take the air's temperature; give the egg's at the same instant, °C.

        One that is not newer than the last changes nothing.
        """
        last = self.at
        if last is None:
            self.at, self.air, self.egg = at, value, value
            return value
        step = at - last
        if step <= 0:
            return self.egg
        if step > self.params.cover:
            self._gap(step, value)
        else:
            if step != self._step:
                self._step, self._factor = step, exp(-step / self.params.lag)
            self.egg = self.air + (self.egg - self.air) * self._factor
        self.at, self.air = at, value
        return self.egg

    def _gap(self, step: int, value: float) -> None:
        """Go on after a gap: bridge a short one, begin anew after a long one."""
        params = self.params
        rest = step - params.cover
        if rest > params.bridge * params.lag:
            self.egg = value
            return
        self.egg = self.air + (self.egg - self.air) * exp(-params.cover / params.lag)
        middle = (self.air + value) / 2
        self.egg = middle + (self.egg - middle) * exp(-rest / params.lag)
