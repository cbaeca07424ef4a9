"""``ovigil advise``: settings that would have kept the real alarms and fewer nuisances."""

import argparse

from daemon.advice import advise as advised
from daemon.advice_answer import answer, as_text
from daemon.cli import OK, USAGE, Plain
from daemon.commands.rehearse import last_nights
from daemon.folders import data_folder
from daemon.logbook import Archive
from daemon.progress import Progress
from daemon.settings import load
from daemon.units import duration


def advise(given: argparse.Namespace) -> int:
    """Print advice from labels; applies nothing."""
    loaded = load(given.room)
    try:
        delay = duration(given.delay)
    except ValueError as error:
        raise Plain(f"--delay: {error}", USAGE) from None
    window = last_nights(loaded, given.since)
    folder = data_folder(loaded)
    progress = Progress("settings tried")
    try:
        found = advised(loaded, folder, window, delay, progress)
    finally:
        progress.end()
    if given.json:
        with Archive.open(folder) as archive:
            labels = archive.labels()
        print(answer(found, labels).model_dump_json(indent=2, by_alias=True))
    else:
        print(as_text(found))
    return OK
