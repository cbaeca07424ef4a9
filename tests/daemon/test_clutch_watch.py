"""Clutches in the running watch: orders, hatching, settling, overdue; all of it replayed exactly."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon.logbook import Archive, Logbook
from daemon.opening import open_watch
from daemon.record import Batch, Entry, Kind
from daemon.settings import load
from daemon.standing import basis_of
from rules.plan import Plan, Priority
from rules.reading import DAY, HOUR, MINUTE, Quantity
from rules.season import DISTURB_NOT
from tests.kit.hand import HEAD, WALL, Handled

LAID = datetime.fromtimestamp((WALL - 40 * DAY) / 1000, UTC).date().isoformat()
LONG_AGO = datetime.fromtimestamp((WALL - 120 * DAY) / 1000, UTC).date().isoformat()

BOX = """
[[place]]
name = "{name}"
kind = "{kind}"
temperature = {{ ideal = ["27 C", "31 C"], safe = ["25 C", "33 C"] }}
advice = "{advice}"
[[place.sensor]]
name = "{name}"
read = {{ by = "mqtt", topic = "cellar/{name}", temperature = "/t", every = "30 s" }}
"""
CLUTCH = """
[[clutch]]
id = "{id}"
species = "Paroedura picta"
laid = {laid}
eggs = {eggs}
box = "{box}"
"""
ROOM = (
    HEAD
    + BOX.format(name="box-1", kind="box", advice="")
    + BOX.format(name="box-2", kind="box", advice="")
    + BOX.format(name="rearing", kind="enclosure", advice="Mist in the evening.")
    + CLUTCH.format(id="P-07", laid=LAID, eggs=4, box="box-1")
)


def recorded(folder: Path, days: int, *sensors: str) -> None:
    """Write days of hourly readings at 28 °C up to the start of the watch."""
    (folder / "state").mkdir(parents=True, exist_ok=True)
    start = WALL - days * DAY
    with Logbook.open(folder / "state") as logbook:
        logbook.note_boot("boot-0", start, 0, trusted=True)
        entries = tuple(
            Entry(sensor, Quantity.TEMPERATURE, 28.0, at, at)
            for at in range(start, WALL, HOUR)
            for sensor in sensors
        )
        logbook.commit([Batch(WALL, entries)])


@pytest.fixture
def room(tmp_path: Path) -> Iterator[Handled]:
    """Give a running watch over a box with a clutch of forty days."""
    recorded(tmp_path, 2, "box-1", "box-2")
    handled = Handled(tmp_path, ROOM)
    handled.start()
    handled.pass_time(2_000)
    yield handled
    if handled.watch is not None:
        handled.end()


def log(room: Handled, **entry: object) -> str:
    """Order an entry of P-07's egg log."""
    return room.order(verb="egg", clutch="P-07", entry=json.dumps(entry))


def plan_of(room: Handled) -> Plan:
    """Give the plan in force."""
    assert room.watch is not None
    return room.watch._standing.plan


def sensor(plan: Plan, name: str) -> int:
    """Give how long a sensor may be silent (ms)."""
    return next(one.silence for one in plan.sensors if one.name == name)


class TestOrders:
    def test_what_can_be_is_noted(self, room: Handled) -> None:
        """An entry is answered with what is left, and is in the journal."""
        assert log(room, deed="slumped", count=1) == "noted: 3 eggs of P-07 left in box-1"
        assert len(room.journal(Kind.EGG_LOG)) == 1

    def test_what_cannot_be_is_refused_and_not_written(self, room: Handled) -> None:
        """Five of four eggs, an unknown clutch, no entry at all: refused with the reason, nothing written."""
        assert "only 4 were left" in log(room, deed="hatched", count=5)
        assert log(room, deed="painted").startswith("refused")
        assert room.order(verb="egg", clutch="X-1", entry='{"deed":"candled"}').startswith("refused")
        assert room.order(verb="egg", clutch="P-07", entry="hatched").startswith("refused")
        assert room.journal(Kind.EGG_LOG) == []

    def test_two_orders_of_one_moment_know_of_each_other(self, room: Handled) -> None:
        """What was taken a moment ago counts, committed or not."""
        assert log(room, deed="hatched", count=3).startswith("noted")
        assert "only 1 was left" in log(room, deed="hatched", count=2)

    def test_an_entry_is_undone_whenever(self, room: Handled) -> None:
        """An hour later an entry can still be taken back, once."""
        log(room, deed="slumped", count=2)
        number = room.journal(Kind.EGG_LOG)[0].body["order"]
        room.pass_time(HOUR, step=5 * MINUTE)
        assert room.order(verb="undo", order=number) == "noted: 4 eggs of P-07 left in box-1"
        assert "taken back already" in room.order(verb="undo", order=number)
        assert len(room.journal(Kind.EGG_LOG)) == 2

    def test_a_move_offers_the_stage(self, room: Handled) -> None:
        """Moved hatchlings offer the place's change of stage; nothing changes by itself."""
        log(room, deed="hatched", count=2)
        answer = log(room, deed="moved", of="hatchling", count=2, box="rearing")
        assert 'order "stage rearing hatchling"' in answer
        assert all(one.stage is None for one in plan_of(room).places if one.name == "rearing")


class TestHatching:
    def test_a_pip_tightens_the_silence_of_its_box(self, room: Handled) -> None:
        """From the first pip the box's sensor is silent after 5 min, not 10; others are as before."""
        assert sensor(plan_of(room), "box-1") == 10 * MINUTE
        assert "stage box-1 hatching" in log(room, deed="pipped", count=1)
        assert sensor(plan_of(room), "box-1") == 5 * MINUTE
        assert sensor(plan_of(room), "box-2") == 10 * MINUTE

    def test_it_ends_with_the_last_egg(self, room: Handled) -> None:
        """When no egg is left silence is as it was."""
        log(room, deed="pipped", count=1)
        log(room, deed="hatched")
        room.pass_time(2 * MINUTE, step=MINUTE)
        assert sensor(plan_of(room), "box-1") == 10 * MINUTE

    def test_hatchlings_settle_for_a_day(self, room: Handled) -> None:
        """New hatchlings: half the holds and the reminder for 24 h, then all is as before."""
        log(room, deed="hatched", count=2)
        log(room, deed="moved", of="hatchling", count=2, box="rearing")
        place = next(one for one in plan_of(room).places if one.name == "rearing")
        assert (place.hold_ideal, place.hold_safe) == (10 * MINUTE, MINUTE)
        assert place.advice.startswith("Mist in the evening.")
        assert DISTURB_NOT in place.advice
        assert room.watch is not None
        room.clock.advance(25 * HOUR)
        room.watch.turn()
        place = next(one for one in plan_of(room).places if one.name == "rearing")
        assert (place.hold_ideal, place.hold_safe) == (20 * MINUTE, 2 * MINUTE)
        assert place.advice == "Mist in the evening."

    def test_the_plan_is_in_the_journal(self, room: Handled) -> None:
        """The plan made again of the journal is the plan that was in force: replay is exact."""
        log(room, deed="pipped", count=1)
        log(room, deed="hatched", count=1)
        log(room, deed="moved", of="hatchling", count=1, box="rearing")
        room.commit()
        entered = room.journal(Kind.PLAN)[-1]
        again = basis_of(entered.body).plan(load(room.config).model, entered.now)
        assert again == plan_of(room)

    def test_a_restart_knows_of_it(self, room: Handled) -> None:
        """After a restart the box is watched as closely as before."""
        log(room, deed="pipped", count=1)
        room.end()
        room.start()
        room.pass_time(2_000)
        assert sensor(plan_of(room), "box-1") == 5 * MINUTE


class TestOverdue:
    @pytest.fixture
    def late(self, tmp_path: Path) -> Iterator[Handled]:
        """Give a watch over a clutch of a hundred and twenty days."""
        recorded(tmp_path, 120, "box-2")
        handled = Handled(tmp_path, ROOM + CLUTCH.format(id="P-01", laid=LONG_AGO, eggs=2, box="box-2"))
        handled.start()
        handled.pass_time(2 * MINUTE, step=5_000)
        yield handled
        handled.end()

    def test_low_and_sober(self, late: Handled) -> None:
        """Eggs left after the window are one alarm of low priority; the words name clutch, box and a vet."""
        (row,) = late.alarms("clutch overdue", open_only=True)
        assert row.priority is Priority.LOW
        assert "2 eggs of P-01 in box-2" in row.words
        assert "late hatching is common" in row.words
        assert "veterinarian" in row.advice

    def test_the_last_egg_out_clears_it(self, late: Handled) -> None:
        """Once no egg is left it is right again."""
        late.order(verb="egg", clutch="P-01", entry='{"deed":"removed"}')
        late.pass_time(MINUTE, step=5_000)
        assert late.alarms("clutch overdue", open_only=True) == []

    def test_a_restart_does_not_raise_it_twice(self, late: Handled) -> None:
        """It is one alarm over a restart."""
        late.end()
        late.start()
        late.pass_time(2 * MINUTE, step=5_000)
        assert len(late.alarms("clutch overdue")) == 1
        assert len(late.alarms("clutch overdue", open_only=True)) == 1


def test_a_reload_brings_a_clutch(room: Handled) -> None:
    """A clutch that is added to the config is known after the reload."""
    assert room.watch is not None
    room.config.write_text(ROOM + CLUTCH.format(id="N-09", laid=LAID, eggs=2, box="box-2"))
    room.watch.reload()
    room.pass_time(3_000)
    answer = room.order(verb="egg", clutch="N-09", entry='{"deed":"candled"}')
    assert answer == "noted: 2 eggs of N-09 left in box-2"
    assert "watch/clutch/N-09" in {one.name for one in plan_of(room).sensors}


def test_opening_does_not_need_a_clutch(tmp_path: Path) -> None:
    """A room without clutches has no organ of one."""
    handled = Handled(tmp_path, HEAD + BOX.format(name="box-1", kind="box", advice=""))
    found = open_watch(load(handled.config), handled.state, handled.clock)
    assert not any("clutch" in one.name for one in found.standing.plan.sensors)
    with Archive.open(handled.state) as archive:
        assert archive.egg_log() == []
