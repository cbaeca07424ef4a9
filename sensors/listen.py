"""What already speaks on a broker: topics heard for a while, and how each could be read."""

import math
import ssl
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from threading import Event
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from rules.reading import Quality, Quantity
from sensors.link import MqttLink, failure, trust
from sensors.payload import PayloadError, Pick, decode
from sensors.reader import Value

MOST_TOPICS = 1_000
"""So many topics are kept; a busy broker must not fill the memory."""

DEEPEST = 4
"""So deep values are looked for in a document."""

KEYS: Mapping[str, frozenset[str]] = {
    "temperature": frozenset({"t", "temp", "temperature", "tc", "celsius"}),
    "humidity": frozenset({"h", "rh", "hum", "humidity"}),
    "contact": frozenset({"ok", "contact", "closed", "shut"}),
    "battery": frozenset({"battery", "bat", "batt", "vbat"}),
    "signal": frozenset({"rssi", "signal"}),
    "time": frozenset({"ts", "time", "timestamp", "at"}),
    "counter": frozenset({"n", "seq", "counter", "count"}),
}
"""Names that senders commonly give to their values (common practice, no source)."""


class ListenError(Exception):
    """The broker could not be listened to; the message says why."""


@dataclass(frozen=True, slots=True)
class Topic:
    """One topic that was heard.

    Attributes:
        topic: Its name.
        count: How often it was heard.
        retained: Its latest message was one that the broker kept.
        pointers: Where values seem to stand, by key of ``read``; empty: none were recognised.
        values: What they are in the latest message, by quantity.
    """

    topic: str
    count: int
    retained: bool
    pointers: Mapping[str, str]
    values: Mapping[Quantity, Value]

    @property
    def lines(self) -> tuple[str, ...]:
        """The lines to paste into the config, below a place."""
        if not self.pointers:
            return ()
        shown = ", ".join(f"{key} = {_text(pointer)}" for key, pointer in self.pointers.items())
        return ("[[place.sensor]]", f'read = {{ by = "mqtt", topic = {_text(self.topic)}, {shown} }}')


def _text(text: str) -> str:
    """Write a TOML basic string."""
    marked = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08X}" for c in marked) + '"'


@dataclass(slots=True)
class _Ear:
    """What was heard so far. Written by the network thread."""

    heard: dict[str, tuple[int, bool, bytes]]
    ready: Event
    refused: str = ""

    def on_connect(self, client: Client, _userdata: Any, _flags: Any, code: Any, _properties: Any) -> None:
        """Ask for everything."""
        if code.is_failure:
            self.refused = f"the broker says: {code.getName()}"
        else:
            client.subscribe("#", qos=0)
        self.ready.set()

    def on_message(self, _client: Client, _userdata: Any, message: MQTTMessage) -> None:
        """Keep the latest message of each topic."""
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return
        count = self.heard.get(topic, (0, False, b""))[0]
        if count or len(self.heard) < MOST_TOPICS:
            self.heard[topic] = (count + 1, message.retain, bytes(message.payload[:65_536]))


def listen(link: MqttLink, seconds: float, ending: Event | None = None) -> list[Topic]:
    """Listen to all topics of a broker for a while.

    Args:
        link: How it is reached; its session and its name are left alone.
        seconds: How long.
        ending: Ends it sooner when set.

    Returns:
        One entry for each topic, by name.

    Raises:
        ListenError: The broker cannot be reached or refuses us.
        ValueError: The authority's file is missing. The settings are to blame.
    """
    ear = _Ear({}, Event())
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.on_connect = ear.on_connect
    client.on_message = ear.on_message
    if link.user is not None:
        client.username_pw_set(link.user, link.password)
    if link.ca is not None:
        client.tls_set_context(trust(link.ca))
    _connect(client, link)
    client.loop_start()
    try:
        if not ear.ready.wait(10):
            raise ListenError("the broker does not answer")
        if ear.refused:
            raise ListenError(ear.refused)
        (ending or Event()).wait(seconds)
    finally:
        client.disconnect()
        client.loop_stop()
    return [look_at(topic, *heard) for topic, heard in sorted(ear.heard.items())]


def _connect(client: Client, link: MqttLink) -> None:
    """Open the connection, with failures in words."""
    try:
        client.connect(link.host, link.port, keepalive=link.keepalive)
    except (OSError, ssl.CertificateError) as error:
        raise ListenError(f"{link.host}:{link.port}: {failure(error)}") from error


def look_at(topic: str, count: int, retained: bool, payload: bytes) -> Topic:  # noqa: FBT001 - a value, no switch
    """Guess from one message how a topic could be read.

    Returns:
        The topic with the pointers that were recognised by their names; a bare number is
        taken for a temperature, a bare true or false for a contact.
    """
    try:
        document = decode(payload)
    except PayloadError:
        return Topic(topic, count, retained, {}, {})
    pointers = dict(_recognised(document))
    wanted = {Quantity(key): pointer for key, pointer in pointers.items() if key not in {"time", "counter"}}
    if not wanted.keys() & {Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.CONTACT}:
        return Topic(topic, count, retained, {}, {})
    try:
        values = Pick(wanted).take(document).values
    except PayloadError:
        return Topic(topic, count, retained, {}, {})
    return Topic(topic, count, retained, pointers, values)


def _recognised(document: Any) -> Iterator[tuple[str, str]]:
    """Give key and pointer of each value that is recognised, the first of a kind only."""
    if isinstance(document, bool):
        yield "contact", ""
    elif isinstance(document, int | float | str):
        if _is_measured(document):
            yield "temperature", ""
    else:
        seen: set[str] = set()
        for name, pointer, found in _leaves(document, "", 0):
            for key, names in KEYS.items():
                wanted = isinstance(found, bool) if key == "contact" else _is_measured(found) or key == "time"
                if name.lower() in names and wanted and key not in seen:
                    seen.add(key)
                    yield key, pointer


def _is_measured(found: Any) -> bool:
    """Tell whether a value reads as a number."""
    try:
        value = Pick({Quantity.TEMPERATURE: ""}).take(found).values[Quantity.TEMPERATURE]
    except PayloadError:
        return False
    return value.quality is Quality.GOOD and math.isfinite(value.raw)


def _leaves(document: Any, pointer: str, depth: int) -> Iterator[tuple[str, str, Any]]:
    """Give name, pointer and value of everything in objects, not too deep."""
    if not isinstance(document, dict) or depth >= DEEPEST:
        return
    for name, found in document.items():
        here = f"{pointer}/{name.replace('~', '~0').replace('/', '~1')}"
        if isinstance(found, dict):
            yield from _leaves(found, here, depth + 1)
        else:
            yield name, here, found
