"""Pictures for people: the morning report and the picture in an alert."""

import re
from collections.abc import Iterator

import pytest

from daemon.logbook import Archive
from daemon.page.report import alarm_picture, night_report
from daemon.page.room import Room
from daemon.page.settings import opened
from rules.reading import HOUR
from tests.kit.night import NOW, Night


@pytest.fixture
def room(night: Night) -> Room:
    """Give the settings of the night."""
    return opened(night.config, {}).room


@pytest.fixture
def archive(night: Night) -> Iterator[Archive]:
    """Open the night's logbook."""
    with Archive.open(night.folder) as found:
        yield found


def test_the_report_is_one_page_that_stands_alone(archive: Archive, room: Room) -> None:
    """It loads nothing, names every place, and tells each alarm with its life."""
    report = night_report(archive, room)
    assert not re.search(r'(src|href)="', report.html)
    for place in room.plan.places:
        assert f"<b>{place.name}</b>" in report.html
    assert "box-1: drying out" in report.html
    assert report.summary in report.html.replace("&#39;", "'")


def test_the_report_has_a_picture(archive: Archive, room: Room) -> None:
    """The same as PNG, small enough for a phone's message."""
    report = night_report(archive, room)
    assert report.picture is not None
    assert report.picture.startswith(b"\x89PNG")
    assert len(report.picture) < 500_000


def test_a_calm_night_says_that_all_is_well(archive: Archive, room: Room) -> None:
    """Where nothing was wrong it is said, so that silence means trouble."""
    calm = next(p for p in room.plan.places if p.name == "box-4")
    from dataclasses import replace

    only = replace(room, plan=replace(room.plan, places=(calm,)))
    report = night_report(archive, only, (NOW - 12 * HOUR, NOW - 8 * HOUR))
    assert "All is well." in report.summary
    assert "Nothing was wrong this night." in report.html


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_each_alarm_has_its_picture(archive: Archive, room: Room, number: int) -> None:
    """Climate and silence alike are drawn."""
    picture = alarm_picture(archive, room, number)
    assert picture is not None
    assert picture.startswith(b"\x89PNG")


def test_an_unknown_alarm_has_none(archive: Archive, room: Room) -> None:
    """No such alarm is no picture, and no error: the text goes out."""
    assert alarm_picture(archive, room, 999) is None
