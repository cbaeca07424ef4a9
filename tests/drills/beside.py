"""Drills that are played beside others: no figure of theirs, or of those, is one of time.

Their clocks are moved by hand. They play in a process of their own; what it prints and
finds becomes a part of the whole.
"""

import json
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.drills.drill import Figure

BESIDE = (6, 7, 9, 10, 12, 17, 18)
"""They are played beside the first."""

MEANWHILE = (1, 2, 3)
"""Those that are played meanwhile."""

_SUMS = re.compile(
    r"^acknowledged readings: ([\d,]+), lost (\d+); alerts: ([\d,]+), lost (\d+)$", re.MULTILINE
)


@dataclass(frozen=True, slots=True)
class Beside:
    """The process beside.

    Attributes:
        process: Itself.
        folder: Where it writes.
    """

    process: "subprocess.Popen[str]"
    folder: Path

    def came(self) -> tuple[list[str], list[Figure], tuple[int, ...]]:
        """Wait for it; give its lines, its figures and its sums.

        The sums: readings, lost ones, alerts, lost ones.

        Raises:
            RuntimeError: It did not get to its end.
        """
        self.process.wait()
        text = (self.folder / "said").read_text()
        sums, file = _SUMS.search(text), self.folder / "figures.json"
        if sums is None or not file.exists():
            raise RuntimeError(f"the drills beside did not get to their end:\n{text[-2000:]}")
        lines = text.partition("\n")[2].partition("\nall drills: ")[0].splitlines()
        figures = [Figure(**one) for one in json.loads(file.read_text())]
        return lines, figures, tuple(int(one.replace(",", "")) for one in sums.groups())


@contextmanager
def beside() -> Iterator[Beside]:
    """Begin to play them; end them if need be."""
    with TemporaryDirectory(prefix="drills-beside-") as base:
        folder = Path(base)
        words = [sys.executable, "-m", "tests.drills", "--json", str(folder / "figures.json")]
        words += [word for number in BESIDE for word in ("--only", str(number))]
        with (folder / "said").open("w") as said:
            process = subprocess.Popen(words, stdout=said, stderr=subprocess.STDOUT, text=True)
        try:
            yield Beside(process, folder)
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
            process.wait(60)
