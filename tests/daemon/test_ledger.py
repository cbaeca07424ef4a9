"""The ledger: what the engine answers becomes rows, journal and messages."""

from itertools import count
from zoneinfo import ZoneInfo

from daemon.ledger import CLOSED_KEPT, Ledger, Page
from daemon.record import Kind
from daemon.texts import Speaker
from rules.events import AlarmKey, Change, Changed, Cleared, Notice, Raised, Told, Tone
from rules.plan import Priority
from rules.reading import MINUTE

WARM = AlarmKey("box-1", "air", "temperature", "too warm")
MAINS = AlarmKey("attic", "air", "mains", "mains lost")


def ledger() -> Ledger:
    """Give a ledger with numbers from 1."""
    return Ledger(count(1), lambda now: Speaker("C", ZoneInfo("Europe/Lisbon"), 0, now))


def raised(key: AlarmKey = WARM, now: int = 0, **more: object) -> Raised:
    """Make an alarm begin."""
    return Raised(now, key, Priority.HIGH, now - MINUTE, 35.0, ("It is warm",), **more)  # type: ignore[arg-type]


class TestRows:
    def test_a_life_is_one_row_and_its_lines(self) -> None:
        """Raised, acknowledged, worse, cleared: one row; each change a line of the journal."""
        book, page = ledger(), Page()
        book.write(
            [
                raised(),
                Changed(1, WARM, 0, Change.ACKNOWLEDGED, Priority.HIGH, by="ann"),
                Changed(2, WARM, 0, Change.SHELVED, Priority.HIGH, by="ann", until=99),
                Changed(3, WARM, 0, Change.UNSHELVED, Priority.HIGH),
            ],
            page,
        )
        row = page.alarms[1]
        assert (row.acknowledged, row.acknowledged_by, row.shelved_until) == (1, "ann", None)
        book.write([Changed(4, WARM, 0, Change.WORSE, Priority.HIGH, reason=("Hot",))], page)
        assert (page.alarms[1].acknowledged, page.alarms[1].words) == (None, "Hot")
        book.write([Cleared(5, WARM, 0, Priority.HIGH, ("Right again",), 29.0)], page)
        assert (page.alarms[1].cleared, book.open_rows(), book.ended(1)) == (5, (), 5)
        kinds = [line.kind for line in page.journal]
        assert kinds == [Kind.RAISED, *[Kind.CHANGED] * 4, Kind.CLEARED]

    def test_numbers_are_never_used_twice(self) -> None:
        """The same alarm, raised again, is another one."""
        book, page = ledger(), Page()
        book.write([raised(), Cleared(5, WARM, 0, Priority.HIGH, ()), raised(now=9)], page)
        assert sorted(page.alarms) == [1, 2]
        assert book.row(2) == page.alarms[2]

    def test_a_change_of_what_is_not_open_writes_nothing(self) -> None:
        """What the ledger does not hold it does not invent."""
        book, page = ledger(), Page()
        book.write(
            [Changed(1, WARM, 0, Change.WORSE, Priority.HIGH), Cleared(5, WARM, 0, Priority.HIGH, ())], page
        )
        assert (page.alarms, page.journal) == ({}, [])

    def test_a_cause_is_named_by_its_number(self) -> None:
        """An explained alarm points to the alarm that explains it."""
        book, page = ledger(), Page()
        book.write([raised(MAINS), raised(WARM, cause=MAINS)], page)
        assert page.alarms[2].cause == 1

    def test_closed_alarms_are_forgotten_in_the_end(self) -> None:
        """Memory does not grow with the years."""
        book, page = ledger(), Page()
        for number in range(CLOSED_KEPT + 50):
            book.write([raised(now=number), Cleared(number, WARM, number, Priority.HIGH, ())], page)
        assert book.ended(1) is None
        assert book.ended(CLOSED_KEPT + 50) == CLOSED_KEPT + 49


class TestMessages:
    def test_a_message_names_its_alarms_and_marks_them_as_told(self) -> None:
        """The row knows when somebody was first told."""
        book, page = ledger(), Page()
        told = Told(WARM, 0, Priority.HIGH, Tone.RAISED)
        book.write([raised(), Notice(7, "first", Priority.HIGH, (told,))], page)
        (alert,) = page.alerts
        assert (alert.contact, alert.alarms, page.alarms[1].alerted) == ("first", (1,), 7)
        book.write([Notice(9, "second", Priority.HIGH, (told,))], page)
        assert page.alarms[1].alerted == 7
        assert [line.kind for line in page.journal][-2:] == [Kind.TOLD, Kind.TOLD]

    def test_a_message_about_an_alarm_that_ended_still_has_its_number(self) -> None:
        """Right again is said with the number that was told."""
        book, page = ledger(), Page()
        book.write([raised(), Cleared(5, WARM, 0, Priority.HIGH, ("Right again",), 29.0)], page)
        book.write(
            [Notice(6, "first", Priority.HIGH, (Told(WARM, 0, Priority.HIGH, Tone.RIGHT_AGAIN),))], page
        )
        assert "alarm 1" in page.alerts[0].text
