"""Which sensors an MQTT topic belongs to: exact topics, then filters with wildcards."""

from collections.abc import Iterable
from dataclasses import dataclass

from rules.plan import WATCH
from sensors.payload import Pick

LONGEST_NAME = 64
"""Longest name that a captured topic may give a sensor, characters."""

MOST_CAPTURED = 500
"""As many sensors may come out of wildcards; one more is refused and counted."""


@dataclass(frozen=True, slots=True)
class MqttSensor:
    """One sensor as the config describes it.

    Attributes:
        name: Its name; for a topic with wildcards the template's name.
        topic: An MQTT topic, or a filter with "+" and "#".
        pick: Where its values stand in the payload.

    Raises:
        ValueError: The topic is none. The settings are to blame.
    """

    name: str
    topic: str
    pick: Pick

    def __post_init__(self) -> None:
        """Refuse a topic that no broker would take."""
        wrong = topic_fault(self.topic)
        if wrong:
            raise ValueError(f'topic "{self.topic}" {wrong}')

    @property
    def wild(self) -> bool:
        """Tell whether the topic has wildcards."""
        return "+" in self.topic or "#" in self.topic


def topic_fault(text: str) -> str:
    """Say what is wrong with a topic filter, or "".

    Source: MQTT 5.0, sections 4.7.1 and 4.7.3.
    """
    if not text or "\0" in text or len(text.encode("utf-8", "surrogatepass")) > 65_535:
        return "is empty, too long or holds NUL"
    segments = text.split("/")
    for index, segment in enumerate(segments):
        if "#" in segment and (segment != "#" or index != len(segments) - 1):
            return '"#" stands alone and last'
        if "+" in segment and segment != "+":
            return '"+" stands alone between slashes'
    return ""


@dataclass(frozen=True, slots=True)
class Route:
    """Where the values of a message go.

    Attributes:
        sensor: The sensor's name.
        template: Name of the sensor with the wildcard, or "".
        pick: Where its values stand.
    """

    sensor: str
    template: str
    pick: Pick


class Topics:
    """The table from topic to sensors. Owner: the network thread."""

    def __init__(self, sensors: Iterable[MqttSensor], taken: frozenset[str] = frozenset()) -> None:
        """Build the table.

        Args:
            sensors: Several may share a topic.
            taken: Names of sensors of other readers, which no capture may give.
        """
        self._routes: dict[str, tuple[Route, ...]] = {}
        self._wild: list[tuple[tuple[str, ...], MqttSensor]] = []
        self._owner: dict[str, str] = dict.fromkeys(taken, "")
        every = list(sensors)
        self.filters = tuple(dict.fromkeys(sensor.topic for sensor in every))
        for sensor in every:
            self._owner[sensor.name] = ""
            if sensor.wild:
                self._wild.append((tuple(sensor.topic.split("/")), sensor))
            else:
                route = Route(sensor.name, "", sensor.pick)
                self._routes[sensor.topic] = (*self._routes.get(sensor.topic, ()), route)
        self._captured = 0

    def find(self, topic: str) -> tuple[Route, ...] | str:
        """Give the sensors of a topic.

        Returns:
            The routes (an exact topic wins over wildcards), or what is wrong with the
            name that a wildcard captured; ``()`` where no sensor reads the topic.
        """
        known = self._routes.get(topic)
        if known is not None:
            return known
        for segments, sensor in self._wild:
            captured = capture(segments, topic)
            if captured is not None:
                return self._admit(topic, captured, sensor)
        return ()

    def _admit(self, topic: str, name: str, sensor: MqttSensor) -> tuple[Route, ...] | str:
        """Take up a sensor that a wildcard brought, or say why not."""
        wrong = self._name_fault(topic, name)
        if wrong:
            return wrong
        self._captured += 1
        self._owner[name] = topic
        routes = (Route(name, sensor.name, sensor.pick),)
        self._routes[topic] = routes
        return routes

    def _name_fault(self, topic: str, name: str) -> str:
        """Say why a captured name cannot be a sensor's, or ""."""
        if not name.strip() or not name.isprintable() or len(name) > LONGEST_NAME:
            return f"its name is empty, unprintable or longer than {LONGEST_NAME} characters"
        if name == WATCH or name.startswith(f"{WATCH}/"):
            return f'"{name}" is the watch\'s own name'
        if self._owner.get(name, topic) != topic:
            return f'"{name}" is the name of another sensor'
        if self._captured >= MOST_CAPTURED:
            return f"more than {MOST_CAPTURED} sensors under wildcards"
        return ""


def capture(segments: tuple[str, ...], topic: str) -> str | None:
    """Match a topic and give what the wildcards stand for, joined by "-".

    Returns:
        The captured name; None where the topic does not match. A topic that begins
        with "$" is the broker's own and matches no leading wildcard.

    Source: MQTT 5.0, section 4.7.2.
    """
    parts = topic.split("/")
    if topic.startswith("$") and segments[0] in {"+", "#"}:
        return None
    captured: list[str] = []
    for index, segment in enumerate(segments):
        if segment == "#":
            captured.extend(parts[index:])
            return "-".join(captured)
        if index >= len(parts):
            return None
        if segment == "+":
            captured.append(parts[index])
        elif segment != parts[index]:
            return None
    return "-".join(captured) if len(parts) == len(segments) else None
