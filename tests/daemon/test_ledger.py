"""The ledger: what the engine answers becomes rows, journal and messages."""

import math
from dataclasses import replace
from itertools import count
from zoneinfo import ZoneInfo

import pytest

from daemon.ledger import CLOSED_KEPT, Ledger, Page
from daemon.record import Kind
from daemon.texts import Speaker
from rules.events import AlarmKey, Change, Changed, Cleared, Notice, Raised, Shown, Told, Tone
from rules.plan import Priority
from rules.reading import MINUTE, Quantity

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


class TestAfterARestart:
    def test_an_alarm_goes_on_where_it_was(self) -> None:
        """An adopted alarm keeps its number, and is cleared under it."""
        before, page = ledger(), Page()
        before.write([raised()], page)
        after, later = ledger(), Page()
        after.adopt(page.alarms[1], ("It is warm",), ())
        assert after.open_rows() == (page.alarms[1],)
        after.write([Cleared(9, WARM, 0, Priority.HIGH, ("Right again",), 29.0)], later)
        assert later.alarms[1].cleared == 9

    def test_a_message_of_an_ended_alarm_still_has_its_words(self) -> None:
        """What ended before the restart and waits to be told is told under its number."""
        before, page = ledger(), Page()
        before.write([raised(), Cleared(5, WARM, 0, Priority.HIGH, ("Right again",), 29.0)], page)
        after, later = ledger(), Page()
        after.recall(page.alarms[1])
        told = Told(WARM, 0, Priority.HIGH, Tone.RIGHT_AGAIN)
        after.write([Notice(9, "first", Priority.HIGH, (told,))], later)
        (alert,) = later.alerts
        assert alert.alarms == (1,)

    def test_what_nobody_knows_any_more_is_not_told(self) -> None:
        """A message about an alarm of which no row is left names no number."""
        book, page = ledger(), Page()
        unknown, told = (Told(key, 0, Priority.HIGH, Tone.RAISED) for key in (MAINS, WARM))
        book.write([raised(), Notice(9, "first", Priority.HIGH, (unknown, told))], page)
        assert [alert.alarms for alert in page.alerts] == [(1,)]


class TestWhatPeopleAndRulesAdd:
    @pytest.mark.parametrize("ended", [False, True], ids=["open", "ended"])
    def test_a_label_stays_with_its_alarm(self, ended: bool) -> None:
        """What a keeper says of an alarm is in its row, and only in its own, from then on."""
        book, page = ledger(), Page()
        book.write([raised(), raised(MAINS)], page)
        if ended:
            book.write([Cleared(5, WARM, 0, Priority.HIGH, ())], page)
        label = Page()
        book.label(replace(page.alarms[1], label="a lid"), label)
        assert {number: row.label for number, row in label.alarms.items()} == {1: "a lid"}
        assert (book.row(1).label, book.row(2).label) == ("a lid", "")

    def test_what_is_said_anew_brings_its_value_and_its_advice(self) -> None:
        """Words, value and advice of a row are those that were said last."""
        book, page = ledger(), Page()
        anew = Changed(
            2, WARM, 0, Change.SAID_ANEW, Priority.HIGH, reason=("Hot",), advice=("Look",), value=36.5
        )
        book.write([raised(), anew], page)
        row = page.alarms[1]
        assert (row.words, row.advice, row.value) == ("Hot", "Look", 36.5)

    def test_a_forecast_is_shown_and_no_number_is_none(self) -> None:
        """What is only shown goes to the page; a value that is no number is shown as none."""
        book, page = ledger(), Page()
        known = Shown(3, "box-1", "air", Quantity.TEMPERATURE, "a", 27.5, (("limit", 26.0),))
        book.write([known, replace(known, sensor="b", value=math.nan, detail=())], page)
        assert page.shown == {
            "box-1/air/temperature/a": {"now": 3, "value": 27.5, "limit": 26.0},
            "box-1/air/temperature/b": {"now": 3, "value": None},
        }


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
