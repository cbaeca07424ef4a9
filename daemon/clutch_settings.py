"""What the config says around clutches, as plain values.

The settings library is heavy; the page and the watch's threads work with these.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from daemon.calendars import at_hour, instant_of
from daemon.clutch_entry import scientific
from daemon.logbook import Labels
from daemon.units import MIDNIGHT
from rules.clutch import Clutch
from rules.reading import DAY, SECOND, Quantity
from rules.season import Reminder

if TYPE_CHECKING:
    from daemon.settings import Loaded
    from daemon.settings_model import ClutchTable, RoomFile


@dataclass(frozen=True, slots=True)
class Begun:
    """A clutch of the config: as a :class:`rules.clutch.Clutch`, but with its day.

    Attributes:
        clutch: The clutch; its instant of laying is not known yet.
        day: The local day on which it was laid or found.
    """

    clutch: Clutch
    day: date


@dataclass(frozen=True, slots=True)
class Days:
    """A reminder of the config.

    Attributes:
        text: In the keeper's words.
        first: Its day, or the first of them.
        every: Days from one to the next; 0: it is one day only.
        clutch: What it is about, or "".
    """

    text: str
    first: date
    every: int = 0
    clutch: str = ""


@dataclass(frozen=True, slots=True)
class ClutchSettings:
    """The config's part of the clutches.

    Attributes:
        zone: The room's time zone.
        morning: When its day begins, minute of the day: the end of "tonight".
        boxes: Each place, and whether a sensor of temperature is in it.
        clutches: In the order of the config.
        reminders: In the order of the config.
    """

    zone: tzinfo = UTC
    morning: int = 0
    boxes: Mapping[str, bool] = field(default_factory=dict)
    clutches: tuple[Begun, ...] = ()
    reminders: tuple[Days, ...] = ()

    def begun(self, labels: Labels) -> Iterator[Clutch]:
        """Give the clutches with their instants of laying."""
        for each in self.clutches:
            laid = labels.room_instant(instant_of(each.day, 0, self.zone))
            yield replace(each.clutch, laid=laid)

    def tonight(self, labels: Labels, now: int) -> int:
        """Give the instant at which tonight ends: the next beginning of the day."""
        return labels.room_instant(at_hour(self.morning, self.zone, labels.wall(now)))

    def reminded(self, labels: Labels, now: int, until: int) -> Iterator[Reminder]:
        """Give the reminders that matter in a stretch of time, one for each of their days."""
        today, last = (
            datetime.fromtimestamp(labels.wall(at) / SECOND, self.zone).date() for at in (now, until)
        )
        for each in self.reminders:
            for day in _days(each, today, last):
                start, end = (
                    labels.room_instant(instant_of(day, minute, self.zone)) for minute in (0, MIDNIGHT)
                )
                yield Reminder(start, end, each.text, each.clutch, again=each.every > 0)


def clutch_settings(loaded: "Loaded") -> ClutchSettings:
    """Take from the settings what is about clutches."""
    return of_model(loaded.model)


def of_model(model: "RoomFile") -> ClutchSettings:
    """Take it from the settings model."""
    return ClutchSettings(
        zone=ZoneInfo(model.room.time_zone),
        morning=model.room.day.start,
        boxes={
            place.name: any(Quantity.TEMPERATURE in sensor.quantities for sensor in place.sensor)
            for place in model.place
        },
        clutches=tuple(_begun(table) for table in model.clutch),
        reminders=tuple(
            Days(each.text, each.on or each.since or date.min, (each.every or 0) // DAY, each.clutch or "")
            for each in model.reminder
        ),
    )


def _begun(table: "ClutchTable") -> Begun:
    clutch = Clutch(
        id=table.id,
        species=scientific(table.species),
        laid=0,
        eggs=table.eggs,
        box=table.box,
        position=table.position,
        found=table.laid is None,
        parents=table.parents,
        records=tuple((float(temperature), float(days)) for temperature, days in table.records),
        sex=table.sex,
    )
    return Begun(clutch, table.laid or table.found or date.min)


def _days(each: Days, today: date, last: date) -> Iterator[date]:
    """Give the one day of a reminder, or those that come back from today on."""
    if not each.every:
        yield each.first
        return
    passed = max(0, -(-(today - each.first).days // each.every))
    day = each.first + timedelta(days=passed * each.every)
    while day <= last:
        yield day
        day += timedelta(days=each.every)
