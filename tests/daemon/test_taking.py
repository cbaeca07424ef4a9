"""Orders: each is answered in words, and what cannot be taken changes nothing."""

from pathlib import Path

import pytest

from daemon.orders import OrderError, checked, write_order
from daemon.record import Json, Kind
from rules.reading import MINUTE, SECOND
from tests.kit.hand import Handled, room


@pytest.fixture
def hand(tmp_path: Path) -> Handled:
    """Give a watch with one open alarm, number 1."""
    made = Handled(tmp_path, room("box-1", "box-2"))
    made.start()
    made.feed({"box-1": 29.5, "box-2": 29.5}, 2 * MINUTE)
    made.feed({"box-1": 35.0, "box-2": 29.5}, 4 * MINUTE)
    made.commit()
    return made


class TestAnswers:
    @pytest.mark.parametrize(
        ("body", "answer"),
        [
            ({"verb": "acknowledge", "alarm": 1}, "done"),
            ({"verb": "acknowledge", "alarm": 77}, "refused: there is no alarm 77"),
            ({"verb": "shelve", "alarm": 1, "for_ms": 60_000}, "done"),
            ({"verb": "unshelve", "alarm": 1}, "done"),
            ({"verb": "note", "alarm": 1, "text": "lamp"}, "noted"),
            ({"verb": "label", "alarm": 1, "label": "nuisance"}, "noted"),
            ({"verb": "service", "place": "box-1", "in": False}, "done"),
            ({"verb": "service", "place": "attic", "in": False}, "refused: there is no place 'attic'"),
            ({"verb": "stage", "place": "box-1", "stage": "adult"}, "done"),
            ({"verb": "stage", "place": "box-1", "stage": "old"}, "refused: a stage is one of"),
            ({"verb": "use", "place": "box-2", "in": False}, "done"),
            ({"verb": "undo", "order": 99}, "refused: there is no order 99 to undo"),
            ({"verb": "shelve", "alarm": 1, "for_ms": 2**52}, ""),
        ],
        ids=lambda value: value if isinstance(value, str) else "-".join(map(str, list(value.values())[:2])),
    )
    def test_every_order_is_answered(self, hand: Handled, body: dict[str, Json], answer: str) -> None:
        """The answer says what came of it; the watch goes on."""
        assert hand.order(**body).startswith(answer)
        hand.feed({"box-1": 35.0, "box-2": 29.5}, MINUTE)
        hand.end()

    @pytest.mark.parametrize(
        ("given", "undone"),
        [
            ({"verb": "acknowledge", "alarm": 1}, "done"),
            ({"verb": "shelve", "alarm": 1, "for_ms": 600_000}, "done"),
            ({"verb": "service", "place": "box-1", "in": False}, "done"),
            ({"verb": "label", "alarm": 1, "label": "real"}, "done"),
            ({"verb": "note", "alarm": 1, "text": "lamp"}, "done"),
            ({"verb": "unshelve", "alarm": 1}, "refused: unshelve cannot be undone"),
            ({"verb": "stage", "place": "box-1", "stage": "adult"}, "refused: stage cannot be undone"),
            ({"verb": "acknowledge", "alarm": 77}, "refused: that order changed nothing"),
        ],
        ids=lambda value: value if isinstance(value, str) else str(value["verb"]),
    )
    def test_an_order_can_be_undone_for_ten_minutes(
        self, hand: Handled, given: dict[str, Json], undone: str
    ) -> None:
        """Undo takes back what can be taken back, and says what cannot."""
        hand.order(**given)
        with hand.archive() as archive:
            number = archive.orders()[0].id
        assert hand.order(verb="undo", order=number) == undone
        hand.end()

    def test_too_late_to_undo(self, hand: Handled) -> None:
        """After ten minutes an order stands."""
        hand.order(verb="acknowledge", alarm=1)
        hand.feed({"box-1": 35.0, "box-2": 29.5}, 11 * MINUTE)
        with hand.archive() as archive:
            number = archive.orders()[0].id
        assert hand.order(verb="undo", order=number) == "refused: an order can be undone for 10 minutes"
        hand.end()

    def test_an_undone_acknowledgement_is_gone(self, hand: Handled) -> None:
        """The alarm is unseen again, and the journal has both with who and from where."""
        hand.order(verb="acknowledge", alarm=1)
        with hand.archive() as archive:
            number = archive.orders()[0].id
        hand.order(verb="undo", order=number)
        hand.commit()
        assert hand.alarms()[0].acknowledged is None
        lines = hand.journal(Kind.ORDER)
        assert [line.body["verb"] for line in lines] == ["acknowledge", "undo"]
        assert {line.body["by"] for line in lines} == {"keeper"}
        assert {line.body["source"] for line in lines} == {"command"}
        hand.end()


class TestRefused:
    @pytest.mark.parametrize(
        "body",
        [
            {},
            {"verb": "explode"},
            {"verb": "acknowledge"},
            {"verb": "acknowledge", "alarm": "1"},
            {"verb": "acknowledge", "alarm": 0},
            {"verb": "acknowledge", "alarm": True},
            {"verb": "acknowledge", "alarm": 2**60},
            {"verb": "shelve", "alarm": 1},
            {"verb": "shelve", "alarm": 1, "for_ms": -5},
            {"verb": "label", "alarm": 1, "label": "boring"},
            {"verb": "note", "alarm": 1, "text": "x", "more": 1},
            {"verb": ["note"]},
        ],
        ids=str,
    )
    def test_what_is_no_order_never_reaches_the_watch(self, tmp_path: Path, body: dict[str, Json]) -> None:
        """It is refused where it is written."""
        with pytest.raises(OrderError):
            checked(body)
        with pytest.raises(OrderError):
            write_order(tmp_path, "keeper", "command", body)

    def test_an_order_about_an_earlier_alarm_does_not_hit_the_later_one(self, hand: Handled) -> None:
        """A number names one alarm: when it has ended, the next one of the same identity stays unseen."""
        hand.feed({"box-1": 29.5, "box-2": 29.5}, 10 * MINUTE)
        hand.feed({"box-1": 35.0, "box-2": 29.5}, 5 * MINUTE)
        hand.order(verb="acknowledge", alarm=1)
        hand.pass_time(2 * SECOND)
        hand.commit()
        (row,) = hand.alarms(open_only=True)
        assert row.number == 2
        assert row.acknowledged is None
        hand.end()
