"""The settings in force: what the keeper wrote, what orders changed, what was heard.

Makes plans of them, and writes into the journal what a later start needs to make the
same plan again. The watch owns one.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from zoneinfo import ZoneInfo

from daemon.compile import Overrides, WallOffset
from daemon.compile import compile as make_plan
from daemon.logbook import Archive
from daemon.record import Entered, Json, Kind
from daemon.settings import Loaded, SettingsError, load_text
from daemon.settings_model import RoomFile
from daemon.texts import Forms, Speaker
from rules.calendar import state_at
from rules.plan import Plan, Stage
from rules.reading import DAY

HORIZON = 20 * DAY
"""A plan's calendars reach 40 days; a new plan is made when so much is left (ms)."""


@dataclass(frozen=True, slots=True)
class Basis:
    """All that a plan is made of, beside the text of the settings.

    Attributes:
        digest: Of the text.
        offset: Wall minus room, or None while the clock is not trusted.
        overrides: What orders changed.
        heard: Names heard by the name of the sensor whose topic has a wildcard.
        last: Last known state by calendar key.
    """

    digest: str
    offset: int | None
    overrides: Overrides = field(default_factory=Overrides)
    heard: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    last: Mapping[str, bool] = field(default_factory=dict)

    def body(self) -> dict[str, Json]:
        """Give it as the body of a journal entry."""
        return {
            "digest": self.digest,
            "offset": self.offset,
            "stage": {name: stage.value for name, stage in self.overrides.stage.items()},
            "species": dict(self.overrides.species),
            "in_use": dict(self.overrides.in_use),
            "hatching": dict(self.overrides.hatching),
            "settling": dict(self.overrides.settling),
            "clutches": list(self.overrides.clutches),
            "heard": {name: list(names) for name, names in self.heard.items()},
            "last": dict(self.last),
        }

    def plan(self, model: RoomFile, now: int) -> Plan:
        """Make the plan."""
        clock = None if self.offset is None else WallOffset(self.offset)
        return make_plan(
            model, now=now, clock=clock, overrides=self.overrides, heard=self.heard, last=self.last
        )


def basis_of(body: Mapping[str, Json]) -> Basis:
    """Take what :meth:`Basis.body` gave."""
    stage, heard = _table(body, "stage"), _table(body, "heard")
    clutches = body.get("clutches")
    overrides = Overrides(
        stage={name: Stage(str(value)) for name, value in stage.items()},
        species={name: str(value) for name, value in _table(body, "species").items()},
        in_use={name: bool(value) for name, value in _table(body, "in_use").items()},
        hatching={name: int(str(value)) for name, value in _table(body, "hatching").items()},
        settling={name: int(str(value)) for name, value in _table(body, "settling").items()},
        clutches=tuple(str(id_) for id_ in clutches) if isinstance(clutches, list) else (),
    )
    offset = body.get("offset")
    return Basis(
        digest=str(body["digest"]),
        offset=int(str(offset)) if offset is not None else None,
        overrides=overrides,
        heard={
            name: tuple(str(one) for one in names) for name, names in heard.items() if isinstance(names, list)
        },
        last={name: bool(value) for name, value in _table(body, "last").items()},
    )


def _table(body: Mapping[str, Json], name: str) -> dict[str, Json]:
    found = body.get(name)
    return found if isinstance(found, dict) else {}


class Standing:
    """The settings in force and the basis of the present plan. Owned by the watch.

    Attributes:
        loaded: The settings.
        basis: What the present plan is made of.
        plan: The present plan.
    """

    def __init__(self, loaded: Loaded, basis: Basis, now: int) -> None:
        """Make the first plan."""
        self.loaded = loaded
        self.basis = replace(basis, digest=loaded.digest)
        self.plan = self.basis.plan(loaded.model, now)

    def renew(self, basis: Basis, now: int, loaded: Loaded | None = None) -> tuple[Plan, Entered]:
        """Make the plan of another basis or other settings, with its journal entry."""
        self.loaded = loaded or self.loaded
        self.basis = replace(basis, digest=self.loaded.digest)
        self.plan = self.basis.plan(self.loaded.model, now)
        return self.plan, self.entered()

    def entered(self) -> Entered:
        """Give the journal entry of the present plan."""
        return Entered(self.plan.now, Kind.PLAN, self.basis.body())

    def states(self, now: int) -> dict[str, bool]:
        """Give the state of each schedule, for the time when the clock is not trusted."""
        found = {key: state_at(calendar, now) for key, calendar in self.plan.calendars.items()}
        return {key: state for key, state in found.items() if state is not None}

    def ends(self, now: int) -> bool:
        """Tell whether the calendars of the present plan must be made anew."""
        return now - self.plan.now > HORIZON

    def speaker(self, now: int) -> Speaker:
        """Give the way of speaking of these settings."""
        return speaker(self.loaded.model, self.basis.offset, now)


def speaker(model: RoomFile, offset: int | None, now: int) -> Speaker:
    """Give the way of speaking of some settings as of an instant."""
    room = model.room
    return Speaker(room.show, ZoneInfo(room.time_zone), offset, now, Forms(room.clock, room.date))


def settings_entry(loaded: Loaded, now: int) -> Entered:
    """Give the journal entry that keeps a text whole."""
    return Entered(now, Kind.SETTINGS, {"digest": loaded.digest, "text": loaded.text})


class Texts:
    """Every text of settings that the journal keeps, read again as needed.

    Args:
        archive: The logbook.
        path: Where the settings lie now, for what is relative to them.
    """

    def __init__(self, archive: Archive, path: Path) -> None:
        self._path = path
        self._texts = {
            str(entered.body["digest"]): str(entered.body["text"])
            for entered in archive.journal(kinds=[Kind.SETTINGS])
            if "text" in entered.body
        }
        self._models: dict[str, RoomFile | None] = {}

    def model(self, digest: str) -> RoomFile | None:
        """Give the settings of a digest, or None where this program cannot read them any more."""
        if digest not in self._models:
            text = self._texts.get(digest)
            self._models[digest] = None if text is None else self._read(text)
        return self._models[digest]

    def _read(self, text: str) -> RoomFile | None:
        try:
            return load_text(text, self._path).model
        except SettingsError:
            return None

    def plan_of(self, entered: Entered) -> Plan | None:
        """Make the plan that a journal entry tells of; None where it cannot be made."""
        basis = basis_of(entered.body)
        model = self.model(basis.digest)
        return None if model is None else basis.plan(model, entered.now)
