"""What the page needs of the settings, as plain values."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import tzinfo
from pathlib import Path
from typing import Literal

from daemon.clutch_settings import ClutchSettings
from daemon.texts import USUAL, Forms, Speaker
from rules.plan import PlacePlan, Plan, SensorPlan
from rules.reading import Quantity


@dataclass(frozen=True, slots=True)
class DayHours:
    """A daily schedule in local time, minutes after midnight; day is [begin, end)."""

    begin: int = 7 * 60
    end: int = 21 * 60


@dataclass(frozen=True, slots=True)
class Room:
    """One room as the page sees it. Lives as long as the page's process.

    Attributes:
        name: The room's name.
        folder: The data folder.
        plan: Places, sensors and ranges in force.
        zone: The room's time zone, or None.
        show: Scale of temperatures.
        days: Daily schedule by calendar key.
        address: What the link in an alert opens, or "".
        open_reading: Reading needs no login on the network either.
        hosts: Further names under which the page may be opened.
        out_of_service: Places that an order took out of service.
        clutches: The config's part of the clutches.
        forms: How hours and dates are written.
        tls: Files of certificate and key, or None: the page speaks plain HTTP.
        config: The config's file.
    """

    name: str
    folder: Path
    plan: Plan
    zone: tzinfo | None = None
    show: Literal["C", "F"] = "C"
    days: Mapping[str, DayHours] = field(default_factory=dict)
    address: str = ""
    open_reading: bool = False
    hosts: tuple[str, ...] = ()
    out_of_service: frozenset[str] = frozenset()
    clutches: ClutchSettings = field(default_factory=ClutchSettings)
    forms: Forms = USUAL
    tls: tuple[Path, Path] | None = None
    config: Path | None = None

    def place(self, name: str) -> PlacePlan | None:
        """Give a place by its name."""
        return next((place for place in self.plan.places if place.name == name), None)

    def sensors(self, place: str, quantity: Quantity | None = None) -> tuple[SensorPlan, ...]:
        """Give the sensors of a place that report a quantity (or anything)."""
        return tuple(
            sensor
            for sensor in self.plan.sensors
            if sensor.place == place and (quantity is None or quantity in sensor.quantities)
        )

    def hours(self, key: str) -> DayHours:
        """Give the daily schedule of a calendar."""
        return self.days.get(key) or DayHours()

    def speaker(self, offset: int | None, now: int) -> Speaker:
        """Give the room's way of speaking at an instant."""
        return Speaker(self.show, self.zone, offset, now, self.forms)
