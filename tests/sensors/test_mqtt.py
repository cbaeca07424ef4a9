"""The MQTT reader against a real mosquitto."""

import socket
import threading
from pathlib import Path

import pytest

from rules.reading import Quality, Quantity
from sensors.link import MqttLink, is_host
from sensors.mqtt import MqttReader
from sensors.payload import Pick
from sensors.reader import Inbox
from sensors.topics import MqttSensor
from tests.kit.broker import Broker, certificates, free_port, refusing_broker, until
from tests.sensors.conftest import Judge, boottime

T, H, C = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.CONTACT
BOX = MqttSensor("box-2", "cellar/box-2", Pick({T: "/t", H: "/h"}, time="/ts", counter="/n"))
BARE = MqttSensor("shelf", "cellar/shelf", Pick({T: ""}))


def reader(port: int, *sensors: MqttSensor, **more: object) -> MqttReader:
    """Make a reader with a short grace."""
    link = MqttLink("127.0.0.1", port, **{"grace": 300, **more})  # type: ignore[arg-type]
    return MqttReader(link, sensors or (BOX, BARE), boottime)


def connected(judge: Judge, one: MqttReader) -> MqttReader:
    """Start a reader and wait until it is well."""
    judge.run(one)
    until(judge.well, f"the reader is well; it said {judge.said}")
    return one


class TestReading:
    def test_values_stamp_and_counter_arrive(self, judge: Judge, broker: Broker) -> None:
        """One message is one arrival with all its quantities, its stamp and its counter."""
        connected(judge, reader(broker.port))
        broker.publish([("cellar/box-2", '{"t": 31.25, "h": 88, "ts": 1763020800, "n": 7}')])
        judge.wait(1)

        (got,) = judge.arrivals
        assert (got.sensor, got.template, got.retained, got.link) == ("box-2", "", False, 1)
        assert {q: v.raw for q, v in got.values.items()} == {T: 31.25, H: 88.0}
        assert (got.stamp, got.counter) == (1_763_020_800_000, 7)
        assert 0 <= boottime() - got.arrived < 20_000

    def test_retained_message_is_marked_and_not_sent_again(self, judge: Judge, broker: Broker) -> None:
        """A retained reading says so, and a new start on the old session does not bring it again."""
        broker.publish([("cellar/shelf", "29.5")], retain=True)
        first = connected(judge, reader(broker.port))
        judge.wait(1)
        assert judge.arrivals[0].retained
        judge.settle()
        first.stop()

        again = Judge()
        connected(again, reader(broker.port))
        broker.publish([("cellar/shelf", "30.0")])
        again.wait(1)
        again.readers[0].stop()

        assert [(a.retained, a.values[T].raw) for a in again.arrivals] == [(False, 30.0)]

    def test_wildcard_brings_sensors(self, judge: Judge, broker: Broker) -> None:
        """A captured name becomes a sensor; one that cannot be a name is rejected."""
        wild = MqttSensor("racks", "rack/+/climate", Pick({T: "/t"}))
        connected(judge, reader(broker.port, wild))
        broker.publish([("rack/7/climate", '{"t": 1}'), ("rack/" + "a" * 65 + "/climate", '{"t": 1}')])
        until(lambda: judge.look().arrivals and judge.rejects, "an arrival and a reject")

        assert (judge.arrivals[0].sensor, judge.arrivals[0].template) == ("7", "racks")
        assert "longer" in judge.rejects[0].reason

    def test_shared_topic_is_acknowledged_when_all_parts_are_settled(
        self, judge: Judge, broker: Broker
    ) -> None:
        """One message for two sensors stays with the broker until both arrivals are on the card."""
        warm = MqttSensor("warm", "cellar/e", Pick({T: "/warm"}))
        cool = MqttSensor("cool", "cellar/e", Pick({T: "/cool"}))
        one = connected(judge, reader(broker.port, warm, cool))
        broker.publish([("cellar/e", '{"warm": 38, "cool": 26}')])
        judge.wait(2)
        assert judge.arrivals[0].settled is not None
        judge.arrivals[0].settled()
        one.stop()

        again = Judge()
        second = connected(again, reader(broker.port, warm, cool))
        again.wait(2)
        again.settle()
        second.stop()

        third = Judge()
        connected(third, reader(broker.port, warm, cool)).stop()
        assert third.look().arrivals == []

    def test_malformed_part_is_a_reject_beside_the_arrival(self, judge: Judge, broker: Broker) -> None:
        """A bad stamp costs no reading and is counted."""
        connected(judge, reader(broker.port))
        broker.publish([("cellar/box-2", '{"t": 31.25, "ts": "soon", "n": 1}')])
        until(lambda: judge.look().arrivals and judge.rejects, "both")

        assert judge.arrivals[0].stamp is None
        assert (judge.rejects[0].source, judge.rejects[0].reason) == ("cellar/box-2", '"/ts" is no stamp')

    def test_poison_is_rejected_acknowledged_and_survived(self, judge: Judge, broker: Broker) -> None:
        """Whatever bytes come, the next good reading arrives, and poison is not sent again."""
        poison = [
            b"",
            b"\xff\xfe3\x001\x00",
            b"[" * 4000,
            b"{",
            b"\x00" * 9,
            b"9" * 70_000,
            b'{"t":NaN}',
            b'{"t":true}',
        ]
        one = connected(judge, reader(broker.port))
        broker.publish([("cellar/box-2", p) for p in poison])
        broker.publish([("cellar/box-2", '{"t": 28.5, "ts": 1, "n": 1}')])
        until(lambda: 28.5 in judge.values(), "the good reading")
        assert len(judge.rejects) + len(judge.arrivals) >= len(poison) + 1
        assert all(len(r.start) <= 40 and r.start.isprintable() for r in judge.rejects)
        assert [v.quality for a in judge.arrivals for v in a.values.values()].count(Quality.NOT_A_NUMBER) == 3
        judge.settle()
        one.stop()

        again = Judge()
        connected(again, reader(broker.port)).stop()
        again.look()
        assert (again.arrivals, again.rejects) == ([], [])

    def test_unknown_topic_is_said_once_an_hour(self, judge: Judge, broker: Broker) -> None:
        """The subscription of a sensor that is gone from the config brings one reject, not a flood."""
        connected(judge, reader(broker.port)).stop()
        later = Judge()
        connected(later, reader(broker.port, BARE))
        broker.publish([("cellar/box-2", "{}")] * 50)
        broker.publish([("cellar/shelf", "1")])
        later.wait(1)
        later.readers[0].stop()

        assert [(r.source, r.reason) for r in later.rejects] == [
            ("cellar/box-2", "no sensor reads this topic")
        ]

    def test_full_inbox_holds_and_offers_again(self, broker: Broker) -> None:
        """What the full inbox refuses comes in, in order, when there is room: nothing hangs at the broker."""
        judge = Judge(inbox=Inbox(size=3))
        connected(judge, reader(broker.port, BARE, window=5))
        client = broker.client()
        for value in range(40):
            client.publish("cellar/shelf", str(value), qos=1)
        until(lambda: judge.settle() >= 40, "all forty", seconds=25)
        broker.dismiss(client)
        judge.readers[0].stop()
        assert sorted(judge.values()) == [float(n) for n in range(40)]


class TestAcknowledging:
    def test_unsettled_readings_come_again_and_settled_ones_do_not(
        self, judge: Judge, broker: Broker
    ) -> None:
        """After a stop without commit the broker sends what was not acknowledged, once each."""
        one = connected(judge, reader(broker.port, BARE))
        broker.publish([("cellar/shelf", str(n)) for n in range(10)])
        judge.wait(10)
        for arrival in judge.arrivals[:4]:
            assert arrival.settled is not None
            arrival.settled()
        one.stop()

        again = Judge()
        connected(again, reader(broker.port, BARE))
        again.wait(6)
        again.settle()
        again.readers[0].stop()
        assert again.values() == [4.0, 5.0, 6.0, 7.0, 8.0, 9.0]

    def test_readings_while_away_are_delivered(self, judge: Judge, broker: Broker) -> None:
        """The session outlives the reader: more than a window of readings waits at the broker."""
        connected(judge, reader(broker.port, BARE)).stop()
        broker.publish([("cellar/shelf", str(n)) for n in range(1500)])

        again = Judge()
        connected(again, reader(broker.port, BARE))
        until(lambda: again.settle() >= 1500, "all of them", seconds=25)
        again.readers[0].stop()
        assert again.values() == [float(n) for n in range(1500)]

    def test_window_bounds_what_is_unacknowledged(self, judge: Judge, broker: Broker) -> None:
        """The broker sends no more than the window before an acknowledgement."""
        connected(judge, reader(broker.port, BARE, window=8))
        client = broker.client()
        infos = [client.publish("cellar/shelf", str(n), qos=1) for n in range(30)]
        for info in infos:
            info.wait_for_publish(10)
        judge.wait(8)
        broker.dismiss(client)

        assert len(judge.look().arrivals) == 8

    def test_old_acknowledgement_is_dropped_on_a_new_connection(self, judge: Judge, broker: Broker) -> None:
        """An acknowledgement of a lost connection harms nothing, and the reading comes again."""
        connected(judge, reader(broker.port, BARE))
        broker.publish([("cellar/shelf", "1")])
        judge.wait(1)
        old = judge.arrivals[0]
        broker.stop()
        until(lambda: judge.ails("not connected"), "the loss is noticed")
        assert old.settled is not None
        old.settled()
        broker.start()
        judge.wait(2)
        old.settled()
        broker.publish([("cellar/shelf", "2")])
        judge.wait(3)

        assert [(a.values[T].raw, a.link) for a in judge.arrivals] == [(1.0, 1), (1.0, 2), (2.0, 2)]

    def test_settling_from_other_threads_is_safe(self, judge: Judge, tmp_path: Path) -> None:
        """Acknowledgements may come from any thread while messages go on."""
        with Broker(tmp_path / "b", persistence=False) as broker:
            self._settle_from_four_threads(judge, broker)

    def _settle_from_four_threads(self, judge: Judge, broker: Broker) -> None:
        one = connected(judge, reader(broker.port, BARE, window=500))
        broker.publish([("cellar/shelf", str(n)) for n in range(400)])
        done: set[int] = set()

        def settle_all() -> bool:
            batch = [a for a in judge.look().arrivals if id(a) not in done]
            done.update(id(a) for a in batch)
            threads = [
                threading.Thread(target=lambda part=batch[k::4]: [a.settled() for a in part if a.settled])  # type: ignore[misc]
                for k in range(4)
            ]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            return len(judge.arrivals) >= 400

        until(settle_all, "all settled", seconds=25)
        one.stop()
        again = Judge()
        connected(again, reader(broker.port, BARE)).stop()
        assert again.look().arrivals == []


class TestLink:
    def test_broker_absent_at_the_start(self, judge: Judge, tmp_path: Path) -> None:
        """The reader starts before the broker, says so, and reads as soon as it is there."""
        port = free_port()
        judge.run(reader(port))
        until(lambda: judge.ails("refused"), "it says that nobody is there")
        with Broker(tmp_path / "late", port=port) as broker:
            until(judge.well, "it is well")
            broker.publish([("cellar/shelf", "30")])
            judge.wait(1)
            judge.readers[0].stop()

        assert judge.notes()[0] == (False, f"not connected to 127.0.0.1:{port}: connection refused")
        assert judge.notes()[-1] == (True, "")

    @pytest.mark.parametrize("how", ["stop", "kill"])
    def test_broker_restart(self, judge: Judge, broker: Broker, how: str) -> None:
        """After a restart of the broker readings come again, on a new link, and only changes are said."""
        connected(judge, reader(broker.port))
        getattr(broker, how)()
        until(lambda: judge.ails("not connected"), "the loss is said")
        broker.start()
        until(judge.well, "it is well again")
        broker.publish([("cellar/shelf", "30")])
        judge.wait(1)

        assert judge.arrivals[0].link == 2
        assert [well for well, note in judge.notes() if "may be missing" not in note] == [True, False, True]

    def test_lost_session_is_said(self, judge: Judge, tmp_path: Path) -> None:
        """A broker that comes back without our session: readings may be missing, and it is said."""
        with Broker(tmp_path / "b", persistence=False) as broker:
            connected(judge, reader(broker.port))
            broker.kill()
            until(lambda: judge.ails("not connected"), "the loss is said")
            broker.start()
            until(judge.well, "it is well again")
            broker.publish([("cellar/shelf", "30")])
            judge.wait(1)
            judge.readers[0].stop()

        assert any("readings may be missing" in note for _, note in judge.notes())

    def test_frozen_broker_is_noticed(self, judge: Judge, broker: Broker) -> None:
        """A broker that answers nothing is noticed by the keep-alive."""
        connected(judge, reader(broker.port, keepalive=2))
        broker.freeze()
        try:
            until(lambda: judge.ails("not connected"), "the silence is noticed", seconds=20)
        finally:
            broker.thaw()
        until(judge.well, "it is well again", seconds=25)

    def test_wrong_password_is_said_at_once(self, judge: Judge, tmp_path: Path) -> None:
        """A refused password is named, and it is no other trouble."""
        with Broker(tmp_path / "b", users={"ovigil": "egg"}) as broker:
            judge.run(reader(broker.port, user="ovigil", password="wrong"))
            until(lambda: judge.ails("Not authorized"), f"the refusal is said: {judge.said}")
            judge.readers[0].stop()
            right = Judge()
            connected(right, reader(broker.port, user="ovigil", password="egg")).stop()

    def test_password_is_not_in_the_text(self) -> None:
        """The password appears in no representation."""
        assert "geheim" not in repr(MqttLink("h", password="geheim"))

    @pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # paho leaves its socket
    def test_tls_with_an_own_authority(self, judge: Judge, tmp_path: Path) -> None:
        """With the keeper's authority the link is up; with a foreign one the reason is said."""
        mine, other = certificates(tmp_path / "mine"), certificates(tmp_path / "other")
        with Broker(tmp_path / "b", tls=mine) as broker:
            connected(judge, reader(broker.port, BARE, ca=mine.authority))
            broker.publish([("cellar/shelf", "30")])
            judge.wait(1)
            judge.readers[0].stop()
            foreign = Judge()
            foreign.run(reader(broker.port, BARE, ca=other.authority))
            until(lambda: foreign.ails("certificate is not accepted"), f"it is refused: {foreign.said}")
            foreign.readers[0].stop()

    def test_plain_client_at_a_tls_port_ails(self, judge: Judge, tmp_path: Path) -> None:
        """Talking plainly to a TLS port is an ailment and no hang."""
        with Broker(tmp_path / "b", tls=certificates(tmp_path / "c")) as broker:
            judge.run(reader(broker.port))
            until(lambda: judge.ails("not connected"), "it ails")
            judge.readers[0].stop()

    def test_refused_subscription_is_said(self, judge: Judge) -> None:
        """A topic that the broker does not let us read is named with its reason."""
        port, end = refusing_broker(bytes([0x01, 0x87]))
        judge.run(reader(port))
        until(lambda: judge.ails('refuses "cellar/shelf"'), f"the refusal is said: {judge.said}")
        judge.readers[0].stop()
        end.set()

        assert "Not authorized" in judge.notes()[-1][1]

    def test_rival_of_the_same_name_is_named(self, judge: Judge, broker: Broker) -> None:
        """Two programs that put each other out are told apart from a bad network."""
        connected(judge, reader(broker.port))
        rival = broker.client(client_id="ovigil")
        until(lambda: judge.ails("another program"), "the rival is named", seconds=25)
        broker.dismiss(rival)

    @pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
    def test_dead_network_thread_is_replaced(self, judge: Judge, broker: Broker) -> None:
        """When the network thread dies, a new one reads on, and it is said."""
        one = connected(judge, reader(broker.port, BARE))

        def die(*_: object) -> None:
            raise SystemExit

        assert one._client is not None
        one._client.on_message = die
        broker.publish([("cellar/shelf", "30")])
        judge.wait(1)

        assert judge.values() == [30.0]
        assert any("network thread had ended" in note for _, note in judge.notes())

    def test_unexpected_fault_in_the_callback_is_counted(self, judge: Judge, broker: Broker) -> None:
        """A bug in the callback rejects and acknowledges that message; the next is read."""
        one = connected(judge, reader(broker.port))
        broken = object()
        one._topics._routes["cellar/box-2"] = (broken,)  # type: ignore[assignment]
        broker.publish([("cellar/box-2", "{}"), ("cellar/shelf", "30")])
        judge.wait(1)

        assert [r.reason for r in judge.rejects] == ["could not be read: AttributeError"]


class TestBirthAndWill:
    def test_birth_and_clean_end(self, judge: Judge, broker: Broker) -> None:
        """While it reads the broker keeps "online", after a clean stop "offline"."""
        one = connected(judge, reader(broker.port))
        assert broker.kept("ovigil/ovigil/state") == b"online"
        one.stop()

        assert broker.kept("ovigil/ovigil/state") == b"offline"

    def test_stop_is_quick_without_a_broker(self, judge: Judge) -> None:
        """Stopping takes no longer than 2 s, whatever the broker does, and twice is fine."""
        with socket.socket() as mute:
            mute.bind(("127.0.0.1", 0))
            mute.listen(1)
            one = judge.run(reader(mute.getsockname()[1]))
            until(lambda: judge.ails("not connected"), "it ails")
            before = boottime()
            one.stop()
            one.stop()

        assert boottime() - before < 3_000


class TestSettings:
    @pytest.mark.parametrize(
        "host", ["", "a" * 64 + ".lan", "mqtt://broker", "bro ker", "-a", "a..b", "1.2.3.4/24", "\udcff"]
    )
    def test_bad_host_is_the_settings_fault(self, host: str) -> None:
        """A name that would end the network thread is refused before anything runs."""
        with pytest.raises(ValueError, match="host"):
            MqttLink(host)

    @pytest.mark.parametrize(
        "host", ["localhost", "127.0.0.1", "::1", "broker.lan", "b-1.lan.", "brücke.lan", "pi_4"]
    )
    def test_good_hosts_pass(self, host: str) -> None:
        """Names, addresses and international names are hosts."""
        assert is_host(host)

    @pytest.mark.parametrize("more", [{"port": 0}, {"port": 70_000}, {"window": 0}, {"client_id": ""}])
    def test_bad_numbers_are_the_settings_fault(self, more: dict[str, object]) -> None:
        """Ports, windows and names out of range are refused."""
        with pytest.raises(ValueError, match="is"):
            MqttLink("h", **more)  # type: ignore[arg-type]

    @pytest.mark.parametrize("text", [None, "no certificate"])
    def test_bad_authority_is_the_settings_fault(self, tmp_path: Path, text: str | None) -> None:
        """A missing or broken authority is refused at once, with its path."""
        file = tmp_path / "ca.pem"
        if text is not None:
            file.write_text(text)
        with pytest.raises(ValueError, match=r"ca\.pem"):
            reader(1, BARE, ca=file)
