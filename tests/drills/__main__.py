"""Play the drills: ``python -m tests.drills [--full] [--only N] [--json FILE]``.

Prints the figure of each scenario beside its bound; exit code 1 where one does not hold.
"""

import argparse
import json
import logging
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from tests.drills import ingest, judging, keeping, telling, wardens
from tests.drills.drill import Drill, Figure, Skip

DRILLS: tuple[Drill, ...] = tuple(
    sorted(
        (*ingest.DRILLS, *judging.DRILLS, *telling.DRILLS, *keeping.DRILLS, *wardens.DRILLS),
        key=lambda drill: drill.number,
    )
)


def played(drill: Drill, *, full: bool) -> Iterator[Figure]:
    """Play one drill and give its figures; one that cannot be played gives a skip."""
    name = f"{drill.number} {drill.name}"
    if not (full or drill.fast):
        yield Figure(name, None, 0, None, "only in the full tier")
        return
    try:
        drill.needs()
        with tempfile.TemporaryDirectory(prefix=f"drill-{drill.number}-") as folder:
            for one in drill.play(Path(folder), full):
                holds = one.figure <= one.bound
                if one.note:
                    print(f"    {one.note}", flush=True)
                yield Figure(f"{name}: {one.what}", round(one.figure, 3), one.bound, holds)
    except Skip as reason:
        yield Figure(name, None, 0, None, str(reason))
    except AssertionError as broken:
        print(f"    {str(broken)[-2000:]}", flush=True)
        yield Figure(f"{name}: did not get to its end", 1, 0, holds=False)


def line(figure: Figure) -> str:
    """Write one figure as a line."""
    if figure.skipped is not None:
        return f"{figure.scenario:<84}{'skipped':>12}  {figure.skipped}"
    state = "holds" if figure.holds else "BROKEN"
    return f"{figure.scenario:<84}{figure.figure:>12,.10g}{figure.bound:>12,.10g}  {state}"


def main(arguments: Sequence[str] | None = None) -> int:
    """Play, print, write."""
    parser = argparse.ArgumentParser(prog="python -m tests.drills", description=__doc__)
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE.json")
    parser.add_argument("--full", action="store_true", help="the full tier: half an hour, needs root")
    parser.add_argument("--json", dest="named", type=Path, metavar="FILE.json", help="the same as FILE.json")
    parser.add_argument(
        "--only", action="append", type=int, metavar="N", help="only this scenario (repeatable)"
    )
    given = parser.parse_args(arguments)
    logging.getLogger().addHandler(logging.NullHandler())
    print(f"{'scenario':<84}{'figure':>12}{'bound':>12}")
    found: list[Figure] = []
    begun = time.monotonic()
    for drill in DRILLS:
        if given.only and drill.number not in given.only:
            continue
        started = time.monotonic()
        for figure in played(drill, full=given.full):
            found.append(figure)
            print(line(figure), flush=True)
        print(f"    drill {drill.number} took {time.monotonic() - started:.0f} s", flush=True)
    broken = [one.scenario for one in found if one.holds is False]
    skips = [one.scenario for one in found if one.skipped is not None]
    print(
        f"{len(found) - len(skips)} figures, {len(broken)} broken, {len(skips)} skipped,"
        f" {time.monotonic() - begun:.0f} s"
    )
    file = given.file or given.named
    if file is not None:
        file.write_text(json.dumps([one.as_json() for one in found], indent=2) + "\n")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
