"""Tonight and this week: reminders of the config, the morning report, commands in °F."""

import argparse
import json
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from daemon import sideline_jobs
from daemon.clutch_due import due_lines
from daemon.clutch_forms import shown_in
from daemon.clutch_settings import ClutchSettings, Days
from daemon.commands import clutch as commands
from daemon.commands.clutch_parser import add_clutch
from daemon.logbook import Archive, Labels
from daemon.settings import SettingsError, load, load_text
from daemon.texts import Speaker
from rules.reading import DAY, HOUR
from tests.kit.clutchroom import ClutchRoom, write_clutch_room

NOW = 1_795_600_000_000


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> ClutchRoom:
    """Write a season that tests only read."""
    return write_clutch_room(tmp_path_factory.mktemp("due"), NOW)


def given(*words: object) -> argparse.Namespace:
    """Parse a command line."""
    parser = argparse.ArgumentParser()
    add_clutch(parser.add_subparsers())
    return parser.parse_args([str(word) for word in words])


def days(settings: ClutchSettings, now: str, last: int) -> list[str]:
    """Give the days of the reminders from an instant on."""
    at = int(datetime.fromisoformat(now).replace(tzinfo=UTC).timestamp() * 1000)
    found = settings.reminded(Labels(), at, at + last * DAY)
    return [datetime.fromtimestamp(one.at / 1000, UTC).date().isoformat() for one in found]


class TestReminders:
    def test_one_day(self) -> None:
        """A day is a day, before and after it."""
        settings = ClutchSettings(reminders=(Days("feed", date(2026, 12, 3)),))
        assert days(settings, "2026-11-20T10:00", 7) == ["2026-12-03"]

    def test_they_come_back(self) -> None:
        """Every three days from the first one on: those that lie in the stretch, today's included."""
        settings = ClutchSettings(reminders=(Days("spray", date(2026, 12, 1), 3),))
        assert days(settings, "2026-12-04T23:00", 7) == ["2026-12-04", "2026-12-07", "2026-12-10"]
        assert days(settings, "2026-12-05T01:00", 5) == ["2026-12-07", "2026-12-10"]
        assert days(settings, "2026-11-20T01:00", 5) == []

    @pytest.mark.parametrize(
        "table",
        [
            'text = "x"',
            'text = "x"\non = 2026-12-03\nsince = 2026-12-03\nevery = "3 days"',
            'text = "x"\nsince = 2026-12-03',
            'text = "x"\nevery = "3 days"',
            'text = "x"\nsince = 2026-12-03\nevery = "36 h"',
            "on = 2026-12-03",
        ],
        ids=["no day", "both", "since alone", "every alone", "half days", "no text"],
    )
    def test_what_is_no_reminder(self, table: str, tmp_path: Path) -> None:
        """A reminder without a day, with two, or with parts of days is refused."""
        with pytest.raises(SettingsError):
            load_text(f"[[reminder]]\n{table}\n", tmp_path / "room.toml")

    def test_tonight_ends_in_the_morning(self) -> None:
        """Tonight is until the room's day begins: at 23:00 nine hours, at 03:00 five."""
        settings = ClutchSettings(morning=8 * 60)
        for hour, left in ((23, 9), (3, 5)):
            at = int(datetime(2026, 12, 1, hour, tzinfo=UTC).timestamp() * 1000)
            assert settings.tonight(Labels(), at) - at == left * HOUR


class TestMorning:
    def test_lines(self, room: ClutchRoom) -> None:
        """The report's lines: who hatches since when, what is late, what is due till tomorrow."""
        with Archive.open(room.folder) as archive:
            found = due_lines(archive, load(room.config), NOW)
        assert found[0] == "P-01 is hatching in box-1: 26 h since the first pip, 1 out, 3 eggs left"
        assert "crickets out of the refrigerator" in found
        assert any(line.startswith("candle H-02: day 30") and line.endswith("(late)") for line in found)
        assert not any("spring tails" in line for line in found)

    def test_they_stand_in_the_report(self, room: ClutchRoom) -> None:
        """The child that makes the morning report adds them."""
        job = {"text": room.config.read_text(), "room": str(room.config), "folder": str(room.folder)}
        said = next(sideline_jobs.night({**job, "wall": NOW}))
        assert isinstance(said["lines"], list)
        assert any(str(line).startswith("Today: P-01 is hatching") for line in said["lines"])


class TestCommands:
    def test_list(
        self, room: ClutchRoom, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Tonight stands before this week; JSON says of each whether it is tonight's."""
        monkeypatch.setattr(commands, "_wall", lambda: NOW)
        assert commands.list_(given("clutch", "list", room.config)) == 0
        out = capsys.readouterr().out
        assert out.index("tonight:") < out.index("this week:")
        commands.list_(given("clutch", "list", room.config, "--json"))
        form = json.loads(capsys.readouterr().out)
        tonight = {one["text"]: one["tonight"] for one in form["due"]}
        assert tonight["crickets out of the refrigerator"]
        assert not all(tonight.values())
        assert form["as_of"].startswith("2026-11-2")

    def test_an_old_logbook_is_looked_at_as_of_its_end(
        self, room: ClutchRoom, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A season past is told as it was when the record ended, and that is said."""
        monkeypatch.setattr(commands, "_wall", lambda: NOW + 200 * DAY)
        commands.list_(given("clutch", "list", room.config))
        out = capsys.readouterr().out
        assert out.startswith("as of ")
        assert "(day 31)" in out

    def test_fahrenheit(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """In a room that shows °F models, sources and cautions are in °F; JSON stays °C."""
        room = write_clutch_room(tmp_path, NOW, show="F")
        monkeypatch.setattr(commands, "_wall", lambda: NOW)
        commands.forecast_(given("clutch", "forecast", room.config))
        out = capsys.readouterr().out
        assert "°F" in out
        assert "°C" not in out
        commands.forecast_(given("clutch", "forecast", room.config, "H-02", "--json"))
        form = json.loads(capsys.readouterr().out)
        assert "°C" in form["model"]
        assert {"id", "progress", "expected", "window", "model", "source", "cautions"} <= set(form)


@pytest.mark.parametrize(
    ("celsius", "fahrenheit"),
    [
        ("between 24.8 and 29.0 °C was taken", "between 76.6 and 84.2 °F was taken"),
        ("tested 23.0–30.0 °C", "tested 73.4–86.0 °F"),
        ("degree-days above 18.6 °C, 571 in all", "degree-days above 65.5 °F, 1028 in all"),
        ("own record: 57 days at 28 °C", "own record: 57 days at 82.4 °F"),
        ("5 to 95 % within 1.9 K", "5 to 95 % within 3.4 °F"),
        ("from 13.6 to 39.4 °C", "from 56.5 to 102.9 °F"),
    ],
    ids=["and", "dash", "degree-days", "record", "difference", "to"],
)
def test_words_in_fahrenheit(celsius: str, fahrenheit: str) -> None:
    """Temperatures in a forecast's words are shown as the room shows them; differences without the 32."""
    assert shown_in(celsius, Speaker("F")) == fahrenheit
    assert shown_in(celsius, Speaker("C")) == celsius
