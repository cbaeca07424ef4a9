"""``ovigil sensors`` and ``ovigil find``: what already speaks, and which one is which."""

import argparse
import json
import sys
import time
from collections.abc import Iterable

from daemon.cli import FOUND, OK, UNAVAILABLE, USAGE, Plain
from daemon.finding import risen, rises
from daemon.record import Json
from daemon.speaking import Speaks, everything
from daemon.texts import Speaker
from daemon.units import duration
from rules.reading import SECOND, Quantity
from sensors.listen import ListenError

ROUND = 5.0
"""So long the broker is listened to in one round of finding (s)."""


def sensors(given: argparse.Namespace) -> int:
    """List everything that speaks, with its value now and the lines to paste."""
    found = _everything(given, _span(given.lasting) / SECOND)
    if given.json:
        answer: list[Json] = [one.json() for one in found]
        print(json.dumps({"sensors": answer}, indent=2, allow_nan=False))
        return OK
    if not found:
        print("nothing speaks yet: look at wiring, drivers and the broker's address (--broker HOST)")
    for one in sorted(found, key=lambda one: one.own):
        print(one.words(Speaker()) + (", measures the board itself" if one.own else ""))
        for line in () if one.own else one.lines:
            print(f"    {line}")
    return OK


def find(given: argparse.Namespace) -> int:
    """Name the sensor that is warmed in a hand."""
    ends = time.monotonic() + _span(given.lasting) / SECOND
    curves: dict[str, list[float]] = {}
    lines: dict[str, tuple[str, ...]] = {}
    print("Take one sensor into your warm hand and hold it; the others stay where they are.", file=sys.stderr)
    while time.monotonic() < ends:
        began = time.monotonic()
        _take(_everything(given, min(ROUND, max(ends - began, 0.2))), curves, lines)
        name = risen(curves)
        if name is not None:
            return _named(given, name, rises(curves)[name], lines[name])
        time.sleep(max(0.0, min(1.0, ROUND - (time.monotonic() - began))))
    print("no single curve rose by 1 K; warm one sensor only, and longer", file=sys.stderr)
    return FOUND


def _take(found: Iterable[Speaks], curves: dict[str, list[float]], lines: dict[str, tuple[str, ...]]) -> None:
    for one in found:
        value = one.values.get(Quantity.TEMPERATURE)
        if value is not None and not one.own:
            curves.setdefault(one.name, []).append(value)
            lines[one.name] = one.lines


def _named(given: argparse.Namespace, name: str, rise: float, lines: tuple[str, ...]) -> int:
    if given.json:
        print(json.dumps({"name": name, "rise": round(rise, 3), "lines": list(lines)}))
    else:
        print(f"{name} rises: by {rise:.1f} K")
        print("\n".join(f"    {line}" for line in lines))
    return OK


def _span(text: str) -> int:
    try:
        return duration(text)
    except ValueError as error:
        raise Plain(f"--for: {error}", USAGE) from None


def _everything(given: argparse.Namespace, seconds: float) -> list[Speaks]:
    try:
        return list(everything(given, seconds))
    except ListenError as error:
        raise Plain(str(error), UNAVAILABLE) from None
    except (ValueError, OSError) as error:
        raise Plain(str(error), USAGE) from None
