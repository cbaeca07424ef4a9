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
from rules.common import WAYS, Together
from rules.condensation import RULE as CONDENSATION
from rules.contact import CONTACT_RULES
from rules.cooling import RULE as NOT_COOLING
from rules.creeping import CREEPING, CREPT
from rules.degreehours import COOL_SUM, WARM_SUM
from rules.drying import RULE as DRYING
from rules.events import AlarmKey
from rules.gaps import RULE as LOSSY
from rules.heading import RULE as HEADING
from rules.plan import ContactKind, PlaceKind
from rules.reading import HOUR, MINUTE
from rules.roster import Place, Sensor, family, outermost
from rules.saturation import RULE as SATURATED
from rules.shifted import RULE as SHIFTED
from rules.swinging import RULE as SWINGING
from rules.track import sensor_of

MAINS_LOST = CONTACT_RULES[ContactKind.MAINS].name
CUT_OFF = CONTACT_RULES[ContactKind.READER].name
OPENED = frozenset({CONTACT_RULES[ContactKind.LID].name, CONTACT_RULES[ContactKind.DOOR].name})

RANGE_RULES = frozenset({"too cool", "too warm", "too dry", "too humid"})
"""Rules about the ranges of a place."""

WARMTH_RULES = frozenset(
    {"too cool", "too warm", HEADING, COMMON, CREEPING, CREPT, SHIFTED, COOL_SUM, WARM_SUM}
    | {
        SWINGING,
        NOT_COOLING,
        "too warm for food",
        "thawing",
        "waking",
        "frost",
        "frost ahead",
        "overheating ahead",
    }
)
"""Rules about warmth: of one place they tell of the same trouble."""

MOISTURE_RULES = frozenset({"too dry", "too humid", DRYING, CONDENSATION, SATURATED})
"""Rules about moisture, likewise."""

CLIMATE_RULES = RANGE_RULES | WARMTH_RULES | MOISTURE_RULES
"""Rules about the climate of a place."""

BEGAN_TOGETHER = 2 * HOUR
"""Troubles of one place (or of one incubator) that began within this are one trouble."""

FOLLOWS = 6 * HOUR
"""What warmth does to moisture shows within this."""

SLACK = 2 * MINUTE
"""Trouble that began up to this long before its cause was seen may still follow from it."""

RECKONED = {
    HEADING: 20 * MINUTE,
    COMMON: 20 * MINUTE,
    NOT_COOLING: HOUR,
    SWINGING: 4 * HOUR,
    DRYING: 12 * HOUR,
}
"""Slack of rules that reckon back when the trouble began, and may reckon too far."""

RESTLESS = frozenset({SWINGING, CREEPING, CREPT})
"""Trouble in which a place heads out of its range time and again."""

WARMTH_WAYS = {
    **WAYS,
    **dict.fromkeys(("frost ahead", COOL_SUM), -1),
    **dict.fromkeys(("overheating ahead", WARM_SUM, NOT_COOLING), 1),
    **dict.fromkeys(("too warm for food", "thawing", "waking"), 1),
}
MOISTURE_WAYS = {
    **dict.fromkeys(("too dry", DRYING), -1),
    **dict.fromkeys(("too humid", CONDENSATION, SATURATED), 1),
}
"""Rules that belong to one side of warmth, or of moisture."""

Open = dict[AlarmKey, Alarm]


class Causes:
    """Finds causes among the open alarms. Owned by the engine."""

    def __init__(
        self, places: dict[str, Place], sensors: dict[str, Sensor], open_: Open, together: Together
    ) -> None:
        """Look at these; they change as the engine goes on."""
        self._together = together
        self._places = places
        self._sensors = sensors
        self._open = open_

    def of(self, alarm: Alarm) -> AlarmKey | None:
        """Give the widest open alarm that explains ``alarm``, or None."""
        finders = (
            self._mains,
            self._reader,
            self._lossy,
            self._fault,
            self._common,
            self._opened,
            self._same_trouble,
        )
        for find in finders:
            cause = find(alarm)
            if cause is not None and cause != alarm.key:
                return cause
        return None

    def _mains(self, alarm: Alarm) -> AlarmKey | None:
        if alarm.key.rule == MAINS_LOST:
            return None
        for cause in self._open.values():
            slack = RECKONED.get(alarm.key.rule, SLACK)
            follows = alarm.wrong.since >= cause.wrong.since - slack
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
        causes = [self._fault_of(holder, alarm) for holder in alarm.holders]
        return causes[0] if causes and None not in causes else None

    def _fault_of(self, holder: str, alarm: Alarm) -> AlarmKey | None:
        sensor = self._sensors.get(sensor_of(holder))
        if sensor is None:
            return None
        for rule in sensor.faults:
            key = AlarmKey(sensor.plan.place, sensor.plan.spot, sensor.plan.name, rule)
            cause = self._open.get(key)
            if cause is not None and not (rule == SATURATED and cause.raised >= alarm.raised):
                # Air that was too humid before free water was seen is no fault of the sensor.
                return cause.cause or key
        return None

    def _common(self, alarm: Alarm) -> AlarmKey | None:
        if alarm.key.rule not in CLIMATE_RULES or alarm.key.rule == COMMON:
            return None
        outer = outermost(self._places, alarm.key.place)
        if not self._together.explains(outer, alarm.key.rule, alarm.wrong.since):
            return None
        return next((one.cause or key for key, one in self._open.items() if key.rule == COMMON), None)

    def _lossy(self, alarm: Alarm) -> AlarmKey | None:
        """Silence of a sensor whose readings get lost anyway."""
        key = alarm.key._replace(rule=LOSSY)
        cause = self._open.get(key) if alarm.key.rule == "silent" else None
        grave = cause is not None and cause.priority.rank >= alarm.priority.rank
        return key if grave else None

    def _same_trouble(self, alarm: Alarm) -> AlarmKey | None:
        """An older alarm about the same trouble of the place, or of what it stands in or with."""
        if alarm.key.rule not in CLIMATE_RULES:
            return None
        for cause in self._open.values():
            if cause is alarm or cause.raised > alarm.raised:
                break
            if cause.key.rule not in CLIMATE_RULES or not self._akin(cause, alarm):
                continue
            root = self._open.get(cause.cause, cause) if cause.cause else cause
            if self._covers(cause, alarm) and self._covers(root, alarm):
                return root.key
        return None

    def _akin(self, cause: Alarm, alarm: Alarm) -> bool:
        """Tell whether two alarms may be one trouble."""
        mine, its = alarm.key.place, cause.key.place
        warm = cause.key.rule in WARMTH_RULES
        if self._is_room(its) and not self._is_room(mine):
            return _turned(cause.key.rule, alarm.key.rule) > 0
        if mine == its:
            same_kind = warm == (alarm.key.rule in WARMTH_RULES)
            return (
                same_kind
                or abs(alarm.wrong.since - cause.wrong.since) <= BEGAN_TOGETHER
                or (warm and 0 <= alarm.wrong.since - cause.wrong.since <= FOLLOWS)
            )
        if not warm or outermost(self._places, mine) != outermost(self._places, its):
            return False
        outer = its in self._outer(mine)
        return outer or abs(alarm.wrong.since - cause.wrong.since) <= BEGAN_TOGETHER

    def _is_room(self, name: str) -> bool:
        return name in self._places and self._places[name].plan.kind is PlaceKind.ROOM

    def _covers(self, cause: Alarm, alarm: Alarm) -> bool:
        """Tell whether a cause is grave enough; what it explained once it goes on explaining.

        What swings or creeps heads out of its range again and again: that is told when it
        leaves it.
        """
        if _turned(cause.key.rule, alarm.key.rule) < 0:
            return False
        kept = alarm.cause in (cause.key, cause.cause) and alarm.cause is not None
        again = cause.key.rule in RESTLESS and alarm.key.rule == HEADING
        return kept or again or cause.priority.rank >= alarm.priority.rank

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


def _turned(one: str, other: str) -> int:
    """Give 1 where two rules speak of one side, -1 of opposite ones (too cool and thawing), else 0."""
    return sum(ways.get(one, 0) * ways.get(other, 0) for ways in (WARMTH_WAYS, MOISTURE_WAYS))
