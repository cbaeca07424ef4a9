"""``ovigil import`` and ``ovigil export``: readings from and into files."""

import argparse
import json
import os
import sys
from collections.abc import Callable
from typing import TextIO

from daemon.cli import OK, USAGE, Plain
from daemon.commands.night import chosen_window
from daemon.csvfile import CsvForm, CsvRefused
from daemon.csvform import form_of, preview, preview_json, preview_lines
from daemon.exporting import export_rows, write_csv, write_json
from daemon.folders import data_folder
from daemon.imports import ImportReport, import_file
from daemon.logbook import Archive
from daemon.night import Window, plan_at
from daemon.progress import Progress
from daemon.record import Json
from daemon.settings import Loaded, load
from rules.plan import WATCH, Plan
from rules.reading import SECOND, Quantity


def import_(given: argparse.Namespace) -> int:
    """Take a file into the logbook and say what became of it, or only what was understood."""
    os.umask(0o077)
    loaded = load(given.room)
    try:
        form = form_of(given)
    except ValueError as wrong:
        raise Plain(str(wrong), USAGE) from None
    progress = Progress("lines read")
    try:
        if given.preview:
            return _preview(given, loaded, form)
        report = import_file(loaded, data_folder(loaded), given.file, form, progress)
    except CsvRefused as refused:
        raise Plain(f"{given.file}: {refused}", USAGE) from None
    except OSError as error:
        raise Plain(f"{given.file}: {error.strerror or error}", USAGE) from None
    finally:
        progress.end()
    if given.json:
        print(json.dumps(_as_json(report), indent=2))
    else:
        _say(report, str(given.file))
    return OK


def _preview(given: argparse.Namespace, loaded: Loaded, form: CsvForm) -> int:
    """Say what was understood of a file; nothing is stored."""
    found = preview(loaded, given.file, form)
    if given.json:
        print(json.dumps(preview_json(found), indent=2))
    else:
        print("\n".join(preview_lines(found, loaded)))
    return OK


def _say(report: ImportReport, name: str) -> None:
    for line in report.bad:
        print(f"{name}:{line.number}: {line.reason}; passed over", file=sys.stderr)
    more = report.bad_lines - len(report.bad)
    if more:
        print(f"{name}: and {more} more such lines", file=sys.stderr)
    for words in report.twice:
        print(f"{name}: {words}: this instant stands twice with two values; both are kept", file=sys.stderr)
    print(
        f"{report.read} readings read, {report.stored} new, {report.known} already there, "
        f"{report.bad_lines} lines passed over; {report.alarms} new alarms (nothing was sent)"
    )


def _as_json(report: ImportReport) -> dict[str, Json]:
    return {
        "read": report.read,
        "stored": report.stored,
        "known": report.known,
        "bad_lines": report.bad_lines,
        "bad": [{"line": line.number, "reason": line.reason} for line in report.bad],
        "twice": list(report.twice),
        "alarms": report.alarms,
    }


def export(given: argparse.Namespace) -> int:
    """Write readings as CSV or JSON; without dates everything that is recorded."""
    loaded = load(given.room)
    with Archive.open(data_folder(loaded)) as archive:
        window = _export_window(given, archive, loaded)
        plan = plan_at(archive, loaded, window)
        rows = export_rows(
            archive,
            (window.start, window.end),
            where={sensor.name: (sensor.place, sensor.spot) for sensor in plan.sensors},
            corrected=_corrections(plan),
            sensors=frozenset(given.sensor) if given.sensor else _keepers(archive),
        )
        write = write_json if given.json else write_csv

        def into(out: TextIO) -> None:
            write(rows, out)

        _write(given, into)
    return OK


def _keepers(archive: Archive) -> frozenset[str]:
    """Give the keeper's own sensors: all but the organs of the watch."""
    return frozenset(name for name, _ in archive.series() if not name.startswith(f"{WATCH}/"))


def _export_window(given: argparse.Namespace, archive: Archive, loaded: Loaded) -> Window:
    span = archive.span()
    if span is None:
        raise Plain("nothing is recorded yet")
    whole = Window(span[0], span[1] + SECOND)
    if not (given.start or given.end):
        return whole
    chosen = chosen_window(given, archive, loaded)
    return Window(chosen.start if given.start else whole.start, chosen.end if given.end else whole.end)


def _corrections(plan: Plan) -> Callable[[str, Quantity, float, int], float]:
    by_sensor = {sensor.name: sensor.corrections for sensor in plan.sensors}

    def corrected(sensor: str, quantity: Quantity, raw: float, _at: int) -> float:
        correction = by_sensor.get(sensor, {}).get(quantity)
        return raw if correction is None else correction.apply(raw)

    return corrected


def _write(given: argparse.Namespace, into: Callable[[TextIO], None]) -> None:
    if given.out is None:
        into(sys.stdout)
        return
    try:
        with given.out.open("w", encoding="utf-8", newline="") as out:
            into(out)
    except OSError as error:
        raise Plain(f"{given.out}: {error.strerror or error}", USAGE) from None
