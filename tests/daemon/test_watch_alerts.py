"""Alerts out of a watch whose clock runs at the test's pace, to real receivers that have a bad night."""

import sqlite3
import time
from pathlib import Path

import pytest

from daemon.alerting import grouped
from daemon.courier import Outcome, Parcel, Result
from daemon.errand import Errand
from daemon.record import Alert
from rules.plan import Priority
from rules.reading import HOUR, MINUTE, SECOND
from tests.kit.broker import until
from tests.kit.hand import Handled, room
from tests.kit.history import History, judged
from tests.kit.receivers import HttpReceiver, Mode, http_receiver

GOOD, WARM = 29.5, 35.0

BOTH = """
[[contact]]
name = "good"
reach = "good"
priorities = ["high", "medium", "low"]
"""


def two(folder: Path, bad: HttpReceiver, good: HttpReceiver) -> Handled:
    """Give a room with two contacts."""
    reach = {"first": bad.reach, "good": good.reach}
    hand = Handled(folder, room("box-1", contact=True, more=BOTH), reach=reach)
    hand.start()
    hand.feed({"box-1": GOOD}, 3 * MINUTE)
    return hand


class TestBadNights:
    @pytest.mark.parametrize(
        "mode", [Mode.MUTE, Mode.DRIP, Mode.ERROR, None], ids=["mute", "dripping", "500", "dead"]
    )
    def test_the_other_contact_is_served_and_the_bad_one_afterwards(
        self, tmp_path: Path, mode: Mode | None
    ) -> None:
        """Judging and recording go on meanwhile; nothing that was raised goes untold."""
        bad = HttpReceiver(mode=mode or Mode.OK)
        if mode is not None:
            bad.up()
        try:
            with http_receiver() as good:
                hand = two(tmp_path, bad, good)
                hand.feed({"box-1": WARM}, 4 * MINUTE)
                assert any("too warm" in title for title in good.titles())
                count, bad.mode = len(bad.got), Mode.OK
                if mode is None:
                    bad.up()
                hand.feed({"box-1": WARM}, 6 * MINUTE)
                assert any("too warm" in title for title in bad.titles()[count:])
                hand.commit()
                with hand.archive() as archive:
                    history = History()
                    history.take([*good.got, *bad.got])
                    verdict = judged(archive, history)
                    assert len([one for one in archive.replay_rows(0) if one.sensor == "box-1"]) == 26
                assert verdict.faults == 0, str(verdict)
                hand.end()
        finally:
            bad.down()

    def test_what_is_urgent_does_not_wait_long_for_a_slow_card(self, tmp_path: Path) -> None:
        """High priority goes out from memory, marked, after three seconds; it is told once all the same."""
        with http_receiver() as phone:
            hand = Handled(tmp_path, room("box-1", contact=True), reach={"first": phone.reach})
            hand.start()
            hand.feed({"box-1": GOOD}, 3 * MINUTE)
            hand.feed({"box-1": WARM}, 90 * SECOND)
            hand.commit()
            assert hand.watch is not None
            holder = sqlite3.connect(hand.state / "logbook.db", isolation_level=None)
            holder.execute("BEGIN IMMEDIATE")
            hand.put("box-1", WARM)
            for _ in range(45):
                hand.clock.advance(SECOND)
                hand.watch.turn()
            time.sleep(1.2)
            for _ in range(4):
                hand.clock.advance(SECOND)
                hand.watch.turn()
            until(lambda: phone.got, "it is told while the card does not answer", 4)
            holder.execute("ROLLBACK")
            holder.close()
            hand.feed({"box-1": WARM}, 3 * MINUTE)
            hand.commit()
            with hand.archive() as archive:
                history = History()
                history.take(phone.got)
                assert judged(archive, history).faults == 0
            hand.end()
        assert [title.startswith("box-1 too warm") for title in phone.titles()] == [True]
        assert "Not recorded" in phone.got[0].json["message"]

    def test_eight_hours_dead_end_in_one_message_gravest_first(self, tmp_path: Path) -> None:
        """When the contact is back it is told once of all that happened, and what is over by then."""
        bad = HttpReceiver()
        try:
            with http_receiver() as good:
                hand = two(tmp_path, bad, good)
                hand.feed({"box-1": WARM}, 5 * MINUTE)
                for _ in range(3):
                    hand.drop()
                    hand.clock.advance(SECOND)
                    hand.start()
                    hand.feed({"box-1": GOOD}, 20 * MINUTE)
                    hand.feed({"box-1": WARM}, 20 * MINUTE)
                hand.feed({"box-1": GOOD}, HOUR, every=MINUTE)
                bad.up()
                hand.feed({"box-1": GOOD}, 30 * MINUTE)
                assert len([one for one in bad.titles() if "too warm" in one]) <= 2
                assert "eanwhile right again" in bad.got[0].json["message"] + bad.titles()[0]
                hand.commit()
                with hand.archive() as archive:
                    history = History()
                    history.take([*good.got, *bad.got])
                    verdict = judged(archive, history)
                assert verdict.faults == 0, str(verdict)
                hand.end()
        finally:
            bad.down()

    def test_what_is_over_by_then_does_not_wait_for_its_own_hour(self, tmp_path: Path) -> None:
        """The first message that a contact takes again opens the way for all that surely never arrived."""
        bad = HttpReceiver()
        try:
            with http_receiver() as good:
                hand = two(tmp_path, bad, good)
                hand.feed({"box-1": WARM}, 40 * MINUTE, every=MINUTE)
                hand.drop()
                hand.clock.advance(10 * MINUTE)
                bad.up()
                hand.start()
                hand.feed({"box-1": WARM}, 4 * MINUTE)
                hand.commit()
                with hand.archive() as archive:
                    assert [one.title for one in archive.outbox() if one.done is None] == []
                hand.end()
        finally:
            bad.down()

    def test_of_what_was_said_again_only_the_newest_is_told(self) -> None:
        """Hours of repeats do not push another alarm out of the message."""
        said = [
            Alert(
                n, n * MINUTE, "first", Priority.HIGH, f"Still: too warm {n}", f"too warm {n}", (7,), "repeat"
            )
            for n in range(1, 30)
        ]
        other = Alert(40, 50 * MINUTE, "first", Priority.MEDIUM, "too dry", "it is too dry", (8,))
        message = grouped([*said, other], lambda _: None, 60 * MINUTE)
        assert message.title.startswith("2 messages")
        assert "too warm 29" in message.text
        assert "it is too dry" in message.text

    def test_the_words_of_a_message_are_no_outcome(self) -> None:
        """A message that speaks of refused connections is not taken for one that was never sent."""
        with http_receiver(Mode.LOST) as phone:
            words = "Connection refused, error=401, code 534, no route to host"
            errand = Errand(
                [Parcel("x", "x", phone.reach(), words, words)],
                lambda: time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000,
            )
            results: list[Result] = []
            until(lambda: results.extend(errand.poll()) or errand.ended, "the courier ends", 25)
            assert len(phone.got) == 1
            assert [one.outcome for one in results] == [Outcome.ANSWER_LOST]

    def test_a_lost_answer_brings_at_most_three_in_an_hour(self, tmp_path: Path) -> None:
        """An attempt that may have arrived is repeated, with the same alarm number, but not for ever."""
        with http_receiver(Mode.LOST) as bad, http_receiver() as good:
            hand = two(tmp_path, bad, good)
            hand.feed({"box-1": WARM}, 55 * MINUTE, every=MINUTE)
            number = hand.alarms("too warm")[0].number
            same = [got for got in bad.got if got.json["title"] == "box-1 too warm, 35.0 °C"]
            assert 1 <= len(same) <= 3
            assert all(f"alarm {number}" in got.json["message"] for got in same)
            hand.end()
