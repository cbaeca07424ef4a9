"""Rehearsal: recorded nights judged by proposed settings."""

import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon import cli
from daemon.demo import lay_out, play
from daemon.folders import data_folder
from daemon.logbook import Archive, Logbook, NoLogbook
from daemon.night import Window
from daemon.record import Batch, Entry
from daemon.rehearsal import rehearse, window_of
from daemon.rehearsal_difference import difference, fullest
from daemon.rehearsal_judge import judge
from daemon.rehearsal_marks import marks
from daemon.rehearsal_page import around
from daemon.rehearsal_plans import with_learnt
from daemon.rehearsal_trouble import Yardstick, unseen
from daemon.rehearsal_values import Judged, Life, Load, Rehearsal, Task, Trouble, What
from daemon.settings import Loaded, load
from rules.engine import Engine
from rules.events import AlarmKey
from rules.plan import Priority
from rules.reading import DAY, HOUR, MINUTE, SECOND, Quality, Quantity, Reading
from tests.kit.played import Pen, Played, journaled, room_text, written
from tests.kit.rooms import one_box

ROOT = Path(__file__).parents[2]
KEY = AlarmKey("pen-1", "air", "temperature", "too warm")


def quiet(_: int) -> None:
    """Say nothing of progress."""


def alone(loaded: Loaded, folder: Path, **more: object) -> Judged:
    """Judge a whole record by some settings, here."""
    with Archive.open(folder) as archive:
        window = window_of(archive, None)
    assert window is not None
    return judge(Task(loaded, folder, window, **more), quiet)  # type: ignore[arg-type]


def told_of(judged: Judged) -> list[tuple[str, int, tuple[str, ...]]]:
    """Give what came and went, as :func:`journaled` does."""
    found = [("raised", life.raised, tuple(life.key)) for life in judged.alarms]
    found += [("cleared", life.cleared, tuple(life.key)) for life in judged.alarms if life.cleared]
    return found


def compare(current: Loaded, proposed: Loaded, folder: Path, **more: bool) -> Rehearsal:
    """Rehearse over the whole record."""
    with Archive.open(folder) as archive:
        window = window_of(archive, None)
    assert window is not None
    return rehearse((current, proposed), folder, window, quiet, **more)


# -- the demo night --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Play the demo's night; without its contact and in memory, so that nobody waits."""
    memory = Path("/dev/shm")
    folder = Path(tempfile.mkdtemp(dir=memory)) if memory.is_dir() else tmp_path_factory.mktemp("demo")
    path = lay_out(folder)
    text = path.read_text("utf-8")
    path.write_text(re.sub(r"\[\[contact\]\]\n(?:\w+ = .*\n)+", "", text), "utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("daemon.demo.STEP", 30 * SECOND)
        play(path, seed=7, say=lambda _: None, progress=quiet)
    yield path
    shutil.rmtree(folder)


def calmer(demo: Path) -> str:
    """Give the demo's settings with a long hold for one box."""
    return demo.read_text("utf-8").replace('egg_mass = "9 g"', 'egg_mass = "9 g"\nhold = { ideal = "12 h" }')


class TestDemoNight:
    def test_live_alarms_equal_the_rehearsals(self, demo: Path) -> None:
        """Every alarm of the demo night comes and goes at the instant at which it did live."""
        loaded = load(demo, {})
        live = journaled(data_folder(loaded))
        assert len(live) > 6
        assert sorted(told_of(alone(loaded, data_folder(loaded)))) == sorted(live)

    def test_the_same_settings_change_nothing(self, demo: Path) -> None:
        """The demo's settings against themselves: no difference, and the same load."""
        loaded = load(demo, {})
        found = compare(loaded, loaded, data_folder(loaded))
        assert found.changes == ()
        assert found.load[0] == found.load[1]
        assert found.load[0].alerts > 0

    def test_the_command_answers_with_the_promised_keys(
        self, demo: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """--json has vanished, appeared, earlier, later, load and what was judged."""
        proposed = demo.with_name("proposed.toml")
        text = calmer(demo)
        proposed.write_text(text, "utf-8")
        assert cli.main(["rehearse", str(demo), str(proposed), "--since", "14d", "--json"]) == cli.OK
        found = json.loads(capsys.readouterr().out)
        assert {"vanished", "appeared", "earlier", "later", "load", "judged"} <= set(found)
        assert set(found["judged"]) == {"from", "to", "readings", "alarms"}
        assert found["judged"]["readings"] > 20_000
        assert {one["rule"] for one in found["vanished"]} >= {"too cool"}
        assert found["load"]["proposed"]["alarms"] < found["load"]["current"]["alarms"]

    def test_the_command_says_one_line_for_each_changed_alarm(
        self, demo: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """In words there is a line for each changed alarm and the load of both settings."""
        loose = demo.with_name("loose.toml")
        text = calmer(demo)
        loose.write_text(text, "utf-8")
        assert cli.main(["rehearse", str(demo), str(loose)]) == cli.OK
        said = capsys.readouterr().out
        found = compare(load(demo, {}), load(loose, {}), data_folder(load(demo, {})))
        assert len(re.findall(r"^(?:vanishes|appears|earlier|later|same time) ", said, re.MULTILINE)) == len(
            found.changes
        )
        assert "alerts at night" in said

    def test_every_mark_of_both_sets_belongs_to_a_curve(self, demo: Path) -> None:
        """The page gets both sets of marks by place, spot and quantity."""
        loaded = load(demo, {})
        found = compare(loaded, loaded, data_folder(loaded))
        by_curve = marks(found)
        assert ("attic", "air", Quantity.CONTACT) in by_curve or (
            "attic",
            "air",
            Quantity.TEMPERATURE,
        ) in by_curve
        assert all(both.current == both.proposed for both in by_curve.values())
        raised = sum(flag.mark.value == "raised" for both in by_curve.values() for flag in both.current)
        assert raised == len(found.current.alarms)

    def test_an_interrupt_leaves_nothing_behind(self, demo: Path) -> None:
        """SIGINT in the middle: exit 130, no new file, no child, the logbook as it was."""
        folder = demo.parent
        before = {path: path.stat().st_size for path in folder.rglob("*") if not path.name.endswith("-shm")}
        command = [sys.executable, "-m", "daemon.cli", "rehearse", str(demo), str(demo)]
        child = subprocess.Popen(
            command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True
        )
        ends = time.monotonic() + 20
        while not _children(child.pid) and time.monotonic() < ends and child.poll() is None:
            time.sleep(0.005)
        grandchildren = _children(child.pid)
        os.killpg(child.pid, signal.SIGINT)
        _, said = child.communicate(timeout=20)
        assert child.returncode == cli.STOPPED, said
        assert grandchildren
        assert b"Traceback" not in said
        gone = time.monotonic() + 5
        while any(Path(f"/proc/{one}").exists() for one in grandchildren) and time.monotonic() < gone:
            time.sleep(0.01)
        assert not any(Path(f"/proc/{one}").exists() for one in grandchildren)
        after = {path: path.stat().st_size for path in folder.rglob("*") if not path.name.endswith("-shm")}
        assert after == before


def _children(process: int) -> list[int]:
    try:
        text = Path(f"/proc/{process}/task/{process}/children").read_text()
    except OSError:
        return []
    return [int(one) for one in text.split()]


# -- made-up rooms -----------------------------------------------------------------------------


def evening(folder: Path, seed: int) -> Loaded:
    """Play an evening of two places by chance: restarts, orders, late readings, a silence."""
    dice = random.Random(seed)
    loaded = written(folder, room_text(Pen("pen-1"), Pen("pen-2", hold="5 min")))
    watch = Played(loaded, folder / "state")
    watch.open()
    warm = {"pen-1": 30.0, "pen-2": 30.0}
    for _ in range(dice.randrange(4, 9)):
        what = dice.choice(["calm", "warm", "cold", "silent", "away", "late", "order", "service"])
        target = dice.choice(["pen-1", "pen-2"])
        goal = {"warm": 34.5, "cold": 27.2}.get(what, 29.5)
        curve = []
        for _ in range(dice.randrange(8, 25)):
            warm[target] += (goal - warm[target]) * 0.25 + dice.gauss(0, 0.05)
            heard = {name: round(value, 2) for name, value in warm.items()}
            if what == "silent":
                heard.pop(target)
            curve.append(heard)
        watch.minutes(curve)
        if what == "away":
            watch.close(dice.randrange(1, 90) * MINUTE)
            watch.open()
        elif what == "late":
            watch.round({target: 40.0}, late_by=20 * MINUTE, link=2)
        elif what == "service":
            watch.round({}, order={"verb": "service", "place": target, "in": bool(dice.randrange(2))})
        elif what == "order" and (rows := [row for row in watch.rows() if row.cleared is None]):
            row = dice.choice(rows)
            verb = dice.choice(["acknowledge", "shelve"])
            watch.round({}, order={"verb": verb, "alarm": row.number, "for_ms": 30 * MINUTE})
    return loaded


class TestMadeUpRooms:
    @settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(seed=st.integers(0, 10_000))
    def test_a_rehearsal_is_what_was_live(self, tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
        """Whatever happened (restarts, orders, late readings, silence), it finds the same alarms."""
        folder = tmp_path_factory.mktemp("evening")
        loaded = evening(folder, seed)
        found = alone(loaded, folder / "state")
        assert sorted(told_of(found)) == sorted(journaled(folder / "state"))
        again = alone(loaded, folder / "state")
        assert difference(found, again, Window(0, 1 << 60)) == ()
        assert found.messages == again.messages

    def test_a_longer_hold_lets_short_trips_vanish(self, tmp_path: Path) -> None:
        """Twelve minutes too warm: an alarm by a hold of 10 min, none by one of 30 min."""
        loaded = trips(tmp_path)
        found = compare(
            loaded, written(tmp_path, room_text(Pen(hold="30 min")), "new.toml"), tmp_path / "state"
        )
        assert [(change.what, change.life.key) for change in found.changes] == [(What.VANISHED, KEY)] * 3
        assert found.changes[0].number == 1
        assert found.load[1].alarms == 0
        assert found.load[1].alerts == 0

    @pytest.mark.parametrize(
        ("pen", "what", "later_by"),
        [
            pytest.param(Pen(hold="12 min"), What.LATER, 2 * MINUTE, id="later"),
            pytest.param(Pen(hold="7 min"), What.EARLIER, -3 * MINUTE, id="earlier"),
        ],
    )
    def test_another_hold_moves_alarms(self, tmp_path: Path, pen: Pen, what: What, later_by: int) -> None:
        """A hold that differs by minutes moves each alarm by as many."""
        loaded = trips(tmp_path)
        found = compare(loaded, written(tmp_path, room_text(pen), "new.toml"), tmp_path / "state")
        assert [(change.what, change.later_by) for change in found.changes] == [(what, later_by)] * 3

    def test_a_narrower_span_brings_alarms(self, tmp_path: Path) -> None:
        """An ideal span that ends below the usual value brings an alarm that was not there."""
        loaded = trips(tmp_path)
        narrow = written(tmp_path, room_text(Pen(ideal='"28 C", "29.5 C"')), "new.toml")
        found = compare(loaded, narrow, tmp_path / "state")
        assert found.by(What.APPEARED) or found.by(What.EARLIER)
        assert found.load[1].unseen <= found.load[0].unseen

    def test_safe_left_without_an_alarm_is_counted(self, tmp_path: Path) -> None:
        """A proposal that takes the safe span away leaves the trouble unseen, by today's measure."""
        loaded = written(tmp_path, room_text(Pen()))
        watch = Played(loaded, tmp_path / "state")
        watch.open()
        watch.minutes([{"pen-1": 29.5}] * 20 + [{"pen-1": 34.0}] * 30 + [{"pen-1": 29.5}] * 10)
        blind = room_text(Pen()).replace(', safe = ["26 C", "33 C"]', ', safe = ["10 C", "45 C"]')
        blind = blind.replace('hold = { ideal = "10 min"', 'hold = { ideal = "2 h"')
        found = compare(loaded, written(tmp_path, blind, "new.toml"), tmp_path / "state")
        assert found.load[0].unseen == 2 * MINUTE
        assert found.load[1].unseen == 30 * MINUTE

    def test_orders_are_given_again_or_left_out(self, tmp_path: Path) -> None:
        """An acknowledged alarm repeats itself only where the order is left out."""
        loaded = written(tmp_path, room_text(Pen()))
        watch = Played(loaded, tmp_path / "state")
        watch.open()
        watch.minutes([{"pen-1": 35.0}] * 6)
        watch.round({}, order={"verb": "acknowledge", "alarm": 1})
        watch.minutes([{"pen-1": 35.0}] * 120)
        slower = written(tmp_path, room_text(Pen()).replace('safe = "2 min"', 'safe = "4 min"'), "new.toml")
        found = compare(loaded, slower, tmp_path / "state")
        assert [change.what for change in found.changes] == [What.LATER]
        assert found.load[1].alerts == found.load[0].alerts == 1
        without = compare(loaded, slower, tmp_path / "state", orders=False)
        assert without.load[0].alerts > 3
        assert not without.orders

    def test_an_order_for_an_alarm_that_had_ended_means_no_other(self, tmp_path: Path) -> None:
        """Acknowledging alarm 1 after its end does not acknowledge alarm 2 of the same identity."""
        loaded = written(tmp_path, room_text(Pen()))
        watch = Played(loaded, tmp_path / "state")
        watch.open()
        watch.minutes([{"pen-1": 35.0}] * 6 + [{"pen-1": 29.5}] * 6 + [{"pen-1": 35.0}] * 4)
        watch.round({}, order={"verb": "acknowledge", "alarm": 1})
        watch.minutes([{"pen-1": 35.0}] * 90)
        found = alone(loaded, tmp_path / "state")
        repeats = [message for message in found.messages if message.priority is Priority.HIGH]
        assert len(repeats) > 3

    def test_a_setting_of_long_ago_does_not_matter(self, tmp_path: Path) -> None:
        """Both settings are judged over the whole window, whatever was in force then."""
        first = written(tmp_path, room_text(Pen(hold="30 min")))
        watch = Played(first, tmp_path / "state")
        watch.open()
        watch.minutes(trip() * 2)
        now = written(tmp_path, room_text(Pen(hold="10 min")))
        watch.reload(now)
        watch.minutes(trip())
        assert len(watch.rows()) == 1
        assert len(alone(now, tmp_path / "state").alarms) == 3

    def test_a_new_sensor_without_a_record_is_not_called_silent(self, tmp_path: Path) -> None:
        """A place that only the proposal has brings no alarm: nothing is known of it."""
        loaded = trips(tmp_path)
        more = written(tmp_path, room_text(Pen(), Pen("pen-9")), "new.toml")
        assert compare(loaded, more, tmp_path / "state").changes == ()

    def test_late_in_a_long_record_the_warm_up_hides_the_beginning(self, tmp_path: Path) -> None:
        """--since 1 day on a record of six: an engine that begins two days earlier finds what was live."""
        loaded = written(tmp_path, room_text(Pen(every="10 min")))
        watch = Played(loaded, tmp_path / "state")
        watch.open()
        curve = [{"pen-1": 29.5}] * 40 + [{"pen-1": 31.6}] * 8
        watch.minutes(curve * 18, every=10 * MINUTE)
        with Archive.open(tmp_path / "state") as archive:
            window = window_of(archive, DAY)
        assert window is not None
        assert window.end - window.start == DAY
        found = judge(Task(loaded, tmp_path / "state", window), quiet)
        live = [
            (row.key, row.raised) for row in watch.rows() if row.cleared is None or row.cleared > window.start
        ]
        assert [(life.key, life.raised) for life in found.alarms] == live
        assert live

    def test_nothing_is_written(self, tmp_path: Path) -> None:
        """A rehearsal opens the logbook for reading only."""
        loaded = trips(tmp_path)
        before = _contents(tmp_path / "state")
        compare(loaded, loaded, tmp_path / "state")
        assert _contents(tmp_path / "state") == before

    def test_no_logbook_is_said(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """Without a record the command says so and ends with its code."""
        loaded = written(tmp_path, room_text(Pen()))
        with pytest.raises(NoLogbook):
            compare_folder(loaded, tmp_path / "nowhere")
        assert cli.main(["rehearse", str(loaded.path), str(loaded.path)]) == cli.UNAVAILABLE
        assert capsys.readouterr().err

    @pytest.mark.parametrize("since", ["yesterday", "0 s", "-3 d"])
    def test_a_span_that_is_none_is_refused(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str], since: str
    ) -> None:
        """--since that cannot be read is a usage error with the reason."""
        loaded = trips(tmp_path)
        code = cli.main(["rehearse", str(loaded.path), str(loaded.path), f"--since={since}"])
        assert code == cli.USAGE
        assert "--since" in capsys.readouterr().err


def compare_folder(loaded: Loaded, folder: Path) -> Judged:
    """Judge a folder that may hold no logbook."""
    return judge(Task(loaded, folder, Window(0, 1)), quiet)


def trip() -> list[dict[str, float]]:
    """Give forty calm minutes, thirteen too warm ones, and ten calm ones."""
    return [{"pen-1": 29.8}] * 40 + [{"pen-1": 31.8}] * 14 + [{"pen-1": 29.8}] * 10


def trips(folder: Path) -> Loaded:
    """Play three trips above ideal."""
    loaded = written(folder, room_text(Pen()))
    watch = Played(loaded, folder / "state")
    watch.open()
    watch.minutes(trip() * 3)
    return loaded


def _contents(folder: Path) -> dict[str, bytes]:
    """Give what is stored; an empty log that SQLite lays beside the file while reading is nothing."""
    found = {path.name: path.read_bytes() for path in folder.iterdir() if not path.name.endswith("-shm")}
    return {name: held for name, held in found.items() if held}


# -- imported nights ----------------------------------------------------------------------------


class TestImportedNights:
    def test_nights_out_of_a_file_need_neither_broker_nor_contact(self, tmp_path: Path) -> None:
        """Imported readings of a sensor that only comes from files are rehearsed like live ones."""
        loaded = written(tmp_path, room_text(Pen(by="import"), broker=False, contact=False))
        start = 1_700_000_000_000
        with Logbook.open(tmp_path / "state") as book:
            entries = [
                Entry("pen-1", Quantity.TEMPERATURE, values["pen-1"], at, at, Quality.IMPORTED)
                for at, values in zip(range(start, start + 10**9, MINUTE), trip() * 3, strict=False)
            ]
            book.import_pages(entries)
        assert len(alone(loaded, tmp_path / "state").alarms) == 3
        slower = written(
            tmp_path, room_text(Pen(by="import", hold="30 min"), broker=False, contact=False), "new.toml"
        )
        found = compare(loaded, slower, tmp_path / "state")
        assert len(found.by(What.VANISHED)) == 3
        assert all(change.life.imported for change in found.changes)
        assert found.load[0].alerts > 0
        assert found.load[1].alerts == 0

    def test_a_file_that_ends_is_no_silence(self, tmp_path: Path) -> None:
        """Nothing is silent on imported nights, whatever gaps the file has."""
        loaded = written(tmp_path, room_text(Pen(by="import"), broker=False, contact=False))
        start = 1_700_000_000_000
        with Logbook.open(tmp_path / "state") as book:
            book.import_pages(
                [
                    Entry("pen-1", Quantity.TEMPERATURE, 29.5, at, at, Quality.IMPORTED)
                    for at in (start, start + MINUTE, start + 5 * HOUR)
                ]
            )
        assert alone(loaded, tmp_path / "state").alarms == ()


# -- parts -----------------------------------------------------------------------------------------


def life(raised: int, cleared: int | None, priority: Priority = Priority.MEDIUM, key: AlarmKey = KEY) -> Life:
    """Give an alarm in minutes."""
    return Life(
        key, raised * MINUTE, raised * MINUTE, None if cleared is None else cleared * MINUTE, priority
    )


class TestDifference:
    @pytest.mark.parametrize(
        ("current", "proposed", "expected"),
        [
            pytest.param([life(5, 9)], [life(5, 12)], [], id="the same start is the same alarm"),
            pytest.param([life(5, 9)], [], [What.VANISHED], id="vanished"),
            pytest.param([], [life(5, None)], [What.APPEARED], id="appeared"),
            pytest.param([life(5, 9)], [life(7, 9)], [What.LATER], id="later"),
            pytest.param([life(5, 9)], [life(4, 9)], [What.EARLIER], id="earlier"),
            pytest.param([life(5, 9)], [life(9, 12)], [What.VANISHED, What.APPEARED], id="no overlap"),
            pytest.param([life(5, 30)], [life(5, 9), life(12, 20)], [What.APPEARED], id="in two parts"),
            pytest.param([life(5, 9)], [life(5, 9, Priority.HIGH)], [What.OTHERWISE], id="other priority"),
            pytest.param(
                [life(5, 9)],
                [life(5, 9, key=KEY._replace(place="pen-2"))],
                [What.VANISHED, What.APPEARED],
                id="another place",
            ),
            pytest.param([life(-9, 30)], [life(-5, 30)], [], id="both began before the window"),
            pytest.param([life(-9, 30)], [life(3, 30)], [What.LATER], id="one began before the window"),
        ],
    )
    def test_alarms_are_paired_by_identity_and_overlap(
        self, current: list[Life], proposed: list[Life], expected: list[What]
    ) -> None:
        """What becomes of each alarm follows from its identity and its life."""
        found = difference(Judged(tuple(current)), Judged(tuple(proposed)), Window(0, HOUR))
        assert [change.what for change in found] == expected

    @pytest.mark.parametrize(
        ("minutes", "expected"),
        [([], 0), ([1], 1), ([1, 5, 10.9], 3), ([1, 11], 1), ([0, 9, 12, 15, 18, 30], 4)],
    )
    def test_the_fullest_ten_minutes(self, minutes: list[float], expected: int) -> None:
        """The window of ten minutes slides; its end is not included."""
        assert fullest([int(minute * MINUTE) for minute in minutes]) == expected


class TestTrouble:
    @pytest.mark.parametrize(
        ("alarms", "expected"),
        [
            pytest.param([], 60, id="nobody saw it"),
            pytest.param([life(0, None)], 0, id="seen all along"),
            pytest.param([life(20, 30)], 50, id="seen in between"),
            pytest.param([life(-5, 10), life(5, 15), life(50, None)], 35, id="seen by several"),
            pytest.param([life(0, None, key=KEY._replace(place="pen-2"))], 60, id="another place"),
            pytest.param(
                [life(0, None, key=KEY._replace(subject="humidity"))], 60, id="about something else"
            ),
            pytest.param([life(0, None, key=KEY._replace(subject="a"))], 0, id="the sensor itself"),
            pytest.param([life(0, None, key=KEY._replace(subject="a and b"))], 0, id="one of two sensors"),
        ],
    )
    def test_what_an_alarm_is_about_is_seen(self, alarms: list[Life], expected: int) -> None:
        """Trouble is unseen where no open alarm tells of its quantity or its sensor."""
        one = Trouble("pen-1", "air", Quantity.TEMPERATURE, "a", 0, 60 * MINUTE)
        assert unseen([one], alarms) == expected * MINUTE

    def test_only_covered_time_of_good_readings_counts(self) -> None:
        """A reading outside safe stands for two intervals at most; a suspect one for nothing."""
        plan = one_box()
        stick = Yardstick(plan.now + HOUR)
        stick.plan(plan)

        def read(minute: int, value: float, quality: Quality = Quality.GOOD) -> None:
            at = plan.now + minute * MINUTE
            stick.see(Reading("a", Quantity.TEMPERATURE, value, at, at, quality))

        read(0, 30.0)
        read(1, 34.0)
        read(2, 34.0)
        read(3, 30.0)
        read(4, 35.0, Quality.SPIKE)
        read(5, 34.0)
        read(30, 30.0)
        found = [(one.start - plan.now, one.end - plan.now) for one in stick.trouble(Window(0, 1 << 60))]
        assert found == [(MINUTE, 3 * MINUTE), (5 * MINUTE, 7 * MINUTE)]


class TestLearnt:
    def test_only_time_constants_come_from_the_snapshot(self) -> None:
        """What a newer snapshot knows of time constants begins the engine; nothing else does."""
        plan = one_box()
        fresh = Engine(plan).state()
        newer = json.loads(json.dumps(fresh))
        newer["now"] += 9 * DAY
        eyes = newer["findings"]["eyes"]["a"]["rules"]
        eyes["constant"]["taus"] = [3_600_000.0]
        eyes["constant"]["due"] = 5
        state = with_learnt(fresh, newer)
        made = Engine.restored(plan, state)
        mine = made.state()["findings"]["eyes"]["a"]["rules"]  # type: ignore[index]
        assert mine["constant"]["taus"] == [3_600_000.0]
        assert mine["constant"]["due"] == 0
        assert made.state()["now"] == plan.now

    def test_a_snapshot_of_another_form_is_passed_over(self) -> None:
        """A snapshot without findings leaves the engine as it is."""
        state = Engine(one_box()).state()
        assert with_learnt(json.loads(json.dumps(state)), {}) == json.loads(json.dumps(state))


def test_the_window_counts_from_the_end_of_the_record(tmp_path: Path) -> None:
    """--since counts back from the last reading, and never before the first."""
    with Logbook.open(tmp_path) as book:
        at = 1_795_000_000_000
        for now in (at, at + 5 * HOUR):
            book.commit([Batch(now, (Entry("a", Quantity.TEMPERATURE, 20.0, now, now),))])
    with Archive.open(tmp_path) as archive:
        assert window_of(archive, HOUR) == Window(at + 4 * HOUR + SECOND, at + 5 * HOUR + SECOND)
        assert window_of(archive, DAY) == Window(at, at + 5 * HOUR + SECOND)


class TestPage:
    def _page(self, demo: Path, folder: Path, proposed: str) -> str:
        (folder / "proposed.toml").write_text(proposed, "utf-8")
        report = folder / "rehearsal.html"
        words = ["rehearse", str(demo), str(folder / "proposed.toml"), "--report", str(report)]
        assert cli.main(words) == cli.OK
        return report.read_text("utf-8")

    def test_the_curves_that_change_carry_both_marks(self, demo: Path, tmp_path: Path) -> None:
        """A longer hold moves the marks of one box; the page stands alone and asks for nothing."""
        page = self._page(demo, tmp_path, calmer(demo))

        assert "<b>box-3</b>" in page
        assert "<b>box-1</b>" not in page
        assert "proposed: heading out of range" in page
        assert "vanishes" in page
        assert not any(asked in page for asked in ("<script", "src=", 'href="'))

    def test_no_change_says_so(self, demo: Path, tmp_path: Path) -> None:
        """The same settings twice give a page without a curve."""
        page = self._page(demo, tmp_path, demo.read_text("utf-8"))

        assert "Not one alarm would have been another." in page
        assert "<b>box-3</b>" not in page

    def test_a_long_window_shows_the_day_around_each_change(self) -> None:
        """Changes on days far apart are each shown, and those of one day once."""
        none = Load(0, 0.0, 0, 0.0, 0, 0, 0)
        found = Rehearsal(Window(0, 14 * DAY), Judged(), Judged(), (none, none))
        windows = list(around(found, [DAY, DAY + HOUR, 10 * DAY]))

        assert [window.start for window in windows] == [DAY - 3 * HOUR, 10 * DAY - 3 * HOUR]
        assert all(window.end - window.start == DAY for window in windows)
