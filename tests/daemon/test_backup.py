"""Copies: made beside the writer, verified, put back."""

import sqlite3
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest

from daemon.logbook import Archive, CannotRecord, Logbook, LogbookDamaged, LogbookNewer, NoLogbook
from daemon.logbook import backup as copies
from daemon.logbook.recovery import checked, recover_on_start, restore
from daemon.logbook.schema import FILE
from daemon.record import Batch, Kind
from rules.reading import DAY, HOUR
from tests.kit.logbooks import BASE, T, entry, facts, recorded

NIGHTLY = 1_795_000_000_000


class TestMaking:
    def test_a_copy_holds_what_the_logbook_holds(self, tmp_path: Path) -> None:
        """Put into a fresh folder it gives the same readings; it verifies; nothing else lies about."""
        recorded(tmp_path / "state")
        made = copies.make(tmp_path / "state", tmp_path / "copies", NIGHTLY, rest=0)
        copies.put_back(made.path, tmp_path / "fresh", "x")
        with Archive.open(tmp_path / "state") as old, Archive.open(tmp_path / "fresh") as new:
            assert [facts(e) for e in old.replay(0, 2**60)] == [facts(e) for e in new.replay(0, 2**60)]

        assert copies.verify(made.path) == []
        assert {made.path, made.path.with_suffix(".json")} == set((tmp_path / "copies").iterdir())
        assert made.path.stat().st_mode & 0o777 == 0o600
        assert [made] == copies.listed(tmp_path / "copies")

    def test_the_writer_goes_on_meanwhile(self, tmp_path: Path) -> None:
        """Commits during a copy are not held up, and the copy is of one instant."""
        recorded(tmp_path / "state", 60, 300)
        done: list[copies.Backup] = []
        thread = threading.Thread(
            target=lambda: done.append(
                copies.make(tmp_path / "state", tmp_path / "copies", NIGHTLY, rest=0.3)
            )
        )
        committed = 0
        with Logbook.open(tmp_path / "state") as logbook:
            thread.start()
            while thread.is_alive():
                logbook.commit([Batch(BASE + DAY, (entry(at=DAY + committed),))])
                committed += 1
                time.sleep(0.01)
            thread.join()

        assert committed > 3
        assert done[0].rows["recent"] < 18_000 + committed
        assert copies.verify(done[0].path) == []

    def test_no_logbook_is_said(self, tmp_path: Path) -> None:
        """Nothing to copy is an error, and leaves nothing."""
        with pytest.raises(NoLogbook):
            copies.make(tmp_path, tmp_path / "copies", NIGHTLY)

        assert list((tmp_path / "copies").iterdir()) == []

    def test_a_place_that_cannot_be_written_does_not_stop_the_next(self, tmp_path: Path) -> None:
        """The first place fails, the second gets its copy."""
        recorded(tmp_path / "state", 1, 5)
        (tmp_path / "file").write_text("in the way")
        first, second = copies.make_all(
            tmp_path / "state", [tmp_path / "file" / "x", tmp_path / "good"], NIGHTLY
        )

        assert isinstance(first, CannotRecord)
        assert isinstance(second, copies.Backup)

    def test_seven_daily_four_weekly_and_twelve_monthly_stay(self, tmp_path: Path) -> None:
        """After four hundred nights: the last 7, of the last 4 weeks and 12 months the newest each."""
        recorded(tmp_path / "state", 1, 3)
        first = copies.make(tmp_path / "state", tmp_path / "copies", NIGHTLY, rest=0)
        body, side = first.path.read_bytes(), first.path.with_suffix(".json").read_text()
        for night_number in range(1, 400):
            name = copies.datetime.fromtimestamp((NIGHTLY + night_number * DAY) / 1000, copies.UTC)
            path = tmp_path / "copies" / f"logbook-{name:%Y%m%dT%H%M%SZ}.db"
            path.write_bytes(body)
            path.with_suffix(".json").write_text(side)
        copies.make(tmp_path / "state", tmp_path / "copies", NIGHTLY + 400 * DAY, rest=0)
        left = copies.listed(tmp_path / "copies")
        days = [(NIGHTLY + 400 * DAY - backup.made) // DAY for backup in left]

        assert list(range(7)) == days[:7]
        assert 7 + 11 <= len(left) <= 7 + 4 + 12
        assert 300 <= days[-1] <= 366


class TestVerifying:
    def test_a_flipped_bit_in_a_copy_is_found(self, tmp_path: Path) -> None:
        """The digest of the whole file sees any change."""
        recorded(tmp_path / "state", 1, 130)
        made = copies.make(tmp_path / "state", tmp_path / "copies", NIGHTLY, rest=0)
        data = bytearray(made.path.read_bytes())
        data[len(data) // 2] ^= 4
        made.path.write_bytes(data)

        assert "was changed" in copies.verify(made.path)[0]
        assert copies.newest_good(tmp_path / "copies") is None

    def test_a_copy_that_was_cut_off_says_how_much_is_there(self, tmp_path: Path) -> None:
        """Half a file is named as such, with its sizes."""
        recorded(tmp_path / "state", 1, 130)
        made = copies.make(tmp_path / "state", tmp_path / "copies", NIGHTLY, rest=0)
        half = made.path.read_bytes()[: made.size // 2]
        made.path.write_bytes(half)

        assert f"{len(half)} of its {made.size} bytes are there" in copies.verify(made.path)[0]

    def test_a_copy_without_its_note_is_seen(self, tmp_path: Path) -> None:
        """It is not one that would be put back, and it is not passed over in silence."""
        recorded(tmp_path / "state", 1, 130)
        made = copies.make(tmp_path / "state", tmp_path / "copies", NIGHTLY, rest=0)
        made.path.with_suffix(".json").write_text("[]")

        assert copies.listed(tmp_path / "copies") == []
        assert copies.unlisted(tmp_path / "copies") == [made.path]
        assert "cannot be checked" in copies.verify(made.path)[0]

    def test_a_damaged_logbook_makes_no_copy(self, tmp_path: Path) -> None:
        """A value that was changed stops the copy, so that good copies are not pushed out."""
        recorded(tmp_path / "state", 1, 130)
        with closing(sqlite3.connect(tmp_path / "state" / FILE)) as connection:
            connection.execute("UPDATE pages SET total = total + 1")
            connection.commit()

        with pytest.raises(LogbookDamaged, match="were changed after they were recorded"):
            copies.make(tmp_path / "state", tmp_path / "copies", NIGHTLY, rest=0)
        assert list((tmp_path / "copies").iterdir()) == []


def spoilt(folder: Path, how: str) -> None:
    """Damage a logbook."""
    path = folder / FILE
    data = bytearray(path.read_bytes())
    if how == "header":
        data[:100] = b"\xff" * 100
    elif how == "page":
        data[4096 * 2 : 4096 * 12] = bytes(4096 * 10)
    else:
        data = data[: len(data) // 2]
    path.write_bytes(data)


class TestRecovery:
    @pytest.mark.parametrize("how", ["header", "page", "cut off"])
    def test_a_damaged_logbook_is_kept_aside_and_the_newest_good_copy_serves(
        self, tmp_path: Path, how: str
    ) -> None:
        """The watch gets a sound logbook; the damaged one is kept; the gap is journaled; numbers go on."""
        state = tmp_path / "state"
        recorded(state)
        with Logbook.open(state) as logbook:
            logbook.reserve_numbers(10)
        made = copies.make(state, tmp_path / "copies", NIGHTLY, rest=0)
        with Logbook.open(state) as logbook:
            logbook.commit([Batch(BASE + DAY, (entry(at=DAY),))])
        spoilt(state, how)
        done = recover_on_start(state, (tmp_path / "copies",), BASE + DAY + HOUR, NIGHTLY + DAY)

        assert done is not None
        assert done.backup is not None
        assert made.path == done.backup.path
        assert done.damage
        assert done.aside[0].exists()
        assert done.last == BASE + 399 * 30_000
        with Logbook.open(state) as logbook, Archive.open(state) as archive:
            assert logbook.reserve_numbers(1)[0] > 1000
            assert logbook.commit([Batch(BASE + 2 * DAY, (entry(at=2 * DAY),))]).last_row > 1_000_000
            restored = archive.journal(kinds=[Kind.RESTORED])
            assert (done.last, BASE + DAY + HOUR) == (restored[0].body["from"], restored[0].body["to"])
            assert archive.verify() == []

    def test_without_a_copy_an_empty_logbook_is_begun(self, tmp_path: Path) -> None:
        """Never refuse to watch because history is damaged."""
        recorded(tmp_path, 1, 5)
        spoilt(tmp_path, "header")
        done = recover_on_start(tmp_path, (tmp_path / "none",), BASE + HOUR, NIGHTLY)

        assert done is not None
        assert (done.backup, done.last) == (None, None)
        with Logbook.open(tmp_path) as logbook, Archive.open(tmp_path) as archive:
            assert archive.series() == []
            assert logbook.reserve_numbers(1)[0] > 100_000

    def test_a_sound_logbook_or_none_is_left_alone(self, tmp_path: Path) -> None:
        """Nothing is done where nothing is wrong."""
        assert recover_on_start(tmp_path, (), BASE, NIGHTLY) is None
        recorded(tmp_path, 1, 5)

        assert checked(tmp_path) == []
        assert recover_on_start(tmp_path, (), BASE, NIGHTLY) is None

    def test_an_empty_file_is_a_lost_logbook_where_there_is_a_copy(self, tmp_path: Path) -> None:
        """A card that gave an empty file back: the copy serves; without one it is a first start."""
        state = tmp_path / "state"
        recorded(state, 1, 10)
        made = copies.make(state, tmp_path / "copies", NIGHTLY, rest=0)
        (state / FILE).write_bytes(b"")
        assert recover_on_start(state, (tmp_path / "none",), BASE + HOUR, NIGHTLY) is None
        done = recover_on_start(state, (tmp_path / "copies",), BASE + HOUR, NIGHTLY)

        assert done is not None
        assert done.backup is not None
        assert done.backup.path == made.path
        with Archive.open(state) as archive:
            assert len(archive.readings("box-00", T, 0, 2**60)) == 10

    def test_a_newer_logbook_is_never_repaired(self, tmp_path: Path) -> None:
        """A newer version is not damage."""
        recorded(tmp_path, 1, 5)
        with closing(sqlite3.connect(tmp_path / FILE)) as connection:
            connection.execute("PRAGMA user_version=9")

        with pytest.raises(LogbookNewer):
            recover_on_start(tmp_path, (), BASE, NIGHTLY)

    def test_a_keeper_can_put_a_copy_back(self, tmp_path: Path) -> None:
        """The present logbook is moved aside; the copy's readings are there; a touched copy is refused."""
        recorded(tmp_path / "state", 1, 10)
        made = copies.make(tmp_path / "state", tmp_path / "copies", NIGHTLY, rest=0)
        with Logbook.open(tmp_path / "state") as logbook:
            logbook.commit([Batch(BASE + DAY, (entry("box-00", at=DAY),))])
        done = restore(made.path, tmp_path / "state", BASE + 2 * DAY, NIGHTLY)
        with Archive.open(tmp_path / "state") as archive:
            assert len(archive.readings("box-00", T, 0, 2**60)) == 10
        assert done.aside[0].exists()

        made.path.write_bytes(made.path.read_bytes() + b"x")
        with pytest.raises(LogbookDamaged):
            restore(made.path, tmp_path / "state", BASE, NIGHTLY)
