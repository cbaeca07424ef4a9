"""Fit a rate model to durations: robust, without a numerics library.

Both models have one parameter that only shifts ln(days). For given other
parameters it is a robust mean of what is left, so that a search over one (degree
days) or two (Brière) numbers remains.
"""

import math
from collections.abc import Callable, Sequence
from functools import lru_cache

from rules.incubation.rates import GENERIC_THRESHOLD, Briere, Linear, RateModel

Point = tuple[float, float]
"""(°C, days)."""

SCALE = 0.05
"""Where the soft-L1 loss turns from square to straight, in ln(days). With it the fits
known from the literature search (Testudo hermanni, Pituophis, Elaphe) come out to all digits."""

THRESHOLDS = (8.0, 20.0)
"""Between these a fitted degree-day threshold must lie, °C: published ones are 8.5–18.3,
and few records of a keeper would otherwise give any."""

BRIERE_FROM = 5
"""So many different temperatures are needed for a curve with three parameters."""

WARM_ENOUGH = 5.0
"""A generic threshold is at least so much below the coldest record, K."""

_NARROW = 1.0
"""Records that span less than this (K) tell nothing of a threshold."""

_GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0


def fit(points: Sequence[Point]) -> RateModel:
    """Fit the model that the records can carry.

    Args:
        points: (°C, days) of at least one record, checked by the caller.

    Returns:
        Degree-days where there are at most four different temperatures; else the
        Brière curve where it is better by more than its third parameter costs
        (Schwarz's criterion on the robust loss), else degree-days.
    """
    return _fit(tuple(points))


@lru_cache(maxsize=64)
def _fit(points: tuple[Point, ...]) -> RateModel:
    """Fit once for the same records: a page that is looked at asks again and again."""
    line, line_loss = fit_linear(points)
    if len({temperature for temperature, _ in points}) < BRIERE_FROM:
        return line
    curve, curve_loss = fit_briere(points)
    n = len(points)
    better = n * math.log(max(line_loss, 1e-9) / max(curve_loss, 1e-9))
    return curve if better > math.log(n) else line


def fit_linear(points: Sequence[Point]) -> tuple[Linear, float]:
    """Fit degree-days.

    Returns:
        The model and its loss. Where the temperatures span less than 1 K the
        threshold is the generic one, 16 °C or 5 K below the coldest record where that is less.
    """
    coldest = min(temperature for temperature, _ in points)
    warmest = max(temperature for temperature, _ in points)
    low, high = THRESHOLDS[0], min(THRESHOLDS[1], coldest - 0.5)
    if warmest - coldest < _NARROW or high <= low:
        threshold = min(GENERIC_THRESHOLD, coldest - WARM_ENOUGH)
    else:
        threshold = _minimum(lambda t: _shifted(points, _linear_shape(t))[1], (low, high), 1e-5)
    shift, loss = _shifted(points, _linear_shape(threshold))
    return Linear(threshold, math.exp(shift)), loss


def fit_briere(points: Sequence[Point]) -> tuple[Briere, float]:
    """Fit the Brière-1 curve.

    Returns:
        The model and its loss.
    """
    coldest = min(temperature for temperature, _ in points)
    warmest = max(temperature for temperature, _ in points)

    def loss_of(lower: float, upper: float) -> float:
        return _shifted(points, _briere_shape(lower, upper))[1]

    def best_lower(upper: float) -> float:
        return _minimum(lambda lower: loss_of(lower, upper), (2.0, coldest - 0.5), 1e-3)

    # The room above the warmest record is searched by its logarithm: near it the curve bends fast.
    room = _minimum(
        lambda log_room: loss_of(best_lower(warmest + math.exp(log_room)), warmest + math.exp(log_room)),
        (math.log(0.5), math.log(20.0)),
        1e-3,
    )
    upper = warmest + math.exp(room)
    lower = best_lower(upper)
    shift, loss = _shifted(points, _briere_shape(lower, upper))
    return Briere(-shift, lower, upper), loss


def residuals(points: Sequence[Point], model: RateModel) -> list[float]:
    """Give ln(days observed / days of the model) of each record."""
    return [math.log(days * model.rate(temperature)) for temperature, days in points]


def _linear_shape(threshold: float) -> Callable[[float], float]:
    """Give −ln of the rate but for its scale."""
    return lambda temperature: -math.log(temperature - threshold)


def _briere_shape(lower: float, upper: float) -> Callable[[float], float]:
    """Give −ln of the rate but for its scale."""
    return lambda t: -math.log(1e-5 * t * (t - lower)) - 0.5 * math.log(upper - t)


def _shifted(points: Sequence[Point], shape: Callable[[float], float]) -> tuple[float, float]:
    """Find the shift that fits best and the loss that is left."""
    rest = sorted(math.log(days) - shape(temperature) for temperature, days in points)
    shift = rest[len(rest) // 2]
    for turn in range(100):
        roots = [math.sqrt(1.0 + ((value - shift) / SCALE) ** 2) for value in rest]
        pull = math.fsum((value - shift) / root for value, root in zip(rest, roots, strict=True))
        step = pull / sum(1.0 / root**3 for root in roots)  # Newton, quick near the end
        if abs(step) > SCALE or turn > 20:
            step = pull / sum(1.0 / root for root in roots)  # reweighting, never astray
        shift += step
        if abs(step) < 1e-10:
            break
    loss = sum(2.0 * (math.sqrt(1.0 + ((value - shift) / SCALE) ** 2) - 1.0) for value in rest)
    return shift, 0.5 * SCALE * SCALE * loss


def _minimum(loss: Callable[[float], float], ends: tuple[float, float], near: float) -> float:
    """Find where a function of one number is least, to ``near``: a coarse look, then golden section."""
    steps = 10
    grid = [ends[0] + (ends[1] - ends[0]) * i / steps for i in range(steps + 1)]
    losses = [loss(value) for value in grid]
    best = losses.index(min(losses))
    low, high = grid[max(0, best - 1)], grid[min(steps, best + 1)]
    left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
    loss_left, loss_right = loss(left), loss(right)
    while high - low > near:
        if loss_left < loss_right:
            high, right, loss_right = right, left, loss_left
            left = high - _GOLDEN * (high - low)
            loss_left = loss(left)
        else:
            low, left, loss_left = left, right, loss_right
            right = low + _GOLDEN * (high - low)
            loss_right = loss(right)
    return 0.5 * (low + high)
