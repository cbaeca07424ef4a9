"""How far a hatch forecast may be off: the parts of its window, as shares of the whole.

A σ of 0.09 means that ln(days) has a standard deviation of 0.09, about 9 %.
"""

import math
from collections.abc import Mapping, Sequence

WINDOW = 1.645
"""A window of 90 % reaches so many σ to either side (normal distribution)."""

PRIOR = 0.09
"""σ between papers on one species, before they have shown their own: leaving out one
paper at a time over many species needs about 10 % in all, of which the spread within
a clutch and a sensor's bias are a part."""

SINGLE_PAPER = 0.10
"""σ of a table that rests on one paper: nobody has shown how far another would differ."""

FLOOR = 0.07
"""σ below which no published table is believed."""

PRIOR_WEIGHT = 6.0
"""The prior counts like so many papers: few papers say little of their disagreement."""

ONE_RECORD = 0.045
"""σ of one record scaled by less than 1 K (90th percentile of the error 8.8 % over 496
pairs; a keeper's own record at the same temperature is nearer 2.5 %)."""

ONE_RECORD_PER_KELVIN = 0.033
"""σ added, in quadrature, for each kelvin over which one record is scaled (90th
percentiles 12.1, 17 and 21 % at 1.6, 2.6 and 4.1 K)."""

CLUTCH_SPREAD = 0.039
"""σ of hatch days within a clutch: median of 530 groups (middle half 2.6–5.9 %)."""

SENSOR_BIAS = 0.3
"""σ of a sensor's bias, K: 2.1 % of the days at 30 °C."""

FUTURE_WANDER = 0.5
"""Least σ of the mean temperature that is still to come, K, about the recent one."""


def of_papers(residuals: Mapping[str, Sequence[float]]) -> float:
    """Give the σ of a table from its papers' disagreement, drawn towards the overall one.

    Args:
        residuals: For each paper ln(observed / fitted) of its rows.

    Returns:
        σ: 10 % for a single paper, else at least 7 %.
    """
    papers = len(residuals)
    if papers < 2:
        return SINGLE_PAPER
    squares = [sum(r * r for r in rows) / len(rows) for rows in residuals.values()]
    return max(FLOOR, _drawn(sum(squares) / (papers - 1), papers - 1.0))


def of_records(residuals: Sequence[float], parameters: int) -> float:
    """Give the σ of a refit to records, whoever's they are.

    Args:
        residuals: ln(observed / fitted) of each record.
        parameters: How many numbers the fit had to find.

    Notes:
        Records that come from one hand agree with each other more than with the next
        clutch; therefore two of them count as one.
    """
    free = len(residuals) - parameters
    if free < 1:
        return PRIOR
    return _drawn(sum(r * r for r in residuals) / free, free / 2.0)


def scaled_over(sigma: float, distance: float) -> float:
    """Give the σ of a single temperature's ``sigma`` when it is scaled over ``distance`` K."""
    return math.hypot(sigma, ONE_RECORD_PER_KELVIN * distance)


def _drawn(own: float, weight: float) -> float:
    """Draw a variance towards the prior one by the weights of both; give σ."""
    return math.sqrt((PRIOR_WEIGHT * PRIOR**2 + weight * own) / (PRIOR_WEIGHT + weight))
