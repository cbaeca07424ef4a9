"""Listening to a broker for what already speaks."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.reading import Quantity
from sensors.link import MqttLink
from sensors.listen import ListenError, listen, look_at
from tests.kit.broker import Broker, free_port

T, H, C = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.CONTACT


class TestListen:
    def test_topics_are_heard_with_lines_to_paste(self, broker: Broker) -> None:
        """What speaks is listed with its value and a line that the config takes."""
        broker.publish([("cellar/box-2", '{"t": 29.5, "h": 82, "ts": 1763020800}')], retain=True)
        (topic,) = listen(MqttLink("127.0.0.1", broker.port), 0.5)

        assert (topic.topic, topic.count, topic.retained) == ("cellar/box-2", 1, True)
        assert {q: v.raw for q, v in topic.values.items()} == {T: 29.5, H: 82.0}
        assert tomllib.loads(topic.lines[1])["read"] == {
            "by": "mqtt", "topic": "cellar/box-2", "temperature": "/t", "humidity": "/h", "time": "/ts",
        }  # fmt: skip

    def test_absent_broker_is_said(self) -> None:
        """Where nobody listens the reason is given."""
        with pytest.raises(ListenError, match="refused"):
            listen(MqttLink("127.0.0.1", free_port()), 1)

    def test_refused_listener_is_said(self, tmp_path: Path) -> None:
        """Without the password the broker's reason is given."""
        with (
            Broker(tmp_path / "b", users={"ovigil": "egg"}) as broker,
            pytest.raises(ListenError, match="says"),
        ):
            listen(MqttLink("127.0.0.1", broker.port), 1)


class TestLookAt:
    @pytest.mark.parametrize(
        ("payload", "pointers"),
        [
            (b"29.5", {"temperature": ""}),
            (b"true", {"contact": ""}),
            (b'{"ok": true}', {"contact": "/ok"}),
            (b'{"a": {"t": 29.5, "rh": 80}}', {"temperature": "/a/t", "humidity": "/a/rh"}),
            (b'{"Temp": "29.5", "seq": 3}', {"temperature": "/Temp", "counter": "/seq"}),
            (b'{"a/b": {"t": 1}}', {"temperature": "/a~1b/t"}),
            (b'{"voltage": 3}', {}),
            (b'{"t": "warm"}', {}),
            (b"hello", {}),
            (b"\xff\xfe", {}),
            (b"", {}),
        ],
        ids=range(11),
    )  # fmt: skip
    def test_pointers_are_recognised_by_name(self, payload: bytes, pointers: dict[str, str]) -> None:
        """Values are found by the names that senders commonly use, and nothing is made up."""
        assert look_at("x", 1, False, payload).pointers == pointers

    @given(st.text(max_size=20), st.binary(max_size=80))
    def test_any_topic_and_payload_gives_lines_that_parse(self, topic: str, payload: bytes) -> None:
        """Whatever is heard, the lines to paste are TOML."""
        for text in (payload, b"29.5"):
            for line in look_at(topic, 1, False, text).lines[1:]:
                assert tomllib.loads(line)["read"]["topic"] == topic
