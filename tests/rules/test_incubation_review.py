"""A clutch looked back on."""

import math

import pytest

from rules.incubation import NoReadings
from rules.incubation.review import review
from rules.span import Span


def steady(temperature, days, step=0.25):
    """Give a curve at one temperature."""
    return [(i * step, temperature) for i in range(round(days / step) + 1)]


class TestReview:
    def test_a_steady_clutch_is_a_record(self):
        """Mean, equivalent and days of a steady clutch are next year's record."""
        found = review(steady(28.5, 64.0), species="Testudo hermanni", hatched=64.0)
        assert found.mean == pytest.approx(28.5)
        assert found.equivalent == pytest.approx(28.5)
        assert found.record == (28.5, 64.0)
        assert found.covered == pytest.approx(1.0)

    def test_predicted_against_actual(self):
        """The error is the model's day for this curve less the day that came."""
        found = review(steady(30.0, 58.0), records=((30.0, 56.0),), hatched=58.0)
        assert found.error == pytest.approx(-2.0)

    def test_degree_hours_outside(self):
        """One day 1.5 K above ideal and half a day 2 K below are 36 and 24 K·h."""
        curve = [(0, 29.0), (5, 29.0), (5, 31.5), (6, 31.5), (6, 26.0), (6.5, 26.0), (6.5, 29.0), (9, 29.0)]
        found = review(curve, records=((29.0, 60.0),), ideal=Span(28.0, 30.0))
        assert found.above == pytest.approx(36.0)
        assert found.below == pytest.approx(24.0)

    def test_a_slope_through_the_limit(self):
        """A straight line across a limit counts the triangle beyond it."""
        found = review([(0, 29.0), (1, 31.0)], records=((29.0, 60.0),), ideal=Span(None, 30.0))
        assert found.above == pytest.approx(24 * 0.25)
        assert found.below == 0.0

    def test_gaps_make_no_record(self):
        """A clutch with readings for less than 90 % of its days is no record for next year."""
        curve = [*steady(28.0, 20.0), (20.1, None), (40.0, 28.0), (60.0, 28.0)]
        found = review(curve, records=((28.0, 60.0),), hatched=60.0)
        assert found.covered < 0.9
        assert found.record is None

    def test_without_a_model_the_rest_is_told(self):
        """A foreign species without a record still has its mean and its record for next year."""
        found = review(steady(30.0, 70.0), species="Pogona vitticeps", hatched=70.0)
        assert found.predicted is None
        assert found.equivalent is None
        assert found.record == (30.0, 70.0)

    def test_not_hatched_has_no_error(self):
        """Before hatching there is nothing to compare with."""
        found = review(steady(30.0, 20.0), records=((30.0, 56.0),))
        assert found.actual is None
        assert found.error is None
        assert found.record is None

    def test_an_endless_forecast_has_no_error(self):
        """Where nothing develops, no error in days can be named."""
        found = review(steady(10.0, 20.0), records=((30.0, 56.0),), hatched=20.0)
        assert found.error is None

    def test_no_reading_at_all(self):
        """A curve without a temperature cannot be reviewed."""
        with pytest.raises(NoReadings):
            review([(0.0, None), (9.0, None)], records=((30.0, 56.0),))

    def test_days_are_whole(self):
        """The daily equivalents follow each other without a hole, and none is NaN."""
        curve = [(i / 24, 29.0 + math.sin(i / 4)) for i in range(24 * 12 + 1)]
        found = review(curve, records=((29.0, 60.0),))
        assert [day.day for day in found.daily] == list(range(12))
        assert all(day.equivalent == day.equivalent for day in found.daily)
