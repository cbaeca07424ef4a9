"""Topics: exact ones, wildcards, and the names that wildcards capture."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from rules.reading import Quantity
from sensors.payload import Pick
from sensors.topics import MOST_CAPTURED, MqttSensor, Topics, capture, topic_fault

PICK = Pick({Quantity.TEMPERATURE: ""})


def topics(*pairs: tuple[str, str], taken: frozenset[str] = frozenset()) -> Topics:
    """Make a table from (name, topic) pairs."""
    return Topics([MqttSensor(name, topic, PICK) for name, topic in pairs], taken)


class TestFind:
    def test_exact_topic_wins_over_wildcard(self) -> None:
        """A sensor with the exact topic is read under its own name."""
        found = topics(("all", "cellar/+"), ("box-2", "cellar/box-2")).find("cellar/box-2")

        assert [(r.sensor, r.template) for r in found if not isinstance(r, str)] == [("box-2", "")]

    def test_sensors_share_a_topic(self) -> None:
        """Several sensors may be read out of one message."""
        found = topics(("warm", "cellar/e"), ("cool", "cellar/e")).find("cellar/e")

        assert [r.sensor for r in found if not isinstance(r, str)] == ["warm", "cool"]

    @pytest.mark.parametrize(
        ("filter_", "topic", "name"),
        [
            ("cellar/+/t", "cellar/box-2/t", "box-2"),
            ("cellar/+/+", "cellar/rack/3", "rack-3"),
            ("cellar/#", "cellar/rack/3/t", "rack-3-t"),
            ("+/t", "Kühlhaus/t", "Kühlhaus"),
        ],
    )
    def test_captured_segments_become_the_name(self, filter_: str, topic: str, name: str) -> None:
        """What the wildcards stand for, joined by "-", is the sensor's name; the template is kept."""
        for _ in range(2):
            (route,) = topics(("template", filter_)).find(topic)

            assert not isinstance(route, str)
            assert (route.sensor, route.template) == (name, "template")

    @pytest.mark.parametrize(
        ("topic", "words"),
        [
            ("cellar/\x1b[31m", "unprintable"),
            ("cellar/" + "a" * 65, "longer"),
            ("cellar/", "empty"),
            ("cellar/watch", "own name"),
            ("cellar/door", "another sensor"),
            ("cellar/fridge", "another sensor"),
        ],
    )
    def test_names_that_cannot_be_are_said(self, topic: str, words: str) -> None:
        """A captured name that is unprintable, too long or another's is refused in words."""
        found = topics(("all", "cellar/+"), ("door", "hall/door"), taken=frozenset({"fridge"})).find(topic)

        assert isinstance(found, str)
        assert words in found

    def test_two_topics_never_give_one_name(self) -> None:
        """A second topic that would give the same name is refused: two devices are not one curve."""
        table = topics(("all", "+/+"))

        assert not isinstance(table.find("a/b-c"), str)
        assert isinstance(table.find("a-b/c"), str)

    def test_wildcards_bring_a_bounded_number_of_sensors(self) -> None:
        """A flood of names does not fill the memory."""
        table = topics(("all", "+"))
        for index in range(MOST_CAPTURED):
            assert not isinstance(table.find(f"s{index}"), str)

        assert isinstance(table.find("one-more"), str)
        assert not isinstance(table.find("s7"), str)

    def test_foreign_topic_has_no_sensor(self) -> None:
        """A topic that no sensor reads gives nothing."""
        assert topics(("all", "cellar/+")).find("attic/x") == ()


class TestFilter:
    @pytest.mark.parametrize("text", ["", "a/b#", "#/a", "a/+b", "a\0b", "a" * 65_536])
    def test_bad_topic_is_the_settings_fault(self, text: str) -> None:
        """A topic that no broker would take is refused before anything runs."""
        with pytest.raises(ValueError, match="topic"):
            MqttSensor("x", text, PICK)

    segments = st.lists(st.sampled_from(["a", "b", "", "$x", "+", "#"]), min_size=1, max_size=4)

    @given(segments, st.lists(st.sampled_from(["a", "b", "", "$x"]), min_size=1, max_size=4))
    def test_matching_agrees_with_the_library(self, filter_: list[str], topic: list[str]) -> None:
        """Our capture matches exactly where the MQTT library says that a filter matches."""
        if topic_fault("/".join(filter_)) or "/".join(topic) == "":
            return
        ours = capture(tuple(filter_), "/".join(topic)) is not None

        assert ours == topic_matches_sub("/".join(filter_), "/".join(topic))
