"""Restart = no restart: what was acknowledged, shelved or on hold goes on where it stood."""

from dataclasses import replace
from pathlib import Path

import pytest

from daemon.logbook import Archive, Logbook
from daemon.orders import write_order
from daemon.record import AlarmRow, Batch, Kind
from rules.reading import MINUTE, SECOND
from tests.kit.hand import Handled, room
from tests.kit.history import History, judged
from tests.kit.receivers import http_receiver

GOOD, WARM = 29.5, 35.0


def alarmed(folder: Path, reach: str = "") -> Handled:
    """Give a room whose box-1 is too warm; with an address there is a contact."""
    given = {"first": lambda: reach} if reach else {}
    hand = Handled(folder, room("box-1", "box-2", contact=bool(reach)), reach=given)
    hand.start()
    hand.feed({"box-1": GOOD, "box-2": GOOD}, 5 * MINUTE)
    hand.feed({"box-1": WARM, "box-2": GOOD}, 5 * MINUTE)
    hand.commit()
    assert next(row.key.rule for row in hand.alarms(open_only=True)) == "too warm"
    return hand


def restarted(hand: Handled, away: int = 0) -> None:
    """Kill the watch and start it again."""
    hand.drop()
    hand.clock.advance(away)
    hand.start()


class TestOrders:
    @pytest.mark.parametrize("restart", [False, True], ids=["straight", "restarted"])
    def test_an_acknowledged_alarm_stays_acknowledged(self, tmp_path: Path, *, restart: bool) -> None:
        """The number, who has seen it and when are the same after a kill, and it is not said again."""
        with http_receiver() as receiver:
            hand = alarmed(tmp_path, receiver.reach())
            row = hand.alarms(open_only=True)[0]
            assert hand.order(verb="acknowledge", alarm=row.number) == "done"
            hand.commit()
            before = hand.alarms(open_only=True)[0]
            told = len(hand.journal(Kind.TOLD))
            assert told == 1
            if restart:
                restarted(hand)
            hand.feed({"box-1": WARM, "box-2": GOOD}, 75 * MINUTE)
            after = hand.alarms(open_only=True)[0]
            assert before.acknowledged is not None
            assert before.acknowledged_by == "keeper"
            assert after == replace(before, value=after.value, words=after.words)
            assert len(hand.journal(Kind.TOLD)) == told
            hand.end()

    @pytest.mark.parametrize("restart", [False, True], ids=["straight", "restarted"])
    def test_a_shelved_alarm_is_quiet_until_its_hour(self, tmp_path: Path, *, restart: bool) -> None:
        """Shelving ends at the same instant whether or not the watch was killed meanwhile."""
        hand = alarmed(tmp_path)
        row = hand.alarms(open_only=True)[0]
        assert hand.order(verb="shelve", alarm=row.number, for_ms=30 * MINUTE) == "done"
        hand.commit()
        shelved = hand.alarms(open_only=True)[0].shelved_until
        if restart:
            restarted(hand, away=10 * SECOND)
        hand.feed({"box-1": WARM, "box-2": GOOD}, 35 * MINUTE)
        ends = [one for one in hand.journal(Kind.CHANGED) if one.body["change"] == "unshelved"]
        assert shelved is not None
        assert [one.now for one in ends] == [shelved]
        hand.end()

    def test_a_place_out_of_service_stays_out(self, tmp_path: Path) -> None:
        """An order about a place holds over a kill."""
        hand = alarmed(tmp_path)
        assert hand.order(verb="service", place="box-2", **{"in": False}) == "done"
        hand.commit()
        restarted(hand)
        hand.feed({"box-1": WARM, "box-2": WARM}, 10 * MINUTE)
        assert {row.key.place for row in hand.alarms(open_only=True)} == {"box-1"}
        hand.end()

    def test_an_order_given_while_nobody_ran_is_taken_at_the_start(self, tmp_path: Path) -> None:
        """What waits in the logbook is answered by the next watch."""
        hand = alarmed(tmp_path)
        number = hand.alarms(open_only=True)[0].number
        hand.drop()
        order = write_order(hand.state, "keeper", "command", {"verb": "acknowledge", "alarm": number})
        hand.start()
        hand.feed({"box-1": WARM, "box-2": GOOD}, MINUTE)
        with hand.archive() as archive:
            asked = archive.order(order)
        assert asked is not None
        assert asked.answer == "done"
        assert hand.alarms(open_only=True)[0].acknowledged_by == "keeper"
        hand.end()

    def test_a_stage_given_by_an_order_holds_over_a_restart(self, tmp_path: Path) -> None:
        """What an order changed in the settings is in force in the next watch too."""
        hand = alarmed(tmp_path)
        assert hand.order(verb="use", place="box-1", **{"in": False}) == "done"
        hand.commit()
        restarted(hand)
        hand.feed({"box-1": WARM, "box-2": GOOD}, 5 * MINUTE)
        assert hand.alarms(open_only=True) == []
        hand.end()


class TestHold:
    @pytest.mark.parametrize("away", [0, 20 * SECOND, 5 * MINUTE], ids=["at once", "20 s", "5 min"])
    def test_a_hold_is_later_by_at_most_the_span_away(self, tmp_path: Path, away: int) -> None:
        """A kill in the middle of a hold delays its alarm by no more than the time without readings."""
        raised = {}
        for restart in (False, True):
            hand = Handled(tmp_path / str(restart), room("box-1", hold="4 min"))
            hand.start()
            hand.feed({"box-1": GOOD}, 5 * MINUTE)
            hand.feed({"box-1": WARM}, 2 * MINUTE)
            hand.commit()
            if restart:
                restarted(hand, away)
            hand.feed({"box-1": WARM}, 10 * MINUTE)
            raised[restart] = hand.alarms("too warm")[0].raised
            hand.end()
        span = away + 30 * SECOND
        assert raised[False] - 1 <= raised[True] <= raised[False] + span

    def test_the_span_away_raises_no_silence(self, tmp_path: Path) -> None:
        """Hours without a watch are a span in the journal, not a silent sensor."""
        hand = alarmed(tmp_path)
        restarted(hand, away=180 * MINUTE)
        hand.feed({"box-1": GOOD, "box-2": GOOD}, 2 * MINUTE)
        assert hand.alarms("silent") == []
        since = hand.journal(Kind.AWAY)[-1]
        assert since.now - int(str(since.body["since"])) >= 180 * MINUTE
        hand.end()


class TestTruth:
    def test_nothing_is_said_twice_after_a_kill(self, tmp_path: Path) -> None:
        """Replay puts nothing into the outbox, over ten kills in a row."""
        with http_receiver() as receiver:
            hand = alarmed(tmp_path, receiver.reach())
            for _ in range(10):
                restarted(hand, away=SECOND)
                hand.feed({"box-1": WARM, "box-2": GOOD}, 30 * SECOND)
            hand.commit()
            with hand.archive() as archive:
                verdict = judged(archive, History())
                assert len([one for one in archive.alarms() if one.key.rule == "too warm"]) == 1
                assert archive.outbox()
            assert verdict.faults == 0, str(verdict)
            hand.end()

    def test_an_open_alarm_that_nothing_bears_out_is_closed_with_the_reason(self, tmp_path: Path) -> None:
        """The journal is put right where the engine does not know an alarm."""
        hand = alarmed(tmp_path)
        strange = _strange(hand.archive())
        hand.drop()
        with Logbook.open(hand.state) as logbook:
            logbook.commit([Batch(strange.raised, alarms=(strange,))])
        hand.start()
        hand.feed({"box-1": WARM, "box-2": GOOD}, MINUTE)
        closed = {row.number: row.cleared for row in hand.alarms()}
        assert closed[strange.number] is not None
        assert "bears it out" in str(hand.journal(Kind.CLEARED)[-1].body["words"])
        hand.end()

    def test_an_alarm_that_ended_before_the_restart_is_no_news(self, tmp_path: Path) -> None:
        """What waited in the outbox while its alarm ended is known to be over after a restart."""
        hand = alarmed(tmp_path, "json://127.0.0.1:9/nobody")
        hand.feed({"box-1": GOOD, "box-2": GOOD}, 10 * MINUTE)
        hand.commit()
        restarted(hand)
        assert hand.watch is not None
        row = hand.alarms("too warm")[0]
        assert hand.watch._judge.ledger.ended(row.number) == row.cleared
        hand.end()

    def test_organs_are_well_again_after_a_restart(self, tmp_path: Path) -> None:
        """A fault of the watch's own that is over does not stay open because it was killed in it."""
        hand = Handled(tmp_path, room("box-1"))
        hand.start()
        hand.feed({"box-1": GOOD}, MINUTE)
        good = hand.config.read_text()
        hand.config.write_text("[room\n")
        assert hand.watch is not None
        hand.watch.reload()
        hand.clock.set_trusted(False)
        hand.feed({"box-1": GOOD}, 3 * MINUTE)
        hand.commit()
        assert {row.key.place for row in hand.alarms(open_only=True)} == {"watch"}
        hand.config.write_text(good)
        hand.clock.set_trusted(True)
        restarted(hand)
        hand.feed({"box-1": GOOD}, 10 * MINUTE)
        hand.commit()
        assert hand.alarms(open_only=True) == []
        hand.end()


def _strange(archive: Archive) -> AlarmRow:
    with archive:
        row = archive.alarms(open_only=True)[0]
    return replace(row, number=row.number + 500, key=row.key._replace(rule="too cool"))
