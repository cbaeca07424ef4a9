"""Two-point correction of humidity over saturated salts.

Source: Greenspan L. 1977, J. Res. NBS 81A(1):89-96 (the fixed points of ASTM E104); the
values at 25 °C are from memory (MgCl2 32.78 ± 0.16, NaCl 75.29 ± 0.12 %RH). The fit is of
the CRC Handbook, section 15 (A·exp(B/T), constants by Wexler, ± 2 %).
"""

from math import exp

import pytest

from daemon.compile import correction_of

MAGNESIUM_CHLORIDE, SODIUM_CHLORIDE = 32.78, 75.29
KELVIN = 298.15


class TestSalts:
    def test_two_salts_give_gain_and_offset(self):
        """Readings over MgCl2 and NaCl at 25 °C give the worked example's gain and offset."""
        made = correction_of(((MAGNESIUM_CHLORIDE, 35.10), (SODIUM_CHLORIDE, 72.00)))

        assert made.gain == pytest.approx(1.1520325203, abs=1e-9)
        assert made.offset == pytest.approx(-7.6563414634, abs=1e-9)
        assert made.apply(60.0) == pytest.approx(61.466, abs=5e-4)

    def test_the_points_themselves_come_out(self):
        """What stood over a salt reads as the salt afterwards."""
        made = correction_of(((MAGNESIUM_CHLORIDE, 35.10), (SODIUM_CHLORIDE, 72.00)))

        assert made.apply(35.10) == pytest.approx(MAGNESIUM_CHLORIDE, abs=1e-3)
        assert made.apply(72.00) == pytest.approx(SODIUM_CHLORIDE, abs=1e-3)

    @pytest.mark.parametrize(
        ("value", "a", "b", "within"),
        [(MAGNESIUM_CHLORIDE, 29.26, 34, 0.7), (SODIUM_CHLORIDE, 69.20, 25, 0.3)],
        ids=["MgCl2", "NaCl"],
    )
    def test_the_fixed_points_agree_with_the_handbook_fit(self, value, a, b, within):
        """The remembered points lie within the handbook's fit."""
        assert a * exp(b / KELVIN) == pytest.approx(value, abs=within)

    def test_one_point_moves_only_the_offset(self):
        """One salt never bends the slope."""
        made = correction_of(((SODIUM_CHLORIDE, 72.00),))

        assert (made.gain, made.apply(72.00)) == (1.0, pytest.approx(SODIUM_CHLORIDE))
