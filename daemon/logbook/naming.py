"""How damage is named to a keeper: the place, the sensor, the hours and days of the room's clock."""

import json
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from daemon.logbook.clock import Labels, Look, labelled
from daemon.logbook.errors import SQL_ERRORS
from daemon.logbook.sealing import Key
from daemon.texts import Speaker, listed
from rules.reading import HOUR

_FAR = -(2**60)
"""A "now" that is far from everything: instants are told with their date."""


@dataclass(frozen=True, slots=True)
class Names:
    """What a keeper calls things.

    Attributes:
        speaker: How instants are written; its offset does not matter.
        places: Place of each sensor.
    """

    speaker: Speaker = field(default_factory=Speaker)
    places: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Naming:
    """Names together with the labels of one logbook.

    Attributes:
        names: What a keeper calls things.
        labels: How room time and wall clock stand.
        series: Sensor and quantity by number.
    """

    names: Names
    labels: Labels
    series: Mapping[int, Key]

    def when(self, now: int) -> str:
        """Write an instant with its date: "Tue 2026-11-24 04:10"."""
        return self._speaker(now).when(now)

    def day(self, now: int) -> str:
        """Write its date alone."""
        return self._speaker(now).date(now)

    def hours(self, first: int, last: int) -> str:
        """Write the hours ``first`` to ``last``: "Tue 2026-11-24 04:00 to 06:00"."""
        start, end = first * HOUR, (last + 1) * HOUR
        speak = self._speaker(start)
        same = speak.date(start) == speak.date(end)
        return f"{speak.when(start)} to {self._speaker(end).clock(end) if same else self.when(end)}"

    def sensor(self, number: int) -> str:
        """Write a curve's sensor: "box-2", "box-2 (sensor blue)"."""
        key = self.series.get(number)
        if key is None:
            return f"a sensor whose name is lost (number {number})"
        place = self.names.places.get(key[0])
        return key[0] if place in (None, key[0]) else f"{place} (sensor {key[0]})"

    def curve(self, number: int) -> str:
        """Write a curve: "temperature of box-2 (sensor blue)"."""
        key = self.series.get(number)
        quantity = "readings" if key is None else key[1].value
        return f"{quantity} of {self.sensor(number)}"

    def curves(self, numbers: Iterable[int]) -> str:
        """Write several curves, not more than fit into a line."""
        return listed((self.curve(number) for number in numbers), 6)

    def _speaker(self, now: int) -> Speaker:
        return replace(self.names.speaker, offset=self.labels.offset_at(now), now=_FAR)


def naming(connection: sqlite3.Connection, names: Names | None, series: Mapping[int, Key]) -> Naming:
    """Give the naming of a logbook; what cannot be read of its clock is left out."""
    looks = []
    try:
        for now, body in connection.execute(
            "SELECT now, body FROM journal WHERE kind = 'clock' ORDER BY row"
        ):
            look = _look(now, body)
            looks += [look] if look is not None else []
    except SQL_ERRORS:
        looks = []
    return Naming(names or Names(), labelled(looks), series)


def _look(now: object, body: object) -> Look | None:
    try:
        said = json.loads(str(body))
        boot, offset = said["boot"], said["offset"]
        sound = isinstance(now, int) and isinstance(boot, str) and isinstance(offset, int | None)
        return Look(int(str(now)), boot, offset, bool(said.get("trusted"))) if sound else None
    except (ValueError, TypeError, KeyError):
        return None


def runs(hours: Iterable[int]) -> list[tuple[int, int]]:
    """Join hours that follow one another: first and last of each run."""
    found: list[tuple[int, int]] = []
    for hour in sorted(set(hours)):
        if found and hour == found[-1][1] + 1:
            found[-1] = (found[-1][0], hour)
        else:
            found.append((hour, hour))
    return found
