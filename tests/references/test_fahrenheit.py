"""°F against the limits of published food safety guidance.

Source: USDA FSIS and FDA guidance on cold stores (40 °F, 0 °F, 90 °F) and FDA Food Code
3-501 (41 °F, 70 °F), both of which give the °C beside them; 0.5 °F of difference is 0.278 K.
"""

import pytest

from daemon.units import difference, temperature
from sensors.payload import number

PAIRS = [
    (40, 4.444),
    (41, 5.0),
    (0, -17.778),
    (70, 21.111),
    (90, 32.222),
    (32, 0.0),
    (212, 100.0),
    (-40, -40.0),
]


class TestFahrenheit:
    @pytest.mark.parametrize(("fahrenheit", "celsius"), PAIRS, ids=str)
    def test_settings_and_payloads_agree(self, fahrenheit, celsius):
        """A limit in the settings and a value on the wire are the same °C to a thousandth."""
        assert temperature(f"{fahrenheit} F") == celsius
        assert round(number(fahrenheit, fahrenheit=True).raw, 3) == celsius
        assert round(number(str(fahrenheit), fahrenheit=True).raw, 3) == celsius

    @pytest.mark.parametrize(
        ("text", "kelvin"), [("0.5 F", 0.278), ("1.8 F", 1.0), ("9 F", 5.0), ("0.3 C", 0.3)], ids=str
    )
    def test_a_difference_has_no_offset(self, text, kelvin):
        """A difference of temperatures is scaled, and nothing is taken off."""
        assert difference(text) == kelvin
