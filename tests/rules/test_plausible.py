"""Implausible values: what a failing sensor gives is never taken for climate."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.plan import PlaceKind
from rules.plausible import HUMIDITY_CODES, TEMPERATURE_CODES, TEMPERATURE_LIMITS, judge, judge_all
from rules.reading import Grade, Quality, Quantity
from tests.kit.rooms import sensor

BOTH = sensor("a", "box-1", Quantity.TEMPERATURE, Quantity.HUMIDITY)
WIRE = sensor("w", "box-1", reader="1-wire")
KINDS = st.sampled_from(PlaceKind)


class TestJudge:
    @pytest.mark.parametrize("code", sorted(TEMPERATURE_CODES), ids=str)
    def test_temperature_codes_are_faults_everywhere(self, code):
        """A value that means "no value" is bad in every kind of place."""
        grades = {judge(code, Quantity.TEMPERATURE, BOTH, kind) for kind in PlaceKind}
        assert grades <= {Quality.FAULT_CODE, Quality.IMPOSSIBLE}

    @pytest.mark.parametrize("code", sorted(HUMIDITY_CODES), ids=str)
    def test_humidity_codes_are_faults(self, code):
        """A humidity that means "no value" is bad."""
        assert judge(code, Quantity.HUMIDITY, BOTH, PlaceKind.BOX) is Quality.FAULT_CODE

    @pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf], ids=str)
    @pytest.mark.parametrize("quantity", list(Quantity), ids=str)
    def test_what_is_no_number_is_bad(self, quantity, value):
        """NaN and infinities are not numbers, whatever the quantity."""
        assert judge(value, quantity, BOTH, PlaceKind.BOX) is Quality.NOT_A_NUMBER

    @pytest.mark.parametrize(
        ("kind", "value", "quality"),
        [
            (PlaceKind.OUTDOOR, -43.7, Quality.GOOD),
            (PlaceKind.BOX, -43.7, Quality.IMPOSSIBLE),
            (PlaceKind.ENCLOSURE, 99.0, Quality.GOOD),
            (PlaceKind.BOX, 99.0, Quality.IMPOSSIBLE),
            (PlaceKind.COLD_STORE, -50.0, Quality.GOOD),
        ],
        ids=["cold is real", "not in a box", "basking rock", "not an egg", "deep freezer"],
    )
    def test_limits_belong_to_the_kind_of_place(self, kind, value, quality):
        """Cold outdoors and heat on a basking spot are real; in a box they are not."""
        assert judge(value, Quantity.TEMPERATURE, BOTH, kind) is quality

    @pytest.mark.parametrize(
        ("value", "quality"),
        [
            (100.0, Quality.GOOD),
            (103.9, Quality.GOOD),
            (104.1, Quality.IMPOSSIBLE),
            (-0.1, Quality.IMPOSSIBLE),
        ],
        ids=str,
    )
    def test_humidity_a_little_over_a_hundred_is_real(self, value, quality):
        """Sensors give a little over 100 %."""
        assert judge(value, Quantity.HUMIDITY, BOTH, PlaceKind.BOX) is quality

    def test_a_zero_word_is_a_fault_in_the_warm(self):
        """An all-zero 1-wire word is a fault in a box and real in a cold store."""
        assert judge(0.0, Quantity.TEMPERATURE, WIRE, PlaceKind.BOX) is Quality.FAULT_CODE
        assert judge(0.0, Quantity.TEMPERATURE, WIRE, PlaceKind.COLD_STORE) is Quality.GOOD
        assert judge(0.0, Quantity.TEMPERATURE, BOTH, PlaceKind.BOX) is Quality.GOOD

    @given(st.floats(), st.sampled_from(Quantity), KINDS)
    def test_any_float_has_a_quality(self, value, quantity, kind):
        """Nothing raises; good climate lies within the limits of its place."""
        quality = judge(value, quantity, BOTH, kind)
        assert quality.grade in {Grade.GOOD, Grade.BAD}
        if quality is Quality.GOOD and quantity is Quantity.TEMPERATURE:
            low, high = TEMPERATURE_LIMITS[kind]
            assert low <= value <= high


class TestWholeMeasurement:
    def test_one_impossible_value_spoils_the_rest(self):
        """655.35 % beside −0.01 °C: neither is climate."""
        values = {Quantity.HUMIDITY: (655.35, Quality.GOOD), Quantity.TEMPERATURE: (-0.01, Quality.GOOD)}
        found = judge_all(values, BOTH, PlaceKind.BOX)
        assert found == {Quantity.HUMIDITY: Quality.FAULT_CODE, Quantity.TEMPERATURE: Quality.SPOILT}

    def test_the_readers_own_verdict_stands(self):
        """What the reader knows to be bad stays bad, and spoils the rest."""
        values = {Quantity.HUMIDITY: (50.0, Quality.NOT_A_NUMBER), Quantity.TEMPERATURE: (30.0, Quality.GOOD)}
        found = judge_all(values, BOTH, PlaceKind.BOX)
        assert found == {Quantity.HUMIDITY: Quality.NOT_A_NUMBER, Quantity.TEMPERATURE: Quality.SPOILT}

    @given(st.floats(-30, 70), st.floats(0, 100))
    def test_good_values_stay_good(self, warmth, damp):
        """Two values that can be climate are climate."""
        values = {Quantity.TEMPERATURE: (warmth, Quality.GOOD), Quantity.HUMIDITY: (damp, Quality.GOOD)}
        found = judge_all(values, BOTH, PlaceKind.BOX)
        alone = {kind: judge(value, kind, BOTH, PlaceKind.BOX) for kind, (value, _) in values.items()}
        assert found == alone or Quality.SPOILT in found.values()


class TestOtherQuantities:
    @pytest.mark.parametrize(
        ("value", "quality"),
        [
            (0.0, Quality.GOOD),
            (1.0, Quality.GOOD),
            (0.5, Quality.IMPOSSIBLE),
            (math.nan, Quality.NOT_A_NUMBER),
        ],
        ids=["off", "on", "between", "no number"],
    )
    def test_a_contact_is_on_or_off(self, value, quality):
        """A contact has two states; what lies between is none."""
        assert judge(value, Quantity.CONTACT, BOTH, PlaceKind.BOX) is quality

    def test_what_is_worked_out_is_not_judged_as_raw(self):
        """The egg's temperature comes from a curve that was judged: only its being a number counts."""
        assert judge(99.0, Quantity.EGG_TEMPERATURE, BOTH, PlaceKind.BOX) is Quality.GOOD

    def test_one_impossible_value_spoils_its_measurement(self):
        """Humidity that came with an impossible temperature is spoilt, the temperature says why itself."""
        values = {Quantity.TEMPERATURE: (300.0, Quality.GOOD), Quantity.HUMIDITY: (50.0, Quality.GOOD)}
        found = judge_all(values, BOTH, PlaceKind.BOX)
        assert found == {Quantity.TEMPERATURE: Quality.IMPOSSIBLE, Quantity.HUMIDITY: Quality.SPOILT}

    def test_a_whole_measurement_of_plausible_values_is_good(self):
        """Where nothing is impossible everything is taken."""
        values = {Quantity.TEMPERATURE: (29.0, Quality.GOOD), Quantity.HUMIDITY: (50.0, Quality.GOOD)}
        assert set(judge_all(values, BOTH, PlaceKind.BOX).values()) == {Quality.GOOD}
