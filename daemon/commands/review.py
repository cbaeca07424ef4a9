"""``ovigil review``: how the alarms themselves do."""

import argparse
import json
from itertools import pairwise
from zoneinfo import ZoneInfo

from daemon.alarm_review import ENOUGH
from daemon.alarm_review import review as reviewed
from daemon.alarm_review_answer import as_json, as_text
from daemon.calendars import WallOffset, hours_calendar
from daemon.cli import OK, USAGE, Plain
from daemon.folders import data_folder
from daemon.logbook import Archive
from daemon.night import Window
from daemon.rehearsal import window_of
from daemon.rehearsal_answer import voice
from daemon.settings import Loaded, load
from daemon.times import parsed
from rules.calendar import state_at


def review(given: argparse.Namespace) -> int:
    """Print the alarm review; reads only."""
    loaded = load(given.room)
    with Archive.open(data_folder(loaded)) as archive:
        window = _window(given, archive, loaded)
        found = reviewed(archive, window, nights(archive, loaded, window))
        labels = archive.labels()
    if given.json:
        print(json.dumps(as_json(found, labels), indent=2, allow_nan=False))
    else:
        print(as_text(found, voice(loaded, labels, window.end)))
    return OK


def nights(archive: Archive, loaded: Loaded, window: Window) -> list[tuple[int, int]]:
    """Give the nights of the room in a window, as (begin, end) in room time."""
    zone, labels = ZoneInfo(loaded.model.room.time_zone), archive.labels()
    found: list[tuple[int, int]] = []
    since = window.start
    while since < window.end:
        clock = WallOffset(labels.offset_at(since))
        calendar = hours_calendar(loaded.model.room.day, zone, since, clock)
        edges = [edge for edge in calendar.edges if since < edge < window.end]
        ends = [since, *edges, window.end]
        found += [(start, end) for start, end in pairwise(ends) if not state_at(calendar, start)]
        if not calendar.edges or calendar.edges[-1] >= window.end:
            break
        since = max(calendar.edges[-1], since + 1)
    return found


def _window(given: argparse.Namespace, archive: Archive, loaded: Loaded) -> Window:
    """Give the window that was asked for, else the last 30 days of the record.

    Raises:
        Plain: An instant cannot be read, the window is empty, or nothing is recorded.
    """
    zone, labels = ZoneInfo(loaded.model.room.time_zone), archive.labels()
    try:
        start = labels.room_instant(parsed(given.start, zone)) if given.start else None
        end = labels.room_instant(parsed(given.end, zone)) if given.end else None
    except ValueError as error:
        raise Plain(str(error), USAGE) from None
    whole = window_of(archive, ENOUGH)
    if whole is None and (start is None or end is None):
        raise Plain("nothing is recorded yet")
    if whole is not None:
        end = whole.end if end is None else end
        start = (whole.start if not given.end else end - ENOUGH) if start is None else start
    if start is None or end is None or end <= start:
        raise Plain("the window ends before it begins", USAGE)
    return Window(start, end)
