"""The egg log: counts follow, and what cannot be is refused whole."""

import pytest

from rules.clutch import Book, Clutch, ClutchError, Deed, EggEntry, Of, offered_stage
from rules.plan import Stage
from rules.reading import DAY, HOUR

LAID = 1_000 * DAY
BOXES = {"box-1": True, "box-2": True, "shelf": False, "rearing": False}
SPECIES = "Paroedura picta"


def clutch(id_="P-07", eggs=6, box="box-1", **more):
    """Make a clutch."""
    return Clutch(id_, SPECIES, more.pop("laid", LAID), eggs, box, **more)


def book(*clutches):
    """Make a book with clutches in it."""
    found = Book()
    for one in clutches or (clutch(),):
        found = found.with_clutch(one, BOXES)
    return found


def written(found, deed, count=0, day=10.0, **more):
    """Write an entry into a book; its number is its place in the log."""
    at = LAID + round(day * DAY)
    entry = EggEntry(
        len(found.entries) + 1, more.pop("id_", "P-07"), at, more.pop("now", at), deed, count, **more
    )
    return found.with_entry(entry, BOXES)


class TestCounts:
    def test_eggs_left_follow(self):
        """Six eggs, one slumped, two hatched, one died and one removed: one is left."""
        found = book()
        for deed, count in ((Deed.SLUMPED, 1), (Deed.HATCHED, 2), (Deed.DIED, 1), (Deed.REMOVED, 1)):
            found = written(found, deed, count, day=50.0)
        account = found.account("P-07")
        assert (account.left, account.hatched, account.hatchlings) == (1, 2, 2)
        assert account.hatch_rate == pytest.approx(2 / 4)
        assert account.over is None

    def test_without_a_count_it_is_all_that_are_left(self):
        """A hatching without a number is every egg that was left; then the clutch is over."""
        found = written(written(book(), Deed.SLUMPED, 2), Deed.HATCHED, day=57.0)
        account = found.account("P-07")
        assert account.hatched == 4
        assert account.left == 0
        assert account.over == LAID + 57 * DAY
        assert account.stays[-1].end == account.over

    def test_of_nothing_known_there_is_no_rate(self):
        """Before any egg's fate is known the hatch rate is None, not 0."""
        assert book().account("P-07").hatch_rate is None

    def test_a_pip_takes_no_egg_out(self):
        """Pipped eggs are still in the box; the first pip is remembered."""
        account = written(written(book(), Deed.PIPPED, 2, day=55.0), Deed.PIPPED, 1, day=55.5).account("P-07")
        assert (account.left, account.pipped) == (6, 3)
        assert account.first_pip == LAID + 55 * DAY

    def test_hatching_without_a_pip_is_one(self):
        """Where nobody saw the pip, the first hatching begins the watch."""
        account = written(book(), Deed.HATCHED, 1, day=56.0).account("P-07")
        assert account.first_pip == account.first_hatch == LAID + 56 * DAY

    def test_hatchlings_die_and_are_sold(self):
        """A hatchling's fate does not touch the eggs; "sold" is of hatchlings unless said."""
        found = written(book(), Deed.HATCHED, 4, day=56.0)
        found = written(found, Deed.DIED, 1, day=58.0, of=Of.HATCHLING)
        found = written(found, Deed.SOLD, 2, day=90.0)
        account = found.account("P-07")
        assert (account.hatchlings, account.hatchlings_died, account.hatchlings_sold) == (1, 1, 2)
        assert account.left == 2

    def test_entries_count_by_when_they_happened(self):
        """What is written down late is put where it belongs."""
        found = written(book(), Deed.HATCHED, 6, day=60.0)
        with pytest.raises(ClutchError, match="only 0 were there"):
            written(found, Deed.DIED, 1, day=59.0, of=Of.HATCHLING, now=LAID + 61 * DAY)

    def test_weight_loss(self):
        """Loss is percent of one egg's first weight, whatever the number of eggs."""
        found = written(book(), Deed.WEIGHED, day=1.0, grams=12.0)
        found = written(found, Deed.SLUMPED, 1, day=5.0)
        found = written(found, Deed.WEIGHED, day=20.0, grams=9.0)
        weighings = found.account("P-07").weighings
        assert [round(one.grams, 3) for one in weighings] == [2.0, 1.8]
        assert weighings[-1].loss == pytest.approx(10.0)

    def test_totals_of_a_season(self):
        """Totals are over the clutches laid in the season only."""
        found = book(clutch(), clutch("P-08", 2, "box-2"), clutch("old", 4, "box-1", laid=LAID - 400 * DAY))
        found = written(found, Deed.HATCHED, 3, day=60.0)
        found = written(found, Deed.SLUMPED, 1, day=60.0, id_="P-08")
        totals = found.totals(LAID - DAY, LAID + 300 * DAY)
        assert (totals.clutches, totals.eggs, totals.left) == (2, 8, 4)
        assert totals.hatch_rate == pytest.approx(3 / 4)


class TestMoves:
    def test_a_clutch_moves(self):
        """Its stays follow each other without a hole."""
        account = written(book(), Deed.MOVED, day=12.0, box="box-2").account("P-07")
        first, second = account.stays
        assert first.end == second.start == LAID + 12 * DAY
        assert account.box == "box-2"

    def test_hatchlings_move_without_their_eggs(self):
        """Hatchlings may go where no egg could; the eggs stay."""
        found = written(book(), Deed.HATCHED, 2, day=56.0)
        account = written(found, Deed.MOVED, 2, day=57.0, of=Of.HATCHLING, box="rearing").account("P-07")
        assert account.box == "box-1"
        assert [(arrival.place, arrival.count) for arrival in account.arrivals] == [("rearing", 2)]

    def test_more_hatchlings_than_there_are_cannot_move(self):
        """A move of more hatchlings than were there then is refused, with how many there were."""
        found = written(book(), Deed.HATCHED, 2, day=56.0)
        with pytest.raises(ClutchError, match="3 hatchlings moved, but only 2 were there"):
            written(found, Deed.MOVED, 3, day=57.0, of=Of.HATCHLING, box="rearing")

    def test_where_no_egg_is_left_none_can_move(self):
        """A clutch whose eggs are all gone cannot be moved any more."""
        found = written(book(), Deed.SLUMPED, day=20.0)
        with pytest.raises(ClutchError, match="no eggs left to move"):
            written(found, Deed.MOVED, day=21.0, box="box-2")

    def test_a_clutch_has_the_position_of_its_last_stay(self):
        """Where in a box a clutch lies follows its moves."""
        found = book(clutch(position="left"))
        assert found.account("P-07").position == "left"
        account = written(found, Deed.MOVED, day=12.0, box="box-2", position="back").account("P-07")
        assert account.position == "back"

    @pytest.mark.parametrize(
        ("deed", "of", "box", "offer"),
        [
            (Deed.MOVED, Of.HATCHLING, "rearing", ("rearing", Stage.HATCHLING)),
            (Deed.MOVED, None, "box-2", ("box-2", Stage.INCUBATION)),
            (Deed.PIPPED, None, "box-1", ("box-1", Stage.HATCHING)),
            (Deed.CANDLED, None, "", None),
        ],
        ids=["hatchlings", "eggs", "pip", "candled"],
    )
    def test_a_stage_is_offered(self, deed, of, box, offer):
        """A move and a pip offer the change of stage of the place; nothing else does."""
        assert offered_stage(EggEntry(1, "P-07", LAID, LAID, deed, of=of, box=box)) == offer

    def test_a_position_is_free_again(self):
        """When the last egg is out, another clutch may lie there."""
        found = written(book(), Deed.HATCHED, day=60.0)
        assert len(found.with_clutch(clutch("P-09", laid=LAID + 61 * DAY), BOXES).clutches) == 2

    def test_two_positions_of_one_box(self):
        """A box holds several clutches in positions of their own."""
        found = book(clutch(position="left"), clutch("P-08", position="right"))
        assert len(found.clutches) == 2


REFUSED = [
    pytest.param(Deed.HATCHED, {"count": 7}, "only 6 were left", id="eggs below zero"),
    pytest.param(Deed.SLUMPED, {"count": 7}, "only 6 were left", id="slumped below zero"),
    pytest.param(Deed.PIPPED, {"count": 7}, "only 6 were left", id="pipped below zero"),
    pytest.param(Deed.SOLD, {"count": 1}, "only 0 were there", id="hatchlings below zero"),
    pytest.param(Deed.HATCHED, {"count": -1}, "cannot be", id="a negative count"),
    pytest.param(Deed.CANDLED, {"day": -1.0}, "1.0 days before the clutch was laid", id="before laying"),
    pytest.param(Deed.CANDLED, {"now": LAID}, "in the future", id="in the future"),
    pytest.param(Deed.WEIGHED, {}, "grams", id="weighed without weight"),
    pytest.param(Deed.WEIGHED, {"grams": 0.0}, "grams", id="weighed nothing"),
    pytest.param(Deed.MOVED, {}, "needs the place", id="moved nowhere"),
    pytest.param(Deed.MOVED, {"box": "shelf"}, "no sensor", id="a box without a sensor"),
    pytest.param(Deed.MOVED, {"box": "attic"}, "no place", id="an unknown box"),
    pytest.param(Deed.MOVED, {"box": "box-2"}, "one position", id="two in one position"),
    pytest.param(Deed.UNDONE, {"undoes": 99}, "no entry 99", id="undo of nothing"),
    pytest.param(Deed.HATCHED, {"of": Of.HATCHLING, "count": 1}, "written of eggs", id="a hatchling hatches"),
    pytest.param(Deed.CANDLED, {"id_": "P-99"}, "P-07, P-08", id="an unknown clutch"),
]


class TestRefusals:
    @pytest.mark.parametrize(("deed", "parts", "words"), REFUSED)
    def test_nothing_is_half_applied(self, deed, parts, words):
        """What cannot be is refused with a reason, and the book is as it was."""
        found = book(clutch(), clutch("P-08", 2, "box-2"))
        before = (found, found.account("P-07"), found.account("P-08"))
        with pytest.raises(ClutchError, match=words):
            written(found, deed, **{"now": LAID + 100 * DAY, **parts})
        assert (found, found.account("P-07"), found.account("P-08")) == before

    @pytest.mark.parametrize(
        ("bad", "words"),
        [
            (clutch(), "already"),
            (clutch("P-08", 0), "at least one egg"),
            (clutch("P-08", 2, "shelf"), "no sensor"),
            (clutch("P-08", 2, "attic"), "no place"),
            (clutch("P-08", 2, "box-1"), "one position"),
        ],
        ids=["same id", "no eggs", "no sensor", "no place", "same position"],
    )
    def test_a_bad_clutch_is_refused(self, bad, words):
        """A clutch that cannot be is not added."""
        found = book()
        with pytest.raises(ClutchError, match=words):
            found.with_clutch(bad, BOXES)
        assert len(found.clutches) == 1


class TestUndo:
    def test_taken_back(self):
        """An undone entry counts for nothing, and both stay in the log."""
        found = written(book(), Deed.HATCHED, 2, day=56.0)
        found = written(found, Deed.UNDONE, day=56.1, undoes=1)
        assert found.account("P-07").left == 6
        assert len(found.entries) == 2

    def test_what_was_built_on_it_keeps_it(self):
        """A hatching cannot be undone while its hatchlings are sold."""
        found = written(written(book(), Deed.HATCHED, 2, day=56.0), Deed.SOLD, 2, day=80.0)
        with pytest.raises(ClutchError, match="only 0 were there"):
            written(found, Deed.UNDONE, day=81.0, undoes=1)

    @pytest.mark.parametrize(("undoes", "words"), [(1, "already"), (2, "takes another back")])
    def test_only_once(self, undoes, words):
        """Neither an undone entry nor an undo is undone again."""
        found = written(written(book(), Deed.SLUMPED, 1), Deed.UNDONE, day=10.1, undoes=1)
        with pytest.raises(ClutchError, match=words):
            written(found, Deed.UNDONE, day=10.2, undoes=undoes)

    def test_an_undone_move_must_fit_again(self):
        """A move cannot be undone once its old position is taken."""
        found = written(book(), Deed.MOVED, day=5.0, box="box-2")
        found = found.with_clutch(clutch("P-08", laid=LAID + 6 * DAY), BOXES)
        with pytest.raises(ClutchError, match="one position"):
            written(found, Deed.UNDONE, day=7.0, undoes=1)

    def test_order_of_writing_does_not_matter(self):
        """The account is the same whichever way the log is ordered."""
        found = written(
            written(book(), Deed.HATCHED, 2, day=56.0), Deed.CANDLED, day=20.0, now=LAID + HOUR * 2000
        )
        turned = Book(found.clutches, found.entries[::-1])
        assert turned.account("P-07") == found.account("P-07")
