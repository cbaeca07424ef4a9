"""The logbook where something is amiss: bugs, odd files, names and values that no program wrote."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from daemon.logbook import Archive, CannotRecord, Desk, Logbook, LogbookDamaged, NoLogbook
from daemon.logbook import backup as copies
from daemon.logbook.clock import Labels
from daemon.logbook.connection import Writable
from daemon.logbook.errors import translated
from daemon.logbook.schema import FILE
from daemon.logbook.values import printable, quality_of
from daemon.logbook.verifying import LISTED
from daemon.record import Batch, Entered, Kind
from rules.reading import DAY, HOUR
from tests.kit.logbooks import BASE, entry, recorded

NIGHTLY = 1_795_660_200_000


def changed(folder: Path, statement: str) -> None:
    """Change a logbook behind the program's back."""
    with closing(sqlite3.connect(folder / FILE)) as connection:
        connection.execute(statement)
        connection.commit()


class TestBugs:
    def test_a_bug_in_the_middle_leaves_nothing_half_written(self, tmp_path: Path) -> None:
        """What a piece of work wrote before its own mistake is undone, and the mistake is told as it is."""
        recorded(tmp_path, 1, 5)
        store = Writable(tmp_path, create=False)

        def work(connection: sqlite3.Connection) -> None:
            connection.execute("DELETE FROM recent")
            raise KeyError("a mistake")

        with pytest.raises(KeyError, match="a mistake"):
            store.run(work)
        assert store.read(lambda one: one.execute("SELECT count(*) FROM recent").fetchone()) == (5,)
        store.close()

    def test_closed_twice_and_used_again_it_opens_again(self, tmp_path: Path) -> None:
        """A logbook that was let go after trouble is opened again by the next piece of work."""
        recorded(tmp_path, 1, 5)
        store = Writable(tmp_path, create=False)
        store.close()
        store.close()
        assert store.read(lambda one: one.execute("SELECT count(*) FROM recent").fetchone()) == (5,)
        with pytest.raises(sqlite3.OperationalError, match="no such table"):
            store.read(lambda one: one.execute("SELECT 1 FROM nowhere"))
        store.close()

    def test_a_mistake_of_the_program_stays_what_it_is(self) -> None:
        """Only what SQLite says of the file becomes a matter of the card; text that is none is damage."""
        mistake = sqlite3.ProgrammingError("closed")
        assert translated(mistake) is mistake
        assert isinstance(translated(sqlite3.OperationalError("Could not decode to UTF-8")), LogbookDamaged)


class TestFiles:
    def test_a_file_without_tables_is_no_logbook(self, tmp_path: Path) -> None:
        """An empty file where the logbook should be is said to have no tables, not to be damaged."""
        (tmp_path / FILE).touch()
        with pytest.raises(NoLogbook, match="no tables"):
            Archive.open(tmp_path)

    def test_a_desk_that_is_closed_keeps_what_was_left(self, tmp_path: Path) -> None:
        """An order that was left stands, with its number, after the desk is closed."""
        recorded(tmp_path, 1, 5)
        desk = Desk(tmp_path)
        number = desk.leave_order(1, "keeper", "command", {"verb": "note"})
        desk.close()
        with Archive.open(tmp_path, cache=64) as archive:
            assert archive.order(number).by == "keeper"

    def test_a_copy_without_its_side_file_is_not_listed(self, tmp_path: Path) -> None:
        """What lies in the folder of the copies under such a name and is none is passed over."""
        recorded(tmp_path / "state", 1, 5)
        made = copies.make(tmp_path / "state", tmp_path / "copies", NIGHTLY, rest=0)
        (tmp_path / "copies" / "logbook-yesterday.db").touch()
        (tmp_path / "copies" / "logbook-20200101T000000Z.db").touch()
        assert [one.path for one in copies.listed(tmp_path / "copies")] == [made.path]

    def test_a_copy_of_something_else_is_said_to_be_none(self, tmp_path: Path) -> None:
        """A copy whose content is another program's file, side file and all, is not good."""
        recorded(tmp_path / "state", 1, 5)
        made = copies.make(tmp_path / "state", tmp_path / "copies", NIGHTLY, rest=0)
        assert copies._found_in(tmp_path / "state" / "room.toml", made.rows) != []
        other = tmp_path / "other.db"
        with closing(sqlite3.connect(other)) as connection:
            connection.execute("CREATE TABLE theirs (x)")
            connection.commit()
        assert copies._found_in(other, made.rows, deep=False) != []

    def test_a_copy_that_cannot_be_put_back_changes_nothing(self, tmp_path: Path) -> None:
        """Where the copy is not there the logbook stays as it is, and nothing half lies beside it."""
        recorded(tmp_path, 1, 5)
        before = (tmp_path / FILE).read_bytes()
        with pytest.raises(CannotRecord):
            copies.put_back(tmp_path / "nowhere.db", tmp_path, "aside")
        assert (tmp_path / FILE).read_bytes() == before
        assert not list(tmp_path.glob("*.half"))


class TestOddContent:
    def test_a_code_of_no_quality_is_damage(self) -> None:
        """A number that no quality has was not written by this program."""
        with pytest.raises(LogbookDamaged, match="unknown quality"):
            quality_of(251)

    def test_a_series_of_no_quantity_is_damage_and_is_found(self, tmp_path: Path) -> None:
        """A quantity that was changed is found by the check, and reading it says so."""
        recorded(tmp_path, 1, 5)
        changed(tmp_path, "UPDATE series SET quantity = 'loudness'")
        with Archive.open(tmp_path) as archive:
            assert archive.verify() != []
            with pytest.raises(LogbookDamaged, match="no known quantity"):
                list(archive.replay_rows(0))

    def test_of_much_damage_the_first_lines_are_listed(self, tmp_path: Path) -> None:
        """A check of a file that is damaged everywhere says how much more there is, and does not flood."""
        recorded(tmp_path, 3, 100)
        changed(tmp_path, "UPDATE recent SET raw = raw + 1")
        with Archive.open(tmp_path) as archive:
            found = archive.verify()
        assert any("more of the same kind" in words for words in found)
        assert LISTED < len(found) < 300

    def test_a_note_of_any_bytes_can_be_printed(self) -> None:
        """What a device put into its words is kept in a form that any terminal takes."""
        assert printable("a\ud800b\0c") == "a\\ud800b\\0c"

    def test_numbers_that_are_none_are_kept_as_none(self, tmp_path: Path) -> None:
        """What is not finite in a journal line, however deep, is kept as nothing and not as nonsense."""
        body = {"values": [1.0, float("nan"), {"far": float("inf")}]}
        with Logbook.open(tmp_path) as logbook:
            logbook.commit([Batch(BASE, (entry(),), journal=(Entered(BASE, Kind.NOTE, body),))])
        with Archive.open(tmp_path) as archive:
            (line,) = archive.journal(kinds=[Kind.NOTE])
        assert line.body == {"values": [1.0, None, {"far": None}]}


class TestLabels:
    def test_a_wall_time_that_was_jumped_over_is_the_instant_of_the_jump(self) -> None:
        """Between the end of the old label and the begin of the new one there is only the jump."""
        labels = Labels((0, HOUR), (0, DAY), (True, True))
        assert labels.room_instant(2 * HOUR) == HOUR
        assert labels.room_instant(HOUR // 2) == HOUR // 2
        assert labels.room_instant(DAY + 2 * HOUR) == 2 * HOUR
        assert Labels().room_instant(5) == 5
