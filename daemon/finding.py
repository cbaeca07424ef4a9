"""Which curve rises? Warm a sensor in your hand and it is named. Pure."""

from collections.abc import Mapping, Sequence
from statistics import median

LEAST = 1.0
"""A hand warms a sensor by more than this within a minute or two (K)."""

APART = 2.0
"""The rise must be so many times that of the next one: a heater that comes on warms several."""


def rises(curves: Mapping[str, Sequence[float]]) -> dict[str, float]:
    """Give how far each curve has risen above its lowest, beyond what all rose together (K).

    Args:
        curves: Temperatures (°C) of each sensor, oldest first.
    """
    raw = {name: values[-1] - min(values) for name, values in curves.items() if len(values) > 1}
    common = median(raw.values()) if len(raw) > 2 else 0.0
    return {name: rise - common for name, rise in raw.items()}


def risen(curves: Mapping[str, Sequence[float]], least: float = LEAST) -> str | None:
    """Name the one curve that rises.

    Args:
        curves: Temperatures (°C) of each sensor, oldest first.
        least: The rise that counts, K.

    Returns:
        Its name; None while none rises, or several do.
    """
    found = sorted(rises(curves).items(), key=lambda pair: -pair[1])
    if not found or found[0][1] < least:
        return None
    second = found[1][1] if len(found) > 1 else 0.0
    return found[0][0] if found[0][1] >= APART * second else None
