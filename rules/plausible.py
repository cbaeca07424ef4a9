"""Implausible values: what a failing sensor gives is never taken for climate.

The check looks at the raw value, before any correction, and knows nothing of time.
One impossible value spoils the whole measurement: an all-ones word reads as 655.35 %
beside -0.01 °C, which alone looks plausible.

Source: gross range test of the IOOS QARTOD manual for temperature and salinity (v2.1);
fault words read off open logger records; DS18B20 power-on value 85.000 and the
insufficient-power value 127.9375 from its data sheet (from memory) and the kernel's
w1_therm documentation. The limits by kind of place are our own (common practice, no
source): wide, because cold and heat are real where things go wrong.
"""

from collections.abc import Mapping
from math import isfinite

from rules.plan import PlaceKind, SensorPlan
from rules.reading import Grade, Quality, Quantity

TEMPERATURE_CODES = frozenset(
    {85.0, 127.937, 127.938, 127.94, -127.0, -127.9375, 655.35, 998.0, 999.0, 999.9, -999.0}
    | {-9999.0, 9999.0, 65535.0, 6553.5, 32767.0, -32768.0, 327.67, -327.68, 3276.7, -3276.8}
)
"""°C values that mean "no value" (data sheets and open logger records)."""

HUMIDITY_CODES = frozenset({655.35, 6553.5, 65535.0, 998.0, 999.0, 999.9, -999.0, -9999.0, -127.0})
"""%RH values that mean "no value"."""

TEMPERATURE_LIMITS: dict[PlaceKind, tuple[float, float]] = {
    PlaceKind.ROOM: (-40.0, 80.0),
    PlaceKind.INCUBATOR: (-40.0, 80.0),
    PlaceKind.BOX: (-40.0, 80.0),
    PlaceKind.ENCLOSURE: (-40.0, 100.0),
    PlaceKind.OUTDOOR: (-60.0, 100.0),
    PlaceKind.COLD_STORE: (-60.0, 70.0),
}
"""°C that a thermometer in such a place can really see."""

HUMIDITY_LIMITS = (0.0, 104.0)
"""%RH; sensors give a little over 100 (accepted below 104: national weather service
practice, Austria)."""

ZERO_WORD = 0.0
"""An all-zero scratchpad passes its checksum and reads as 0.000 °C."""

WARM_KINDS = frozenset({PlaceKind.ROOM, PlaceKind.INCUBATOR, PlaceKind.BOX, PlaceKind.ENCLOSURE})


def judge(value: float, quantity: Quantity, sensor: SensorPlan, kind: PlaceKind) -> Quality:
    """Tell whether a raw value can be climate.

    Args:
        value: °C, percent or 0/1; NaN and infinities are not numbers.
        quantity: What it is.
        sensor: The sensor that it comes from.
        kind: The kind of its place.

    Returns:
        GOOD, NOT_A_NUMBER, FAULT_CODE or IMPOSSIBLE.
    """
    if not isfinite(value):
        return Quality.NOT_A_NUMBER
    if quantity is Quantity.TEMPERATURE:
        return _temperature(value, sensor, kind)
    if quantity is Quantity.HUMIDITY:
        if round(value, 3) in HUMIDITY_CODES:
            return Quality.FAULT_CODE
        return _within(value, HUMIDITY_LIMITS)
    if quantity is Quantity.CONTACT:
        return Quality.GOOD if value in (0.0, 1.0) else Quality.IMPOSSIBLE
    return Quality.GOOD


def _temperature(value: float, sensor: SensorPlan, kind: PlaceKind) -> Quality:
    if round(value, 3) in TEMPERATURE_CODES:
        return Quality.FAULT_CODE
    if value == ZERO_WORD and sensor.reader == "1-wire" and kind in WARM_KINDS:
        return Quality.FAULT_CODE
    return _within(value, TEMPERATURE_LIMITS[kind])


def _within(value: float, limits: tuple[float, float]) -> Quality:
    return Quality.GOOD if limits[0] <= value <= limits[1] else Quality.IMPOSSIBLE


def judge_all(
    values: Mapping[Quantity, tuple[float, Quality]], sensor: SensorPlan, kind: PlaceKind
) -> dict[Quantity, Quality]:
    """Judge a whole measurement: one impossible value spoils the rest.

    Args:
        values: Raw value and what the reader knows of it, by quantity.
        sensor: The sensor.
        kind: The kind of its place.

    Returns:
        The quality of each; the reader's own verdict stands where it is not GOOD.
    """
    found = {
        quantity: quality if quality.grade is Grade.BAD else judge(value, quantity, sensor, kind)
        for quantity, (value, quality) in values.items()
    }
    if any(quality.grade is Grade.BAD for quality in found.values()):
        return {
            quantity: quality if quality.grade is Grade.BAD else Quality.SPOILT
            for quantity, quality in found.items()
        }
    return found
