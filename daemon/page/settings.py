"""From the config to what the page needs of it."""

import json
import os
import pickle
import sys
import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

from daemon.clutch_settings import of_model
from daemon.compile import compile as compile_plan
from daemon.page.following import Opened
from daemon.page.room import DayHours, Room
from daemon.record import Json
from daemon.settings import Loaded, SettingsError, load
from daemon.standing import basis_of
from daemon.texts import Forms
from rules.plan import ROOM_DAY, WATCH, Plan


def room_of(loaded: Loaded, env: Mapping[str, str] = os.environ) -> Room:
    """Make the page's room of a loaded config.

    Args:
        loaded: The config.
        env: Environment; ``STATE_DIRECTORY`` wins as the data folder.
    """
    model = loaded.model
    plan = compile_plan(model, now=time.time_ns() // 1_000_000, clock=None)
    hours = {"": model.room.day, ROOM_DAY: model.room.day}
    own = {place.name: place.day for place in model.place if place.day is not None}
    hours |= {p.calendar: own[p.name] for p in plan.places if p.name in own}
    return Room(
        name=model.room.name,
        folder=folder_of(loaded, env),
        plan=_keepers(plan),
        zone=ZoneInfo(model.room.time_zone),
        show=model.room.show,
        days={key: DayHours(each.start, each.end) for key, each in hours.items()},
        address=str(model.page.address or ""),
        open_reading=model.page.open,
        hosts=model.page.hosts,
        clutches=of_model(model),
        forms=Forms(model.room.clock, model.room.date),
        tls=_tls(loaded),
        config=loaded.path,
    )


def _tls(loaded: Loaded) -> tuple[Path, Path] | None:
    """Give the files of certificate and key, relative to the config."""
    page = loaded.model.page
    if page.certificate is None or page.key is None:
        return None
    return loaded.path.parent / page.certificate, loaded.path.parent / page.key


def _keepers(plan: Plan) -> Plan:
    """Leave out the watch's own place: its alarms are shown, it has no curve."""
    return replace(plan, places=tuple(place for place in plan.places if place.name != WATCH))


def folder_of(loaded: Loaded, env: Mapping[str, str]) -> Path:
    """Give the data folder: the service's, else the config's, relative to its file."""
    given = env.get("STATE_DIRECTORY", "").partition(":")[0]
    return Path(given) if given else loaded.path.parent / loaded.model.room.data


def opened(
    path: Path, env: Mapping[str, str] = os.environ, basis: Mapping[str, Json] | None = None
) -> Opened:
    """Load a config for the page.

    Args:
        path: The config.
        env: Environment names and values.
        basis: What orders changed and what was heard, as the newest plan in the journal
            has it, or None.

    Raises:
        SettingsError: The config cannot be used.
    """
    loaded = load(path, env)
    room = room_of(loaded, env)
    if basis is not None:
        plan = basis_of({**basis, "digest": loaded.digest}).plan(loaded.model, time.time_ns() // 1_000_000)
        room = replace(room, plan=_keepers(plan))
    return Opened(room, loaded.model.page.host, loaded.model.page.port, loaded.digest, path)


def answer() -> None:
    """Load a config as a child does: ask on standard input, answer on standard output.

    The settings library is heavy; a child that ends gives its memory back.
    """
    path, basis = json.loads(sys.stdin.read())
    try:
        found: Opened | list[str] = opened(Path(path), basis=basis)
    except SettingsError as error:
        found = [str(problem) for problem in error.problems]
    sys.stdout.buffer.write(pickle.dumps(found))
