"""The night's figures against cases that were worked out by hand."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from daemon.cli import main
from daemon.csvfile import CsvForm
from daemon.imports import import_file
from daemon.logbook import Archive
from daemon.night import Window, as_json, review
from daemon.settings import load
from daemon.times import parsed
from rules.reading import MINUTE, SECOND
from tests.kit.hand import Handled, room

LISBON = ZoneInfo("Europe/Lisbon")

ROOM = """\
[room]
name = "Cellar"
time_zone = "Europe/Lisbon"
data = "state"
day = "07:00-21:00"

[[place]]
name = "box-1"
kind = "enclosure"
temperature = { ideal = ["28 C", "31 C"], safe = ["26 C", "33 C"] }

[[place.sensor]]
name = "box-1"
spot = "air"
read = { by = "import", every = "10 min" }
"""

CURVE_KEYS = {
    "place",
    "spot",
    "sensor",
    "quantity",
    "minimum",
    "mean",
    "maximum",
    "covered",
    "in_ideal",
    "in_safe",
    "degree_hours_above",
    "degree_hours_below",
    "worst_at",
    "gaps",
}
ALARM_KEYS = {
    "number",
    "place",
    "spot",
    "quantity",
    "rule",
    "priority",
    "raised",
    "acknowledged",
    "cleared",
    "alerted",
    "words",
}


def at(text: str) -> str:
    """Write an instant of the evening, UTC = Lisbon in winter."""
    return f"2026-01-10T{text}:00+00:00"


def night(
    folder: Path, rows: list[tuple[str, float]], start: str, end: str, text: str = ROOM
) -> dict[str, Any]:
    """Import readings and review a window."""
    config = folder / "room.toml"
    config.write_text(text)
    file = folder / "past.csv"
    lines = [f"{when},box-1,temperature,{value}" for when, value in rows]
    file.write_text("\n".join(["time,sensor,quantity,value", *lines, ""]))
    loaded = load(config)
    import_file(loaded, folder / "state", file, CsvForm(), lambda _: None)
    with Archive.open(folder / "state") as archive:
        labels = archive.labels()
        window = Window(labels.room_instant(parsed(start, LISBON)), labels.room_instant(parsed(end, LISBON)))
        found: dict[str, Any] = json.loads(json.dumps(as_json(review(archive, loaded, window))))
    return found


def curve(found: dict[str, Any]) -> dict[str, Any]:
    """Give the one curve."""
    (only,) = found["curves"]
    return dict(only)


class TestFigures:
    def test_a_worked_example(self, tmp_path: Path) -> None:
        """22:00 to 23:00, readings each 10 min: every figure as on paper."""
        rows = [
            (at("22:00"), 29.0),
            (at("22:10"), 30.0),
            (at("22:20"), 32.0),
            (at("22:30"), 34.0),
            (at("22:40"), 30.0),
            (at("22:50"), 27.0),
            (at("23:00"), 20.0),
        ]
        found = curve(night(tmp_path, rows, at("22:00"), at("23:00")))
        assert set(found) >= CURVE_KEYS
        assert (found["minimum"], found["maximum"]) == (27.0, 34.0)
        assert found["mean"] == pytest.approx((29 + 30 + 32 + 34 + 30 + 27) / 6, abs=1e-4)
        assert found["covered"] == 100.0
        assert found["in_ideal"] == pytest.approx(50.0, abs=1e-4)
        assert found["in_safe"] == pytest.approx(100 * 5 / 6, abs=1e-4)
        assert found["degree_hours_above"] == pytest.approx((1.0 + 3.0) / 6, abs=1e-4)
        assert found["degree_hours_below"] == pytest.approx(1.0 / 6, abs=1e-4)
        assert found["worst_at"] == "2026-01-10T22:30:00Z"
        assert found["gaps"] == []

    def test_the_window_is_half_open(self, tmp_path: Path) -> None:
        """A reading at the end does not count; one at the start does."""
        rows = [(at("22:00"), 29.0), (at("22:10"), 30.0), (at("22:20"), 40.0)]
        found = curve(night(tmp_path, rows, at("22:10"), at("22:20")))
        assert (found["minimum"], found["mean"], found["maximum"]) == (30.0, 30.0, 30.0)

    def test_the_reading_before_counts_while_it_stands(self, tmp_path: Path) -> None:
        """A reading at 21:55 stands until 22:15 at most: a quarter of the hour is covered by it."""
        found = curve(night(tmp_path, [(at("21:55"), 29.0)], at("22:00"), at("23:00")))
        assert found["covered"] == 25.0
        assert found["mean"] == 29.0
        assert found["gaps"] == [{"from": "2026-01-10T22:15:00Z", "to": "2026-01-10T23:00:00Z"}]

    def test_gaps_and_shares_are_of_covered_time(self, tmp_path: Path) -> None:
        """Two readings 40 min apart: each stands 20 min, the gap between and at the end is named."""
        rows = [(at("22:00"), 29.0), (at("22:40"), 35.0)]
        found = curve(night(tmp_path, rows, at("22:00"), at("23:20")))
        assert found["covered"] == 50.0
        assert (found["in_ideal"], found["in_safe"]) == (50.0, 50.0)
        assert found["degree_hours_above"] == pytest.approx(4.0 / 3, abs=1e-4)
        assert found["gaps"] == [
            {"from": "2026-01-10T22:20:00Z", "to": "2026-01-10T22:40:00Z"},
            {"from": "2026-01-10T23:00:00Z", "to": "2026-01-10T23:20:00Z"},
        ]

    def test_nothing_at_all_is_said_as_such(self, tmp_path: Path) -> None:
        """A window without readings: no figures, nothing covered, one gap."""
        found = curve(night(tmp_path, [(at("20:00"), 29.0)], at("22:00"), at("23:00")))
        assert [found[name] for name in ("minimum", "mean", "maximum", "in_ideal", "worst_at")] == [None] * 5
        assert found["covered"] == 0.0
        assert len(found["gaps"]) == 1

    def test_impossible_values_are_no_climate(self, tmp_path: Path) -> None:
        """A fault code of a sensor counts nowhere."""
        rows = [(at("22:00"), 29.0), (at("22:10"), -127.0), (at("22:20"), 29.0)]
        found = curve(night(tmp_path, rows, at("22:00"), at("22:30")))
        assert (found["minimum"], found["maximum"]) == (29.0, 29.0)

    def test_both_passes_of_a_repeated_hour_are_in_the_window(self, tmp_path: Path) -> None:
        """On 2026-10-25 01:00-02:00 comes twice in Lisbon: from 00:30 to 03:00 are three and a half hours."""
        rows = [
            (f"2026-10-2{'4' if h >= 23 else '5'}T{h:02}:{m:02}:00+00:00", 29.0)
            for h in (23, 0, 1, 2)
            for m in range(0, 60, 10)
        ]
        found = night(tmp_path, rows, "2026-10-25T00:30", "2026-10-25T03:00")
        assert (found["from"], found["to"]) == ("2026-10-24T23:30:00Z", "2026-10-25T03:00:00Z")
        assert curve(found)["covered"] == 100.0
        first = night(tmp_path, rows, "2026-10-25T01:30", "2026-10-25T02:00")
        assert (first["from"], first["to"]) == ("2026-10-25T00:30:00Z", "2026-10-25T02:00:00Z")

    def test_alarms_of_the_window_with_every_key(self, tmp_path: Path) -> None:
        """An alarm whose life touches the window is there in words, one before it is not."""
        rows = [(at(f"22:{m:02}"), 35.0) for m in range(0, 60, 10)] + [
            (at("23:00"), 29.0),
            (at("23:10"), 29.0),
            (at("23:20"), 29.0),
        ]
        found = night(tmp_path, rows, at("22:30"), at("23:30"))
        (alarm,) = found["alarms"]
        assert set(alarm) >= ALARM_KEYS
        assert (alarm["rule"], alarm["priority"], alarm["place"]) == ("too warm", "high", "box-1")
        assert alarm["raised"] is not None
        assert alarm["cleared"] is not None
        assert night(tmp_path, rows, at("20:00"), at("21:00"))["alarms"] == []


class TestSeason:
    def test_day_and_night_differ_to_the_end_of_a_long_window(self, tmp_path: Path) -> None:
        """Over a hundred days the warm day counts by day and the cool night by night, on the last day too."""
        whole = 'temperature = { ideal = ["28 C", "31 C"], safe = ["26 C", "33 C"] }\n'
        day, night_ = (
            f'\n[[place.range]]\nwhen = "{when}"\ntemperature = {{ safe = ["{low} C", "{high} C"] }}\n'
            for when, low, high in (("day", 26, 33), ("night", 18, 26))
        )
        config = ROOM.replace(whole, "").replace("\n[[place.sensor]]", day + night_ + "\n[[place.sensor]]")
        begin = datetime(2026, 1, 10, tzinfo=UTC)
        rows = []
        for hour in range(100 * 24):
            when = begin + timedelta(hours=hour)
            by_day = 7 <= when.astimezone(LISBON).hour < 21
            rows.append((when.isoformat(), 29.0 if by_day else 22.0))
        config = config.replace("10 min", "1 h")
        found = curve(night(tmp_path, rows, "2026-01-11T00:00", "2026-04-19T00:00", config))
        assert found["in_safe"] > 99.9


class TestCommand:
    @pytest.mark.parametrize(
        ("words", "code"),
        [
            (["--from", "yesterday"], 2),
            (["--from", "2026-01-10T23:00", "--to", "2026-01-10T22:00"], 2),
            (["--from", "0001-01-01"], 2),
            (["--to", "9999-12-31T23:59"], 2),
            (["--from", "1971-01-01", "--to", "1971-01-02"], 0),
            (["--to", "2199-12-31T23:59"], 0),
            (["--from", "2026-01-10T22:00", "--to", "2026-01-10T22:30"], 0),
        ],
        ids=["no instant", "empty", "year 1", "year 9999", "early", "late", "half an hour"],
    )
    def test_windows_are_read_or_refused(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], code: int
    ) -> None:
        """Any window gives a review or a sentence, never a traceback."""
        night(tmp_path, [(at("22:00"), 29.0), (at("22:10"), 29.5)], at("22:00"), at("23:00"))
        assert main(["night", str(tmp_path / "room.toml"), *words]) == code
        said = capsys.readouterr()
        assert said.out if code == 0 else said.err

    def test_without_dates_it_is_the_logbooks_last_night(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Where the logbook ended long ago: from its last dusk to its last reading."""
        night(
            tmp_path,
            [(at("20:00"), 29.0), (at("22:00"), 29.0), (at("22:10"), 29.5)],
            at("22:00"),
            at("23:00"),
        )
        assert main(["night", str(tmp_path / "room.toml"), "--json"]) == 0
        found = json.loads(capsys.readouterr().out)
        assert found["from"] == "2026-01-10T21:00:00Z"
        assert found["to"].startswith("2026-01-10T22:10:01")

    def test_an_empty_logbook_is_said(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """No logbook is a sentence and an exit code, no traceback."""
        (tmp_path / "room.toml").write_text(ROOM)
        assert main(["night", str(tmp_path / "room.toml")]) == 69
        assert "no logbook" in capsys.readouterr().err


class TestLive:
    def test_the_night_of_a_watch_tells_who_was_told_and_who_saw(self, tmp_path: Path) -> None:
        """Alarms of a real watch carry number, acknowledgement and words; instants are UTC."""
        hand = Handled(tmp_path, room("box-1"))
        hand.start()
        hand.feed({"box-1": 29.5}, 3 * MINUTE)
        hand.feed({"box-1": 35.0}, 4 * MINUTE)
        hand.commit()
        number = hand.alarms()[0].number
        assert hand.order(verb="acknowledge", alarm=number) == "done"
        hand.commit()
        with hand.archive() as archive:
            span = archive.span()
            assert span is not None
            found = as_json(review(archive, load(hand.config), Window(span[0], span[1] + SECOND)))
        hand.end()
        (alarm,) = found["alarms"]  # type: ignore[misc,union-attr]
        assert isinstance(alarm, dict)
        assert alarm["number"] == number
        assert alarm["acknowledged_by"] == "keeper"
        raised = datetime.fromisoformat(str(alarm["raised"]))
        assert raised.tzinfo == UTC
        assert abs(raised.timestamp() * 1000 - hand.clock.wall()) < 10 * MINUTE
