"""The commands that keep the watch sound: selftest, backup, revert, page and uplink."""

import json
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from urllib.request import urlopen

import pytest

from daemon.cli import CONFIG, FOUND, OK, UNAVAILABLE, main
from daemon.folders import WatchLock
from daemon.logbook import Archive, Logbook
from daemon.logbook.backup import listed
from daemon.record import Batch, Entered, Kind
from rules.reading import MINUTE, SECOND
from tests.kit.broker import free_port, until
from tests.kit.hand import Handled, room
from tests.kit.logbooks import BASE, recorded
from tests.kit.receivers import HttpReceiver, Mode, http_receiver

HEAD = '[room]\nname = "Cellar"\n[[contact]]\nname = "a"\nreach = "phone"\n'


def _room(folder: Path, phone: HttpReceiver | None = None) -> Path:
    """Write a config beside a recorded logbook."""
    (folder / "credentials").mkdir(mode=0o700)
    if phone is not None:
        (folder / "credentials" / "phone").touch(0o600)
        (folder / "credentials" / "phone").write_text(phone.reach("topsecret"))
    path = folder / "room.toml"
    path.write_text(HEAD)
    recorded(folder / "state")
    return path


class TestSelftest:
    def test_all_is_well(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """A phone that takes the test, a card with room and a fresh copy: 0."""
        with http_receiver() as phone:
            path = _room(tmp_path, phone)
            assert main(["backup", str(path)]) == OK
            capsys.readouterr()
            code = main(["selftest", str(path), "--json"])
            (title,) = phone.titles()
        answer = json.loads(capsys.readouterr().out)
        held = {one["what"]: one["holds"] for one in answer["findings"]}
        assert title == "Test from Cellar: nothing is wrong"
        assert held.pop("clock") in (True, False)
        assert held == {"contact a": True, "disk": True, "backup": True}
        assert code == (OK if answer["holds"] else FOUND)

    def test_what_fails_is_named_and_ends_with_1(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """A service that says no is told as such, without the address; the missing copy too."""
        with http_receiver(Mode.ERROR) as phone:
            assert main(["selftest", str(_room(tmp_path, phone))]) == FOUND
        out = capsys.readouterr().out
        assert "NOT  contact a: refused (the service answered 500)" in out
        assert "NOT  backup: none yet" in out
        assert "topsecret" not in out


class TestBackup:
    def test_a_copy_is_made_verified_and_put_back(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Copy, verify, lose the logbook, restore: the readings are there again, and the journal says so."""
        path = _room(tmp_path)
        assert main(["backup", str(path), "--json"]) == OK
        (made,) = json.loads(capsys.readouterr().out)["copies"]
        assert made["trouble"] is None if "trouble" in made else made["rows"]["recent"] > 0
        assert main(["backup", str(path), "--verify"]) == OK
        (copy,) = listed(tmp_path / "state" / "backups")
        with Archive.open(tmp_path / "state") as archive:
            before = archive.last_row()
        (tmp_path / "state" / "logbook.db").write_bytes(b"broken" * 1000)
        assert main(["backup", str(path), "--verify"]) == FOUND
        assert main(["backup", str(path), "--restore", str(copy.path)]) == OK
        with Archive.open(tmp_path / "state") as archive:
            assert len(list(archive.replay_rows(0))) == before
            assert archive.journal(kinds=[Kind.RESTORED])

    def test_a_flipped_bit_is_found_and_located(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """A value that was changed behind the logbook's back is named by place in the answer."""
        path = _room(tmp_path)
        with closing(sqlite3.connect(tmp_path / "state" / "logbook.db")) as connection, connection:
            connection.execute(
                "UPDATE pages SET high = high + 1 WHERE rowid = (SELECT min(rowid) FROM pages)"
            )
        assert main(["backup", str(path), "--verify", "--json"]) == FOUND
        answer = json.loads(capsys.readouterr().out)
        assert answer["holds"] is False
        assert "were changed after they were recorded" in answer["files"][0]["damage"][0]

    @pytest.mark.parametrize(
        ("statement", "said", "todo"),
        [
            ("UPDATE pages SET total = total + 1", "temperature of shelf (sensor box-00)", "goes on"),
            ("DELETE FROM journal WHERE row = 1", "the journal from its beginning", "goes on"),
            ("", "the logbook is damaged", "sets it aside and goes on from the newest whole copy"),
            (
                "PRAGMA application_id = 7",
                "is not a logbook",
                "sets it aside and goes on from the newest whole copy",
            ),
        ],
        ids=["pages", "journal", "cut off", "foreign"],
    )
    def test_damage_is_told_with_what_to_do(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str], statement: str, said: str, todo: str
    ) -> None:
        """Place, hours in local time, and the commands that go back to the copy that is whole."""
        path = _room(tmp_path)
        place = '[[place]]\nname = "shelf"\nkind = "room"\n[[place.sensor]]\nname = "box-00"\n'
        read = 'read = { by = "mqtt", topic = "a", temperature = "/t", every = "30 s" }\n'
        path.write_text(HEAD + '[broker]\nhost = "127.0.0.1"\n' + place + read)
        with Logbook.open(tmp_path / "state") as logbook:
            logbook.commit([Batch(BASE, journal=(Entered(BASE, Kind.NOTE, {}),))])
        assert main(["backup", str(path)]) == OK
        (copy,) = listed(tmp_path / "state" / "backups")
        file = tmp_path / "state" / "logbook.db"
        with closing(sqlite3.connect(file)) as connection, connection:
            connection.execute(statement)
        if not statement:
            file.write_bytes(file.read_bytes()[:20_000])
        capsys.readouterr()
        assert main(["backup", str(path), "--verify"]) == FOUND
        out = capsys.readouterr().out
        assert said in out
        assert todo in out
        assert f"ovigil backup {path} --restore {copy.path}" in out
        if "pages" in statement:
            assert "the readings of Wed 2026-11-18 11:00 to 14:00 were changed" in out

    def test_a_lost_logbook_with_a_copy_is_no(self, tmp_path: Path) -> None:
        """Where copies tell that there was a logbook, its absence is damage; where none do, there is none."""
        path = _room(tmp_path)
        assert main(["backup", str(path)]) == OK
        for name in ("logbook.db", "logbook.db-wal", "logbook.db-shm"):
            (tmp_path / "state" / name).unlink(missing_ok=True)
        assert main(["backup", str(path), "--verify"]) == FOUND
        for copy in (tmp_path / "state" / "backups").iterdir():
            copy.unlink()
        assert main(["backup", str(path), "--verify"]) == UNAVAILABLE

    def test_a_copy_is_not_put_back_under_a_running_watch(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """While the watch runs a restore is refused and nothing is touched."""
        path = _room(tmp_path)
        assert main(["backup", str(path)]) == OK
        (copy,) = listed(tmp_path / "state" / "backups")
        lock = WatchLock(tmp_path / "state")
        try:
            assert main(["backup", str(path), "--restore", str(copy.path)]) == UNAVAILABLE
        finally:
            lock.release()
        assert "stop it first" in capsys.readouterr().err
        assert not list((tmp_path / "state").glob("damaged-*"))

    def test_a_copy_that_was_changed_is_not_put_back(self, tmp_path: Path) -> None:
        """A copy that does not fit its digest stays where it is."""
        path = _room(tmp_path)
        assert main(["backup", str(path)]) == OK
        (copy,) = listed(tmp_path / "state" / "backups")
        with copy.path.open("ab") as file:
            file.write(b"x")
        assert main(["backup", str(path), "--restore", str(copy.path)]) == UNAVAILABLE


class TestRevert:
    def _applied(self, folder: Path, *texts: str) -> Handled:
        """Run a room under one text after the other."""
        hand = Handled(folder, texts[0])
        hand.start()
        hand.pass_time(3 * SECOND)
        for text in texts[1:]:
            hand.config.write_text(text)
            assert hand.watch is not None
            hand.watch.reload()
            hand.pass_time(3 * SECOND)
        hand.end()
        return hand

    def test_the_text_before_comes_back(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """After an applied change the earlier text stands in the file; what was replaced is kept."""
        old = room("box-1")
        new = old.replace('hold = { ideal = "20 min"', 'hold = { ideal = "25 min"')
        hand = self._applied(tmp_path, old, new)
        assert main(["revert", str(hand.config), "--json"]) == OK
        assert hand.config.read_text() == old
        assert (tmp_path / "room.toml.replaced").read_text() == new
        assert json.loads(capsys.readouterr().out)["changes"] == [
            "box-1: hold ideal: 25 min → 20 min",
            "box-1: hold of humidity ideal: 25 min → 20 min",
        ]

    def test_an_edit_that_was_never_applied_gives_way_to_what_runs(self, tmp_path: Path) -> None:
        """A file that is wrong now is replaced by what is in force; reverting is itself journaled."""
        old, new = room("box-1"), room("box-1", hold="3 min")
        hand = self._applied(tmp_path, old, new)
        hand.config.write_text("[room]\nnonsense = 1\n")
        assert main(["revert", str(hand.config)]) == OK
        assert hand.config.read_text() == new
        hand.start()
        hand.pass_time(3 * SECOND)
        hand.end()
        assert main(["revert", str(hand.config)]) == OK
        assert hand.config.read_text() == old

    def test_without_an_earlier_text_nothing_is_touched(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """The first text has nothing before it."""
        hand = self._applied(tmp_path, room("box-1"))
        assert main(["revert", str(hand.config)]) == UNAVAILABLE
        assert "no earlier settings" in capsys.readouterr().err
        assert not (tmp_path / "room.toml.replaced").exists()


class TestOtherProcesses:
    def test_the_page_is_served_and_says_that_the_watch_does_not_run(self, tmp_path: Path) -> None:
        """The command serves the page of a room whose watch has ended, and says so first."""
        hand = Handled(tmp_path, room("box-1"))
        hand.start()
        hand.feed({"box-1": 29.5}, MINUTE)
        hand.end()
        port = free_port()
        process = subprocess.Popen(
            [sys.executable, "-m", "daemon.cli", "page", str(hand.config), "--port", str(port)],
            stdout=subprocess.DEVNULL,
            cwd=Path(__file__).parents[2],
        )
        try:
            until(lambda: _page(port), "the page answers", 20)
            assert "The watch is not running." in _page(port)
        finally:
            process.terminate()
            assert process.wait(8) in (0, -15)

    def test_the_uplink_needs_its_table(self, tmp_path: Path) -> None:
        """Without [uplink] there is nothing to forward to: the settings are to blame."""
        assert main(["uplink", str(_room(tmp_path)), "--once"]) == CONFIG


def _page(port: int) -> str:
    try:
        with urlopen(f"http://127.0.0.1:{port}/", timeout=5) as answer:
            return answer.read().decode()
    except OSError:
        return ""
