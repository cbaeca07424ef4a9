"""What the watch does by the clock: copies, reports, the weekly test, heartbeat, card, settings on save."""

import base64
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from daemon import chores, reports
from daemon.chores import SILENT_MARK, Card
from daemon.clock import ManualClock
from daemon.delivery import Reach
from daemon.logbook import Logbook
from daemon.logbook.backup import listed, make, verify
from daemon.logbook.recovery import recover_on_start
from daemon.notify import ServiceManager
from daemon.opening import open_watch
from daemon.pictures import Pictures
from daemon.record import Alert, Json, Kind
from daemon.saved import Saved
from daemon.settings import Loaded, load
from daemon.timetable import Moment, daily_due, weekly_due
from daemon.units import Weekly
from daemon.watch import Outside, Watch
from rules.plan import ContactKind, Priority
from rules.reading import HOUR, MINUTE, SECOND
from sensors.reader import Reader, says
from tests.kit.broker import until
from tests.kit.hand import CONTACT, HEAD, Handled, HandReader, room
from tests.kit.night import write_night
from tests.kit.receivers import HttpReceiver, Mode, http_receiver

GOOD, WARM = 29.5, 35.0
LASTING = ("no readings can come in (cut off)", "nothing is read")
LISBON = ZoneInfo("Europe/Lisbon")


def instant(text: str, zone: ZoneInfo = LISBON) -> int:
    """Give the Unix ms of a local time."""
    return int(datetime.fromisoformat(text).replace(tzinfo=zone).timestamp() * 1000)


@dataclass(slots=True)
class Kept(Handled):
    """A room by hand whose alerts carry pictures and whose heartbeat has an address."""

    beat: str = ""

    def start(self) -> None:
        """Open the logbook and begin."""

        def readers(_: Loaded) -> list[Reader]:
            self.reader = HandReader()
            return [self.reader]

        def heartbeat(settings: Loaded) -> Reach | None:
            return (lambda: self.beat) if settings.model.watch.heartbeat else None

        outside = Outside(
            clock=self.clock,
            manager=ServiceManager({}),
            readers=readers,
            reach=lambda settings: {one.name: self.reach[one.name] for one in settings.model.contact},
            env={},
            heartbeat=heartbeat,
            pictures=True,
        )
        self.watch = Watch(open_watch(load(self.config, {}), self.state, self.clock), self.state, outside)
        self.watch.begin()

    def leap(self, ms: int) -> None:
        """Let time pass at once, then a few seconds."""
        self.pass_time(ms, step=ms)
        self.pass_time(5 * SECOND)


def kept(folder: Path, at: str, phone: HttpReceiver, more: str = "", contact: str = "") -> Kept:
    """Give a room that begins at a local time, with one contact."""
    text = room("box-1", "box-2", contact=True, more=more).replace(
        'priorities = ["high", "medium", "low"]\n', f'priorities = ["high", "medium", "low"]\n{contact}'
    )
    clock = ManualClock(instant(at), boottime=HOUR)
    hand = Kept(folder, text, clock, {"first": phone.reach})
    hand.start()
    return hand


@pytest.fixture
def phone() -> Iterator[HttpReceiver]:
    """A phone service that works."""
    with http_receiver() as receiver:
        yield receiver


class TestTimetable:
    @pytest.mark.parametrize(
        ("now", "last", "due"),
        [
            ("2026-11-25T03:29", "2026-11-24T03:30", False),
            ("2026-11-25T03:30", "2026-11-24T03:30", True),
            ("2026-11-25T12:00", "2026-11-25T03:30", False),
            ("2026-11-25T12:00", "2026-11-24T12:00", True),
            ("2026-10-25T03:30", "2026-10-24T03:30", True),
            ("2027-03-28T03:30", "2027-03-27T03:30", True),
        ],
        ids=["not yet", "at its hour", "done", "missed while off", "clock put back", "clock put forward"],
    )
    def test_once_a_day_at_the_local_hour(self, now: str, last: str, *, due: bool) -> None:
        """It is due from its local hour on, once, and later where the board was off."""
        offset = 5 * HOUR
        moment = Moment(instant(now) - offset, offset, LISBON)
        assert daily_due(210, moment, instant(last) - offset) is due

    def test_without_a_clock_a_day_after_the_last_time(self) -> None:
        """While nobody vouches for the clock a day of room time counts."""
        moment = Moment(100 * HOUR, None, LISBON)
        assert daily_due(210, moment, 76 * HOUR)
        assert not daily_due(210, moment, 77 * HOUR)

    def test_once_a_week_at_the_weekday(self) -> None:
        """Sunday ten is due on Sunday at ten, and once."""
        at = Weekly(6, 600)
        before, after = (Moment(instant(t), 0, LISBON) for t in ("2026-11-29T09:59", "2026-11-29T10:00"))
        last = instant("2026-11-22T10:00")
        assert not weekly_due(at, before, last)
        assert weekly_due(at, after, last)
        assert not weekly_due(at, after, after.now)


class TestBackup:
    def test_a_copy_is_made_at_night_and_journaled(self, tmp_path: Path, phone: HttpReceiver) -> None:
        """At half past three a copy lies in the folder, whole, and the journal names it."""
        hand = kept(tmp_path, "2026-11-25T02:00", phone)
        hand.feed({"box-1": GOOD, "box-2": GOOD}, 2 * MINUTE)
        hand.leap(HOUR)
        assert hand.journal(Kind.BACKUP) == []
        hand.leap(HOUR)
        hand.commit()
        (entry,) = hand.journal(Kind.BACKUP)
        hand.end()
        (copy,) = listed(hand.state / "backups")
        assert verify(copy.path) == []
        assert entry.body["holds"] is True
        assert copy.path.name in str(entry.body["copies"])

    def test_a_copy_that_fails_is_an_alarm_that_says_why(self, tmp_path: Path, phone: HttpReceiver) -> None:
        """The second place is not there: the first copy is made all the same, and a keeper is told."""
        (tmp_path / "stick").write_text("not a folder")
        hand = kept(tmp_path, "2026-11-25T03:00", phone, '\n[backup]\nsecond = "stick"\n')
        hand.leap(40 * MINUTE)
        hand.pass_time(10 * SECOND)
        hand.commit()
        (entry,) = hand.journal(Kind.BACKUP)
        (row,) = hand.alarms("card needs care", open_only=True)
        hand.end()
        assert entry.body["holds"] is False
        assert "nightly backup failed" in row.words
        assert len(listed(hand.state / "backups")) == 1


class TestMorning:
    def test_all_is_well_is_said_with_a_picture(self, tmp_path: Path, phone: HttpReceiver) -> None:
        """A calm night is a report too, once, with each place's figures and the picture."""
        hand = kept(tmp_path, "2026-11-25T06:30", phone, contact='report = "07:00"\n')
        hand.feed({"box-1": GOOD, "box-2": GOOD}, 40 * MINUTE)
        hand.pass_time(5 * SECOND)
        hand.end()
        (got,) = phone.got
        assert got.json["title"] == "Cellar, Wed 2026-11-25: all is well"
        assert "box-1: 29.5 to 29.5 °C" in got.json["message"]
        assert base64.b64decode(got.json["attachments"][0]["base64"]).startswith(b"\x89PNG")

    def test_it_names_what_needs_a_look_and_comes_once(self, tmp_path: Path, phone: HttpReceiver) -> None:
        """A place that is too warm leads the report; a restart does not send it again."""
        hand = kept(tmp_path, "2026-11-25T06:40", phone, contact='report = "07:00"\n')
        hand.feed({"box-1": WARM, "box-2": GOOD}, 25 * MINUTE)
        hand.end()
        hand.start()
        hand.feed({"box-1": WARM, "box-2": GOOD}, 2 * MINUTE)
        hand.end()
        (report,) = [got.json for got in phone.got if "place to look at" in got.json["title"]]
        assert report["message"].startswith("box-1: too warm since 06:4")

    def test_a_night_that_cannot_be_looked_back_at_is_still_reported(
        self, tmp_path: Path, phone: HttpReceiver, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Where the child has no time, the report tells what is open now, and that it could not look."""
        monkeypatch.setattr(reports, "LOOKING_BACK", 0)
        hand = kept(tmp_path, "2026-11-25T06:55", phone, contact='report = "07:00"\n')
        hand.feed({"box-1": GOOD, "box-2": GOOD}, 6 * MINUTE)
        hand.pass_time(5 * SECOND)
        hand.end()
        (got,) = phone.got
        assert "1 place to look at" in got.json["title"]
        assert "could not be looked back at" in got.json["message"]

    def test_nobody_off_duty_gets_one(self, tmp_path: Path, phone: HttpReceiver) -> None:
        """On days without duty no report comes."""
        duty = 'report = "07:00"\non_duty = ["2026-12-20/2027-01-03"]\n'
        hand = kept(tmp_path, "2026-11-25T06:55", phone, contact=duty)
        hand.feed({"box-1": GOOD, "box-2": GOOD}, 6 * MINUTE)
        hand.end()
        assert phone.got == []


class TestAway:
    @pytest.mark.parametrize(
        ("away", "killed", "told"),
        [(30 * MINUTE, False, 1), (2 * MINUTE, False, 0), (2 * MINUTE, True, 1)],
        ids=["half an hour", "a short stop", "died"],
    )
    def test_a_span_away_is_told_with_how_it_stands(
        self, tmp_path: Path, phone: HttpReceiver, *, away: int, killed: bool, told: int
    ) -> None:
        """After a long span or a death it is told how each place stands; a short stop is no news."""
        hand = kept(tmp_path, "2026-11-25T12:00", phone)
        hand.feed({"box-1": GOOD, "box-2": GOOD}, 3 * MINUTE)
        hand.commit()
        if killed:
            hand.drop()
        else:
            hand.end()
        hand.clock.advance(away)
        hand.start()
        hand.pass_time(5 * SECOND)
        assert phone.got == []
        hand.feed({"box-1": GOOD, "box-2": WARM}, MINUTE)
        hand.pass_time(5 * SECOND)
        hand.end()
        reports_ = [got.json for got in phone.got if "nobody watched" in got.json["title"]]
        assert len(reports_) == told
        if told:
            assert "box-1: 29.5 °C" in reports_[0]["message"]
            assert "box-2: 35.0 °C (outside safe), before 29.5 °C" in reports_[0]["message"]
            assert reports_[0]["message"].count("the worst was meanwhile is not known") == 1

    @pytest.mark.parametrize("copied", [True, False], ids=["a copy", "no copy"])
    def test_a_damaged_logbook_is_told(self, tmp_path: Path, phone: HttpReceiver, *, copied: bool) -> None:
        """What was done about it is told to a contact, also where it begins anew."""
        hand = kept(tmp_path, "2026-11-25T12:00", phone)
        hand.feed({"box-1": GOOD, "box-2": GOOD}, 3 * MINUTE)
        hand.commit()
        if copied:
            make(hand.state, hand.state / "backups", hand.clock.wall())
        hand.end()
        for name in ("logbook.db-wal", "logbook.db-shm"):
            (hand.state / name).unlink(missing_ok=True)
        (hand.state / "logbook.db").write_bytes(bytes(range(256)) * 64)
        hand.clock.advance(HOUR)
        assert recover_on_start(hand.state, (hand.state / "backups",), hand.clock.wall(), hand.clock.wall())
        hand.start()
        hand.feed({"box-1": GOOD, "box-2": WARM}, MINUTE)
        hand.pass_time(5 * SECOND)
        hand.end()
        (told,) = [got.json for got in phone.got if "The logbook was damaged" in got.json["message"]]
        assert told["title"] == "Cellar: the logbook was damaged"
        assert ("whose last entry is of 12:0" in told["message"]) is copied
        assert "box-2: 35.0 °C (outside safe)" in told["message"]

    @pytest.mark.parametrize("second", [3, 7, 14, 15])
    def test_whatever_second_it_is_ready_in(self, tmp_path: Path, phone: HttpReceiver, second: int) -> None:
        """A report that comes with nothing else to be written is told all the same."""
        hand = kept(tmp_path, "2026-11-25T12:00", phone)
        hand.feed({"box-1": GOOD, "box-2": GOOD}, 3 * MINUTE)
        hand.commit()
        hand.drop()
        hand.clock.advance(HOUR)
        hand.start()
        hand.pass_time(second * SECOND)
        hand.put("box-1", GOOD)
        hand.put("box-2", GOOD)
        hand.pass_time(10 * SECOND)
        hand.end()
        assert ["nobody watched" in title for title in phone.titles()] == [True]

    def test_it_waits_two_minutes_for_a_sensor_that_says_nothing(
        self, tmp_path: Path, phone: HttpReceiver
    ) -> None:
        """A place that was not heard is named as such."""
        hand = kept(tmp_path, "2026-11-25T12:00", phone)
        hand.feed({"box-1": GOOD, "box-2": GOOD}, 2 * MINUTE)
        hand.end()
        hand.clock.advance(HOUR)
        hand.start()
        hand.feed({"box-1": GOOD}, 90 * SECOND)
        assert phone.got == []
        hand.feed({"box-1": GOOD}, MINUTE)
        hand.pass_time(5 * SECOND)
        hand.end()
        assert "box-2: nothing read yet" in phone.got[0].json["message"]

    def test_quiet_hours_are_kept(self, tmp_path: Path, phone: HttpReceiver) -> None:
        """At night the report waits for the end of the quiet hours."""
        hand = kept(tmp_path, "2026-11-25T02:00", phone, contact='quiet = "22:30-06:30"\n')
        hand.feed({"box-1": GOOD, "box-2": GOOD}, 2 * MINUTE)
        hand.end()
        hand.clock.advance(HOUR)
        hand.start()
        hand.feed({"box-1": GOOD, "box-2": GOOD}, 3 * MINUTE)
        assert phone.got == []
        hand.commit()
        with hand.archive() as archive:
            (alert,) = archive.outbox()
        hand.end()
        assert alert.next_try == instant("2026-11-25T06:30")


class TestWeeklyTest:
    @pytest.mark.parametrize(("mode", "holds"), [(Mode.OK, True), (Mode.ERROR, False)], ids=["works", "dead"])
    def test_the_result_is_in_the_journal(
        self, tmp_path: Path, phone: HttpReceiver, mode: Mode, *, holds: bool
    ) -> None:
        """At its hour a marked test goes to each contact, and the journal says what became of it."""
        phone.mode = mode
        hand = kept(tmp_path, "2026-11-25T09:58", phone, '\n[watch]\ntest = "wednesday 10:00"\n')
        hand.leap(2 * MINUTE)
        if not holds:
            hand.leap(50 * MINUTE)
            hand.leap(20 * MINUTE)
        hand.pass_time(5 * SECOND)
        hand.commit()
        entries = hand.journal(Kind.TEST)
        hand.end()
        assert entries[0].body["begun"] is True
        assert entries[1].body["holds"] is holds
        assert "Test from Cellar: nothing is wrong" in phone.titles()[0]

    def test_its_result_outlives_a_restart(self, tmp_path: Path, phone: HttpReceiver) -> None:
        """The watch dies between test and answer: the result is in the journal all the same, and once."""
        phone.mode = Mode.ERROR
        hand = kept(tmp_path, "2026-11-25T09:58", phone, '\n[watch]\ntest = "wednesday 10:00"\n')
        hand.leap(2 * MINUTE)
        hand.commit()
        hand.drop()
        phone.mode = Mode.OK
        hand.start()
        hand.leap(10 * MINUTE)
        hand.pass_time(5 * SECOND)
        hand.commit()
        begun, ended = hand.journal(Kind.TEST)
        hand.end()
        assert begun.body["begun"] is True
        assert ended.body == {"holds": True, "contacts": {"first": "accepted"}}

    def test_a_contact_that_it_cannot_reach_is_told_to_the_others(self, tmp_path: Path) -> None:
        """The test of one contact fails: another one is told so, in words that say what to do."""
        second = '\n[[contact]]\nname = "second"\nreach = "second"\npriorities = ["high"]\n'
        text = room("box-1", contact=True, more=second + '\n[watch]\ntest = "wednesday 10:00"\n')
        with http_receiver() as good, http_receiver(Mode.ERROR) as dead:
            clock = ManualClock(instant("2026-11-25T09:58"), boottime=HOUR)
            hand = Kept(tmp_path, text, clock, {"first": good.reach, "second": dead.reach})
            hand.start()
            hand.feed({"box-1": GOOD}, 15 * MINUTE)
            hand.end()
        titles = [got.json["title"] for got in good.got]
        assert "Test from Cellar: nothing is wrong" in titles
        assert "watch cannot tell (second)" in titles
        (told,) = [
            got.json["message"] for got in good.got if got.json["title"] == "watch cannot tell (second)"
        ]
        assert "run ovigil selftest" in told


class TestHeartbeat:
    def test_it_is_withheld_while_nothing_can_be_read(self, tmp_path: Path, phone: HttpReceiver) -> None:
        """It beats while all is well, not while the only reader ails, and again afterwards."""
        more = '\n[watch]\nheartbeat = "beat"\nevery = "10 s"\n'
        hand = kept(tmp_path, "2026-11-25T12:00", phone, more)
        hand.beat = phone.url()
        hand.watch = None
        hand.start()
        assert hand.watch is not None

        def beats() -> int:
            return sum(got.method == "GET" for got in phone.got)

        def pace(seconds: int) -> int:
            """Let time pass with couriers in real time; give how many beats came."""
            before = beats()
            for _ in range(seconds):
                hand.pass_time(SECOND)
                time.sleep(0.1)
            return beats() - before

        assert pace(25) >= 1
        for well in (False, True):
            hand.reader.inbox.put(
                says(
                    ContactKind.READER.value, "mqtt", well=well, arrived=hand.clock.boottime(), note="cut off"
                )
            )
            pace(12)
            assert (pace(25) >= 1) is well
        hand.end()

    @pytest.mark.parametrize(
        ("parts", "why"),
        [
            ({}, ""),
            ({"recorder": "the card does not answer"}, "the card does not answer"),
            ({"silent": True}, "no contact can be reached"),
            ({"late": True}, "the judge was held up"),
            ({"ails": "cut off"}, "no readings can come in (cut off)"),
            ({"read": False}, "nothing is read"),
        ],
        ids=["well", "card", "contacts", "judge", "readers", "no sensor"],
    )
    def test_what_keeps_the_watch_from_its_job_is_named(
        self, tmp_path: Path, phone: HttpReceiver, parts: dict[str, object], why: str
    ) -> None:
        """Recorder, contacts, judge and readers count, each with its reason."""
        hand = kept(tmp_path, "2026-11-25T12:00", phone)
        if not parts.pop("read", True):
            hand.end()
            hand.config.write_text(HEAD + CONTACT + '[[place]]\nname = "x"\nkind = "room"\n')
            hand.start()
        assert hand.watch is not None
        if note := parts.pop("ails", ""):
            ails = says(
                ContactKind.READER.value, "mqtt", well=False, arrived=hand.clock.boottime(), note=note
            )  # type: ignore[arg-type]
            hand.reader.inbox.put(ails)
        hand.pass_time(2 * SECOND)
        if parts.pop("late", False):
            hand.pass_time(11 * SECOND, step=11 * SECOND)
        view = replace(hand.watch._view(hand.clock.wall()), **parts)  # type: ignore[arg-type]
        assert hand.watch._chores.ailment(view) == why
        hand.pass_time(125 * SECOND)
        assert (hand.watch._chores.ailment(hand.watch._view(hand.clock.wall())) == "") is (why not in LASTING)
        hand.end()


class TestCard:
    def test_little_room_is_found_and_made(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """With less room than the mark the logbook gives up what may go, and the trouble is worded."""
        monkeypatch.setattr(chores, "LOW_WATER", 1 << 60)
        monkeypatch.setattr(chores, "FREE_ENOUGH", 1 << 60)
        with Logbook.open(tmp_path) as logbook:
            for number in range(4):
                logbook.save_snapshot(number, 0, b"{}")
            card = Card()
            card.look(logbook, HOUR)
            assert len(logbook.newest_snapshots()) == 2
        assert "MiB are free" in (card.newest() or "")
        assert card.newest() is None

    def test_no_contact_reached_leaves_a_mark(self, tmp_path: Path, phone: HttpReceiver) -> None:
        """Where nobody can be told, a file beside the logbook says so until somebody can."""
        phone.down()
        hand = kept(tmp_path, "2026-11-25T12:00", phone)
        hand.feed({"box-1": WARM, "box-2": GOOD}, 10 * MINUTE)
        assert (hand.state / SILENT_MARK).exists()
        phone.up()
        hand.feed({"box-1": WARM, "box-2": GOOD}, 5 * MINUTE)
        hand.pass_time(5 * SECOND)
        assert not (hand.state / SILENT_MARK).exists()
        hand.end()


class TestState:
    def test_the_watch_says_that_it_runs_and_that_it_ended(self, tmp_path: Path, phone: HttpReceiver) -> None:
        """What is shown tells of places, alarms and sensors while it runs, and of its end."""
        hand = kept(tmp_path, "2026-11-25T12:00", phone)
        hand.feed({"box-1": GOOD}, 2 * MINUTE)
        hand.commit()
        with hand.archive() as archive:
            state = archive.shown()["watch"]
        assert isinstance(state, dict)
        assert (state["running"], state["places"], state["alarms"]) == (True, 2, 0)
        assert state["sensors"] == {"all": 2, "silent": 1}
        hand.end()
        with hand.archive() as archive:
            ended = archive.shown()["watch"]
        assert isinstance(ended, dict)
        assert ended["running"] is False


class TestOnSave:
    def test_saving_applies_and_a_wrong_text_does_not(self, tmp_path: Path, phone: HttpReceiver) -> None:
        """The file's new text is in force a few seconds after it was saved; a wrong one is an alarm."""
        hand = kept(tmp_path, "2026-11-25T12:00", phone)
        text = hand.text.replace("[room]\n", '[room]\nreload = "on save"\n')
        hand.end()
        hand.config.write_text(text)
        hand.start()
        hand.pass_time(5 * SECOND)
        hand.config.write_text(text.replace('off = "5 min"', 'off = "7 min"'))
        hand.pass_time(8 * SECOND)
        hand.commit()
        assert any("7 min" in str(entry.body.get("changes")) for entry in hand.journal(Kind.SETTINGS))
        hand.config.write_text("[room]\nnonsense = 1\n")
        hand.pass_time(10 * SECOND)
        hand.commit()
        assert [row.key.rule for row in hand.alarms(open_only=True)] == ["settings refused"]
        hand.end()

    def test_a_file_that_is_being_written_is_waited_for(self, tmp_path: Path) -> None:
        """Only a file that stood still between two looks counts, and once."""
        path = tmp_path / "room.toml"
        path.write_text("a")
        saved = Saved(path)
        seen = []
        for look, text in enumerate(["a", "ab", "abc", "abc", "abc", "abc"]):
            if path.read_text() != text:
                path.write_text(text)
            seen.append(saved.changed(look * 2 * SECOND))
        assert seen == [False, False, False, True, False, False]


class TestPictures:
    def _alert(self, number: int, tone: str = "raised") -> Alert:
        return Alert(1, 0, "first", Priority.HIGH, "box too warm", "", (number,), tone)

    def test_an_alert_waits_for_its_curve(self, tmp_path: Path) -> None:
        """The alert is handed on when its picture is drawn; the one of a test at once."""
        night = write_night(tmp_path, places=6, hours=2)
        text = night.config.read_text()

        def job(number: int) -> dict[str, Json]:
            where: dict[str, Json] = {"room": str(night.config), "folder": str(night.folder)}
            return {"job": "picture", "text": text, "alarm": number, **where}

        pictures = Pictures(job)
        alert, plain = self._alert(1), self._alert(1, "test")
        assert pictures.passed([alert, plain]) == [plain]
        passed: list[Alert] = []
        until(lambda: passed.extend(pictures.passed([])) or passed, "it is drawn", 10)
        assert passed == [alert]
        assert base64.b64decode(pictures.of(alert)).startswith(b"\x89PNG")
        assert pictures.passed([alert]) == [alert]

    def test_one_that_is_too_slow_is_not_waited_for(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """The text goes without its picture, and for a while nothing waits any more."""
        monkeypatch.setattr("daemon.pictures.PATIENCE", 1)
        pictures = Pictures(lambda number: {"job": "picture", "alarm": number})
        passed: list[Alert] = []
        pictures.passed([self._alert(1)])
        until(lambda: passed.extend(pictures.passed([])) or passed, "it goes", 5)
        assert pictures.of(passed[0]) == ""
        assert pictures.passed([self._alert(2)]) == [self._alert(2)]


def test_utc_is_what_a_copy_is_named_by(tmp_path: Path, phone: HttpReceiver) -> None:
    """The name of a copy carries the instant in UTC, whatever room time is."""
    hand = kept(tmp_path, "2026-07-25T03:20", phone)
    hand.leap(20 * MINUTE)
    hand.end()
    (copy,) = listed(hand.state / "backups")
    made = datetime.fromtimestamp(copy.made / 1000, UTC)
    assert (made.hour, made.minute) == (2, 40)
