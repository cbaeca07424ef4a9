"""Moist air: what temperature and relative humidity say together.

One saturation formula everywhere: Magnus with the constants of Alduchov & Eskridge
(1996), over liquid water. Against IAPWS it is off by at most 0.26 % of pressure over
0–40 °C, its dew point by at most 0.04 K: a tenth of what a good sensor is off.
The enhancement of moist air (about +0.45 % at one atmosphere) is left out.

Stated outcomes, the same in every function:

* NaN in, NaN out;
* a temperature outside −60…100 °C, a humidity below 0 or above 120 % is absurd: NaN;
* humidity 0 holds no water: absolute humidity 0, the deficit is the whole saturation
  pressure; there is no dew point and no logarithmic split: NaN;
* humidity of 100–120 % is what wet sensors report: the dew point takes it as 100 %
  (dew point = temperature), the others as it is (the deficit is then negative).
"""

from math import exp, log, nan

MAGNUS_A = 6.1094
"""Saturation vapour pressure at 0 °C, hPa. Alduchov & Eskridge 1996, J. Appl. Meteor. 35:601–609."""

MAGNUS_B = 17.625
"""Without unit; same source."""

MAGNUS_C = 243.04
"""°C; same source."""

VAPOUR_GAS_CONSTANT = 461.523
"""J/(kg K): molar gas constant over the molar mass of water (0.018015 kg/mol)."""

ABSURD = 120.0
"""Percent; a humidity above it is a fault, not wet air (WMO practice accepts up to 104 %)."""

COLDEST, HOTTEST = -60.0, 100.0
"""°C; outside, the formula says nothing."""


def saturation_vapour_pressure(t_c: float) -> float:
    """Give the vapour pressure over liquid water at saturation.

    Args:
        t_c: Temperature, °C; NaN or outside −60…100 gives NaN.

    Returns:
        Pressure in hPa.

    Source:
        Alduchov & Eskridge 1996, J. Appl. Meteor. 35:601–609 (their fit for −40…50 °C).
    """
    if not COLDEST <= t_c <= HOTTEST:
        return nan
    return MAGNUS_A * exp(MAGNUS_B * t_c / (MAGNUS_C + t_c))


def vapour_pressure(t_c: float, rh_pct: float) -> float:
    """Give the pressure of the water vapour in the air.

    Args:
        t_c: Temperature, °C.
        rh_pct: Relative humidity, percent, 0…120.

    Returns:
        Pressure in hPa, 0 at humidity 0; NaN where an input is NaN or absurd.
    """
    if not 0.0 <= rh_pct <= ABSURD:
        return nan
    return rh_pct * 0.01 * saturation_vapour_pressure(t_c)


def dew_point(t_c: float, rh_pct: float) -> float:
    """Give the temperature at which dew forms, over water also below 0 °C.

    Args:
        t_c: Temperature, °C.
        rh_pct: Relative humidity of the same sensor, percent; above 100 counts as 100.

    Returns:
        °C; NaN where humidity is 0, an input is NaN or absurd.

    Source:
        Inverse of the Magnus form (Alduchov & Eskridge 1996).

    Notes:
        Frost points (over ice) lie higher: 5 °C and 20 % give −16.1 °C over water,
        −14.4 °C over ice. References that switch to ice cannot be compared below 0 °C.
    """
    if not (0.0 < rh_pct <= ABSURD and COLDEST <= t_c <= HOTTEST):
        return nan
    if rh_pct >= 100.0:
        return t_c
    gamma = log(rh_pct * 0.01) + MAGNUS_B * t_c / (MAGNUS_C + t_c)
    return MAGNUS_C * gamma / (MAGNUS_B - gamma)


def absolute_humidity(t_c: float, rh_pct: float) -> float:
    """Give the mass of water in a volume of air.

    Args:
        t_c: Temperature, °C.
        rh_pct: Relative humidity, percent, 0…120.

    Returns:
        g/m³, 0 at humidity 0; NaN where an input is NaN or absurd.

    Source:
        Ideal gas law for water vapour. It falls a little on pure warming (the air
        expands): −0.66 % for +2 K, so it is no measure of "no water was lost".
    """
    return 100_000.0 * vapour_pressure(t_c, rh_pct) / (VAPOUR_GAS_CONSTANT * (t_c + 273.15))


def vapour_pressure_deficit(t_c: float, rh_pct: float) -> float:
    """Give how much vapour pressure the air lacks to saturation.

    Args:
        t_c: Temperature, °C.
        rh_pct: Relative humidity, percent, 0…120.

    Returns:
        kPa; negative above 100 %; NaN where an input is NaN or absurd.
    """
    if not 0.0 <= rh_pct <= ABSURD:
        return nan
    return saturation_vapour_pressure(t_c) * (100.0 - rh_pct) * 0.001


def humidity_change_split(t0_c: float, rh0_pct: float, t1_c: float, rh1_pct: float) -> tuple[float, float]:
    """Split a change of relative humidity into what temperature and what moisture did.

    Args:
        t0_c: Temperature before, °C.
        rh0_pct: Relative humidity before, percent, above 0.
        t1_c: Temperature after, °C.
        rh1_pct: Relative humidity after, percent, above 0.

    Returns:
        (temperature part, moisture part) in percent of relative humidity. They sum to
        ``rh1_pct - rh0_pct``; swapping before and after only turns the signs. (NaN,
        NaN) where a humidity is 0 or an input is NaN or absurd.

    Source:
        Logarithmic mean Divisia index: Ang 2004, Energy Policy 32:1131–1139.

    Notes:
        The obvious "first temperature, then moisture" leaves a rest that belongs to
        whichever is taken last; the log-mean has no rest and no order.
    """
    known = 0.0 < rh0_pct <= ABSURD and 0.0 < rh1_pct <= ABSURD
    if not (known and COLDEST <= t0_c <= HOTTEST and COLDEST <= t1_c <= HOTTEST):
        return nan, nan
    change = rh1_pct - rh0_pct
    ratio = log(rh1_pct / rh0_pct)
    mean = change / ratio if abs(ratio) > 1e-9 else rh0_pct
    warming = MAGNUS_B * (t1_c / (MAGNUS_C + t1_c) - t0_c / (MAGNUS_C + t0_c))
    temperature = -mean * warming
    return temperature, change - temperature
