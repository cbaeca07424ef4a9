"""Incubation against published figures: functions, fits, errors, scaling, equivalents."""

import math
import statistics
import warnings

import numpy as np
import pytest
from scipy.optimize import least_squares

from rules.durations import durations, papers_of, species_with_durations
from rules.incubation import Briere, Linear, days_at, hatch_window, scaled
from rules.incubation.development import Reach, stretches
from rules.incubation.equivalent import equivalent, of_days
from rules.incubation.fitting import BRIERE_FROM, fit_briere, fit_linear
from rules.incubation.published import PUBLISHED

HERMANNI_LINE = Linear(9.48, 1272.09)
HERMANNI = Briere(0.104, 13.59, 39.44)
PITUOPHIS = Briere(-0.353, 7.468, 42.369)
CARETTA = Briere(0.606, 18.679, 39.331)

FUNCTIONS = [
    pytest.param(
        HERMANNI_LINE, (26, 28, 30, 31, 33), (77.00, 68.69, 61.99, 59.11, 54.09), id="hermanni-line"
    ),
    pytest.param(HERMANNI, (26, 28, 30, 32), (76.19, 66.04, 59.58, 56.08), id="hermanni-curve"),
    pytest.param(PITUOPHIS, (26, 28, 30, 32), (73.01, 65.31, 59.87, 56.31), id="pituophis-curve"),
    pytest.param(CARETTA, (26, 28, 30, 32), (78.50, 62.10, 52.58, 47.27), id="caretta-curve"),
]


def points_of(species):
    """Give (°C, days) of a species' rows."""
    return [(row.temperature, row.days) for row in durations(species)]


class TestFunctions:
    @pytest.mark.parametrize(("model", "temperatures", "days"), FUNCTIONS)
    def test_published_parameters_give_the_published_days(self, model, temperatures, days):
        """The model functions give the published days within 0.05."""
        for temperature, expected in zip(temperatures, days, strict=True):
            assert days_at(model, temperature) == pytest.approx(expected, abs=0.05)

    @pytest.mark.parametrize(
        ("mean", "swing", "days"),
        [(28, 0, 66.04), (28, 3, 66.98), (31, 0, 57.48), (31, 4, 60.11), (33, 0, 55.44), (33, 4, 59.47)],
        ids=str,
    )
    def test_a_swing_about_the_mean_costs_days(self, mean, swing, days):
        """Rates are averaged over a daily swing, not temperatures (Jensen), within 0.1 d."""
        rates = [HERMANNI.rate(mean + swing * math.cos(2 * math.pi * i / 1440)) for i in range(1440)]
        assert 1440 / sum(rates) == pytest.approx(days, abs=0.1)


def least_squares_fit(residuals, starts, bounds):
    """Fit with the numerics library: soft-L1 at 0.05 in ln(days), best of several starts."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = [
            least_squares(residuals, start, bounds=bounds, loss="soft_l1", f_scale=0.05, x_scale="jac")
            for start in starts
        ]
    return min(found, key=lambda result: result.cost)


def scipy_line(points):
    """Fit degree-days with the library."""
    t, y = (np.array(column) for column in zip(*points, strict=True))
    high = min(20.0, t.min() - 0.5)
    return least_squares_fit(
        lambda p: p[1] - np.log(t - p[0]) - np.log(y), [[10, 7], [14, 6.6], [18, 6]], ([8, 0], [high, 20])
    )


def scipy_curve(points):
    """Fit the Brière curve with the library."""
    t, y = (np.array(column) for column in zip(*points, strict=True))
    top = t.max()

    def residuals(p):
        rate = math.exp(p[0]) * 1e-5 * t * (t - p[1]) * np.sqrt(p[2] - t)
        return -np.log(rate) - np.log(y)

    starts = [[0, lower, upper] for lower in (8, 13, 18) for upper in (top + 2, top + 6, top + 12)]
    return least_squares_fit(residuals, starts, ([-5, 2, top + 0.5], [5, t.min() - 0.5, top + 20]))


class TestFits:
    @pytest.mark.parametrize("species", [s for s in species_with_durations() if len(points_of(s)) >= 3])
    def test_our_fitter_agrees_with_a_numerics_library(self, species):
        """Both reach the same robust loss and the same days within the tested temperatures."""
        points = points_of(species)
        line, loss = fit_linear(points)
        reference = scipy_line(points)
        assert loss <= reference.cost * 1.001 + 1e-7
        low, high = PUBLISHED[species].low, PUBLISHED[species].high
        for t in np.linspace(low, high, 7):
            assert days_at(line, t) == pytest.approx(
                math.exp(reference.x[1]) / (t - reference.x[0]), rel=2e-3
            )

    @pytest.mark.parametrize(
        "species", [s for s in species_with_durations() if len({t for t, _ in points_of(s)}) >= BRIERE_FROM]
    )
    def test_our_curve_fitter_agrees_with_a_numerics_library(self, species):
        """The Brière fit is as good as the library's best of nine starts."""
        points = points_of(species)
        _, loss = fit_briere(points)
        assert loss <= scipy_curve(points).cost * 1.002 + 1e-7

    @pytest.mark.parametrize("species", species_with_durations())
    def test_what_ships_is_what_the_facts_give(self, species):
        """Every shipped model is the refit of the shipped durations within 0.1 %."""
        points, shipped = points_of(species), PUBLISHED[species]
        fitter = fit_briere if isinstance(shipped.model, Briere) else fit_linear
        again, _ = fitter(points)
        for t in np.linspace(shipped.low, shipped.high, 5):
            assert days_at(shipped.model, t) == pytest.approx(days_at(again, t), rel=1e-3)
        assert shipped.low == min(t for t, _ in points)
        assert shipped.high == max(t for t, _ in points)

    @pytest.mark.parametrize(
        ("species", "threshold", "whole"),
        [
            ("Testudo hermanni", 9.48, 1272.09),
            ("Pituophis melanoleucus", 8.498, 1310.09),
            ("Elaphe taeniura", 12.638, 958.875),
            ("Caretta caretta", 17.237, 674.578),
        ],
    )
    def test_degree_days_are_the_published_ones(self, species, threshold, whole):
        """Threshold within 0.05 K and sum within 0.5 % of the published fit."""
        line, _ = fit_linear(points_of(species))
        assert line.threshold == pytest.approx(threshold, abs=0.05)
        assert line.total == pytest.approx(whole, rel=5e-3)


LEAVE_ONE_OUT = [
    pytest.param("Testudo hermanni", 3.10, 2.30, id="hermanni"),
    pytest.param("Pituophis melanoleucus", 2.89, 2.79, id="pituophis"),
    pytest.param("Elaphe taeniura", 1.87, 2.81, id="elaphe"),
    pytest.param("Centrochelys sulcata", 3.33, 3.14, id="sulcata"),
    pytest.param("Caretta caretta", 1.99, 1.85, id="caretta"),
]


def leave_one_temperature_out(points, fitter):
    """Mean absolute error in days of predicting each temperature from the others."""
    errors = []
    for left_out in sorted({t for t, _ in points}):
        model, _ = fitter([p for p in points if p[0] != left_out])
        errors += [abs(days_at(model, t) - days) for t, days in points if t == left_out]
    return statistics.fmean(errors)


@pytest.mark.no_cover  # half a minute of the same lines as the fits above
class TestErrors:
    @pytest.mark.parametrize(("species", "line", "curve"), LEAVE_ONE_OUT)
    def test_leaving_a_temperature_out(self, species, line, curve, record_property):
        """Leave-one-temperature-out errors lie within 15 % of the published table."""
        points = points_of(species)
        found = leave_one_temperature_out(points, fit_linear), leave_one_temperature_out(points, fit_briere)
        record_property("days", found)
        print(f"{species}: degree-days {found[0]:.2f} d, Brière {found[1]:.2f} d")
        assert found[0] == pytest.approx(line, rel=0.15)
        assert found[1] == pytest.approx(curve, rel=0.15)

    @pytest.mark.parametrize(
        ("low", "high", "median", "ninetieth"),
        [(0.4, 1.1, 3.9, 10.3), (1.1, 2.1, 4.2, 10.8), (2.1, 3.1, 4.4, 11.1), (3.1, 5.1, 5.7, 14.5)],
        ids=["about-1-K", "about-2-K", "about-3-K", "about-4-K"],
    )
    def test_scaling_one_record(self, low, high, median, ninetieth):
        """One record scaled with 16 °C errs by the published percentages, ± 0.3."""
        errors = []
        for species in species_with_durations():
            points = [p for p in points_of(species) if 24.0 <= p[0] <= 33.0]
            for i, (t_ref, d_ref) in enumerate(points):
                for j, (t, days) in enumerate(points):
                    if i != j and low <= round(abs(t - t_ref), 6) < high:
                        errors.append(100 * abs(days_at(scaled(t_ref, d_ref), t) / days - 1))
        assert statistics.median(errors) == pytest.approx(median, abs=0.3)
        assert np.percentile(errors, 90) == pytest.approx(ninetieth, abs=0.3)


class TestEquivalent:
    @pytest.mark.parametrize(
        ("mean", "swing", "threshold", "worth"),
        [
            (28, 2, 18, 28.3898),
            (28, 4, 18, 29.4560),
            (28, 6, 18, 30.9841),
            (29, 3, 16, 29.6692),
            (30, 5, 20, 32.1757),
            (24, 8, 18, 29.8768),
        ],
        ids=["2", "4", "6", "29", "30", "clipped"],
    )
    def test_a_day_of_minutes(self, mean, swing, threshold, worth):
        """A cosine day of minutes is worth the published constant temperature, within 0.002 K."""
        curve = [(i / 1440, mean + swing * math.cos(2 * math.pi * i / 1440)) for i in range(1441)]
        days = of_days(stretches(curve, Linear(threshold, 800), Reach(0, 60)))
        assert len(days) == 1
        assert days[0].equivalent == pytest.approx(worth, abs=2e-3)

    @pytest.mark.parametrize(("mean", "swing", "threshold"), [(28, 2, 18), (29, 3, 16), (30, 5, 20)])
    def test_the_closed_form(self, mean, swing, threshold):
        """The weighted median solves R·sin t + (M − T0)·t = (π/2)(M − T0) for a cosine day."""
        pieces = []
        for i in range(20000):
            t = mean + swing * math.cos(math.pi * (i + 0.5) / 20000)
            pieces.append((t, t, t - threshold))
        angle = math.acos((equivalent(pieces) - mean) / swing)
        span = mean - threshold
        assert swing * math.sin(angle) + span * angle == pytest.approx(math.pi / 2 * span, abs=1e-3)


class TestDisturbance:
    def test_five_cooler_days(self):
        """Thirty days at 28 °C, five at 25 °C, then 28 °C again: 62.692 d with T0 15, K 800."""
        curve = [(0, 28.0), (30, 28.0), (30, 25.0), (35, 25.0), (35, 28.0), (70, 28.0)]
        records = [(28.0, 800 / 13), (25.0, 80.0)]
        found = hatch_window(curve, records=records)
        assert found.expected == pytest.approx(62.692, abs=0.01)
        assert hatch_window([(0, 28.0), (30, 28.0)], records=records).expected == pytest.approx(
            61.538, abs=0.01
        )


def left_out_papers():
    """Yield (species, records of the other papers, row of the paper left out), inside the tests."""
    for species in species_with_durations():
        rows = durations(species)
        for paper in papers_of(species):
            others = [(row.temperature, row.days) for row in rows if row.paper != paper]
            if not others:
                continue
            low, high = min(t for t, _ in others), max(t for t, _ in others)
            for row in rows:
                if row.paper == paper and low <= row.temperature <= high:
                    yield species, others, row


@pytest.mark.no_cover  # half a minute of the same lines as the fits above
class TestCoverage:
    @pytest.mark.parametrize("part", [0.02, 0.33, 0.67, 0.95], ids=["start", "third", "two-thirds", "end"])
    def test_leaving_a_paper_out(self, part, record_property):
        """The window holds the left-out paper's mean in 85–97 %, averaged over species."""
        hits, widths = {}, {}
        for species, others, row in left_out_papers():
            curve = [(0.0, row.temperature), (part * row.days, row.temperature)]
            found = hatch_window(curve, records=others)
            hits.setdefault(species, []).append(found.earliest <= row.days <= found.latest)
            widths.setdefault(species, []).append(found.latest - found.earliest)
        share = statistics.fmean(statistics.fmean(each) for each in hits.values())
        width = statistics.fmean(statistics.fmean(each) for each in widths.values())
        record_property("coverage", share)
        record_property("mean width, days", width)
        print(f"at {part:.0%}: {share:.1%} held over {len(hits)} species, mean width {width:.1f} days")
        assert len(hits) >= 7
        assert 0.85 <= share <= 0.97

    def test_published_tables_hold_their_own_papers(self):
        """With the shipped tables the window holds at least 85 % of each species' rows on average."""
        shares = []
        for species in species_with_durations():
            if len(papers_of(species)) < 2:
                continue
            rows = durations(species)
            found = [
                hatch_window([(0.0, r.temperature), (1.0, r.temperature)], species=species) for r in rows
            ]
            shares.append(
                statistics.fmean(f.earliest <= r.days <= f.latest for f, r in zip(found, rows, strict=True))
            )
        assert statistics.fmean(shares) >= 0.85
