"""Alerts reach their contacts, whatever the phone services do."""

import os
import signal
import time
from dataclasses import replace

import pytest

from daemon.courier import Outcome
from daemon.delivery import Delivery, Hooks, mark
from daemon.errand import Errand
from daemon.heartbeat import Heartbeat
from daemon.record import Alert
from rules.plan import Priority
from rules.reading import HOUR, MINUTE, Quantity
from tests.kit.receivers import HttpReceiver, Mode, free_port, http_receiver, smtp_receiver


def boottime() -> int:
    """Give the boot-time clock, ms."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000


class Room:
    """A delivery whose room time is turned by hand; its couriers and receivers are real."""

    def __init__(self, reach: dict[str, str], deadline: float = 6.0, **hooks) -> None:
        self.now = 1_000_000_000
        self.ends: dict[int, int] = {}
        self.outcomes: list[Alert] = []
        self.said: list = []
        self.started: list[tuple[int, Errand]] = []
        hooks.setdefault("start", lambda parcels: self._note(Errand(parcels, boottime, deadline)))
        self.delivery = Delivery(
            {name: (lambda url=url: url) for name, url in reach.items()},
            lambda: self.now,
            boottime,
            Hooks(ended=self.ends.get, **hooks),
        )

    def _note(self, errand: Errand) -> Errand:
        self.started.append((self.now, errand))
        return errand

    def alert(self, number: int, contact: str = "first", priority: Priority = Priority.HIGH, **more) -> Alert:
        """Make an alert of alarm ``number``, decided now."""
        base = Alert(
            number, self.now, contact, priority, f"box-{number} too warm", f"alarm {number}", alarms=(number,)
        )
        return replace(base, **more)

    def poll(self) -> None:
        """One round."""
        self.outcomes += self.delivery.poll()
        self.said += self.delivery.says()

    def settle(self) -> None:
        """Rounds until no courier is on its way."""
        self.poll()
        while self.delivery.busy:
            time.sleep(0.01)
            self.poll()

    def through(self, span: int, step: int = MINUTE) -> None:
        """Let room time pass."""
        for _ in range(span // step):
            self.now += step
            self.settle()

    def done(self) -> list[int | None]:
        """Numbers of what is done."""
        return [alert.id for alert in self.outcomes if alert.done is not None]


class TestWell:
    def test_an_alert_arrives_once_by_web_and_by_mail(self):
        """Each contact gets its alert by its own service, once, and the outcome says so."""
        with http_receiver() as web, smtp_receiver() as mail:
            room = Room({"first": web.reach(), "second": mail.reach()})
            room.delivery.offer([room.alert(1), room.alert(2, "second")])
            room.settle()
            room.through(2 * HOUR, 20 * MINUTE)

            assert web.titles() == ["box-1 too warm"]
            assert [message["Subject"] for message in mail.got] == ["box-2 too warm"]
            assert sorted(room.done()) == [1, 2]
            assert {alert.outcome for alert in room.outcomes} == {"accepted"}
            assert sorted(arrival.sensor for arrival in room.said) == [
                "watch/delivery/first",
                "watch/delivery/second",
            ]
            assert {arrival.values[Quantity.CONTACT].raw for arrival in room.said} == {1.0}

    def test_the_gravest_goes_first_and_the_oldest_of_them(self):
        """A contact hears high before medium, and older before newer."""
        with http_receiver() as web:
            room = Room({"first": web.reach()})
            room.delivery.offer(
                [
                    room.alert(1, priority=Priority.LOW),
                    room.alert(2, now=room.now - 10),
                    room.alert(3, now=room.now - 20),
                ]
            )
            room.settle()
            room.settle()
            room.settle()

            assert web.titles() == ["box-3 too warm", "box-2 too warm", "box-1 too warm"]

    def test_offering_again_sends_nothing_again(self):
        """From memory, with its number, and after delivery: one alert is one message."""
        with http_receiver() as web:
            room = Room({"first": web.reach()})
            alert = room.alert(1)
            room.delivery.offer([replace(alert, id=None)])
            room.delivery.offer([alert, alert])
            room.settle()
            room.delivery.offer([alert])
            room.settle()

            assert len(web.got) == 1
            assert {item.id for item in room.outcomes} == {1}

    def test_an_outcome_without_a_number_is_told_again_with_it(self):
        """What was sent from memory while the card was stuck is settled when the card is back."""
        with http_receiver() as web:
            room = Room({"first": web.reach()})
            alert = room.alert(1)
            room.delivery.offer([replace(alert, id=None)])
            room.settle()
            room.delivery.offer([alert])
            room.poll()

            assert [item.id for item in room.outcomes] == [None, 1]
            assert room.outcomes[1].done is not None
            assert len(web.got) == 1

    def test_the_picture_goes_along(self):
        """A picture from the hook is attached to the message."""
        with http_receiver() as web:
            room = Room({"first": web.reach()}, picture=lambda _: "iVBORw==")
            room.delivery.offer([room.alert(1)])
            room.settle()

            assert web.got[0].json["attachments"][0]["base64"] == "iVBORw=="


class TestOneIsIll:
    @pytest.mark.parametrize("mode", [Mode.MUTE, Mode.DRIP], ids=str)
    def test_others_are_served_while_one_hangs(self, mode):
        """Alerts to a contact that works are delivered while another still hangs, later ones too."""
        with http_receiver(mode) as ill, http_receiver() as well:
            room = Room({"ill": ill.reach(), "well": well.reach()})
            room.delivery.offer([room.alert(1, "ill"), room.alert(2, "well")])
            while room.done() != [2]:
                room.poll()
                time.sleep(0.01)
            room.delivery.offer([room.alert(3, "well")])
            while room.done() != [2, 3]:
                room.poll()
                time.sleep(0.01)

            assert room.delivery.busy
            room.settle()
            assert [alert.outcome.partition(":")[0] for alert in room.outcomes if alert.id == 1] == [
                "timed out"
            ]
            assert not room.delivery.all_silent

    def test_a_round_never_waits(self):
        """A round costs far less than the attempt that it starts."""
        with http_receiver(Mode.MUTE) as ill:
            room = Room({"ill": ill.reach()})
            room.delivery.offer([room.alert(1, "ill")])
            began = time.monotonic()
            slowest = 0.0
            while not room.outcomes:
                start = time.monotonic()
                room.poll()
                slowest = max(slowest, time.monotonic() - start)
                time.sleep(0.01)

            room.settle()
            assert slowest < (time.monotonic() - began) / 20

    def test_many_that_hang_leave_room_for_one_that_works(self):
        """Failing contacts never hold all couriers."""
        with http_receiver(Mode.DRIP) as ill, http_receiver() as well:
            names = [f"ill-{n}" for n in range(6)]
            room = Room({**{name: ill.reach() for name in names}, "well": well.reach()}, deadline=2.0)
            room.delivery.offer([room.alert(n, name) for n, name in enumerate(names)])
            room.settle()
            for n, name in enumerate(names):
                room.delivery.offer([room.alert(10 + n, name)])
                room.now += 2 * MINUTE
                room.poll()
            room.delivery.offer([room.alert(99, "well")])
            while 99 not in room.done():
                room.poll()
                time.sleep(0.01)

            assert room.delivery.busy
            room.delivery.stop()


class TestOutage:
    def test_eight_hours_dead_then_all_in_one_message(self):
        """Nothing is lost: back again, one message, gravest first, and what is over as one line."""
        with http_receiver() as well, http_receiver() as ill:
            room = Room({"ill": ill.reach(), "well": well.reach()})
            room.delivery.offer([room.alert(90, "well")])
            room.settle()
            ill.down()
            for hour in range(8):
                priority = Priority.HIGH if hour in {3, 5} else Priority.MEDIUM
                room.delivery.offer([room.alert(hour, "ill", priority)])
                room.through(HOUR, 10 * MINUTE)
            room.ends = {0: room.now - HOUR, 5: room.now - 2 * HOUR}
            room.delivery._hooks = replace(room.delivery._hooks, ended=room.ends.get)
            assert set(room.done()) == {90}
            ill.up()
            room.through(21 * MINUTE)

            assert len(ill.got) == 1
            text = ill.got[0].json["message"]
            assert ill.got[0].json["title"] == "6 messages: box-3 too warm"
            assert (
                text.index("box-3 too warm")
                < text.index("box-1 too warm")
                < text.index("Meanwhile right again")
            )
            assert "box-5 too warm" in text.partition("Meanwhile right again")[2]
            assert "waited 5 h" in text
            assert sorted(room.done()) == [0, 1, 2, 3, 4, 5, 6, 7, 90]
            assert room.delivery.waiting == ()
            said = [arrival for arrival in room.said if arrival.sensor == "watch/delivery/ill"]
            assert [arrival.values[Quantity.CONTACT].raw for arrival in said] == [0.0, 1.0]
            assert "unreachable" in said[0].note

    @pytest.mark.parametrize("mode", [Mode.LOST, Mode.ERROR, Mode.BAD_GATEWAY], ids=str)
    def test_no_hour_holds_more_than_three_attempts(self, mode):
        """An alert whose answers are lost is sent at most three times in any hour, then arrives."""
        times: list[int] = []
        with http_receiver(mode) as ill:
            room = Room({"ill": ill.reach()})
            room.delivery.offer([room.alert(1, "ill")])
            for _ in range(300):
                room.now += MINUTE
                before = len(ill.got)
                room.settle()
                times += [room.now] * (len(ill.got) - before)
            ill.mode = Mode.OK
            room.through(21 * MINUTE)

            assert len(times) >= 10
            assert max(sum(1 for at in times if start <= at < start + HOUR) for start in times) == 3
            assert len(ill.got) == len(times) + 1
            assert room.done() == [1]

    def test_a_contact_that_failed_before_a_restart_is_said_to_be_well(self):
        """A new process says "well" at its first success, so that an alarm from before can clear."""
        with http_receiver() as web:
            before = Room({"first": "nonsense://x"})
            before.delivery.offer([before.alert(1)])
            before.settle()
            after = Room({"first": web.reach()})
            after.now = before.now + HOUR
            after.delivery.offer([before.outcomes[-1]])
            after.settle()

            assert [arrival.values[Quantity.CONTACT].raw for arrival in before.said + after.said] == [
                0.0,
                1.0,
            ]

    def test_the_limit_holds_across_a_restart(self):
        """Tries and next try come back from the outbox, and three an hour still holds."""
        times: list[int] = []
        with http_receiver(Mode.LOST) as ill:
            room = Room({"ill": ill.reach()})
            alert = room.alert(1, "ill")
            room.delivery.offer([alert])
            for minute in range(240):
                room.now += MINUTE
                before = len(ill.got)
                room.settle()
                times += [room.now] * (len(ill.got) - before)
                if minute % 17 == 16:
                    fresh = Room({"ill": ill.reach()})
                    fresh.now = room.now
                    fresh.delivery.offer([room.outcomes[-1] if room.outcomes else alert])
                    fresh.outcomes, room = room.outcomes, fresh

            assert len(times) >= 8
            assert max(sum(1 for at in times if start <= at < start + HOUR) for start in times) <= 3

    def test_a_lost_answer_makes_one_extra_at_most(self):
        """One attempt whose answer was lost, then a good one: two messages with the same number."""
        with http_receiver(Mode.LOST) as ill:
            room = Room({"ill": ill.reach()})
            room.delivery.offer([room.alert(17, "ill")])
            room.settle()
            ill.mode = Mode.OK
            room.through(HOUR, 5 * MINUTE)

            assert len(ill.got) == 2
            assert all("alarm 17" in got.json["message"] for got in ill.got)

    def test_all_silent_is_known_and_ends_within_a_minute(self):
        """With nobody reachable the flag is up, tries come each minute, and the first success ends it."""
        receiver = HttpReceiver()
        room = Room({"first": receiver.reach(), "second": f"json://127.0.0.1:{free_port()}/"})
        room.delivery.offer([room.alert(1), room.alert(2, "second")])
        assert not room.delivery.all_silent
        room.settle()
        room.through(30 * MINUTE, 30_000)
        assert room.delivery.all_silent
        assert set(room.delivery.failing) == {"first", "second"}
        receiver.up()
        try:
            room.through(MINUTE, 30_000)
        finally:
            receiver.down()

        assert len(receiver.got) == 1
        assert not room.delivery.all_silent
        assert set(room.delivery.failing) == {"second"}

    def test_a_contact_without_a_target_fails_at_once(self):
        """An address that no service understands is said after the first try and kept waiting."""
        room = Room({"first": "nonsense://x"})
        room.delivery.offer([room.alert(1)])
        room.settle()

        assert [arrival.note for arrival in room.said] == [
            "no such target, no service understands this address"
        ]
        assert len(room.delivery.waiting) == 1


class TestTrouble:
    def test_a_killed_courier_loses_nothing(self):
        """The courier is shot in the middle: the alert stays, and arrives at the next try."""
        with http_receiver(Mode.MUTE) as web:
            room = Room({"first": web.reach()})
            room.delivery.offer([room.alert(1)])
            room.poll()
            while not web.got:
                time.sleep(0.01)
            os.kill(room.started[0][1].child.process.pid, signal.SIGKILL)
            room.settle()
            assert room.outcomes[-1].outcome == "answer lost: the courier ended without an answer"
            web.mode = Mode.OK
            room.through(2 * MINUTE)

            assert room.done() == [1]
            assert len(web.got) == 2

    def test_a_courier_that_cannot_start_loses_nothing(self):
        """No memory for a child is a failure like any other: said, and tried again."""

        def start(parcels):
            raise OSError(12, "Cannot allocate memory")

        room = Room({"first": "json://127.0.0.1:1/"}, start=start)
        room.delivery.offer([room.alert(1)])
        room.through(5 * MINUTE)

        assert room.outcomes[0].outcome == "unreachable: the courier did not start (Cannot allocate memory)"
        assert len(room.delivery.waiting) == 1
        assert len(room.said) == 1

    def test_stop_keeps_what_had_no_answer(self):
        """At the end a hanging courier is ended and its alert stays in the outbox, one attempt older."""
        with http_receiver(Mode.MUTE) as web:
            room = Room({"first": web.reach()})
            room.delivery.offer([room.alert(1)])
            room.poll()
            while not web.got:
                time.sleep(0.01)
            (left,) = room.delivery.stop(within=0.1)

            assert (left.tries, left.done) == (1, None)
            assert left.next_try > room.now
            assert not room.delivery.busy

    def test_stop_waits_for_an_answer_that_comes(self):
        """A courier about to end may end."""
        with http_receiver() as web:
            room = Room({"first": web.reach()})
            room.delivery.offer([room.alert(1)])
            room.poll()
            (left,) = room.delivery.stop(within=10.0)

            assert left.done is not None

    def test_a_contact_that_left_the_config_is_given_up_in_words(self):
        """What waits for nobody is done, and the outcome says why."""
        room = Room({"first": "json://127.0.0.1:1/"})
        room.delivery.offer([room.alert(1), room.alert(2, "nobody")])
        room.delivery.replan({})
        room.poll()

        assert sorted(room.done()) == [1, 2]
        assert {alert.outcome for alert in room.outcomes} == {"given up: no such contact in the config"}

    @pytest.mark.parametrize(("tone", "kept"), [("report", 0), ("raised", 1)])
    def test_an_old_report_is_given_up_and_an_alarm_never(self, tone, kept):
        """A morning report of yesterday is no news; an alarm waits as long as it must."""
        room = Room({"first": f"json://127.0.0.1:{free_port()}/"})
        room.delivery.offer([room.alert(1, tone=tone)])
        room.settle()
        room.through(30 * HOUR, 5 * HOUR)

        assert len(room.delivery.waiting) == kept

    def test_the_local_sign_comes_and_goes(self, tmp_path):
        """The sign is there while nobody can be reached; a folder that is gone is no fault."""
        sign = tmp_path / "silent"
        mark(sign, silent=True)
        assert sign.exists()
        mark(sign, silent=False)
        mark(sign, silent=False)
        assert not sign.exists()
        mark(tmp_path / "gone" / "silent", silent=True)


class TestHeartbeat:
    def _until(self, beat: Heartbeat, well: bool) -> None:
        beat.poll(well=well, why="the card is full")
        while beat.last is None or beat._errand is not None:
            time.sleep(0.01)
            beat.poll(well=well, why="the card is full")

    def test_the_sign_goes_out_at_its_pace(self):
        """One sign at once, the next when its time has come, none between."""
        now = [boottime()]
        with http_receiver() as web:
            beat = Heartbeat(web.url, lambda: now[0])
            self._until(beat, well=True)
            self._until(beat, well=True)
            assert len(web.got) == 1
            now[0] += 5 * MINUTE
            beat.last = None
            self._until(beat, well=True)

            assert len(web.got) == 2
            assert beat.last is not None
            assert beat.last.outcome is Outcome.ACCEPTED

    def test_it_is_withheld_while_the_watch_is_not_well(self):
        """A watch that cannot do its job says nothing outside."""
        with http_receiver() as web:
            beat = Heartbeat(web.url, boottime)
            self._until(beat, well=False)

            assert web.got == []
            assert beat.last is not None
            assert beat.last.words == "withheld: the card is full"

    def test_a_hanging_address_hangs_nobody(self):
        """The asking ends with the watch."""
        with http_receiver(Mode.MUTE) as web:
            beat = Heartbeat(web.url, boottime)
            beat.poll(well=True)
            while not web.got:
                time.sleep(0.01)
            beat.stop()
            beat.stop()

            assert beat.last is None


class TestMoreThanOnce:
    def test_what_is_done_already_is_not_taken(self):
        """An alert that comes out of the outbox as done is nobody's to carry."""
        room = Room({"first": "json://127.0.0.1:9/"})
        room.delivery.offer([room.alert(1, done=5)])
        assert room.delivery.waiting == ()

    def test_a_settled_alert_without_a_number_is_said_no_more(self):
        """An alert from memory that is offered twice and has no number yet waits for its number."""
        with http_receiver() as web:
            room = Room({"first": web.reach()})
            alert = room.alert(1, id=None)
            room.delivery.offer([alert])
            room.settle()
            said = len(room.outcomes)
            room.delivery.offer([alert])
            room.poll()
            assert len(room.outcomes) == said
            room.delivery.offer([replace(alert, id=1)])
            room.poll()
            assert room.outcomes[-1].id == 1

    def test_a_contact_that_is_new_is_served(self):
        """A contact that came with other settings gets its alerts like any other."""
        with http_receiver() as web:
            room = Room({})
            room.delivery.replan({"first": web.reach})
            room.delivery.offer([room.alert(1)])
            room.settle()
            assert web.titles() == ["box-1 too warm"]

    def test_an_errand_that_was_ended_has_no_more_to_say(self):
        """Ending an errand twice, or hearing one that ended, gives nothing and harms nothing."""
        errand = Errand([], boottime, 2.0)
        errand.end()
        assert errand.ended
        assert errand.end() == []
        assert errand.poll() == []
