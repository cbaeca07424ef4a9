"""The hatch window: what it says, how it narrows, and what it refuses to guess."""

import itertools
import math

import pytest

from rules.durations import PAPERS, citations, durations, papers_of, species_with_durations
from rules.incubation import NoReadings, NoRecord, hatch_window
from rules.incubation.development import Reach, stretches
from rules.incubation.doubt import PRIOR, SINGLE_PAPER, of_papers, of_records
from rules.incubation.equivalent import equivalent
from rules.incubation.fitting import _shifted
from rules.incubation.published import PUBLISHED
from rules.incubation.rates import Briere, Linear, scaled
from rules.incubation.window import development

HERMANNI = "Testudo hermanni"
OWN = [(30.0, 56.0)]


def steady(temperature, days, step=0.25):
    """A curve at one temperature."""
    return [(i * step, temperature) for i in range(round(days / step) + 1)]


class TestFacts:
    def test_every_row_is_there_with_its_paper(self):
        """202 rows of 15 species ship, each with a full citation."""
        rows = [row for species in species_with_durations() for row in durations(species)]
        assert len(rows) == 202
        assert len(species_with_durations()) == 15
        assert all(len(PAPERS[row.paper].citation) > 25 and PAPERS[row.paper].via for row in rows)

    def test_no_paper_is_there_for_nothing(self):
        """Every paper of the list is used, and each species names its own."""
        used = {paper for species in species_with_durations() for paper in papers_of(species)}
        assert used == set(PAPERS)
        assert len(citations("Caretta caretta")) == 18

    def test_durations_are_plausible(self):
        """No duration is below 30 or above 300 days, no temperature outside 20–35 °C."""
        rows = [row for species in species_with_durations() for row in durations(species)]
        assert all(30 < row.days < 300 and 20 < row.temperature < 35 for row in rows)

    def test_an_unknown_species_has_none(self):
        """A species without published durations gives nothing, not an error."""
        assert durations("Pogona vitticeps") == ()


class TestWindow:
    def test_a_published_species(self):
        """Half way through a steady incubation, the model, its papers and the day are named."""
        found = hatch_window(steady(28.0, 33.0), species=HERMANNI)
        assert found.progress == pytest.approx(0.4998, abs=1e-3)
        assert found.expected == pytest.approx(66.04, abs=0.05)
        assert found.earliest < found.expected < found.latest
        assert "Brière" in found.model
        assert "Eendebak 1995" in found.source
        assert found.temperature == pytest.approx(28.0)

    def test_it_says_what_is_assumed_of_the_future(self):
        """The first caution names the mean temperature that is taken to go on."""
        found = hatch_window(steady(28.0, 10.0), species=HERMANNI)
        assert "assumed to go on" in found.cautions[0]
        assert "28.0 °C" in found.cautions[0]

    def test_own_records_beat_a_table(self):
        """With a record of the keeper's own the published table is not used."""
        found = hatch_window(steady(30.0, 10.0), species=HERMANNI, records=OWN)
        assert found.expected == pytest.approx(56.0)
        assert "own record" in found.source

    def test_one_record_is_scaled_with_the_generic_threshold(self):
        """58 days at 30 °C are 58 · 14/12 days at 28 °C."""
        found = hatch_window(steady(28.0, 10.0), records=[(30.0, 58.0)])
        assert found.expected == pytest.approx(58.0 * 14 / 12)
        assert any("single temperature" in caution for caution in found.cautions)

    def test_two_records_refit_it(self):
        """Two records at different temperatures give the degree-days through both."""
        records = [(26.0, 80.0), (30.0, 60.0)]
        for temperature, days in (*records, (28.0, 960 / 14)):
            found = hatch_window(steady(temperature, 10.0), records=records)
            assert found.expected == pytest.approx(days, abs=0.01)

    def test_records_of_one_temperature_keep_the_generic_threshold(self):
        """Two records 0.5 K apart say nothing of a threshold: their mean is scaled from 16 °C."""
        found = hatch_window(steady(28.0, 5.0), records=[(29.9, 57.0), (30.1, 57.0)])
        assert found.expected == pytest.approx(57.0 * 14 / 12, rel=2e-3)

    def test_many_records_can_carry_a_curve(self):
        """Records from a curve that bends are fitted by a curve, and its day comes back."""
        model = PUBLISHED[HERMANNI].model
        records = [(t, 1 / model.rate(t)) for t in (24.0, 26.0, 28.0, 30.0, 32.0, 34.0)]
        found = hatch_window(steady(29.0, 5.0), records=records)
        assert "Brière" in found.model
        assert found.expected == pytest.approx(1 / model.rate(29.0), rel=1e-3)

    def test_half_width_with_a_record_near_is_what_may_be_claimed(self):
        """One own record near the temperature: ± 4.5 to ± 9 days at 60 days."""
        found = hatch_window(steady(28.3, 5.0), records=[(28.0, 61.0)])
        assert 4.5 <= (found.latest - found.earliest) / 2 <= 9.0

    def test_a_record_far_away_gives_a_wider_window(self):
        """The further one record is scaled, the wider the window is in proportion."""
        shares = []
        for temperature in (30.0, 29.0, 28.0, 26.0):
            found = hatch_window(steady(temperature, 5.0), records=OWN)
            shares.append((found.latest - found.earliest) / found.expected)
        assert shares == sorted(shares)
        assert shares[-1] > 1.5 * shares[0]

    def test_it_narrows_as_days_pass(self):
        """From day to day the window never widens, and near its end it is less than two thirds."""
        widths = []
        for days in range(1, 66, 4):
            found = hatch_window(steady(28.0, days), species=HERMANNI)
            widths.append(found.latest - found.earliest)
        assert all(later < earlier for earlier, later in itertools.pairwise(widths))
        assert widths[-1] < 0.67 * widths[0]

    def test_a_clutch_that_goes_on_has_not_hatched_yet(self):
        """Before the expected day the window does not begin before the end of the curve."""
        found = hatch_window(steady(28.0, 62.0), species=HERMANNI)
        assert found.earliest == pytest.approx(62.0)

    def test_a_curve_past_the_expected_day_is_read_off(self):
        """A longer curve gives progress above 1, the day it crossed, and says how long ago."""
        found = hatch_window(steady(28.0, 80.0), species=HERMANNI)
        assert found.progress > 1.2
        assert found.expected == pytest.approx(66.06, abs=0.05)
        assert any("passed 13.9 days" in caution for caution in found.cautions)

    def test_a_wandering_box_is_less_certain_than_a_steady_one(self):
        """The temperature of the past days tells how far the coming ones may wander."""
        wander = [(d + i / 24, 28.0 + (2.0 if d % 7 < 3 else -2.0)) for d in range(20) for i in range(24)]
        steadily = hatch_window(steady(28.0, 20.0), records=OWN)
        wandering = hatch_window(wander, records=OWN)
        assert wandering.sigma > steadily.sigma

    def test_the_rate_is_averaged_over_day_and_night(self):
        """A daily swing below the threshold counts by its rates, not by its mean temperature."""
        curve = [(i / 96, 17.0 + 6.0 * math.cos(2 * math.pi * i / 96)) for i in range(96 * 10 + 1)]
        found = hatch_window(curve, records=[(28.0, 60.0)])
        assert found.progress > 10.0 * (17.0 - 16.0) / 720 * 1.3

    def test_sampling_does_not_matter(self):
        """The same course by minutes and by hours gives the same progress within 0.001."""
        by_minute = [(i / 1440, 28.0 + 2.0 * math.cos(2 * math.pi * i / 1440)) for i in range(14401)]
        by_hour = by_minute[::60]
        fine, coarse = (hatch_window(curve, species=HERMANNI) for curve in (by_minute, by_hour))
        assert fine.progress == pytest.approx(coarse.progress, abs=1e-3)


class TestGaps:
    CURVE = (*steady(28.0, 10.0), (10.1, None), (14.0, 28.0), *((14.0 + d, 28.0) for d in range(1, 7)))

    def test_a_gap_is_bounded_and_said(self):
        """Progress over a gap is a span, and a caution says how long and between what."""
        found = hatch_window(self.CURVE, records=[(28.0, 60.0)])
        assert found.progress_low < found.progress < found.progress_high
        assert found.progress_high - found.progress_low == pytest.approx(4 * 4 / 720, rel=0.01)
        assert any("4.0 days have no readings" in caution for caution in found.cautions)

    def test_a_gap_widens_the_window(self):
        """The window with a gap holds the one without."""
        whole = [(day, 28.0) for day, _ in self.CURVE]
        with_gap, without = (hatch_window(c, records=[(28.0, 60.0)]) for c in (self.CURVE, whole))
        assert with_gap.earliest < without.earliest
        assert with_gap.latest > without.latest

    def test_marking_a_gap_twice_changes_nothing(self):
        """Several Nones in a row are one gap."""
        twice = [*self.CURVE[:42], (11.0, None), (12.0, None), *self.CURVE[42:]]
        assert hatch_window(twice, records=OWN) == hatch_window(self.CURVE, records=OWN)

    def test_a_curve_that_begins_late_has_a_gap_before(self):
        """The days before the first reading are bounded, not dropped."""
        found = hatch_window([(5.0, 28.0), (10.0, 28.0)], records=[(28.0, 60.0)])
        assert found.progress == pytest.approx(10 / 60, abs=0.01)
        assert any("5.0 days have no readings" in caution for caution in found.cautions)

    def test_a_gap_at_the_end(self):
        """What is not recorded at the end counts up to the end of the curve."""
        found = hatch_window([(0.0, 28.0), (10.0, 28.0), (12.0, None)], records=[(28.0, 60.0)])
        assert found.now == 12.0
        assert found.progress == pytest.approx(12 / 60, abs=0.01)

    @pytest.mark.parametrize("value", [math.nan, -127.0, 655.35, math.inf], ids=str)
    def test_what_no_egg_can_have_is_a_gap(self, value):
        """A sensor's fault is no climate."""
        curve = [(0.0, 28.0), (5.0, 28.0), (5.5, value), (6.0, 28.0), (10.0, 28.0)]
        found = hatch_window(curve, records=[(28.0, 60.0)])
        assert any("1.0 days have no readings" in caution for caution in found.cautions)


class TestOutside:
    def test_a_warm_box_is_said(self):
        """Above the tested temperatures the caution says so and the progress becomes a span."""
        found = hatch_window(steady(36.0, 10.0), species=HERMANNI)
        assert any("outside the tested temperatures" in caution for caution in found.cautions)
        assert found.progress_low < found.progress_high

    def test_the_end_of_a_table_is_not_held_in_the_cold(self):
        """Below the tested temperatures the rate goes on to fall."""
        found = hatch_window(steady(18.0, 10.0), species=HERMANNI)
        held = hatch_window(steady(24.0, 10.0), species=HERMANNI)
        assert found.progress < 0.6 * held.progress
        assert found.progress_high == pytest.approx(held.progress, rel=1e-6)

    def test_inside_nothing_is_said(self):
        """Within the tested temperatures there is no such caution."""
        found = hatch_window(steady(28.0, 10.0), species=HERMANNI)
        assert not any("outside" in caution for caution in found.cautions)
        assert found.progress_low == found.progress == found.progress_high

    def test_a_passing_excursion_is_said_too(self):
        """A cold night in the past is said even when it is over."""
        curve = [*steady(28.0, 10.0), (10.0, 20.0), (11.0, 20.0), (11.0, 28.0), (20.0, 28.0)]
        found = hatch_window(curve, species=HERMANNI)
        said = next(caution for caution in found.cautions if "outside" in caution)
        assert "1.0 days" in said
        assert "and now" not in said

    def test_where_nothing_develops_no_day_is_named(self):
        """Below the threshold the expected day is infinite, and it is said why."""
        found = hatch_window(steady(12.0, 10.0), records=OWN)
        assert found.expected == math.inf
        assert found.progress == 0.0
        assert any("nothing develops" in caution for caution in found.cautions)

    def test_one_lone_reading_is_enough_to_begin(self):
        """A clutch laid today gets a window from its first reading."""
        found = hatch_window([(0.0, 30.0)], records=OWN)
        assert found.progress == 0.0
        assert found.expected == pytest.approx(56.0)


class TestRefusals:
    @pytest.mark.parametrize("species", ["Pogona vitticeps", None, ""], ids=["foreign", "none", "empty"])
    def test_without_a_record_nothing_is_guessed(self, species):
        """A species without durations and records raises, and says what it needs."""
        with pytest.raises(NoRecord, match="one record of your own"):
            hatch_window(steady(30.0, 10.0), species=species)

    @pytest.mark.parametrize("curve", [[], [(0.0, None), (3.0, None)]], ids=["empty", "gaps only"])
    def test_without_a_reading_nothing_is_guessed(self, curve):
        """A curve without a temperature raises, and says what it needs."""
        with pytest.raises(NoReadings, match="sensor"):
            hatch_window(curve, species=HERMANNI)

    @pytest.mark.parametrize(
        "curve",
        [[(1.0, 28.0), (0.5, 28.0)], [(-1.0, 28.0), (1.0, 28.0)], [(0.0, 28.0), (math.nan, 28.0)]],
        ids=["descending", "before laying", "not a number"],
    )
    def test_a_curve_must_ascend_from_laying(self, curve):
        """What is not a curve since laying is the caller's mistake."""
        with pytest.raises(ValueError, match="ascend"):
            hatch_window(curve, species=HERMANNI)

    @pytest.mark.parametrize(
        "record",
        [(60.0, 28.0), (28.0, 0.0), (28.0, 0.818), (math.nan, 60.0), (28.0, math.inf)],
        ids=["swapped", "zero", "a share", "nan", "endless"],
    )
    def test_an_impossible_record_is_refused(self, record):
        """A record must be (°C, days) of a reptile's egg."""
        with pytest.raises(ValueError, match="record"):
            hatch_window(steady(28.0, 5.0), records=[record])


class TestDoubt:
    def test_one_paper_is_doubted_more(self):
        """A single paper has 10 %, two that agree less, two that disagree more than those."""
        agree = {"a": [0.01, -0.01], "b": [0.0]}
        differ = {"a": [0.15, 0.12], "b": [-0.14]}
        assert of_papers({"a": [0.0]}) == SINGLE_PAPER
        assert of_papers(agree) < of_papers({"a": [0.0]}) < of_papers(differ)

    def test_few_records_take_the_overall_doubt(self):
        """Two records through which the line passes exactly say nothing of its error."""
        assert of_records([0.0, 0.0], 2) == PRIOR

    def test_agreeing_records_earn_trust(self):
        """The more records agree, the smaller σ."""
        sigmas = [of_records([0.01] * n, 2) for n in (3, 6, 12, 40)]
        assert sigmas == sorted(sigmas, reverse=True)

    def test_published_sigmas_are_within_what_is_known(self):
        """Every shipped σ is between 7 and 12 %, 10 % where there is one paper."""
        for species, published in PUBLISHED.items():
            assert 0.07 <= published.sigma <= 0.12
            if len(papers_of(species)) == 1:
                assert published.sigma == SINGLE_PAPER


class TestHowItWent:
    def test_development_follows_the_curve_and_stands_in_the_cold(self):
        """The share done goes up along the curve, and not below the temperature at which nothing develops."""
        curve = [(0.0, 30.0), (20.0, 30.0), (20.1, 5.0), (30.0, 5.0)]
        went = dict(development(curve, species=HERMANNI))
        assert went[0.0] == 0.0
        assert 0.3 < went[20.0] < 0.5
        assert went[30.0] == pytest.approx(went[20.1], abs=1e-6)

    def test_one_paper_is_said_to_be_one(self):
        """A forecast that rests on a single paper says so."""
        found = hatch_window(steady(28.0, 10.0), species="Paroedura picta")
        assert "one paper" in found.source


class TestNothing:
    def test_no_curve_has_no_stretches(self):
        """Before the first reading there is nothing to sum."""
        assert stretches([], Linear(10.0, 1000.0), Reach(20.0, 34.0)) == ()

    def test_a_gap_has_no_temperature(self):
        """What was not recorded has bounds, and no temperature of its own."""
        found = stretches([(0.0, 30.0), (1.0, None), (2.0, 30.0)], Linear(10.0, 1000.0), Reach(20.0, 34.0))
        assert [math.isnan(one.temperature) for one in found if one.gap] == [True]

    def test_where_nothing_developed_there_is_no_equivalent(self):
        """Without development there is no temperature above which half of it happened."""
        assert math.isnan(equivalent([]))
        assert math.isnan(equivalent([(10.0, 12.0, 0.0)]))

    def test_beyond_both_ends_nothing_develops(self):
        """Below its lower and above its upper end a curve gives no development at all."""
        curve = Briere(0.104, 13.59, 39.44)
        assert [curve.rate(temperature) for temperature in (13.59, 5.0, 39.44, 60.0)] == [0.0] * 4

    @pytest.mark.parametrize(
        ("temperature", "days"), [(10.0, 50.0), (30.0, 0.0)], ids=["too cold", "no days"]
    )
    def test_a_record_that_cannot_be_is_refused(self, temperature, days):
        """A record at the temperature at which nothing develops, or of no days, is no record."""
        with pytest.raises(ValueError, match="cannot be scaled"):
            scaled(temperature, days, 10.0)


class TestFitting:
    def test_records_that_contradict_each_other_are_met_in_between(self):
        """Two records that no one shift fits are met between them, and the search for it ends."""
        shift, loss = _shifted([(28.0, 60.0), (30.0, 100.0)], lambda _: 0.0)
        assert math.log(60.0) < shift < math.log(100.0)
        assert loss > 0.0
