"""What a drill is, and what comes of it."""

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.kit.broker import until
from tests.kit.history import Verdict


class Skip(Exception):  # noqa: N818 - says what happens
    """This machine cannot show it; the reason is counted and printed."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One number of one scenario.

    Attributes:
        scenario: Number and name of the scenario, with what is measured.
        figure: The number; None where it was not measured.
        bound: It may not exceed this.
        holds: Whether it does not; None where it was not measured.
        skipped: Why it was not measured, or None.
    """

    scenario: str
    figure: float | None
    bound: float
    holds: bool | None
    skipped: str | None = None

    def as_json(self) -> dict[str, object]:
        """Give it as an object for a file."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Measured:
    """What a drill measured: a number that must not exceed a bound.

    Attributes:
        what: In words, with the unit.
        figure: The number.
        bound: Its bound.
        note: What was found beside it, or "".
        verdict: What the checker of histories found, where the figure is its count of faults.
    """

    what: str
    figure: float
    bound: float
    note: str = ""
    verdict: Verdict | None = None


def borne_out(found: Verdict, when: str = "", note: str = "") -> Measured:
    """Give the figure of a verdict: the logbook bears out what happened outside."""
    what = "lost, doubled, invented or replayed"
    words = "; ".join(part for part in (note, str(found)) if part)
    return Measured(f"{when}: {what}" if when else what, found.faults, 0, words, found)


def awaited(true: Callable[[], object], seconds: float = 20) -> None:
    """Wait until something is so; what is not in time is for the figures to say."""
    with suppress(AssertionError):
        until(true, "it is so", seconds)


Play = Callable[[Path, bool], Iterator[Measured]]
"""Plays a scenario in a folder of its own; the second argument: the full tier."""


@dataclass(frozen=True, slots=True)
class Drill:
    """One scenario.

    Attributes:
        number: Its number in the table of scenarios.
        name: What goes wrong.
        play: Plays it.
        fast: It is a part of the fast tier (perhaps shorter).
        root: It needs root.
    """

    number: int
    name: str
    play: Play
    fast: bool = True
    root: bool = False

    def needs(self) -> None:
        """Raise Skip where this machine lacks what it needs.

        Raises:
            Skip: With the reason.
        """
        if self.root and os.geteuid() != 0:
            raise Skip("needs root")


def tool(name: str) -> str:
    """Give the path of a tool.

    Raises:
        Skip: It is not installed.
    """
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/sbin")
    if found is None:
        raise Skip(f"{name} is not installed")
    return found
