"""The settings as the page keeps them: loaded by a child, renewed by the journal."""

from pathlib import Path

import pytest

from daemon.logbook import Archive, Logbook
from daemon.page.following import CannotOpenError, Following, Opened, opened_by_child
from daemon.page.serve import run
from daemon.page.settings import opened
from daemon.record import Batch, Entered, Json, Kind
from daemon.settings import SettingsError
from rules.plan import Stage
from tests.kit.night import NOW, Night


def plan_entry(given: Opened, **parts: Json) -> Entered:
    """Make the journal entry of a plan."""
    return Entered(NOW, Kind.PLAN, {"digest": given.digest, "offset": 0, **parts})


def test_a_child_loads_the_same_room(night: Night) -> None:
    """What comes back from the child is what would be loaded here; the watch's own place is left out."""
    given = opened_by_child(night.config)
    here = opened(night.config)
    assert [place.name for place in given.room.plan.places] == list(night.names)
    assert given.room.plan.places == here.room.plan.places
    assert given.room.plan.sensors == here.room.plan.sensors
    assert given.digest == here.digest


def test_a_wrong_config_is_said(tmp_path: Path) -> None:
    """Each problem comes back with file and line, and the page does not start."""
    config = tmp_path / "room.toml"
    config.write_text('[room]\nname = "x"\nspeed = 3\n')
    with pytest.raises(CannotOpenError, match=r"room\.toml:3"):
        opened_by_child(config)
    with pytest.raises(SettingsError):
        run(config, "127.0.0.1", 1)


def test_a_stage_that_an_order_changed_is_shown(night: Night) -> None:
    """The newest plan in the journal wins over the config; a plan of another config does not."""
    given = opened_by_child(night.config)
    follow = Following(given)
    with Logbook.open(night.folder) as book, Archive.open(night.folder) as archive:
        other = Entered(NOW, Kind.PLAN, {"digest": "another", "offset": 0, "stage": {"box-1": "adult"}})
        book.commit([Batch(NOW, journal=(other,))])
        assert follow(given.room, archive) is given.room
        book.commit([Batch(NOW, journal=(plan_entry(given, stage={"box-1": "hatching"}),))])
        renewed = follow(given.room, archive)
    place = renewed.place("box-1")
    assert place is not None
    assert place.stage is Stage.HATCHING


def test_a_plan_that_changes_nothing_costs_nothing(night: Night) -> None:
    """Plans that only carry on calendars give the same room, without a child."""
    given = opened_by_child(night.config)
    follow = Following(given)
    with Logbook.open(night.folder) as book, Archive.open(night.folder) as archive:
        book.commit([Batch(NOW, journal=(plan_entry(given, last={"day:room": True}),))])
        assert follow(given.room, archive) is given.room
