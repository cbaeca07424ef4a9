"""How fast a place cools or warms when its heat is lost: Newton's law of cooling.

T(t) = Ta + (T0 - Ta) · exp(-t / τ), one lump in surroundings of constant temperature Ta
(Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, ch. 5). A place learns its
own τ from the falls that it has been through. Not valid near 0 °C in a freezer: what
thaws or freezes holds its temperature.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp, inf, log, sqrt
from typing import Self

from rules.detector import Detector
from rules.reading import HOUR, MINUTE

Z95 = 1.645
"""Standard deviations to the 5 % (or 95 %) point of a normal distribution."""


def cooled(start: float, ambient: float, tau: float, span: float) -> float:
    """Give the temperature after ``span``; °C, with τ and span in one unit."""
    return ambient + (start - ambient) * exp(-span / tau)


def time_to_limit(start: float, ambient: float, tau: float, limit: float) -> float | None:
    """Give the time until ``limit`` is reached.

    Args:
        start: Temperature now, °C.
        ambient: Temperature of the surroundings, °C.
        tau: Time constant, any unit, above 0.
        limit: The limit, °C.

    Returns:
        In τ's unit: t = τ · ln((T0 - Ta) / (L - Ta)). None where the limit does not lie
        strictly between the two: it will not be reached.
    """
    if not (ambient < limit < start or start < limit < ambient):
        return None
    return tau * log((start - ambient) / (limit - ambient))


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What is known of the decay.

    Attributes:
        ambient: Temperature of the surroundings, °C.
        tau: Time constant, ms.
        ambient_sd: Standard deviation of ``ambient``, K.
        tau_spread: Standard deviation of ln τ.
    """

    ambient: float
    tau: float
    ambient_sd: float = 1.0
    tau_spread: float = 0.1


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a limit will be left; spans from now, ms; ``inf`` means not foreseeable.

    Attributes:
        early: Not before.
        expected: About then.
        late: Hardly later.
    """

    early: float
    expected: float
    late: float


def forecast(start: float, limit: float, known: Surroundings) -> Forecast | None:
    """Forecast when ``limit`` is left, with its band.

    Args:
        start: Temperature now, °C.
        limit: The limit, °C.
        known: Surroundings and time constant, with their spreads.

    Returns:
        None where the limit will not be reached.

    Source:
        Delta method: ∂t/∂τ = t/τ, ∂t/∂Ta = τ (1/(L - Ta) - 1/(T0 - Ta)). Against a Monte
        Carlo (τ log-normal 10 %, Ta ± 1 K) it quotes 33.5 min where the 5 % point is at
        35.6: the true band is skewed to late, so the early bound errs on the safe side.
    """
    expected = time_to_limit(start, known.ambient, known.tau, limit)
    if expected is None:
        return None
    by_ambient = known.tau * (1 / (limit - known.ambient) - 1 / (start - known.ambient))
    sd = sqrt((expected * known.tau_spread) ** 2 + (by_ambient * known.ambient_sd) ** 2)
    return Forecast(max(0.0, expected - Z95 * sd), expected, expected + Z95 * sd)


class DecayFit:
    """Least squares of ln|T - Ta| against time, in running sums.

    Lives as long as one fall; owned by what watches it. Source: the law above, made
    linear; the slope is -1/τ.
    """

    __slots__ = ("n", "st", "stt", "sty", "sy", "syy")

    def __init__(self) -> None:
        """Begin without a point."""
        self.n = 0
        self.st = self.stt = self.sy = self.syy = self.sty = 0.0

    def add(self, span: float, value: float, ambient: float) -> None:
        """Take a point, ``span`` after the fall's begin; on the ambient it is left out."""
        distance = abs(value - ambient)
        if distance < 0.05:
            return
        y = log(distance)
        self.n += 1
        self.st += span
        self.stt += span * span
        self.sy += y
        self.syy += y * y
        self.sty += span * y

    def tau(self) -> float | None:
        """Give τ in the unit of the spans; None where nothing falls."""
        slope = self._slope()
        return None if slope is None or slope >= 0 else -1 / slope

    def fit(self) -> float:
        """Give the share of the variance that the line explains, 0…1."""
        if self.n < 3:
            return 0.0
        tt = self.stt - self.st * self.st / self.n
        yy = self.syy - self.sy * self.sy / self.n
        ty = self.sty - self.st * self.sy / self.n
        return ty * ty / (tt * yy) if tt > 0 and yy > 0 else 0.0

    def _slope(self) -> float | None:
        if self.n < 2:
            return None
        tt = self.stt - self.st * self.st / self.n
        return None if tt <= 0 else (self.sty - self.st * self.sy / self.n) / tt


@dataclass(frozen=True, slots=True)
class BoxConstantParams:
    """When a fall teaches something. All own proposals.

    Attributes:
        step: One value per this span is looked at, ms.
        cover: A gap longer than this ends the fall, ms.
        lasting: A fall teaches only after this long, ms.
        drop: … and this deep, K.
        back: It ends when the value has come back by this much, K.
        flat: A fall that is hardly one after this long begins anew, ms.
        hardly: … where "hardly" is less than this, K.
        shortest: A τ below is no place cooling but an open lid, ms.
        longest: A τ above is no heat lost but a slow drift, ms.
        straight: Share of the variance that the line must explain.
        kept: So many falls are remembered.
    """

    step: int = MINUTE
    cover: int = 2 * MINUTE
    lasting: int = 15 * MINUTE
    drop: float = 1.0
    back: float = 0.25
    flat: int = 10 * MINUTE
    hardly: float = 0.15
    shortest: int = 12 * MINUTE
    longest: int = 30 * HOUR
    straight: float = 0.95
    kept: int = 12


class BoxConstant(Detector[BoxConstantParams]):
    """Learns a place's time constant from its own falls, with the spread.

    It takes one value a minute. Without a measured ambient nothing is learnt: on short
    curves a fitted ambient is wrong by 5–20 K.
    """

    __slots__ = ("_fit", "begin", "due", "lowest", "points", "start", "sums", "taus")

    def __init__(self, params: BoxConstantParams | None = None) -> None:
        """Begin with nothing learnt."""
        super().__init__(params or BoxConstantParams())
        self.due = 0
        self.begin = 0
        self.start = 0.0
        self.lowest = 0.0
        self.points = 0
        self.sums: list[float] = []
        self.taus: list[float] = []
        self._fit = DecayFit()

    def state(self) -> dict[str, object]:
        """Give the memory, the running sums of the present fall included."""
        fit = self._fit
        self.points, self.sums = fit.n, [fit.st, fit.stt, fit.sy, fit.syy, fit.sty]
        return super().state()

    @classmethod
    def restored(cls, params: BoxConstantParams, state: Mapping[str, object]) -> Self:
        """Give one with the memory ``state``, the running sums included."""
        self = super().restored(params, state)
        fit = self._fit
        if self.sums:
            fit.n = self.points
            fit.st, fit.stt, fit.sy, fit.syy, fit.sty = self.sums
        return self

    def see(self, at: int, value: float, ambient: float | None) -> float | None:
        """Take a reading and the ambient beside it; give a τ (ms) that was just learnt."""
        if at < self.due:
            return None
        params = self.params
        gap = self.due and at - self.due > params.cover
        self.due = at + params.step
        if ambient is None or gap or value - ambient < 1.0:
            return self._end(at)
        if not self._fit.n:
            self._begin(at, value, ambient)
            return None
        if value > self.lowest + params.back:
            learnt = self._end(at)
            self._begin(at, value, ambient)
            return learnt
        flat = at - self.begin > params.flat and self.start - self.lowest < params.hardly
        if value >= self.start or flat:
            self._begin(at, value, ambient)
            return None
        self.lowest = min(value, self.lowest)
        self._fit.add(at - self.begin, value, ambient)
        return None

    def away(self, since: int, now: int) -> None:
        """End the fall: what happened meanwhile is not known."""
        del since, now
        self._fit = DecayFit()

    def known(self) -> tuple[float, float] | None:
        """Give (τ in ms, standard deviation of ln τ), or None before the first fall."""
        if not self.taus:
            return None
        logs = [log(tau) for tau in self.taus]
        mean = sum(logs) / len(logs)
        if len(logs) < 3:
            return exp(mean), 0.25
        variance = sum((item - mean) ** 2 for item in logs) / (len(logs) - 1)
        return exp(mean), max(0.1, sqrt(variance))

    def _begin(self, at: int, value: float, ambient: float) -> None:
        self.begin, self.start, self.lowest = at, value, value
        self._fit = DecayFit()
        self._fit.add(0, value, ambient)

    def _end(self, at: int) -> float | None:
        """Close the fall; learn from it where it was one."""
        params, fit = self.params, self._fit
        self._fit = DecayFit()
        if fit.n < 3 or at - self.begin < params.lasting or self.start - self.lowest < params.drop:
            return None
        tau = fit.tau() or inf
        if not params.shortest <= tau <= params.longest or fit.fit() < params.straight:
            return None
        self.taus.append(tau)
        del self.taus[: -params.kept]
        return tau
