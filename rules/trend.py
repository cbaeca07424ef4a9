"""Is there a trend, and how steep: two tests that one wild value cannot fool.

Both assume that the values are independent. Values within one thermal time constant
are not (minute means in an incubator have a correlation of 0.99 from one to the
next): feed them one value per several hours or per day.
"""

from collections.abc import Sequence
from math import erfc, nan, sqrt
from typing import NamedTuple


class Trend(NamedTuple):
    """What the Mann–Kendall test says.

    Attributes:
        s: Pairs that rise minus pairs that fall.
        variance: Variance of ``s`` where there is no trend, ties counted.
        z: Standardised, with the continuity correction; 0 where nothing varies.
        p: Two-sided probability of such a ``z`` without a trend.
    """

    s: int
    variance: float
    z: float
    p: float


def median(values: Sequence[float]) -> float:
    """Give the middle value, or the mean of the two; NaN for none."""
    ranked = sorted(values)
    count = len(ranked)
    if not count:
        return nan
    middle = count // 2
    return ranked[middle] if count % 2 else (ranked[middle - 1] + ranked[middle]) / 2


def theil_sen(values: Sequence[float], instants: Sequence[float] | None = None) -> float:
    """Give the median of the slopes of all pairs.

    Args:
        values: In order of time.
        instants: Their instants, ascending, any unit; None means 0, 1, 2, …

    Returns:
        Slope per unit of the instants; NaN for fewer than two different instants.

    Source:
        Theil 1950; Sen 1968, J. Am. Stat. Assoc. 63:1379–1389.
    """
    times = range(len(values)) if instants is None else instants
    slopes = [
        (later - value) / (until - at)
        for index, (at, value) in enumerate(zip(times, values, strict=True))
        for until, later in zip(times[index + 1 :], values[index + 1 :], strict=True)
        if until > at
    ]
    return median(slopes)


def mann_kendall(values: Sequence[float]) -> Trend:
    """Test whether values rise or fall more than chance would have it.

    Args:
        values: In order of time; at least two.

    Returns:
        The test's figures; ``z`` above 0 is a rise.

    Source:
        Mann 1945, Econometrica 13:245–259; Kendall 1975. Var S = n(n-1)(2n+5)/18, less
        t(t-1)(2t+5)/18 for every group of t ties.
    """
    count = len(values)
    s = sum(
        (later > value) - (later < value)
        for index, value in enumerate(values)
        for later in values[index + 1 :]
    )
    ties: dict[float, int] = {}
    for value in values:
        ties[value] = ties.get(value, 0) + 1
    raw = count * (count - 1) * (2 * count + 5) - sum(t * (t - 1) * (2 * t + 5) for t in ties.values())
    variance = raw / 18
    z = 0.0 if variance <= 0 or s == 0 else (s - 1 if s > 0 else s + 1) / sqrt(variance)
    return Trend(s, variance, z, erfc(abs(z) / sqrt(2)))
