"""Everything that already speaks: kernel sensors and topics of a broker, as one list."""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from daemon.record import Json
from daemon.texts import Speaker
from rules.reading import Quality, Quantity
from sensors.discover import discover
from sensors.link import MqttLink
from sensors.listen import ListenError, listen

LOCAL = "127.0.0.1"
"""A broker on this board is asked without being named."""


@dataclass(frozen=True, slots=True)
class Speaks:
    """One sensor that speaks.

    Attributes:
        name: Topic, address or device.
        by: How it is read.
        values: What it says now, by quantity; what is no good value is left out.
        trouble: Why it says nothing, or "".
        lines: The lines to paste into the config, below a place.
        own: It measures the board itself.
    """

    name: str
    by: str
    values: dict[Quantity, float]
    trouble: str
    lines: tuple[str, ...]
    own: bool = False

    @property
    def read(self) -> str:
        """The value of ``read`` in the lines, or ""."""
        return next((line.removeprefix("read = ") for line in self.lines if line.startswith("read = ")), "")

    def words(self, speak: Speaker) -> str:
        """Say what it says, in one line."""
        said = ", ".join(speak.value(quantity, value) for quantity, value in self.values.items())
        return f"{self.name} ({self.by}): {said or self.trouble or 'nothing that is recognised'}"

    def json(self) -> dict[str, Json]:
        """Give it for programs."""
        values: dict[str, Json] = {quantity.value: value for quantity, value in self.values.items()}
        return {
            "name": self.name,
            "by": self.by,
            "values": values,
            "trouble": self.trouble or None,
            "own": self.own,
            "lines": list(self.lines),
        }


def on_the_board(root: Path) -> list[Speaks]:
    """List what the kernel shows under a sysfs root."""
    found = discover(root)
    return [
        Speaks(
            f"{one.device} {one.path}".strip(),
            one.by,
            {q: value.raw for q, value in one.values.items() if value.quality is Quality.GOOD},
            one.trouble,
            one.lines,
            one.own,
        )
        for one in found
    ]


def on_the_broker(link: MqttLink, seconds: float) -> list[Speaks]:
    """List the topics that are heard within a while.

    Raises:
        ListenError: The broker cannot be reached or refuses us.
    """
    return [
        Speaks(
            topic.topic,
            "mqtt",
            {q: value.raw for q, value in topic.values.items() if value.quality is Quality.GOOD},
            "" if topic.values else "speaks, but no value was recognised",
            topic.lines,
        )
        for topic in listen(link, seconds)
    ]


def link_of(given: argparse.Namespace) -> MqttLink:
    """Make the link to the broker that a command names.

    Raises:
        ValueError: Host or port is none.
    """
    password = given.password_file.read_text("utf-8").strip() if given.password_file else None
    return MqttLink(given.broker or LOCAL, given.port, user=given.user, password=password)


def everything(given: argparse.Namespace, seconds: float) -> Iterator[Speaks]:
    """Give all that speaks; a broker that was not named may be missing.

    Raises:
        ListenError: The broker that was named cannot be reached.
        ValueError: Host or port is none.
    """
    yield from on_the_board(given.sysfs)
    try:
        yield from on_the_broker(link_of(given), seconds)
    except ListenError:
        if given.broker:
            raise
