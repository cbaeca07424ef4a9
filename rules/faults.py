"""Which findings are a sensor's own fault, and what they make unfit to judge.

A sensor with such a fault is out of service for climate rules and is itself the alarm.
"""

from collections.abc import Mapping

from rules.reading import Quantity

_BOTH = frozenset({Quantity.TEMPERATURE, Quantity.HUMIDITY})

UNFIT: Mapping[str, frozenset[Quantity] | None] = {
    "stuck": None,
    "spikes": None,
    "erratic": None,
    "humidity equals temperature": _BOTH,
    "saturated": frozenset({Quantity.HUMIDITY}),
    "sun on the sensor": frozenset({Quantity.TEMPERATURE}),
}
"""Rule → quantities of that sensor that climate rules must leave out; None: only the
quantity that the verdict is about."""

FAULT_RULES = frozenset(UNFIT)
"""Rules whose verdict takes a sensor (or one quantity of it) out of service."""

DOUBT_RULES = frozenset({"sensors disagree", "offset drifts", "readings get lost"})
"""Rules about a sensor that leave it in service: nobody knows yet which one is wrong,
or its readings are still right when they come."""
