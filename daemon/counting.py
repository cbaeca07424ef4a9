"""Readings that count, for looking back: corrected, and for how long each stands."""

from collections.abc import Iterator

from daemon.logbook import Archive
from rules.plan import SensorPlan
from rules.reading import Grade, Quality, Quantity

COUNTED = frozenset(quality.code for quality in Quality if quality.grade in (Grade.GOOD, Grade.LATE)) - {
    Quality.UNKNOWN_AGE.code
}
"""Codes of the readings that count in statistics."""

NEVER_ENDS = 1 << 60


def corrected(
    archive: Archive, sensor: SensorPlan, quantity: Quantity, between: tuple[int, int]
) -> Iterator[tuple[int, float]]:
    """Give the readings that count, corrected, the one before the window first.

    Args:
        archive: The logbook.
        sensor: Whose.
        quantity: What was measured.
        between: Start and end of the window (room time, ms); the end is not in it.
    """
    correction = sensor.corrections.get(quantity)
    for at, value, code in archive.curve(sensor.name, quantity, *between, before=True):
        if code in COUNTED:
            yield at, correction.apply(value) if correction else value


def stand_of(sensor: SensorPlan) -> int:
    """Give how long a sensor's reading stands at most (ms)."""
    return NEVER_ENDS if sensor.on_change or sensor.contact else 2 * sensor.every
