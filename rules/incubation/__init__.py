"""How far a clutch is, and when it hatches."""

from rules.incubation.development import Curve
from rules.incubation.rates import Briere, Linear, RateModel, days_at, scaled
from rules.incubation.window import (
    Basis,
    HatchWindow,
    NoForecast,
    NoReadings,
    NoRecord,
    basis_of,
    development,
    hatch_window,
)

__all__ = [
    "Basis",
    "Briere",
    "Curve",
    "HatchWindow",
    "Linear",
    "NoForecast",
    "NoReadings",
    "NoRecord",
    "RateModel",
    "basis_of",
    "days_at",
    "development",
    "hatch_window",
    "scaled",
]
