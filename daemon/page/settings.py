"""From the config to what the page needs of it."""

import os
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from zoneinfo import ZoneInfo

from daemon.compile import compile as compile_plan
from daemon.logbook import Archive
from daemon.page.room import DayHours, Room
from daemon.record import Entered, Json, Kind
from daemon.settings import Loaded, load
from daemon.standing import basis_of
from rules.events import Verb
from rules.plan import ROOM_DAY, Plan
from sensors.reader import WATCH


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
        clutches=tuple(_clutch(each.id, each) for each in model.clutch),
    )


class Following:
    """Keeps the room as the watch has it: orders change stages, wildcards bring sensors.

    Args:
        loaded: The config that the page was started with.
    """

    def __init__(self, loaded: Loaded) -> None:
        self._loaded = loaded
        self._row = 0

    def __call__(self, room: Room, archive: Archive) -> Room:
        """Give the room, renewed where the journal has newer plans or orders of this config."""
        for entry in archive.journal(kinds=(Kind.PLAN, Kind.ORDER), after_row=self._row):
            self._row = entry.row or self._row
            room = self._ordered(room, entry) if entry.kind is Kind.ORDER else self._planned(room, entry)
        return room

    def _planned(self, room: Room, entry: Entered) -> Room:
        """Take over a plan, if it is one of this config."""
        if entry.body.get("digest") != self._loaded.digest:
            return room
        plan = basis_of(entry.body).plan(self._loaded.model, entry.now)
        return replace(room, plan=_keepers(plan))

    def _ordered(self, room: Room, entry: Entered) -> Room:
        """Take over which places are out of service."""
        given = entry.body.get("engine")
        verb, place = (given.get("verb"), given.get("place")) if isinstance(given, dict) else (None, None)
        if verb == Verb.OUT_OF_SERVICE.value:
            return replace(room, out_of_service=room.out_of_service | {str(place)})
        if verb == Verb.IN_SERVICE.value:
            return replace(room, out_of_service=room.out_of_service - {str(place)})
        return room


def _keepers(plan: Plan) -> Plan:
    """Leave out the watch's own place: its alarms are shown, it has no curve."""
    return replace(plan, places=tuple(place for place in plan.places if place.name != WATCH))


def _clutch(name: str, table: object) -> dict[str, Json]:
    """Put a clutch of the config into words."""
    laid = getattr(table, "laid", None) or getattr(table, "found", None)
    return {
        "id": name,
        "species": str(getattr(table, "species", "")),
        "box": str(getattr(table, "box", "") or ""),
        "laid": str(laid) if laid else "",
        "eggs": str(getattr(table, "eggs", "")),
        "developed": "–",
        "window": "–",
    }


def folder_of(loaded: Loaded, env: Mapping[str, str]) -> Path:
    """Give the data folder: the service's, else the config's, relative to its file."""
    given = env.get("STATE_DIRECTORY", "").partition(":")[0]
    return Path(given) if given else loaded.path.parent / loaded.model.room.data


@dataclass(frozen=True, slots=True)
class Opened:
    """A config as the page is started with it."""

    room: Room
    host: str
    port: int
    follow: Following


def opened(path: Path, env: Mapping[str, str] = os.environ) -> Opened:
    """Load a config for the page.

    Raises:
        SettingsError: The config cannot be used.
    """
    loaded = load(path, env)
    return Opened(room_of(loaded, env), loaded.model.page.host, loaded.model.page.port, Following(loaded))
