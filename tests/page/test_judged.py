"""The page over what the real engine judged: forecasts, explanations, the review, the report."""

import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from daemon.cli import OK, USAGE, main
from daemon.logbook import Archive, Logbook
from daemon.page.app import build
from daemon.page.asking import Asking
from daemon.page.desk import PageDesk
from daemon.page.following import Following
from daemon.page.settings import opened
from daemon.record import AlarmRow, Batch
from rules.reading import MINUTE
from tests.kit.played import Pen, Played, room_text, written

Text = Callable[[str], str]


def falling(minutes: int) -> Iterator[dict[str, float]]:
    """Give a box that is right for five hours and then falls by 2.4 K an hour."""
    for minute in range(300):
        yield {"pen-1": 29.5 + 0.02 * (minute % 3), "pen-2": 29.4}
    for minute in range(minutes):
        yield {"pen-1": round(29.5 - 0.04 * minute, 2), "pen-2": 29.4}


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    """Play a fall up to where it is foreseen that safe will be left."""
    folder = tmp_path_factory.mktemp("judged")
    watch = Played(written(folder, room_text(Pen("pen-1"), Pen("pen-2"))), folder / "state")
    watch.open()
    watch.minutes(falling(60))
    return watch


@pytest.fixture(scope="module")
def rows(played: Played) -> dict[str, AlarmRow]:
    """Give the alarms by rule."""
    with Archive.open(played.folder) as archive:
        return {row.key.rule: row for row in archive.alarms()}


@pytest.fixture(scope="module")
def text(played: Played) -> Iterator[Text]:
    """Read a page of it, five seconds after the last round."""
    given = opened(played.loaded.path, {})
    wall = played.clock.wall() - MINUTE
    desk = PageDesk(given.room, lambda: wall + 5_000, Following(given))
    client = TestClient(build(desk, "127.0.0.1"), base_url="http://127.0.0.1")
    yield lambda path: client.get(path).text.replace("\N{NO-BREAK SPACE}", " ")
    desk.close()


def waited(text: Text, path: str) -> str:
    """Read a page until it has found what it looks up."""
    deadline = time.monotonic() + 20
    while "data-waits" in (said := text(path)) and time.monotonic() < deadline:
        time.sleep(0.1)
    return said


def test_what_the_engine_foresees_is_drawn(text: Text, rows: dict[str, AlarmRow]) -> None:
    """A fall has its cone and dashed line on sheet, place and alarm; a calm place has none."""
    number = rows["heading out of range"].number
    for path in ("/", "/place/pen-1", f"/alarm/{number}"):
        assert 'class="under cone"' in text(path), path
        assert 'class="under ahead"' in text(path), path
    assert "cone" not in text("/place/pen-2")
    assert "the ring is where safe is left" in text(f"/alarm/{number}")


def test_what_wants_you_names_its_rule_and_the_others(text: Text, rows: dict[str, AlarmRow]) -> None:
    """The gravest alarm of a place speaks first; the others of the same place are one tap away."""
    sheet = text("/")
    assert ">Heading out of range</a>" in sheet
    others = sheet.partition("Also here:")[2].partition("</span>")[0]
    assert f'href="/alarm/{rows["too cool"].number}"' in others


def test_an_alarm_explains_itself(text: Text, rows: dict[str, AlarmRow]) -> None:
    """Which rule, which numbers with the line of the config, and what happened when."""
    path = f"/alarm/{rows['too cool'].number}?why=yes"
    assert "One moment" in text(path)
    said = waited(text, path)
    assert "Why this alarm?" in said
    assert re.search(r"\d\d:\d\d</span> Alarm \d+ is raised at medium priority", said)
    assert re.search(r"ideal: 28(\.0 °C)? to 31\.0 °C</dt>", said)
    assert re.search(r"yours, line \d+ of room\.toml", said)
    assert str(Path.cwd()) not in said


def test_the_alarms_review_themselves(text: Text) -> None:
    """Load, chatter, floods: each with its value, its plain meaning, its aim and its source."""
    assert "how the alarms themselves do" in text("/alarms")
    said = waited(text, "/alarms?review=yes")
    for words in ("Load: ", "Chattering: none", "Floods: none", "Goal: ", "ANSI/ISA-18.2", "Thirty days"):
        assert words in said


def test_what_cannot_be_looked_up_is_no_error(played: Played) -> None:
    """A child that fails, or is still under way at the end, costs nothing."""
    asking = Asking(played.loaded.path)
    assert asking.ask("explain", "987654") == (None, True)
    deadline = time.monotonic() + 20
    while asking.ask("explain", "987654")[1] and time.monotonic() < deadline:
        time.sleep(0.1)
    assert asking.ask("explain", "987654") == (None, False)
    assert asking.ask("review") == (None, True)
    asking.close()
    assert Asking(None).ask("review") == (None, False)


def test_what_ails_the_watch_is_said_on_every_page(played: Played, text: Text) -> None:
    """The watch's own trouble stands before everything else."""
    now = played.clock.wall() - MINUTE
    with Logbook.open(played.folder) as book:
        book.commit([Batch(now, shown={"watch": {"now": now, "running": True, "ails": "the card is slow"}})])
    for path in ("/", "/alarms", "/sensors", "/place/pen-1"):
        main_part = text(path).partition("<main")[2]
        assert main_part.index("The card is slow.") < main_part.index("<h1")
    with Logbook.open(played.folder) as book:
        book.commit([Batch(now, shown={"watch": {"now": now, "running": True, "ails": ""}})])
    assert "not well" not in text("/")


@pytest.mark.parametrize(("name", "begins"), [("night.html", b"<!doctype html>"), ("night.PNG", b"\x89PNG")])
def test_the_night_goes_into_a_file(
    played: Played, tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, begins: bytes
) -> None:
    """``ovigil night --report`` writes one page or one picture, and says the night in a line."""
    file = tmp_path / name
    assert main(["night", str(played.loaded.path), "--report", str(file)]) == OK
    assert file.read_bytes().startswith(begins)
    assert [one.name for one in tmp_path.iterdir()] == [name]
    assert "One place wants you" in capsys.readouterr().out


def test_a_report_of_another_kind_is_refused(
    played: Played, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Another ending is a mistake that is named, and nothing is written."""
    assert main(["night", str(played.loaded.path), "--report", str(tmp_path / "night.doc")]) == USAGE
    assert ".html or .png" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())
