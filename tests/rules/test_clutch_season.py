"""What is due around the clutches, and what is late."""

import pytest

from rules.clutch import Book, Clutch, Deed, EggEntry, Of
from rules.plan import Priority
from rules.reading import DAY, HOUR
from rules.season import (
    DISTURB_NOT,
    Expectation,
    Kind,
    Reminder,
    due,
    hatching_watch,
    overdue,
    settling,
    within,
)

LAID = 1_000 * DAY
BOXES = {"box-1": True, "rearing": False}


def book(*entries):
    """Make a book with one clutch of six eggs and entries (deed, day, more)."""
    found = Book().with_clutch(Clutch("P-07", "Paroedura picta", LAID, 6, "box-1"), BOXES)
    for number, (deed, day, more) in enumerate(entries, 1):
        at = LAID + round(day * DAY)
        found = found.with_entry(EggEntry(number, "P-07", at, at, deed, **more), BOXES)
    return found


def day(number):
    """Give an instant, days after laying."""
    return LAID + round(number * DAY)


def hatch(earliest, latest):
    """Give a hatch window in days after laying."""
    return [Expectation("P-07", day(earliest), day((earliest + latest) / 2), day(latest))]


class TestDue:
    def test_candling_is_due_and_late(self):
        """Day 7 is in this week's list at day 5 and late at day 9."""
        coming = due(book(), [], [], day(5), day(12))
        assert [(one.kind, one.late) for one in coming] == [(Kind.CANDLE, False)]
        assert due(book(), [], [], day(9), day(9.5))[0].late

    def test_candled_is_done(self):
        """Candled at day 6 is done for day 7, not for day 30."""
        found = due(book((Deed.CANDLED, 6.0, {})), [], [], day(9), day(40))
        assert [one.at for one in found] == [day(30)]

    def test_after_a_pip_nobody_candles(self):
        """Candling is off the list once an egg has pipped."""
        assert due(book((Deed.PIPPED, 28.0, {})), [], [], day(29), day(40)) == ()

    def test_on_its_day_it_is_not_late(self):
        """All of day 7 the candling is due; late is the day after, and after a week it is off."""
        assert not due(book(), [], [], day(7.9), day(8))[0].late
        assert due(book(), [], [], day(8.1), day(8.2))[0].late
        assert due(book(), [], [], day(14.1), day(14.2)) == ()

    def test_only_the_newest_candling_is_late(self):
        """At day 31 day 30 is due; nobody is told of day 7 any more."""
        assert [one.at for one in due(book(), [], [], day(31.5), day(32))] == [day(30)]

    def test_feed_out_of_the_refrigerator(self):
        """A reminder stands in the same list on its day, and late when that is past."""
        feed = [Reminder(day(4), day(5), "crickets"), Reminder(day(6), day(7), "mice")]
        found = due(book(), [], feed, day(5.5), day(6.5))
        assert [(one.kind, one.late) for one in found if one.kind is not Kind.CANDLE] == [
            (Kind.REMINDER, True),
            (Kind.REMINDER, False),
        ]
        assert found[0].text == ("crickets",)

    def test_a_reminder_ends(self):
        """One that comes back is over with its day; one of a clutch with the clutch; any after a week."""
        again = [Reminder(day(4), day(5), "spray", again=True)]
        assert due(book((Deed.CANDLED, 6.0, {})), [], again, day(5.5), day(6)) == ()
        over = book((Deed.SLUMPED, 3.0, {}))
        of_it = [Reminder(day(4), day(5), "feed", "P-07")]
        assert due(over, [], of_it, day(4.5), day(6)) == ()
        assert due(over, [], [Reminder(day(4), day(5), "feed")], day(12.5), day(13)) == ()

    def test_a_reminder_of_a_clutch_says_its_box(self):
        """A reminder of a clutch that goes on stands in the list with the box where it lies."""
        of_it = [Reminder(day(4), day(5), "feed", "P-07")]
        found = due(book((Deed.CANDLED, 3.9, {})), [], of_it, day(4.5), day(5))
        assert [(one.clutch, bool(one.place)) for one in found if one.kind is Kind.REMINDER] == [
            ("P-07", True)
        ]

    def test_tonight_is_a_part_of_this_week(self):
        """What may hatch tonight is in both lists, what may hatch on Friday in one."""
        found = book((Deed.CANDLED, 29.0, {}))
        week = due(found, hatch(55.0, 62.0), [], day(54.5), day(61.5))
        assert [one.kind for one in week] == [Kind.HATCH]
        assert within(week, day(54.9)) == ()
        assert within(week, day(55.1)) == week

    def test_an_empty_box_hatches_no_more(self):
        """A clutch without eggs is in no list."""
        found = book((Deed.CANDLED, 29.0, {}), (Deed.HATCHED, 57.0, {}))
        assert due(found, hatch(55.0, 62.0), [], day(57.5), day(60.0)) == ()


class TestHatching:
    def test_the_watch_begins_with_the_first_pip(self):
        """From the first pip it names box, who is out and who is left."""
        found = book((Deed.PIPPED, 55.0, {"count": 1}), (Deed.HATCHED, 55.5, {"count": 1}))
        (one,) = hatching_watch(found, day(55.6))
        assert (one.box, one.since, one.out, one.left) == ("box-1", day(55.0), 1, 5)
        assert hatching_watch(found, day(54.9)) == ()

    def test_it_ends_with_the_last_egg(self):
        """No egg left, no watch."""
        assert hatching_watch(book((Deed.HATCHED, 55.5, {})), day(55.6)) == ()

    def test_it_ends_when_nothing_comes_any_more(self):
        """Ten days after the newest hatching the watch is over."""
        found = book((Deed.HATCHED, 55.0, {"count": 1}))
        assert len(hatching_watch(found, day(64.9))) == 1
        assert hatching_watch(found, day(65.1)) == ()


class TestSettling:
    def test_new_hatchlings_are_left_alone_for_a_day(self):
        """A place settles for 24 h after hatchlings came, with the reminder not to disturb."""
        move = {"of": Of.HATCHLING, "box": "rearing", "count": 2}
        found = book((Deed.HATCHED, 55.0, {"count": 2}), (Deed.MOVED, 56.0, move))
        (one,) = settling(found, day(56.0) + 23 * HOUR)
        assert (one.place, one.count, one.until) == ("rearing", 2, day(57.0))
        assert DISTURB_NOT in one.text
        assert settling(found, day(57.0)) == ()
        assert any(item.kind is Kind.LEAVE_ALONE for item in due(found, [], [], day(56.5), day(57.0)))

    def test_later_ones_begin_it_anew(self):
        """Who comes later settles from then on; both are counted."""
        move = {"of": Of.HATCHLING, "box": "rearing", "count": 1}
        found = book((Deed.HATCHED, 55.0, {"count": 2}), (Deed.MOVED, 56.0, move), (Deed.MOVED, 56.5, move))
        (one,) = settling(found, day(56.6))
        assert (one.count, one.until) == (2, day(57.5))


class TestOverdue:
    def test_low_and_sober(self):
        """Eggs left after the window are a low finding that names how many and since when."""
        found = book()
        verdict = overdue(found.clutches[0], found.account("P-07"), day(62.0), day(65.0))
        assert verdict.wrong
        assert verdict.priority is Priority.LOW
        assert verdict.since == day(62.0)
        assert "6 eggs of P-07" in verdict.reason[0]
        assert "do not open an egg" in verdict.advice[0]

    def test_right_again_when_the_box_is_empty(self):
        """The last egg out clears it."""
        found = book((Deed.HATCHED, 64.0, {}))
        verdict = overdue(found.clutches[0], found.account("P-07"), day(62.0), day(65.0))
        assert not verdict.wrong

    @pytest.mark.parametrize(("latest", "now"), [(day(62.0), day(61.9)), (None, day(900.0))])
    def test_nothing_before_the_end_or_without_one(self, latest, now):
        """Inside the window, or without any, nothing is found."""
        found = book()
        assert overdue(found.clutches[0], found.account("P-07"), latest, now) is None
