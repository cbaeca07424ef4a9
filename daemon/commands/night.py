"""``ovigil night``: the review of a night."""

import argparse
import json
import time
from pathlib import Path
from zoneinfo import ZoneInfo

from daemon.cli import OK, USAGE, Plain
from daemon.folders import data_folder
from daemon.logbook import Archive
from daemon.night import Window, as_json, as_text, default_window, review
from daemon.settings import Loaded, load
from daemon.times import parsed


def night(given: argparse.Namespace) -> int:
    """Print what the night was like."""
    loaded = load(given.room)
    with Archive.open(data_folder(loaded)) as archive:
        window = chosen_window(given, archive, loaded)
        if given.report is not None:
            between = (window.start, window.end) if given.start or given.end else None
            _report(given.report, archive, loaded, between)
            return OK
        found = review(archive, loaded, window)
        if given.json:
            print(json.dumps(as_json(found), indent=2, allow_nan=False))
        else:
            print(as_text(found, loaded, window.end))
    return OK


def _report(file: Path, archive: Archive, loaded: Loaded, between: tuple[int, int] | None) -> None:
    """Write the night as one page, HTML or PNG by the file's ending; a file is replaced whole.

    Raises:
        Plain: Another ending, no font for a picture, or the file cannot be written.
    """
    kind = file.suffix.lower()
    if kind not in (".html", ".htm", ".png"):
        raise Plain(f"{file}: a report ends in .html or .png", USAGE)
    from daemon.page.report import night_report
    from daemon.page.settings import room_of
    from daemon.picture import NoFaceError

    try:
        found = night_report(archive, room_of(loaded), between, picture=kind == ".png")
        content = found.html.encode() if found.picture is None else found.picture
        beside = file.with_name(file.name + ".new")
        beside.write_bytes(content)
        beside.replace(file)
    except NoFaceError as error:
        raise Plain(f"the report cannot be drawn: {error}") from None
    except OSError as error:
        raise Plain(f"{file}: {error.strerror}") from None
    print(f"{found.title}: {file}\n{found.summary}")


def chosen_window(given: argparse.Namespace, archive: Archive, loaded: Loaded) -> Window:
    """Give the window that was asked for, else the last night.

    Raises:
        Plain: An instant cannot be read, the window is empty, or nothing is recorded.
    """
    wall = time.time_ns() // 1_000_000
    window = default_window(archive, loaded, wall)
    if window is None and not (given.start and given.end):
        raise Plain("nothing is recorded yet")
    zone, labels = ZoneInfo(loaded.model.room.time_zone), archive.labels()
    try:
        start = labels.room_instant(parsed(given.start, zone)) if given.start else None
        end = labels.room_instant(parsed(given.end, zone)) if given.end else None
    except ValueError as error:
        raise Plain(str(error), USAGE) from None
    if window is not None:
        start = window.start if start is None else start
        end = max(window.end, start + 1) if end is None else end
    if start is None or end is None or end <= start:
        raise Plain("the window ends before it begins", USAGE)
    return Window(start, end)
