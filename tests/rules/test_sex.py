"""What temperature says of sex: only where it is published, and never without its doubt."""

import math

import pytest

from rules.incubation import NoRecord
from rules.sex import NORMS, WELFARE, Pattern, Period, male_share, pattern_of, sex_outlook


def steady(temperature, days):
    """Give a curve at one temperature."""
    return [(i * 0.25, temperature) for i in range(round(days * 4) + 1)]


class TestNorms:
    @pytest.mark.parametrize(
        ("temperature", "share"),
        [(30.6, 0.9567), (31.1, 0.8246), (31.6, 0.5), (32.1, 0.1754), (32.6, 0.0433)],
    )
    def test_hermanni(self, temperature, share):
        """The logistic norm of Testudo hermanni gives the published vector."""
        assert NORMS["Testudo hermanni"].males(temperature) == pytest.approx(share, abs=5e-5)

    @pytest.mark.parametrize(
        ("species", "width"),
        [
            ("Testudo hermanni", 1.90),
            ("Trachemys scripta", 2.72),
            ("Centrochelys sulcata", 1.45),
            ("Testudo graeca", 2.61),
            ("Emys orbicularis", 1.08),
            ("Caretta caretta", 4.37),
            ("Chrysemys picta", 3.20),
        ],
    )
    def test_transition_widths(self, species, width):
        """From 5 to 95 % it is 5.8889 times the slope."""
        assert NORMS[species].transition == pytest.approx(width, abs=0.01)

    @pytest.mark.parametrize("species", NORMS)
    def test_a_share_lies_in_its_span(self, species):
        """Share and span are ordered and within 0 and 1 at every temperature."""
        for step in range(150, 400, 3):
            share, low, high = male_share(species, step / 10)
            assert 0.0 <= low <= share <= high <= 1.0

    def test_the_doubt_is_widest_at_the_pivot(self):
        """At the pivot a sensor's bias decides; far from it, it does not."""
        _, low, high = male_share("Testudo hermanni", 31.6)
        _, cold_low, cold_high = male_share("Testudo hermanni", 27.0)
        assert high - low > 0.7
        assert cold_high - cold_low < 0.01


class TestTwoSided:
    def test_female_male_female(self):
        """The leopard gecko gives females at both ends and males between."""
        shares = [male_share("Eublepharis macularius", t)[0] for t in (26.0, 31.5, 34.5)]
        assert shares[0] < 0.1
        assert shares[1] > 0.8
        assert shares[2] < 0.5

    def test_where_papers_disagree_the_span_covers_them(self):
        """At 32.5 °C papers give 37 and 74 %, and the span holds both."""
        share, low, high = male_share("Eublepharis macularius", 32.5)
        assert low <= 0.37 < share < 0.74 <= high

    @pytest.mark.parametrize("temperature", [25.9, 35.1, math.nan], ids=str)
    def test_outside_the_table_nothing_is_said(self, temperature):
        """No share is made up beyond the published temperatures."""
        assert male_share("Eublepharis macularius", temperature) is None


class TestPatterns:
    @pytest.mark.parametrize(
        ("species", "pattern"),
        [
            ("Testudo hermanni", Pattern.TEMPERATURE),
            ("Eublepharis macularius", Pattern.TWO_SIDED),
            ("Python regius", Pattern.GENOTYPE),
            ("Pituophis melanoleucus", Pattern.GENOTYPE),
            ("Chamaeleo calyptratus", Pattern.GENOTYPE),
            ("Pogona vitticeps", Pattern.GENOTYPE),
            ("Correlophus ciliatus", Pattern.DISPUTED),
            ("Paroedura picta", Pattern.UNKNOWN),
            ("", Pattern.UNKNOWN),
        ],
    )
    def test_each_species_has_its_pattern(self, species, pattern):
        """Genes, temperature, disputed or unknown: one of them is said."""
        assert pattern_of(species)[0] is pattern

    def test_genotypic_species_say_so(self):
        """A snake gets no share, and the sentence names genes."""
        found = sex_outlook(steady(29.0, 30.0), "Python regius")
        assert found.males is None
        assert found.period is None
        assert "by genes" in found.cautions[0]

    def test_bearded_dragons_reverse(self):
        """Genes decide, and the reversal in the warm is told."""
        assert "32 °C" in sex_outlook(steady(29.0, 5.0), "Pogona vitticeps").cautions[0]


class TestOutlook:
    @pytest.mark.parametrize(
        ("days", "period"),
        [(10.0, Period.AHEAD), (30.0, Period.INSIDE), (50.0, Period.PAST)],
        ids=["before", "in", "after"],
    )
    def test_where_the_clutch_is(self, days, period):
        """At 30 °C a tortoise's thermosensitive third lies between days 20 and 40."""
        assert sex_outlook(steady(30.0, days), "Testudo hermanni").period is period

    def test_before_it_nothing_is_said_of_males(self):
        """Not yet reached: no share, and the sentence says that nothing is decided."""
        found = sex_outlook(steady(30.0, 10.0), "Testudo hermanni")
        assert found.males is None
        assert found.equivalent is None
        assert any("not yet reached" in caution for caution in found.cautions)

    def test_only_the_sensitive_third_counts(self):
        """Warmth in the first third does not make females."""
        curve = [*steady(33.0, 15.0), *((15.0 + d / 4, 29.0) for d in range(1, 200))]
        found = sex_outlook(curve, "Testudo hermanni")
        assert found.equivalent == pytest.approx(29.0, abs=0.01)
        assert found.males > 0.99

    def test_the_equivalent_of_a_swing_is_above_its_mean(self):
        """A daily swing counts by where half of the development happens."""
        curve = [(i / 96, 29.0 + 3.0 * math.cos(2 * math.pi * i / 96)) for i in range(96 * 60)]
        found = sex_outlook(curve, "Testudo hermanni")
        assert 29.3 < found.equivalent < 30.5

    @pytest.mark.parametrize("days", [10.0, 30.0, 50.0])
    def test_the_welfare_caution_is_always_there(self, days):
        """Wherever temperature decides, the caution is in the text."""
        assert WELFARE in sex_outlook(steady(30.0, days), "Testudo hermanni").cautions

    def test_gaps_are_left_out_and_said(self):
        """A gap adds nothing to the equivalent."""
        curve = [*steady(30.0, 25.0), (25.1, None), *((28.0 + d / 4, 30.0) for d in range(100))]
        found = sex_outlook(curve, "Testudo hermanni")
        assert found.equivalent == pytest.approx(30.0)
        assert any("gaps" in caution for caution in found.cautions)

    def test_without_a_record_there_is_no_third(self):
        """A leopard gecko without the keeper's record cannot be placed."""
        with pytest.raises(NoRecord):
            sex_outlook(steady(30.0, 20.0), "Eublepharis macularius")
        found = sex_outlook(steady(30.0, 25.0), "Eublepharis macularius", [(30.0, 50.0)])
        assert found.period is Period.INSIDE
        assert found.males is not None


class TestWhatIsNotPublished:
    def test_a_temperature_beyond_the_papers_has_no_share(self):
        """Where no paper sexed hatchlings at the equivalent there is no share, and it is said."""
        found = sex_outlook(steady(35.5, 60.0), "Eublepharis macularius", [(30.0, 55.0)])
        assert found.males is None
        assert any("no share is published" in caution for caution in found.cautions)

    def test_a_word_on_the_norm_is_passed_on(self):
        """What rests on one source says so."""
        found = sex_outlook(steady(30.0, 40.0), "Centrochelys sulcata")
        assert found.cautions[-1] == "Centrochelys sulcata: one source"
