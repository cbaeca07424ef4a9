"""Who explains whom: one cause, one message.

A wider cause suppresses by design, visibly, what it explains: the mains everything
that follows in their places, a reader the silence of its sensors, a fault of a sensor
what only that sensor says, an incubator the cold or heat of its boxes, an open lid what
is seen under it.

Source: suppression by design as of ANSI/ISA-18.2 (state H); the relations are ours.
"""

from collections.abc import Iterator

from rules.alarms import Alarm
from rules.common import RULE as COMMON
from rules.condensation import RULE as CONDENSATION
from rules.contact import CONTACT_RULES
from rules.drying import RULE as DRYING
from rules.events import AlarmKey
from rules.heading import RULE as HEADING
from rules.plan import ContactKind
from rules.reading import MINUTE
from rules.roster import Place, Sensor, family
from rules.slow import CREEPING, SHIFTED
from rules.swinging import RULE as SWINGING
from rules.track import sensor_of

MAINS_LOST = CONTACT_RULES[ContactKind.MAINS].name
CUT_OFF = CONTACT_RULES[ContactKind.READER].name
OPENED = frozenset({CONTACT_RULES[ContactKind.LID].name, CONTACT_RULES[ContactKind.DOOR].name})

RANGE_RULES = frozenset({"too cool", "too warm", "too dry", "too humid"})
"""Rules about the ranges of a place."""

WARMTH_RULES = frozenset(
    {"too cool", "too warm", HEADING, COMMON, CREEPING, SHIFTED, "cold for too long", "warm for too long"}
    | {SWINGING, "too warm for food", "thawing", "waking", "frost", "frost ahead", "overheating ahead"}
)
"""Rules about warmth: of one place they tell of the same trouble."""

MOISTURE_RULES = frozenset({"too dry", "too humid", DRYING, CONDENSATION})
"""Rules about moisture, likewise."""

CLIMATE_RULES = RANGE_RULES | WARMTH_RULES | MOISTURE_RULES
"""Rules about the climate of a place."""

TOGETHER = 30 * MINUTE
"""Trouble that began up to this long before several places went at once is a part of it."""

SLACK = 2 * MINUTE
"""Trouble that began up to this long before its cause was seen may still follow from it."""

OPPOSITES = frozenset({frozenset({"too cool", "too warm"}), frozenset({"too dry", "too humid"})})
"""One never explains the other."""

Open = dict[AlarmKey, Alarm]


class Causes:
    """Finds causes among the open alarms. Owned by the engine."""

    def __init__(self, places: dict[str, Place], sensors: dict[str, Sensor], open_: Open) -> None:
        """Look at these; they change as the engine goes on."""
        self._places = places
        self._sensors = sensors
        self._open = open_

    def of(self, alarm: Alarm) -> AlarmKey | None:
        """Give the widest open alarm that explains ``alarm``, or None."""
        finders = (self._mains, self._reader, self._fault, self._common, self._opened, self._same_trouble)
        for find in finders:
            cause = find(alarm)
            if cause is not None and cause != alarm.key:
                return cause
        return None

    def _mains(self, alarm: Alarm) -> AlarmKey | None:
        if alarm.key.rule == MAINS_LOST:
            return None
        for cause in self._open.values():
            follows = alarm.wrong.since >= cause.wrong.since - SLACK
            if cause.key.rule == MAINS_LOST and follows and self._reaches(cause, alarm):
                return cause.key
        return None

    def _reaches(self, cause: Alarm, alarm: Alarm) -> bool:
        if alarm.key.place not in self._places or cause.key.place not in self._places:
            return False
        organ = self._sensors.get(alarm.key.subject)
        if organ is not None and organ.plan.contact is not None:
            return organ.plan.contact is ContactKind.READER
        return alarm.key.place in family(self._places, cause.key.place)

    def _reader(self, alarm: Alarm) -> AlarmKey | None:
        sensor = self._sensors.get(alarm.key.subject)
        if alarm.key.rule != "silent" or sensor is None:
            return None
        for cause in self._open.values():
            if cause.key.rule == CUT_OFF and cause.key.subject.endswith(f"/{sensor.plan.reader}"):
                return cause.key
        return None

    def _fault(self, alarm: Alarm) -> AlarmKey | None:
        if alarm.key.rule not in CLIMATE_RULES:
            return None
        causes = [self._fault_of(holder) for holder in alarm.holders]
        return causes[0] if causes and None not in causes else None

    def _fault_of(self, holder: str) -> AlarmKey | None:
        sensor = self._sensors.get(sensor_of(holder))
        if sensor is None:
            return None
        for rule in sensor.faults:
            key = AlarmKey(sensor.plan.place, sensor.plan.spot, sensor.plan.name, rule)
            if key in self._open:
                return self._open[key].cause or key
        return None

    def _common(self, alarm: Alarm) -> AlarmKey | None:
        if alarm.key.rule not in WARMTH_RULES or alarm.key.rule == COMMON:
            return None
        for cause in self._open.values():
            follows = alarm.wrong.since >= cause.wrong.since - TOGETHER
            if cause.key.rule == COMMON and follows:
                return cause.cause or cause.key
        return None

    def _same_trouble(self, alarm: Alarm) -> AlarmKey | None:
        """An older alarm about the same trouble of the place, or of what it stands in."""
        family = WARMTH_RULES if alarm.key.rule in WARMTH_RULES else MOISTURE_RULES
        if alarm.key.rule not in family:
            return None
        places = [alarm.key.place, *(self._outer(alarm.key.place) if family is WARMTH_RULES else ())]
        for cause in self._open.values():
            if cause is alarm or cause.raised > alarm.raised:
                break
            if cause.key.place in places and cause.key.rule in family and self._covers(cause, alarm):
                return cause.cause or cause.key
        return None

    def _covers(self, cause: Alarm, alarm: Alarm) -> bool:
        """Tell whether a cause is grave enough; what it explained once it goes on explaining."""
        kept = alarm.cause in (cause.key, cause.cause) and alarm.cause is not None
        opposite = frozenset({cause.key.rule, alarm.key.rule}) in OPPOSITES
        return not opposite and (kept or cause.priority.rank >= alarm.priority.rank)

    def _outer(self, name: str) -> Iterator[str]:
        outer = self._outer_of(name)
        while outer is not None:
            yield outer
            outer = self._outer_of(outer)

    def _outer_of(self, name: str) -> str | None:
        place = self._places.get(name)
        return place.plan.inside if place else None

    def _opened(self, alarm: Alarm) -> AlarmKey | None:
        if alarm.key.rule not in CLIMATE_RULES:
            return None
        for cause in self._open.values():
            follows = alarm.wrong.since >= cause.wrong.since - SLACK
            here = cause.key.rule in OPENED and cause.key.place == alarm.key.place
            if here and follows and self._covers(cause, alarm):
                return cause.key
        return None
