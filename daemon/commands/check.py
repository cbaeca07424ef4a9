"""``ovigil check``: what the settings mean."""

import argparse

from daemon.check import report
from daemon.cli import OK
from daemon.compile import Overrides
from daemon.folders import data_folder
from daemon.logbook import Archive, CannotRecord, LogbookDamaged, LogbookNewer, NoLogbook
from daemon.record import Kind
from daemon.settings import Loaded, load
from daemon.standing import basis_of


def check(given: argparse.Namespace) -> int:
    """Print effective ranges with their origin, and what a keeper should know; only reads."""
    loaded = load(given.room)
    found = report(loaded, overrides=ordered(loaded))
    if given.json:
        print(found.answer().model_dump_json(indent=2))
    else:
        print("\n".join(found.text()))
    return OK


def ordered(loaded: Loaded) -> Overrides | None:
    """Give what orders changed since the settings were written; None without a logbook."""
    try:
        with Archive.open(data_folder(loaded)) as archive:
            plans = archive.journal(kinds=[Kind.PLAN])
    except (NoLogbook, LogbookDamaged, LogbookNewer, CannotRecord):
        return None
    return basis_of(plans[-1].body).overrides if plans else None
