"""Run every bench: ``python -m tests.bench [FILE.json]`` prints a table and writes the figures."""

import argparse
import importlib
import json
import pkgutil
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import tests.bench
from tests.bench.figure import Figure


def modules() -> list[str]:
    """Name the benches: every module of the package that has figures."""
    names = (one.name for one in pkgutil.iter_modules(tests.bench.__path__))
    return [name for name in sorted(names) if name not in ("__main__", "figure")]


def measured(names: Sequence[str]) -> Iterator[Figure]:
    """Measure one bench after the other."""
    for name in names:
        module = importlib.import_module(f"tests.bench.{name}")
        figures = getattr(module, "figures", None)
        if figures is None:
            continue
        print(f"{name} …", file=sys.stderr, flush=True)
        yield from figures()


def number(value: float | None) -> str:
    """Write a number of any size shortly."""
    return "-" if value is None else f"{value:,.4g}"


def line(figure: Figure) -> str:
    """Write one figure as a line."""
    state = "skipped" if figure.skipped else {True: "holds", False: "BROKEN", None: ""}[figure.holds]
    numbers = (figure.ours, figure.baseline, figure.ratio, figure.bound)
    cells = "".join(f"{number(one):>12}" for one in numbers)
    return f"{figure.name[:72]:<72}{cells}  {state}{f' ({figure.skipped})' if figure.skipped else ''}"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run, print, write; 1 where a bound is broken."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE.json")
    parser.add_argument("--json", dest="named", type=Path, metavar="FILE.json", help="the same as FILE.json")
    parser.add_argument("--only", action="append", choices=modules(), help="only this bench (repeatable)")
    given = parser.parse_args(arguments)
    print(f"{'figure':<72}{'ours':>12}{'baseline':>12}{'ratio':>12}{'bound':>12}")
    found = []
    for figure in measured(given.only or modules()):
        found.append(figure)
        print(line(figure), flush=True)
    skips = sum(bool(figure.skipped) for figure in found)
    broken = [figure.name for figure in found if figure.holds is False]
    print(f"{len(found)} figures, {skips} skipped, {len(broken)} bounds broken")
    file = given.file or given.named
    if file is not None:
        file.write_text(json.dumps([figure.as_json() for figure in found], indent=2) + "\n")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
