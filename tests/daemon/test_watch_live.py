"""The watch as a process: alerts to real receivers, reloads, refusals, ends, trouble with the card."""

import fcntl
import os
import signal
import sqlite3
import subprocess
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.record import Kind
from tests.kit.broker import Broker, until
from tests.kit.history import History, judged
from tests.kit.receivers import HttpReceiver, Mode, http_receiver, smtp_receiver
from tests.kit.watch import Feeder, Layout, LiveWatch, missing

INFLIGHT = ("max_inflight_messages 1000",)
ALARM = 36.0
WELL = 29.5


class TestAlerts:
    def test_an_alarm_reaches_phone_and_mail(self, tmp_path: Path) -> None:
        """A real HTTP receiver and a real mail server are told, with place, value and alarm number."""
        with (
            Broker(tmp_path / "b", extra=INFLIGHT) as broker,
            http_receiver() as phone,
            smtp_receiver() as mail,
            LiveWatch(
                tmp_path / "w",
                Layout(contacts={"phone": phone.reach(), "mail": mail.reach()}),
                broker,
            ) as watch,
            Feeder(watch) as feeder,
        ):
            until(lambda: len(watch.entries()) > 3, "readings are recorded")
            feeder.celsius = ALARM
            until(lambda: phone.got and mail.got, "both are told", 25)
            number = watch.alarms("too warm")[0].number
            assert "box-0 too warm" in phone.titles()[0]
            assert f"alarm {number}" in phone.got[0].json["message"]
            assert f"alarm {number}" in str(mail.got[0].get_body().get_content())  # type: ignore[attr-defined]
            feeder.celsius = WELL
            until(lambda: not watch.alarms(open_only=True), "it is over", 15)

    @pytest.mark.full
    @pytest.mark.parametrize("mode", [Mode.MUTE, Mode.DRIP, None], ids=["mute", "dripping", "dead"])
    @pytest.mark.timeout(150)
    def test_a_bad_receiver_costs_nobody_else(self, tmp_path: Path, mode: Mode | None) -> None:
        """Judging and recording go on, the other contact is told at once, the bad one afterwards."""
        bad = HttpReceiver(mode=mode or Mode.OK)
        if mode is not None:
            bad.up()
        try:
            with (
                Broker(tmp_path / "b", extra=INFLIGHT) as broker,
                http_receiver() as good,
                LiveWatch(
                    tmp_path / "w",
                    Layout(contacts={"bad": bad.reach(), "good": good.reach()}, commit="2 s"),
                    broker,
                ) as watch,
                Feeder(watch) as feeder,
            ):
                feeder.celsius = ALARM
                until(lambda: any("too warm" in title for title in good.titles()), "the other is told", 20)
                before = len(watch.entries())
                until(lambda: len(watch.entries()) > before + 10, "recording goes on", 15)
                if mode is None:
                    bad.up()
                count, bad.mode = len(bad.got), Mode.OK
                until(
                    lambda: any("too warm" in got.json["title"] for got in bad.got[count:]), "and it too", 90
                )
                with watch.archive() as archive:
                    history = History(acked=[])
                    history.take(good.got)
                    verdict = judged(archive, history)
                assert verdict.faults == 0, str(verdict)
        finally:
            bad.down()


class TestStart:
    def test_bad_settings_end_with_78(self, tmp_path: Path) -> None:
        """Every mistake at once, as file:line, exit code 78, no logbook made."""
        broker = Broker(tmp_path / "b")
        watch = LiveWatch(tmp_path / "w", Layout(), broker)
        watch.config.write_text(
            watch.config.read_text().replace("time_zone", "time_zoen").replace("commit", "comit")
        )
        done = watch.command("run")
        assert done.returncode == 78
        assert "room.toml:3:" in done.stderr
        assert "room.toml:5:" in done.stderr
        assert "Traceback" not in done.stderr
        assert not watch.state.exists()

    def test_a_missing_secret_stops_run_and_not_check(self, tmp_path: Path) -> None:
        """Without its address a contact cannot be told: run says so, check goes on."""
        broker = Broker(tmp_path / "b")
        watch = LiveWatch(tmp_path / "w", Layout(contacts={"phone": "json://x"}), broker)
        (watch.folder / "credentials" / "phone").unlink()
        done = watch.command("run")
        assert done.returncode == 78
        assert '"phone"' in done.stderr
        assert watch.command("check").returncode == 0

    def test_a_missing_authority_ends_with_a_sentence(self, tmp_path: Path) -> None:
        """A certificate file that is not there is the settings' fault."""
        broker = Broker(tmp_path / "b")
        watch = LiveWatch(tmp_path / "w", Layout(), broker)
        text = watch.config.read_text().replace("[broker]\n", '[broker]\ntls = true\nca = "none.pem"\n')
        watch.config.write_text(text)
        done = watch.command("run")
        assert done.returncode == 78
        assert "none.pem" in done.stderr
        assert "Traceback" not in done.stderr

    def test_only_one_watch_runs_by_a_logbook(self, tmp_path: Path) -> None:
        """The second says so in a sentence and ends; the lock goes when the first dies."""
        with Broker(tmp_path / "b") as broker, LiveWatch(tmp_path / "w", Layout(), broker) as watch:
            done = watch.command("run")
            assert done.returncode == 69
            assert "another watch" in done.stderr
            watch.kill()
            watch.start()

    def test_a_folder_that_cannot_be_made_is_a_sentence(self, tmp_path: Path) -> None:
        """A data folder in a place that takes none: exit 75, no traceback."""
        watch = LiveWatch(tmp_path / "w", Layout(), Broker(tmp_path / "b"))
        watch.state.write_text("a file is in the way")
        done = watch.command("run")
        assert done.returncode == 75
        assert "Traceback" not in done.stderr
        assert done.stderr.count("\n") == 1

    def test_a_newer_logbook_is_left_alone(self, tmp_path: Path) -> None:
        """One sentence, exit 69, the file untouched."""
        with Broker(tmp_path / "b") as broker, LiveWatch(tmp_path / "w", Layout(), broker) as watch:
            watch.stop()
            file = watch.state / "logbook.db"
            connection = sqlite3.connect(file)
            connection.execute("PRAGMA user_version=999")
            connection.close()
            before = file.read_bytes()
            done = watch.command("run")
            assert done.returncode == 69
            assert "newer" in done.stderr
            assert done.stderr.count("\n") == 1
            assert file.read_bytes() == before

    def test_a_damaged_logbook_is_set_aside(self, tmp_path: Path) -> None:
        """Monitoring goes on at once, the damaged file is kept, and the journal names the gap."""
        with (
            Broker(tmp_path / "b", extra=INFLIGHT) as broker,
            LiveWatch(tmp_path / "w", Layout(), broker) as watch,
        ):
            with Feeder(watch):
                until(lambda: len(watch.entries()) > 5, "readings are recorded", 25)
            watch.stop()
            file = watch.state / "logbook.db"
            damaged = bytearray(file.read_bytes())
            damaged[4096 * 2 : 4096 * 6] = os.urandom(4096 * 4)
            file.write_bytes(damaged)
            watch.start()
            with Feeder(watch):
                until(lambda: len(watch.entries()) > 5, "monitoring goes on", 25)
            kept = [
                one
                for one in watch.state.rglob("*")
                if one.is_file() and one.read_bytes()[: len(damaged)] == damaged
            ]
            assert kept
            with watch.archive() as archive:
                (line,) = archive.journal(kinds=[Kind.RESTORED])
            assert abs(int(str(line.body["to"])) - time.time() * 1000) < 120_000


class TestReload:
    def test_good_settings_are_taken_and_bad_ones_refused(self, tmp_path: Path) -> None:
        """SIGHUP: what is wrong is an alarm and changes nothing; what is right is in force and journaled."""
        layout = Layout(hold="1 s", commit="1 s")
        with (
            Broker(tmp_path / "b", extra=INFLIGHT) as broker,
            LiveWatch(tmp_path / "w", layout, broker) as watch,
            Feeder(watch) as feeder,
        ):
            until(lambda: len(watch.entries()) > 3, "readings are recorded", 25)
            watch.config.write_text(watch.config.read_text().replace('"33 C"', '"20 C"'))
            watch.signal(signal.SIGHUP)
            until(lambda: watch.alarms(open_only=True), "the refusal is an alarm", 15)
            assert watch.alarms()[0].key.place == "watch"
            assert "refused" in watch.log
            before = len(watch.entries())
            until(lambda: len(watch.entries()) > before, "it goes on by the old ones")
            watch.write(layout)
            watch.config.write_text(watch.config.read_text().replace('"33 C"', '"31.5 C"'))
            watch.signal(signal.SIGHUP)
            until(lambda: not watch.alarms(open_only=True), "the alarm is over", 15)
            feeder.celsius = 32.0
            until(lambda: watch.alarms("too warm"), "the new range is in force", 15)
            with watch.archive() as archive:
                texts = archive.journal(kinds=[Kind.SETTINGS])
            assert len(texts) == 2
            assert texts[-1].body["changes"]
            assert watch.ears.heard("RELOADING=1")
            assert watch.process is not None
            assert watch.process.poll() is None

    def test_a_new_sensor_is_read_after_a_reload(self, tmp_path: Path) -> None:
        """Readers are made anew where what they read has changed; nothing waits at the broker for ever."""
        with (
            Broker(tmp_path / "b", extra=INFLIGHT) as broker,
            LiveWatch(tmp_path / "w", Layout(sensors=1, commit="1 s"), broker) as watch,
        ):
            watch.write(replace(watch.layout, sensors=3))
            watch.signal(signal.SIGHUP)
            with Feeder(watch) as feeder:
                until(lambda: watch.entries("box-2"), "the new sensor is recorded", 25)
                until(lambda: len(feeder.acked) > 20, "for a while", 20)
            until(lambda: not missing(watch, feeder.acked[10:]), "all of it", 15)


class TestEnd:
    def test_it_ends_in_time_with_everything_dead(self, tmp_path: Path) -> None:
        """Broker frozen, phone mute, an alarm on its way: SIGTERM ends it in 5 s, the last commit done."""
        with (
            Broker(tmp_path / "b", extra=INFLIGHT) as broker,
            http_receiver(Mode.MUTE) as phone,
            LiveWatch(tmp_path / "w", Layout(contacts={"phone": phone.reach()}), broker) as watch,
        ):
            with Feeder(watch) as feeder:
                until(lambda: len(watch.entries()) > 3, "readings are recorded", 25)
                feeder.celsius = ALARM
                until(lambda: phone.got, "the phone was called", 15)
            broker.freeze()
            try:
                assert watch.stop() < 6.0
            finally:
                broker.thaw()
            assert watch.process is not None
            assert watch.process.returncode == 0
            assert "Traceback" not in watch.log
            with watch.archive() as archive:
                assert archive.journal()[-1].kind in (Kind.STOP, Kind.REFUSED)
                assert any(alert.done is None for alert in archive.outbox())

    @pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT], ids=["TERM", "INT"])
    def test_signals_end_it_with_0(self, tmp_path: Path, number: signal.Signals) -> None:
        """It says that it stops, and the lock is free."""
        with Broker(tmp_path / "b") as broker, LiveWatch(tmp_path / "w", Layout(), broker) as watch:
            watch.signal(number)
            assert watch.process is not None
            assert watch.process.wait(10) == 0
            assert watch.ears.heard("STOPPING=1")
            lock = os.open(watch.state / "watch.lock", os.O_RDWR)
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            os.close(lock)


class TestCard:
    @pytest.mark.skipif(os.geteuid() != 0, reason="a small card of our own needs root")
    @pytest.mark.timeout(120)
    def test_a_full_card_stops_neither_judging_nor_alerts(self, tmp_path: Path) -> None:
        """Alarms go out from memory, marked; recording goes on by itself once there is room, nothing lost."""
        card = tmp_path / "w" / "state"
        card.mkdir(parents=True)
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=12m,mode=700", "none", str(card)], check=True)
        try:
            _full(tmp_path, card)
        finally:
            subprocess.run(["umount", "-l", str(card)], check=True)

    @pytest.mark.timeout(120)
    def test_a_frozen_logbook_stops_neither_judging_nor_alerts(self, tmp_path: Path) -> None:
        """While another process holds the card, readings go on being taken and alarms are told, marked."""
        with (
            Broker(tmp_path / "b", extra=INFLIGHT) as broker,
            http_receiver() as phone,
            LiveWatch(tmp_path / "w", Layout(contacts={"phone": phone.reach()}), broker) as watch,
            Feeder(watch) as feeder,
        ):
            until(lambda: len(watch.entries()) > 3, "readings are recorded", 25)
            holder = sqlite3.connect(watch.state / "logbook.db", isolation_level=None)
            holder.execute("BEGIN IMMEDIATE")
            feeder.celsius = ALARM
            until(lambda: any("too warm" in title for title in phone.titles()), "it is told", 40)
            message = next(got.json["message"] for got in phone.got if "too warm" in got.json["title"])
            assert "Not recorded" in message
            holder.execute("ROLLBACK")
            holder.close()
            feeder.celsius = WELL
            until(lambda: watch.alarms("too warm"), "it is recorded afterwards", 30)
            feeder.stop()
            until(lambda: not missing(watch, feeder.acked), "and every reading", 30)
            with watch.archive() as archive:
                history = History(acked=list(feeder.acked))
                history.take(phone.got)
                verdict = judged(archive, history)
            assert verdict.faults == 0, str(verdict)


URGENT = """
[[contact]]
name = "urgent"
reach = "urgent"
priorities = ["high"]
"""


def _full(folder: Path, card: Path) -> None:
    layout = Layout(more=URGENT, commit="1 s")
    with (
        Broker(folder / "b", extra=INFLIGHT) as broker,
        http_receiver() as phone,
        http_receiver() as urgent,
    ):
        watch = LiveWatch(folder / "w", replace(layout, contacts={"phone": phone.reach()}), broker)
        secret = watch.folder / "credentials" / "urgent"
        secret.touch(mode=0o600)
        secret.write_text(urgent.reach())
        with watch, Feeder(watch, pace=0.02) as feeder:
            _fill_and_free(watch, feeder, phone, urgent)


def _fill_and_free(watch: LiveWatch, feeder: Feeder, phone: HttpReceiver, urgent: HttpReceiver) -> None:
    until(lambda: len(watch.entries()) > 3, "readings are recorded", 25)
    filling = threading.Event()
    filler = threading.Thread(target=_keep_full, args=(watch.state, filling), daemon=True)
    filler.start()
    until(lambda: any("cannot record" in title for title in phone.titles()), "it says so", 90)
    feeder.celsius = ALARM
    until(lambda: urgent.got, "alarms are told", 20)
    assert "too warm" in urgent.titles()[0]
    assert "Not recorded" in urgent.got[0].json["message"]
    filling.set()
    filler.join()
    (watch.state / "filler").unlink()
    feeder.celsius = WELL
    until(lambda: watch.alarms("too warm"), "the alarm is recorded afterwards", 30)
    feeder.stop()
    until(lambda: not missing(watch, feeder.acked), "and every reading", 30)
    assert watch.starts == 1
    assert watch.process is not None
    assert watch.process.poll() is None


def _keep_full(card: Path, end: threading.Event) -> None:
    """Take all the room of a card, and what becomes free again."""
    number = os.open(card / "filler", os.O_CREAT | os.O_WRONLY, 0o600)
    while not end.wait(0.02):
        try:
            while not end.is_set():
                os.write(number, bytes(4096))
        except OSError:
            continue
    os.close(number)
