"""Write the table of promises: ``python -m tests.drills.promises DRILLS.json [DEVELOPERS.md]``.

What is promised, and by which drills and tests it is shown, stands here; the figures come
from the file that ``python -m tests.drills --json DRILLS.json`` wrote. The table between
the two marks is replaced, so that no figure is ever typed.
"""

import argparse
import json
import re
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

BEGIN, END = "<!-- promises: begin -->", "<!-- promises: end -->"
FILE = Path(__file__).parents[2] / "DEVELOPERS.md"
ALL = "all"
"""In place of a number: the sums over all drills."""

TOGETHER = "Over all drills together nothing that was acknowledged or raised is lost"


@dataclass(frozen=True, slots=True)
class Promise:
    """One promise.

    Attributes:
        words: In a keeper's words.
        drills: Numbers of the drills that show it.
        tests: Tests that show it besides.
    """

    words: str
    drills: tuple[int, ...] = ()
    tests: tuple[str, ...] = ()


PROMISES: tuple[Promise, ...] = (
    Promise(
        "A reading that was acknowledged is never lost and never counted twice, whatever ends the watch",
        (1, 2, 4),
        ("tests/daemon/test_watch_killed.py",),
    ),
    Promise("If the card lied about having written, the gap is told, not papered over", (3,)),
    Promise(
        "What the broker kept is fetched when broker or network are back; what nobody kept is a gap", (5,)
    ),
    Promise("A sensor that falls silent is told in time, and silence is never drawn as a value", (6,)),
    Promise("A sensor that is ill is named as such and raises no false alarm of climate", (7,)),
    Promise("An alert is on its way within seconds of being due, in a burst too", (8,)),
    Promise(
        "No alert is lost while the phone service is dead; afterwards they come grouped, with their age", (9,)
    ),
    Promise(
        "A phone service that loses its answers brings at most three messages of one alert an hour", (10,)
    ),
    Promise("A phone service that hangs holds up nobody else", (11,)),
    Promise(
        "When nobody can be told, a sign stands on the board, the heartbeat stays away, and the first"
        " contact that is back hears of it",
        (12,),
        ("tests/daemon/test_chores.py::TestHeartbeat",),
    ),
    Promise("A watch that hangs is started anew, and says that nobody watched", (13,)),
    Promise(
        "A full, read-only or failing card stops neither judging nor alerts; what was not recorded is listed",
        (14,),
    ),
    Promise("A slow or frozen card loses no reading and delays an alert by its own freeze only", (15,)),
    Promise(
        "Damage to the record is found and named by place and hour; the newest whole copy serves",
        (16,),
        (
            "tests/daemon/test_logbook_drills.py::TestFlippedBits",
            "tests/daemon/test_commands_keeping.py::test_damage_is_told_with_what_to_do",
        ),
    ),
    Promise("A clock that steps, or was never set, loses nothing and raises no false alarm", (17,)),
    Promise("After a power cut one message says from when to when, and how each place stands now", (18,)),
    Promise("A season on it does not grow or slow down", (19,)),
    Promise(
        "Nonsense from any side is counted and refused; wrong settings leave the old ones in force", (20,)
    ),
    Promise("A page under attack stays a page, and the watch does not notice", (21,)),
    Promise("A secret is never seen in a log, a page, an export, a copy or the list of processes", (22,)),
    Promise("The watch runs as its own user in a sandbox, opens no port, and its files are private", (23,)),
    Promise("A small board is enough for sixty places", (24,)),
    Promise("A copy restores to the same curves, and making it does not hold the watch up", (25,)),
    Promise(
        "The heartbeat is sent while the watch can do its job, and only then",
        (),
        (
            "tests/daemon/test_chores.py::test_what_keeps_the_watch_from_its_job_is_named",
            "tests/daemon/test_delivery.py::TestHeartbeat",
        ),
    ),
    Promise(
        '"All is well" is said every morning, and the way to each contact is tested every week',
        (),
        ("tests/daemon/test_chores.py::TestMorning", "tests/daemon/test_chores.py::TestWeeklyTest"),
    ),
)


def table(figures: Iterable[Mapping[str, Any]]) -> str:
    """Make the table from the figures of a run of the drills."""
    by_number: dict[str, list[Mapping[str, Any]]] = {}
    for one in figures:
        by_number.setdefault(str(one["scenario"]).partition(" ")[0], []).append(one)
    every = [one for found in by_number.values() for one in found]
    lines = ["| promise | shown by | last measured |", "|---|---|---|"]
    for promise in PROMISES:
        mine = [one for number in promise.drills for one in by_number.get(str(number), [])]
        said = _measured(mine) if promise.drills else "a test"
        lines.append(f"| {promise.words} | {_shown_by(promise)} | {said} |")
    lines.append(f"| {TOGETHER} | all drills | {_measured(by_number.get(ALL, []))} |")
    broken = sum(one["holds"] is False for one in every)
    skipped = sum(one["skipped"] is not None for one in every)
    sums = f"{len(every) - skipped} figures, {broken} broken, {skipped} not measured."
    return "\n".join((*lines, "", sums))


def _shown_by(promise: Promise) -> str:
    word = "drill" if len(promise.drills) == 1 else "drills"
    numbers = [f"{word} {', '.join(map(str, promise.drills))}"] if promise.drills else []
    return "; ".join([*numbers, *(f"`{path}`" for path in promise.tests)])


def _measured(figures: Sequence[Mapping[str, Any]]) -> str:
    """Say what was measured: what is broken, the counts of faults, what is closest to its bound."""
    return "; ".join(_parts(figures)) or "not measured"


def _parts(figures: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    known = [one for one in figures if one["figure"] is not None]
    for one in known:
        if one["holds"] is False:
            yield f"**BROKEN** {_what(one)}: {one['figure']:,g}, bound {one['bound']:,g}"
    counts = [one for one in known if one["bound"] == 0]
    if counts:
        yield f"{sum(one['figure'] for one in counts):,g} faults in {len(counts)} counts"
    bounded = [one for one in known if one["bound"] > 0 and one["holds"]]
    if bounded:
        near = max(bounded, key=lambda one: one["figure"] / one["bound"])
        yield f"closest: {_what(near)}: {near['figure']:,g} of {near['bound']:,g}"
    for reason in sorted({str(one["skipped"]) for one in figures if one["skipped"] is not None}):
        yield f"not measured: {reason}"


def _what(one: Mapping[str, Any]) -> str:
    return str(one["scenario"]).partition(": ")[2].removeprefix("… and ").replace("|", "/")


def written(text: str, figures: Iterable[Mapping[str, Any]]) -> str:
    """Put the table between the marks of a text.

    Raises:
        ValueError: The marks are not there, once each.
    """
    parts = re.split(f"{re.escape(BEGIN)}|{re.escape(END)}", text)
    if len(parts) != 3 or text.index(BEGIN) > text.index(END):
        raise ValueError(f"{BEGIN} and {END} must each stand there once")
    return f"{parts[0]}{BEGIN}\n{table(figures)}\n{END}{parts[2]}"


def main(arguments: Sequence[str] | None = None) -> int:
    """Rewrite the table; exit code 1 where a promise is broken."""
    parser = argparse.ArgumentParser(prog="python -m tests.drills.promises", description=__doc__)
    parser.add_argument("figures", type=Path, metavar="DRILLS.json")
    parser.add_argument("file", nargs="?", type=Path, default=FILE, metavar="DEVELOPERS.md")
    given = parser.parse_args(arguments)
    figures = json.loads(given.figures.read_text())
    given.file.write_text(written(given.file.read_text(encoding="utf-8"), figures), encoding="utf-8")
    return 1 if any(one["holds"] is False for one in figures) else 0


if __name__ == "__main__":
    sys.exit(main())
