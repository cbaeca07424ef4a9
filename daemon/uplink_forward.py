"""Forwarding: committed readings go to a time-series store, batch by batch.

What was sent is a cursor on the logbook's row numbers, kept on the card. It moves only
when the store has taken the lines; sending twice writes the same point twice, which a
store keeps once. Nothing waits in memory, so nothing is lost with the process.
"""

import json
import logging
import math
import os
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from daemon.line_protocol import line
from daemon.record import Entry
from daemon.uplink_cursor import Cursor, read_cursor, write_cursor, write_through
from daemon.uplink_store import Fate, Verdict

log = logging.getLogger(__name__)

BATCH = 500
"""Readings in one request."""

REFUSED = "uplink.refused"
"""File in the data folder: lines that the store refused, one JSON object a line."""

REFUSED_BYTES = 8 * 1024 * 1024
"""Past this size refused lines are counted and no longer kept."""

HOPELESS = 16
"""When this many lines were refused and none was taken, it is not the lines' fault."""


class Source(Protocol):
    """What the uplink reads: the logbook, read only."""

    def after(self, row: int, limit: int) -> Sequence[Entry]:
        """Give up to ``limit`` committed readings with row numbers above ``row``, ascending."""

    def newest(self) -> int:
        """Give the newest row number that was ever given out, 0 where there is none."""

    def offset(self, at: int) -> int | None:
        """Give wall minus room at the instant ``at`` (ms), or None while it is not known."""


class Sink(Protocol):
    """Where lines go."""

    def send(self, lines: Sequence[str]) -> Verdict:
        """Write ``lines``; tell what became of it."""


@dataclass(frozen=True, slots=True)
class Described:
    """What the settings say of a reading's sensor.

    Attributes:
        place: Its place, or "".
        spot: Where in it, or "".
        value: The corrected value, or None where no correction is in force.
    """

    place: str = ""
    spot: str = ""
    value: float | None = None


@dataclass(frozen=True, slots=True)
class Pace:
    """How long the uplink waits.

    Attributes:
        idle: When everything is sent, s.
        first: After the first failure, s; doubled with every further one.
        most: The longest wait after a failure, s.
        keep: The cursor is put on the card at least this often while readings trickle, s.
    """

    idle: float = 15.0
    first: float = 1.0
    most: float = 300.0
    keep: float = 60.0


class Uplink:
    """Forwards one logbook to one store. Owned by one thread.

    Args:
        source: The logbook.
        sink: The store.
        folder: The data folder, where the cursor is kept.
        target: Address and bucket in one word; a cursor of another one is not used.
        describe: What the settings say of a reading's sensor.
        pace: How long it waits.
        chance: Gives numbers in [0, 1) for the jitter.
        told: Hears the row that retention may go up to, whenever the cursor is kept.
    """

    def __init__(  # noqa: PLR0913 - the wiring of one process, by keyword
        self,
        *,
        source: Source,
        sink: Sink,
        folder: Path,
        target: str = "",
        describe: Callable[[Entry], Described] = lambda _: Described(),
        pace: Pace = Pace(),
        chance: Callable[[], float] = random.random,
        told: Callable[[int], None] = lambda _: None,
    ) -> None:
        self._source, self._sink, self._folder = source, sink, folder
        self._describe, self._pace, self._chance, self._told = describe, pace, chance, told
        kept = read_cursor(folder)
        self.cursor = kept if kept.target == target else Cursor(target=target)
        self._kept = kept
        self._failures = 0
        self._since_kept = 0.0

    def round(self) -> float:
        """Forward one batch.

        Returns:
            How long to wait before the next, s; 0 where more is waiting.

        Raises:
            OSError: The card does not take the cursor.
        """
        self._come_back_to_the_logbook()
        batch = list(self._source.after(self.cursor.row, BATCH))
        known, lines = self._lines(batch)
        if batch and not known:
            return self._rest("waits until the time is known")
        if not lines:
            return self._advance(known, 0, 0, full=len(batch) == BATCH)
        verdict, guilty = self._deliver(lines)
        if verdict.fate is not Fate.TAKEN:
            return self._put_off(verdict)
        self._set_aside(guilty)
        return self._advance(known, len(lines) - len(guilty), len(guilty), full=len(batch) == BATCH)

    def keep(self) -> None:
        """Put the cursor on the card if it moved.

        Raises:
            OSError: The card does not take it.
        """
        if self.cursor != self._kept:
            write_cursor(self._folder, self.cursor)
            self._kept = self.cursor
            self._told(self.cursor.row)
        self._since_kept = 0.0

    @property
    def well(self) -> bool:
        """Tell whether the last round met no trouble."""
        return not self.cursor.state

    def _come_back_to_the_logbook(self) -> None:
        """Meet a logbook that was restored from a backup: its row numbers begin further down."""
        newest = self._source.newest()
        if self.cursor.row > newest:
            log.warning("the logbook ends before the cursor: the uplink goes back to row %d", newest)
            self.cursor = replace(self.cursor, row=newest)

    def _lines(self, batch: Sequence[Entry]) -> tuple[list[Entry], list[tuple[int, str]]]:
        """Give the readings of ``batch`` up to the first of unknown time, and their lines by row."""
        known: list[Entry] = []
        lines: list[tuple[int, str]] = []
        for entry in batch:
            offset = self._source.offset(entry.at)
            if offset is None:
                break
            known.append(entry)
            if math.isfinite(entry.raw):
                about = self._describe(entry)
                text = line(entry, offset, place=about.place, spot=about.spot, value=about.value)
                lines.append((entry.row or 0, text))
        return known, lines

    def _deliver(self, lines: list[tuple[int, str]]) -> tuple[Verdict, list[tuple[int, str, str]]]:
        """Send ``lines``; halve what the store refuses until the guilty ones stand alone.

        Returns:
            What became of the whole (taken, where only single lines are at fault), and
            the guilty lines with their rows and the store's words.
        """
        guilty: list[tuple[int, str, str]] = []
        taken = 0
        for part in _halving(lines):
            verdict = self._sink.send([text for _, text in part.lines])
            if verdict.fate is Fate.TAKEN:
                taken += len(part.lines)
            elif verdict.fate is not Fate.GUILTY:
                return verdict, []
            elif len(part.lines) > 1:
                part.halve()
            else:
                guilty.append((*part.lines[0], verdict.words))
                if not taken and len(guilty) >= HOPELESS:
                    return Verdict(Fate.CLOSED, f"store refuses every line: {verdict.words}"), []
        return Verdict(Fate.TAKEN), guilty

    def _set_aside(self, guilty: Sequence[tuple[int, str, str]]) -> None:
        """Keep the refused lines in a file of their own, as long as it is not large."""
        if not guilty:
            return
        path = self._folder / REFUSED
        log.warning("the store refused %d readings: see %s", len(guilty), path)
        if path.exists() and path.stat().st_size > REFUSED_BYTES:
            return
        rows = [json.dumps({"row": row, "line": text, "why": why}) for row, text, why in guilty]
        write_through(path, os.O_APPEND, "".join(f"{row}\n" for row in rows))

    def _advance(self, done: Sequence[Entry], sent: int, refused: int, *, full: bool) -> float:
        """Move the cursor past ``done``; give the wait."""
        self._failures = 0
        if done:
            self.cursor = replace(
                self.cursor,
                row=max(self.cursor.row, *(entry.row or 0 for entry in done)),
                sent=self.cursor.sent + sent,
                refused=self.cursor.refused + refused,
                skipped=self.cursor.skipped + len(done) - sent - refused,
            )
        if self.cursor.state:
            log.info("the store takes readings again")
            self.cursor = replace(self.cursor, state="")
        wait = 0.0 if full else self._pace.idle
        self._since_kept += wait
        if full or refused or self._since_kept >= self._pace.keep or self._kept.state:
            self.keep()
        return wait

    def _put_off(self, verdict: Verdict) -> float:
        """Keep everything and give the wait before the next try."""
        self._say(verdict.words, loud=verdict.fate is Fate.CLOSED)
        ceiling = min(self._pace.first * 2.0 ** min(self._failures, 20), self._pace.most)
        self._failures += 1
        if verdict.wait is not None:
            return verdict.wait + self._pace.first * self._chance()
        return ceiling * (0.5 + 0.5 * self._chance())

    def _rest(self, words: str) -> float:
        """Wait for something that is nobody's fault."""
        self._say(words, loud=False)
        return self._pace.idle

    def _say(self, words: str, *, loud: bool) -> None:
        """Log and keep what is the matter, once for each change of words."""
        if words == self.cursor.state:
            return
        log.log(logging.ERROR if loud else logging.WARNING, "uplink: %s", words)
        self.cursor = replace(self.cursor, state=words)
        self.keep()


class _Part:
    """A stretch of lines on its way; it may be halved instead of taken."""

    def __init__(self, lines: list[tuple[int, str]], rest: list["_Part"]) -> None:
        self.lines, self._rest = lines, rest

    def halve(self) -> None:
        """Put both halves in line, the earlier one first."""
        middle = len(self.lines) // 2
        self._rest += [_Part(self.lines[middle:], self._rest), _Part(self.lines[:middle], self._rest)]


def _halving(lines: list[tuple[int, str]]) -> Iterator[_Part]:
    """Give ``lines`` as one part, then what becomes of the parts that are halved."""
    waiting: list[_Part] = []
    waiting.append(_Part(lines, waiting))
    while waiting:
        yield waiting.pop()
