"""``ovigil check``: what the settings mean."""

import argparse
import os
from dataclasses import replace

from pydantic import Field

from daemon import reaching
from daemon.check import CheckReport, difference, report
from daemon.check_answer import Answer, CheckAnswer
from daemon.cli import FOUND, OK
from daemon.compile import Overrides
from daemon.folders import data_folder
from daemon.logbook import Archive, CannotRecord, LogbookDamaged, LogbookNewer, NoLogbook
from daemon.readers import slow_buses
from daemon.record import Kind
from daemon.secrets import Secrets
from daemon.selftest import Finding
from daemon.settings import Loaded, load
from daemon.standing import Texts, basis_of


class ReachAnswer(Answer):
    """One thing that was tried."""

    what: str = Field(description='"broker", "contact NAME", "uplink" or "heartbeat".')
    holds: bool = Field(description="It can be reached.")
    words: str = Field(description="What was found.")


class CheckedAnswer(CheckAnswer):
    """The whole answer of the command."""

    changes: list[str] | None = Field(
        description="What is in force differently from what runs, one line each; null: nothing runs yet."
    )
    reach: list[ReachAnswer] | None = Field(description="What was tried; null without --reach.")


def check(given: argparse.Namespace) -> int:
    """Print effective ranges with their origin, and what a keeper should know; only reads."""
    loaded = load(given.room)
    overrides, changes = _beside_what_runs(loaded)
    found = report(loaded, overrides=overrides)
    found = replace(found, warnings=(*found.warnings, *slow_buses(loaded)))
    tried = tuple(_tried(loaded)) if given.reach else None
    if given.json:
        print(_answer(found, changes, tried).model_dump_json(indent=2))
    else:
        print("\n".join((*found.text(), *_more(changes, tried))))
    return FOUND if tried and not all(one.holds for one in tried) else OK


def ordered(loaded: Loaded) -> Overrides | None:
    """Give what orders changed since the settings were written; None without a logbook."""
    return _beside_what_runs(loaded)[0]


def _beside_what_runs(loaded: Loaded) -> tuple[Overrides | None, tuple[str, ...] | None]:
    """Give what orders changed, and what differs from the settings in force; None without a logbook."""
    try:
        with Archive.open(data_folder(loaded)) as archive:
            plans = archive.journal(kinds=[Kind.PLAN])
            if not plans:
                return None, None
            basis = basis_of(plans[-1].body)
            running = Texts(archive, loaded.path).model(basis.digest)
    except (NoLogbook, LogbookDamaged, LogbookNewer, CannotRecord):
        return None, None
    if running is None:
        return basis.overrides, None
    changes = difference(running, loaded.model, overrides=basis.overrides)
    return basis.overrides, tuple(str(one) for one in changes)


def _tried(loaded: Loaded) -> list[Finding]:
    """Try broker, contacts and servers without sending anything."""
    model = loaded.model
    secrets = Secrets.for_config(loaded.path, os.environ)
    found: list[Finding] = []
    if model.broker is not None:
        from daemon.commands.selftest import broker

        found.append(broker(loaded, secrets))
    found += reaching.contacts({each.name: secrets.get(each.reach) or "" for each in model.contact})
    if model.uplink is not None:
        found.append(reaching.server("uplink", model.uplink.url))
    if model.watch.heartbeat is not None:
        found.append(reaching.server("heartbeat", secrets.get(model.watch.heartbeat) or ""))
    return found


def _more(changes: tuple[str, ...] | None, tried: tuple[Finding, ...] | None) -> list[str]:
    lines: list[str] = []
    if changes:
        lines += ["", "compared with what runs:", *(f"  {change}" for change in changes)]
    if tried is not None:
        lines += ["", "tried (nothing was sent):"]
        lines += [f"  {'ok ' if one.holds else 'NOT'} {one.what}: {one.words}" for one in tried]
    return lines


def _answer(
    found: CheckReport, changes: tuple[str, ...] | None, tried: tuple[Finding, ...] | None
) -> CheckedAnswer:
    reach = None
    if tried is not None:
        reach = [ReachAnswer(what=one.what, holds=one.holds, words=one.words) for one in tried]
    return CheckedAnswer(
        **dict(found.answer()), changes=None if changes is None else list(changes), reach=reach
    )
