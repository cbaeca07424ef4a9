"""Drills that are played beside others: no figure of theirs, or of those, is one of time.

Their clocks are moved by hand. They play in a process of their own; what it prints, finds
and counts becomes a part of the whole.
"""

import json
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.drills.drill import Figure

BESIDE = (6, 7, 9, 10, 12, 17, 18)
"""They are played beside the first."""

MEANWHILE = (1, 2, 3)
"""Those that are played meanwhile."""


@dataclass(frozen=True, slots=True)
class Came:
    """What came of the drills beside.

    Attributes:
        said: What they printed.
        figures: What they found.
        sums: What they counted, by name.
    """

    said: str
    figures: tuple[Figure, ...]
    sums: dict[str, int]


@dataclass(frozen=True, slots=True)
class Beside:
    """The process beside.

    Attributes:
        process: Itself.
        folder: Where it writes.
    """

    process: "subprocess.Popen[str]"
    folder: Path

    def came(self) -> Came:
        """Wait for it; give what came of it: one broken figure where it did not get to its end."""
        self.process.wait()
        said = (self.folder / _SAID).read_text(errors="replace")
        try:
            left = json.loads((self.folder / _LEFT).read_text())
        except FileNotFoundError:
            ended = Figure("the drills beside: did not get to their end", 1, 0, holds=False)
            return Came(said, (ended,), {})
        return Came(said, tuple(Figure(**one) for one in left["figures"]), left["sums"])


@contextmanager
def beside() -> Iterator[Beside]:
    """Begin to play them; end them if need be."""
    with TemporaryDirectory(prefix="drills-beside-") as base:
        folder = Path(base)
        words = [sys.executable, "-m", "tests.drills", "--beside", base]
        with (folder / _SAID).open("w") as said:
            process = subprocess.Popen(words, stdout=said, stderr=subprocess.STDOUT, text=True)
        try:
            yield Beside(process, folder)
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
            process.wait(60)


def leave(folder: Path, figures: Sequence[Figure], sums: Mapping[str, int]) -> None:
    """Leave for the one who waits what came of it: whole, or not at all."""
    half = folder / f"{_LEFT}.half"
    half.write_text(json.dumps({"figures": [one.as_json() for one in figures], "sums": dict(sums)}))
    half.replace(folder / _LEFT)


_SAID, _LEFT = "said", "left.json"
