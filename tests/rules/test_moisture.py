"""Dried out or only warmed up; drying over days; condensation."""

import math
import random

import pytest

from rules.condensation import Condensation, CondensationParams, surface_estimate
from rules.drying import DryingOut
from rules.moisture import MoistureReference, cause, drying_advice, split_in_words
from rules.plan import Stage
from rules.psychrometrics import humidity_change_split, saturation_vapour_pressure
from rules.reading import DAY, HOUR, MINUTE

WORDS = {
    "pure warming": ((28, 80, 30, 71.26), "It only warmed up; no water was lost."),
    "pure drying": ((28, 80, 28, 70), "It dried out."),
    "both": ((28, 80, 31, 62), "It warmed up and it dried out."),
    "warmed but moistened": ((28, 80, 31, 75), "It warmed up, though water was added."),
    "lid opened": ((30, 90, 27, 70), "It dried out, though it cooled down."),
    "looks like drying": ((29, 85, 30, 80.25), "It only warmed up; no water was lost."),
    "misted": ((29, 70, 29, 85), "Water was added."),
    "hardly": ((29, 70, 29.05, 70.2), "Hardly anything changed."),
}


class TestSplit:
    @pytest.mark.parametrize(("change", "words"), WORDS.values(), ids=WORDS)
    def test_says_which(self, change, words):
        """A change of humidity is put into the words of its cause."""
        assert cause(*humidity_change_split(*change)) == words
        assert split_in_words(*change)[-1] == words

    def test_undefined_split_says_nothing(self):
        """Without a split there is no sentence."""
        assert split_in_words(28, 0, 28, 50) == ()

    def test_reference_before_the_trouble(self):
        """The state while all was well is what a later change is measured against."""
        reference = MoistureReference()
        for minute in range(1, 600):
            reference.see(minute * MINUTE, 28.0, 80.0)
        before = reference.pair()
        assert before == pytest.approx((28.0, 80.0), abs=1e-6)
        assert reference.explain(30.0, 71.26)[-1] == "It only warmed up; no water was lost."


class TestAdvice:
    @pytest.mark.parametrize("stage", [*Stage, None], ids=str)
    def test_misting_only_when_hatching(self, stage):
        """Misting is suggested in the hatching stage alone, with water as warm as the box; all is marked."""
        words = "".join(piece for piece in drying_advice(stage, 30.0) if isinstance(piece, str))
        assert words.startswith("Common practice")
        assert ("mist the walls" in words) == (stage is Stage.HATCHING)


def watch(hours, climate, safe_low=60.0, every=MINUTE):
    """Run the drying detector over climate(hour) -> (°C, %); give (hour, verdict) pairs."""
    drying, said = DryingOut(), []
    for index in range(1, hours * HOUR // every):
        at = index * every
        temperature, humidity = climate(at / HOUR)
        verdict = drying.see(at, temperature, humidity, safe_low)
        if verdict:
            said.append((at / HOUR, verdict))
    return drying, said


class TestDryingOut:
    def test_two_days_of_drying(self):
        """85 % that falls by 9 % a day is told within two days, with the instant it leaves safe."""
        drying, said = watch(96, lambda hour: (30.0, 85 - max(0, hour - 24) * 0.375))
        assert said
        hour, verdict = said[0]
        assert hour < 72
        assert verdict.wrong
        true = 24 + 25 / 0.375
        assert drying.leaves is not None
        assert abs(drying.leaves / HOUR - true) < 12

    def test_leak(self):
        """A fall of a quarter within ten hours is told while it goes on."""
        _, said = watch(48, lambda hour: (30.0, 85 - 22 * (1 - math.exp(-max(0, hour - 30) / 6))))
        assert said
        assert said[0][0] < 40

    def test_warming_is_not_drying(self):
        """A closed box that warms by 3 K loses relative humidity and no water."""

        def climate(hour):
            t = 28 + 3 * min(1.0, max(0.0, (hour - 30) / 10))
            return t, 80 * saturation_vapour_pressure(28) / saturation_vapour_pressure(t)

        assert watch(96, climate)[1] == []

    def test_cooling_wet_box_is_not_drying(self):
        """A wet box that cools by 4 K has less vapour and keeps its humidity."""
        assert watch(96, lambda hour: (30 - 4 * min(1.0, max(0.0, (hour - 30) / 20)), 85.0))[1] == []

    def test_lids_and_daily_rhythm(self):
        """Lid openings, noise and a daily rhythm of 5 % are let be for a fortnight."""
        rng = random.Random(1)

        def climate(hour):
            lid = 30 if (hour % 24) > 18 and (hour % 24) < 18.2 else 0
            rhythm = math.sin(2 * math.pi * hour / 24)
            return 30 + 0.7 * rhythm, 80 - 4 * rhythm - lid + rng.gauss(0, 0.5)

        assert watch(14 * 24, climate)[1] == []

    def test_misting_decays(self):
        """The fall after a misting back to what was before is no drying."""
        assert (
            watch(96, lambda hour: (30.0, 75 + (15 * math.exp(-(hour - 40) / 8) if hour > 40 else 0)))[1]
            == []
        )

    def test_clears_when_watered(self):
        """Watering clears it."""
        _, said = watch(120, lambda hour: (30.0, 85 - (max(0, hour - 24) * 0.375 if hour < 90 else 0)))
        assert [verdict.wrong for _, verdict in said][-1] is False

    def test_far_from_the_limit_is_let_be(self):
        """A fall that would take weeks to leave safe is not told."""
        assert watch(120, lambda hour: (30.0, 95 - hour * 0.18), safe_low=10.0)[1] == []


class TestCondensation:
    def test_named_surface(self):
        """Air of 30 °C and 90 % meets a lid at 28.18 °C: dew (computed with IAPWS)."""
        condensation = Condensation()
        said = [condensation.see(m * MINUTE, 30.0, 90.0, 28.18) for m in range(1, 120)]
        verdict = next(one for one in said if one)
        assert verdict.wrong
        assert condensation.margin == pytest.approx(0.0, abs=0.05)
        assert "the lid is at " in "".join(piece for piece in verdict.reason if isinstance(piece, str))

    def test_estimate_says_so(self):
        """Without a surface there is an estimate, which says that it is one and raises only if wanted."""
        silent, speaking = Condensation(), Condensation(CondensationParams(tell_estimate=True))
        assert not any(silent.see(m * MINUTE, 30.0, 90.0, None, 20.0) for m in range(1, 200))
        assert silent.estimated
        assert silent.margin == pytest.approx(25 - 28.18, abs=0.05)
        said = [speaking.see(m * MINUTE, 30.0, 90.0, None, 20.0) for m in range(1, 200)]
        verdict = next(one for one in said if one)
        assert "estimate" in "".join(piece for piece in verdict.reason if isinstance(piece, str))

    def test_nothing_known(self):
        """Without surface and outside there is no margin."""
        condensation = Condensation()
        assert condensation.see(MINUTE, 30.0, 90.0, None) is None
        assert condensation.margin is None
        assert surface_estimate(30, 20) == 25
        assert DAY > HOUR
