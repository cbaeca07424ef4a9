"""The alarm review and the explanation of an alarm, put into a keeper's words."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePath
from typing import Any

from daemon.page.words import sentence
from daemon.texts import fixed, lasting, listed, plural
from rules.reading import SECOND


@dataclass(frozen=True, slots=True)
class Measure:
    """One figure of the review: its name, its value in words, what it means, and what is aimed at."""

    name: str
    value: str
    words: str
    goal: str
    source: str


@dataclass(frozen=True, slots=True)
class Review:
    """The review, ready to be written."""

    words: str
    figures: tuple[Measure, ...]
    top: tuple[str, ...]


def review_of(said: Mapping[str, Any]) -> Review:
    """Put the answer of ``ovigil review --json`` into a keeper's words."""
    enough = "" if said["enough"] else " Thirty days are needed before such figures mean much."
    words = (
        f"{plural(said['alarms'], 'alarm')} and {plural(said['alerts'], 'alert')} "
        f"in {plural(len(said['days']), 'day')}.{enough}"
    )
    figures = [
        Measure(name, make(said), one["words"], one["goal"], one["source"])
        for key, (name, make) in _MEASURES.items()
        if (one := said["definitions"].get(key))
    ]
    return Review(words, tuple(figures), tuple(_often(one) for one in said["top"][:10]))


def _often(one: Mapping[str, Any]) -> str:
    return f"{one['place']}: {one['rule']}, {plural(one['times'], 'time')} ({fixed(one['share'], 0)} %)"


def _named(found: list[Mapping[str, Any]]) -> str:
    """Name alarms, or say that there were none."""
    return listed([f"{one['place']} {one['rule']}" for one in found]) or "none"


def _until_seen(said: Mapping[str, Any]) -> str:
    every = said["to_acknowledge"]["all"]
    if every["median"] is None:
        return "nobody has acknowledged one"
    never = f", {every['never']} never" if every["never"] else ""
    return f"half of them within {lasting(int(every['median'] * SECOND))}{never}"


def _shares(said: Mapping[str, Any]) -> str:
    shares = said["priorities"]
    return ", ".join(
        f"{name} {fixed(shares[name], 0)} %" for name in ("low", "medium", "high") if name in shares
    )


_MEASURES: Mapping[str, tuple[str, Callable[[Mapping[str, Any]], str]]] = {
    "alarms": ("Load", lambda said: f"{fixed(said['alarms_a_day'], 1)} alarms a day"),
    "alerts_at_night": ("Alerts at night", lambda said: str(said["alerts_at_night"])),
    "per_ten_minutes": ("At its fullest", lambda said: f"{said['per_ten_minutes']['most']} in ten minutes"),
    "chattering": ("Chattering", lambda said: _named(said["chattering"])),
    "returning": ("Coming back", lambda said: _named(said["returning"])),
    "fleeting": ("Fleeting", lambda said: str(len(said["fleeting"]) or "none")),
    "long_standing": ("Long-standing", lambda said: str(len(said["long_standing"]) or "none")),
    "floods": ("Floods", lambda said: str(len(said["floods"]) or "none")),
    "to_acknowledge": ("Until acknowledged", _until_seen),
    "priorities": ("Priorities", _shares),
}
"""By the name in the answer: the name on the page, and what makes its value."""


@dataclass(frozen=True, slots=True)
class Why:
    """Why there was an alarm: its rule, what counted, and step by step."""

    rule: str
    source: str
    counted: tuple[tuple[str, str, str], ...]
    steps: tuple[tuple[str, str], ...]


def why_of(said: Mapping[str, Any], when: Callable[[int], str]) -> Why:
    """Put the answer of ``ovigil explain --json`` into a keeper's words.

    Args:
        said: The answer.
        when: Says a Unix instant (ms) in local time.
    """
    rule = said["rule"] or {"says": "This program does not know that rule any more.", "source": ""}
    steps = ((when(_unix(step["at"])), sentence(step["words"])) for step in said["steps"])
    return Why(rule["says"], rule["source"], tuple(_counted(said["settings"])), tuple(steps))


def _counted(settings: Iterable[Mapping[str, Any]]) -> Iterable[tuple[str, str, str]]:
    for one in settings:
        line = f", line {one['line']} of {PurePath(one['file']).name}" if one["line"] else ""
        yield one["what"], one["value"], one["origin"] + line


def _unix(iso: str) -> int:
    return int(datetime.fromisoformat(iso).timestamp() * 1000)
