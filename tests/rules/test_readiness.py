"""Whether an enclosure is ready, and what is missing."""

from dataclasses import replace

import pytest

from rules.readiness import SensorHealth, SpotRecord, readiness
from rules.reading import HOUR, Quantity
from rules.span import Span

NOW = 10_000 * HOUR
SOUND = [SensorHealth("warm", healthy=True)]
WARM = SpotRecord(
    spot="warm side",
    quantity=Quantity.TEMPERATURE,
    period="day",
    ideal=Span(28.0, 32.0),
    safe=Span(24.0, 36.0),
    covered=1.0,
    inside=1.0,
    lowest=28.5,
    highest=31.0,
    right_since=NOW - 60 * HOUR,
)
NIGHT = replace(
    WARM, period="night", ideal=Span(20.0, 24.0), safe=Span(17.0, 28.0), lowest=21.0, highest=23.0
)


class TestReady:
    def test_right_by_day_and_by_night(self):
        """Two days right at every spot, sensors sound: ready, and since when."""
        found = readiness([WARM, replace(NIGHT, right_since=NOW - 50 * HOUR)], SOUND, NOW)
        assert found.ready
        assert found.since == NOW - 50 * HOUR
        assert found.missing == ()
        assert found.hours == 48.0

    def test_the_keeper_may_ask_for_longer(self):
        """Right for 60 h is not ready for 72 h, and it says how long so."""
        found = readiness([WARM, NIGHT], SOUND, NOW, 72 * HOUR)
        assert not found.ready
        assert found.since == NOW - 60 * HOUR
        assert "not yet for" in found.missing[0][2]


class TestMissing:
    @pytest.mark.parametrize(
        ("change", "words"),
        [
            ({"covered": 0.0, "inside": None, "right_since": None}, "no readings"),
            ({"covered": 0.5}, "readings for only"),
            ({"inside": 0.8}, "in range for only"),
            ({"left_safe": NOW - HOUR}, "outside safe"),
            ({"right_since": None}, "not in range now"),
        ],
        ids=["no sensor", "thin cover", "often outside", "left safe", "outside now"],
    )
    @pytest.mark.parametrize("period", ["day", "night"])
    def test_each_is_named(self, change, words, period):
        """Whatever is missing at a spot is said with quantity, spot and period."""
        spots = [replace(one, **change) if one.period == period else one for one in (WARM, NIGHT)]
        found = readiness(spots, SOUND, NOW)
        assert not found.ready
        said = " ".join(str(piece) for piece in found.missing[0])
        assert words in said
        assert f"temperature at warm side by {period}" in said

    def test_a_sick_sensor(self):
        """A sensor that is not sound is named with what is wrong."""
        found = readiness([WARM, NIGHT], [SensorHealth("warm", healthy=False, wrong="stuck")], NOW)
        assert found.missing == (("sensor warm: stuck",),)

    def test_without_ranges_nothing_is_right(self):
        """A place for which nothing is asked is not ready."""
        found = readiness([], SOUND, NOW)
        assert not found.ready
        assert "species and a stage" in found.missing[0][0]

    def test_without_sensors_nothing_is_known(self):
        """A place without any sensor is not ready."""
        assert readiness([WARM], [], NOW).missing == (("no sensor is in this place",),)

    def test_one_spot_that_is_not_right_keeps_the_rest_waiting(self):
        """Since when everything has been right is unknown while one spot is not."""
        assert readiness([WARM, replace(NIGHT, right_since=None)], SOUND, NOW).since is None


class TestNothingRead:
    def test_a_spot_without_a_reading_is_said_without_figures(self):
        """A spot that is not in range and was never read is missing, and no temperature is made up for it."""
        empty = replace(WARM, lowest=None, highest=None, right_since=None)
        found = readiness([empty], SOUND, NOW)
        assert not found.ready
        assert not any("it was" in str(part) for sentence in found.missing for part in sentence)
