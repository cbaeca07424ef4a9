"""Play the drills: ``python -m tests.drills [--full] [--only N] [--json FILE]``.

Prints the figure of each scenario beside its bound; exit code 1 where one does not hold. Where
nothing but times is beyond its bound the drill is played once more, and says so: a machine that
was busy elsewhere for a moment is no fault of the watch. What is lost is never played again.
"""

import argparse
import json
import logging
import os
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import NoReturn

from tests.drills import hostile, ingest, judging, keeping, telling, wardens
from tests.drills.beside import BESIDE, MEANWHILE, beside, leave
from tests.drills.drill import Drill, Figure, Measured, Skip
from tests.drills.sweeping import adopt, running, swept

DRILLS: tuple[Drill, ...] = tuple(
    sorted(
        (
            *ingest.DRILLS,
            *judging.DRILLS,
            *telling.DRILLS,
            *keeping.DRILLS,
            *wardens.DRILLS,
            *hostile.DRILLS,
        ),
        key=lambda drill: drill.number,
    )
)

ALL = "all drills"
"""So begins what is summed up over all of them."""


@dataclass(slots=True)
class Sums:
    """What is counted over all drills.

    Attributes:
        readings: Acknowledged readings that were looked for afterwards.
        lost: Those of them that were neither stored nor listed.
        alerts: Alarms of which somebody was to be told.
        unsaid: Those of them of which nobody was, and nothing waits.
        left: Processes, mounts and devices that drills left behind.
    """

    readings: int = 0
    lost: int = 0
    alerts: int = 0
    unsaid: int = 0
    left: int = 0

    def add(self, one: Measured) -> None:
        """Add a verdict, where it is one."""
        if one.verdict is not None:
            self.readings += one.verdict.readings
            self.lost += len(one.verdict.lost_readings)
            self.alerts += one.verdict.alerts
            self.unsaid += len(one.verdict.lost_alerts)

    def take(self, counts: Mapping[str, int]) -> None:
        """Add what others counted."""
        for name, count in counts.items():
            setattr(self, name, getattr(self, name) + count)

    def figures(self) -> tuple[Figure, ...]:
        """Give the sums as figures."""
        found = {
            "acknowledged readings lost": self.lost,
            "alerts lost": self.unsaid,
            "processes, mounts, devices left behind": self.left,
        }
        return tuple(Figure(f"{ALL}: {words}", count, 0, count == 0) for words, count in found.items())

    def __str__(self) -> str:
        readings = f"acknowledged readings: {self.readings:,}, lost {self.lost}"
        return f"{readings}; alerts: {self.alerts:,}, lost {self.unsaid}"


def played(drill: Drill, sums: Sums, *, full: bool, spared: int = 0) -> Iterator[Figure]:
    """Play one drill and give its figures; one that cannot be played gives a skip.

    ``spared``: a child that plays other drills.
    """
    name = f"{drill.number} {drill.name}"
    if not (full or drill.fast):
        yield Figure(name, None, 0, None, "only in the full tier")
        return
    with tempfile.TemporaryDirectory(prefix=f"drill-{drill.number}-") as folder, _quiet(Path(folder)) as said:
        before = running(spared)
        try:
            drill.needs()
            with closing(drill.play(Path(folder), full)) as measured:
                for one in measured:
                    sums.add(one)
                    if one.note:
                        print(f"    {one.note}", flush=True)
                    holds = one.figure <= one.bound
                    yield Figure(f"{name}: {one.what}", round(one.figure, 3), one.bound, holds)
        except Skip as reason:
            yield Figure(name, None, 0, None, str(reason))
        except Exception as broken:
            where = "" if isinstance(broken, AssertionError) else traceback.format_exc()
            print(
                f"    {where}{str(broken)[-2000:]}\n    {said.read_text(errors='replace')[-1000:]}",
                flush=True,
            )
            yield Figure(f"{name}: did not get to its end", 1, 0, holds=False)
        finally:
            left = swept(Path(folder), before, spared)
            for words in left:
                print(f"    left behind: {words}", flush=True)
            sums.left += len(left)


def settled(drill: Drill, sums: Sums, *, full: bool, spared: int = 0) -> tuple[Figure, ...]:
    """Play one drill, print its figures; once more where nothing but times was beyond its bound."""
    figures = _printed(drill, sums, full=full, spared=spared)
    broken = [one for one in figures if one.holds is False]
    if not broken or not all(one.scenario.endswith((", s", ", ms")) for one in broken):
        return figures
    print("    only times were beyond their bounds; played once more", flush=True)
    return _printed(drill, sums, full=full, spared=spared)


def _printed(drill: Drill, sums: Sums, *, full: bool, spared: int) -> tuple[Figure, ...]:
    found = []
    with closing(played(drill, sums, full=full, spared=spared)) as figures:
        for figure in figures:
            found.append(figure)
            print(line(figure), flush=True)
    return tuple(found)


@contextmanager
def _quiet(folder: Path) -> Iterator[Path]:
    """Let what processes of a drill say on standard error go to a file beside its folder."""
    file = Path(f"{folder}.said")
    before = os.dup(2)
    with file.open("wb") as other:
        os.dup2(other.fileno(), 2)
    try:
        yield file
    finally:
        os.dup2(before, 2)
        os.close(before)
        file.unlink()


def line(figure: Figure) -> str:
    """Write one figure as a line."""
    if figure.skipped is not None:
        return f"{figure.scenario:<100}{'skipped':>10}  {figure.skipped}"
    state = "holds" if figure.holds else "BROKEN"
    return f"{figure.scenario:<100}{figure.figure:>10,.10g}{figure.bound:>10,.10g}  {state}"


def _given(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.drills", description=__doc__)
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE.json")
    parser.add_argument("--full", action="store_true", help="the full tier: half an hour, needs root")
    parser.add_argument("--json", dest="named", type=Path, metavar="FILE.json", help="the same as FILE.json")
    parser.add_argument("--beside", type=Path, metavar="FOLDER", help=argparse.SUPPRESS)
    parser.add_argument(
        "--only", action="append", type=int, metavar="N", help="only this scenario (repeatable)"
    )
    return parser.parse_args(arguments)


def _stopped(number: int, _frame: object) -> NoReturn:
    """End: everything that was begun is taken away first, however often one asks."""
    for one in (signal.SIGTERM, signal.SIGINT):
        signal.signal(one, signal.SIG_IGN)
    raise KeyboardInterrupt(f"signal {number}")


def main(arguments: Sequence[str] | None = None) -> int:
    """Play, print, write."""
    given = _given(arguments)
    logging.getLogger().addHandler(logging.NullHandler())
    sums = Sums()
    if given.beside is not None:
        leave(given.beside, _one_by_one(_chosen(BESIDE), sums, full=False), asdict(sums))
        return 0
    print(f"{'scenario':<100}{'figure':>10}{'bound':>10}")
    begun = time.monotonic()
    if given.full or given.only:
        found = _one_by_one(_chosen(given.only) if given.only else DRILLS, sums, full=given.full)
    else:
        found = _fast(sums)
    found += sums.figures()
    print("\n".join(line(one) for one in sums.figures()))
    file = given.file or given.named
    if file is not None:
        file.write_text(json.dumps([one.as_json() for one in found], indent=2) + "\n")
    return _summed(found, sums, time.monotonic() - begun)


def _one_by_one(drills: Iterable[Drill], sums: Sums, *, full: bool, spared: int = 0) -> list[Figure]:
    """Play some drills, one after the other."""
    found: list[Figure] = []
    for drill in drills:
        started = time.monotonic()
        found += settled(drill, sums, full=full, spared=spared)
        print(f"    drill {drill.number} took {time.monotonic() - started:.0f} s", flush=True)
    return found


def _fast(sums: Sums) -> list[Figure]:
    """Play the fast tier: at first two drills at a time."""
    with beside() as others:
        found = _one_by_one(_chosen(MEANWHILE), sums, full=False, spared=others.process.pid)
        came = others.came()
    print(came.said, end="", flush=True)
    sums.take(came.sums)
    rest = [one for one in DRILLS if one.number not in (*MEANWHILE, *BESIDE)]
    return [*found, *came.figures, *_one_by_one(rest, sums, full=False)]


def _chosen(numbers: Container[int]) -> list[Drill]:
    return [one for one in DRILLS if one.number in numbers]


def _summed(found: Sequence[Figure], sums: Sums, seconds: float) -> int:
    """Say what came of it all, each skip with its reason; give the exit code."""
    broken = [one for one in found if one.holds is False]
    skips = [one for one in found if one.skipped is not None]
    for one in broken:
        print(f"broken: {one.scenario} = {one.figure:,.10g}, bound {one.bound:,.10g}")
    for one in skips:
        print(f"skipped: {one.scenario}: {one.skipped}")
    print(sums)
    print(
        f"{len(found) - len(skips)} figures, {len(broken)} broken, {len(skips)} skipped, {seconds:.0f} s",
        flush=True,
    )
    return 1 if broken else 0


if __name__ == "__main__":
    adopt()
    for asked in (signal.SIGTERM, signal.SIGINT):
        signal.signal(asked, _stopped)
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        print("stopped; what was begun is taken away", flush=True)
        sys.exit(130)
