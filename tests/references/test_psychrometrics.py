"""Moist air against IAPWS, psychrolib, CoolProp and MetPy."""

import math

import psychrolib
import pytest
from CoolProp import CoolProp

from rules import psychrometrics as air

GRID = [(t, rh) for t in (5, 10, 15, 20, 25, 30, 35, 40) for rh in (20, 40, 50, 60, 80, 90, 100)]

IAPWS = {0.01: 6.1166, 5: 8.7253, 10: 12.2811, 15: 17.0568, 20: 23.3919, 25: 31.6982, 28: 37.8298,
         30: 42.4692, 32: 47.5956, 35: 56.2906, 40: 73.8511}  # fmt: skip
"""hPa; Wagner & Pruß auxiliary equation (IAPWS SR1-86, 1992), computed with CoolProp."""


@pytest.fixture(autouse=True)
def si_units():
    """The library keeps its units in a global; it is set for every test."""
    psychrolib.SetUnitSystem(psychrolib.SI)


class TestSaturation:
    @pytest.mark.parametrize("t", IAPWS, ids=str)
    def test_table_within_three_per_mille(self, t):
        """The saturation pressure is within 0.3 % of IAPWS."""
        assert air.saturation_vapour_pressure(t) == pytest.approx(IAPWS[t], rel=0.003)

    @pytest.mark.parametrize("t", range(1, 41), ids=str)
    def test_coolprop_and_psychrolib(self, t):
        """It is within 0.3 % of IAPWS-95 (CoolProp) and Hyland–Wexler (psychrolib)."""
        ours = air.saturation_vapour_pressure(t) * 100
        assert ours == pytest.approx(CoolProp.PropsSI("P", "T", t + 273.15, "Q", 0, "Water"), rel=0.003)
        assert ours == pytest.approx(psychrolib.GetSatVapPres(float(t)), rel=0.003)

    @pytest.mark.filterwarnings("ignore")  # MetPy's import warns of its own plotting parts
    @pytest.mark.parametrize("t", [5, 20, 30, 40], ids=str)
    def test_metpy(self, t):
        """It is within 0.5 % of MetPy, which follows Ambaum 2020."""
        from metpy import calc
        from metpy.units import units

        theirs = calc.saturation_vapor_pressure(units.Quantity(t, "degC")).m_as("hPa")
        assert air.saturation_vapour_pressure(t) == pytest.approx(float(theirs), rel=0.005)


class TestDerived:
    @pytest.mark.parametrize(("t", "rh"), GRID, ids=str)
    def test_dew_point_over_water(self, t, rh):
        """The dew point is within 0.04 K of psychrolib wherever that is over water."""
        theirs = psychrolib.GetTDewPointFromRelHum(float(t), rh / 100)
        if theirs > 0:
            assert air.dew_point(t, rh) == pytest.approx(theirs, abs=0.04)
        else:
            assert air.dew_point(t, rh) < theirs + 0.04

    @pytest.mark.parametrize(
        ("t", "rh", "dew"),
        [
            (5, 20, -16.116),
            (5, 50, -4.554),
            (5, 80, 1.842),
            (25, 80, 21.310),
            (30, 90, 28.177),
            (40, 50, 27.586),
        ],
        ids=str,
    )
    def test_dew_point_of_iapws(self, t, rh, dew):
        """Also below 0 °C the dew point is that over water, within 0.04 K of IAPWS."""
        assert air.dew_point(t, rh) == pytest.approx(dew, abs=0.04)

    @pytest.mark.parametrize(("t", "rh"), GRID, ids=str)
    def test_absolute_humidity(self, t, rh):
        """Absolute humidity is within 0.8 % of CoolProp's real moist air."""
        volume = CoolProp.HAPropsSI("Vda", "T", t + 273.15, "P", 101325, "R", rh / 100)
        ratio = CoolProp.HAPropsSI("W", "T", t + 273.15, "P", 101325, "R", rh / 100)
        assert air.absolute_humidity(t, rh) == pytest.approx(1000 * ratio / volume, rel=0.008)

    @pytest.mark.parametrize(
        ("t", "rh", "grams", "deficit"),
        [
            (5, 50, 3.3984, 0.43627), (20, 50, 8.6448, 1.16960), (25, 20, 4.6072, 2.53586),
            (25, 80, 18.4288, 0.63396), (30, 90, 27.3191, 0.42469), (40, 100, 51.0989, 0.0),
        ],
        ids=str,
    )  # fmt: skip
    def test_ideal_gas_table(self, t, rh, grams, deficit):
        """Absolute humidity and deficit are within 0.3 % of the ideal-gas table over IAPWS."""
        assert air.absolute_humidity(t, rh) == pytest.approx(grams, rel=0.003)
        assert air.vapour_pressure_deficit(t, rh) == pytest.approx(deficit, rel=0.003, abs=1e-9)


SPLITS = {
    "pure warming": (28, 80, 30, 71.2606, -8.739, 0.0),
    "pure drying": (28, 80, 28, 70, 0.0, -10.0),
    "both": (28, 80, 31, 62, -12.208, -5.792),
    "warmed but moistened": (28, 80, 31, 75, -13.393, 8.393),
    "lid opened": (30, 90, 27, 70, 13.862, -33.862),
    "looks like drying": (29, 85, 30, 80.25, -4.760, 0.010),
}


class TestSplit:
    @pytest.mark.parametrize("case", SPLITS.values(), ids=SPLITS)
    def test_vectors(self, case):
        """The log-mean split (Ang 2004; vectors computed with IAPWS) agrees within 0.03 %RH."""
        *inputs, by_temperature, by_moisture = case
        split = air.humidity_change_split(*inputs)
        assert split == pytest.approx((by_temperature, by_moisture), abs=0.03)
        assert sum(split) == pytest.approx(inputs[3] - inputs[1], abs=1e-9)

    def test_order_does_not_matter(self):
        """Swapping before and after turns the signs and nothing else."""
        forth = air.humidity_change_split(28, 80, 31, 62)
        back = air.humidity_change_split(31, 62, 28, 80)
        assert forth == pytest.approx([-part for part in back], abs=1e-9)


class TestStatedOutcomes:
    @pytest.mark.parametrize("function", [air.dew_point, air.absolute_humidity, air.vapour_pressure_deficit])
    @pytest.mark.parametrize(
        ("t", "rh"), [(math.nan, 50), (25, math.nan), (25, -1), (25, 655.35), (150, 50), (-90, 50)], ids=str
    )
    def test_nan_and_absurd(self, function, t, rh):
        """NaN and absurd values give NaN."""
        assert math.isnan(function(t, rh))

    def test_zero_humidity(self):
        """Dry air has no dew point, no water and the whole deficit."""
        assert math.isnan(air.dew_point(25, 0))
        assert air.absolute_humidity(25, 0) == 0
        assert air.vapour_pressure_deficit(25, 0) == pytest.approx(air.saturation_vapour_pressure(25) / 10)
        assert all(math.isnan(part) for part in air.humidity_change_split(25, 0, 25, 50))

    def test_over_range_humidity(self):
        """A wet sensor's 103 % has the dew point of 100 % and a negative deficit."""
        assert air.dew_point(25, 103) == 25
        assert air.vapour_pressure_deficit(25, 103) < 0
        assert air.absolute_humidity(25, 103) > air.absolute_humidity(25, 100)

    def test_round_trip(self):
        """Air at its dew point is saturated."""
        for t, rh in GRID:
            dew = air.dew_point(t, rh)
            assert air.saturation_vapour_pressure(dew) == pytest.approx(air.vapour_pressure(t, rh), rel=1e-9)
