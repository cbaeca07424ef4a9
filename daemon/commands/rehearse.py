"""``ovigil rehearse``: what proposed settings would have said on recorded nights."""

import argparse
from pathlib import Path

from daemon.cli import OK, USAGE, Plain
from daemon.folders import data_folder
from daemon.logbook import Archive, Labels
from daemon.night import Window
from daemon.progress import Progress
from daemon.rehearsal import rehearse as judged
from daemon.rehearsal import window_of
from daemon.rehearsal_answer import answer, as_text, voice
from daemon.rehearsal_values import Rehearsal
from daemon.settings import Loaded, load
from daemon.units import duration


def rehearse(given: argparse.Namespace) -> int:
    """Judge the last nights by two settings and print the difference; writes nothing."""
    current, proposed = load(given.room), load(given.proposed)
    folder = data_folder(current)
    window = last_nights(current, given.since)
    progress = Progress("readings judged")
    try:
        found = judged((current, proposed), folder, window, progress, orders=not given.without_orders)
    finally:
        progress.end()
    with Archive.open(folder) as archive:
        labels = archive.labels()
    speak = voice(current, labels, window.end)
    if given.report is not None:
        _report(given.report, found, current, as_text(found, speak).splitlines(), labels)
    if given.json:
        print(answer(found, labels, speak).model_dump_json(indent=2, by_alias=True))
    else:
        print(as_text(found, speak))
    return OK


def _report(file: Path, found: Rehearsal, current: Loaded, lines: list[str], labels: Labels) -> None:
    """Write the page of curves."""
    from daemon.page.settings import room_of
    from daemon.rehearsal_page import rehearsal_page

    with Archive.open(data_folder(current)) as archive:
        page = rehearsal_page(found, archive, room_of(current), lines, labels)
    try:
        file.write_text(page, "utf-8")
    except OSError as error:
        raise Plain(f"{file}: {error.strerror or error}", USAGE) from None


def last_nights(loaded: Loaded, since: str | None) -> Window:
    """Give the last stretch of the record; None: all of it.

    Raises:
        Plain: The span cannot be read, or nothing is recorded.
    """
    try:
        span = duration(since) if since else None
    except ValueError as error:
        raise Plain(f"--since: {error}", USAGE) from None
    if span == 0:
        raise Plain("--since: the window is empty", USAGE)
    with Archive.open(data_folder(loaded)) as archive:
        window = window_of(archive, span)
    if window is None:
        raise Plain("nothing is recorded yet")
    return window
