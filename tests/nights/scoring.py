"""Who found what: alerts held against what was planted. The definitions of every figure.

* An alert *fits* a fault when it is about its place (or a box inside it; anything where it
  befell the whole room), came within the fault's span and :data:`GRACE`, and its rule is one
  that a keeper would look into that fault for (:data:`FITS`). The first one that fits tells
  of the fault.
* An alert is *false* when no fault, fitting or not, explains it: none was going on at its
  place (at a place around it, or in the room) at its instant or within :data:`AFTERMATH`.
* A fault is *damaging* when by the scene's own truth its place was out of safe for ten
  minutes on end while it lasted; it is told *in time* when an alert that fits came before.
"""

from dataclasses import dataclass
from statistics import median

from rules.plan import PlaceKind
from rules.reading import DAY, HOUR, MINUTE
from sensors.happenings import Happens, Truth
from sensors.scene import truths
from tests.nights.judged import Alert
from tests.nights.played import Played, harmed

GRACE = 30 * MINUTE
"""An alert may come so long after a fault's end and still tell of it (ms)."""

AFTERMATH = 3 * HOUR
"""What a fault leaves behind explains alerts for so long (ms)."""

NIGHT = (22.0, 6.0)
"""Local hours of the night."""

WARMTH = frozenset(
    {
        "too cool",
        "too warm",
        "heading out of range",
        "several places at once",
        "creeping",
        "crept away",
        "settled elsewhere",
    }
    | {
        "cool for too long",
        "warm for too long",
        "swinging",
        "too warm for food",
        "thawing",
        "not cooling",
        "waking",
        "frost",
    }
    | {"frost ahead", "overheating ahead", "relay chatters"}
)
MOISTURE = frozenset({"too dry", "too humid", "drying out", "condensation", "saturated", "flooded"})
SENSOR = frozenset(
    {"stuck", "spikes", "erratic", "implausible", "silent", "readings get lost", "its clock is wrong"}
    | {"humidity equals temperature", "saturated", "sensors disagree", "offset drifts", "fell out"}
)
CLIMATE = WARMTH | MOISTURE

FITS: dict[Happens, frozenset[str]] = {
    Happens.MAINS_LOST: frozenset({"mains lost"}) | WARMTH,
    Happens.LID_LEFT_OPEN: CLIMATE | {"lid open"},
    Happens.DRYING_OUT: MOISTURE,
    Happens.SEAL_LEAKS: MOISTURE,
    Happens.FLOODED: MOISTURE,
    Happens.DOOR_AJAR: CLIMATE | {"door open"},
    Happens.STUCK: frozenset({"stuck"}),
    Happens.DRIFTS: WARMTH | {"sensors disagree", "offset drifts"},
    Happens.OFFSET: WARMTH | {"sensors disagree", "offset drifts", "erratic"},
    Happens.SPIKES: frozenset({"spikes", "erratic"}),
    Happens.SILENT: frozenset({"silent"}),
    Happens.DYING_BATTERY: frozenset({"readings get lost", "silent"}),
    Happens.POWER_ON_VALUE: frozenset({"implausible"}),
    Happens.BUS_OPEN: frozenset({"implausible"}),
    Happens.ALL_ONES: frozenset({"implausible"}),
    Happens.NO_NUMBER: frozenset({"implausible", "silent"}),
    Happens.WRONG_CLOCK: frozenset({"its clock is wrong"}),
    Happens.NOISY: frozenset({"erratic", "spikes", "swinging", "sensors disagree"}),
    Happens.SATURATED: frozenset({"saturated", "too humid"}),
    Happens.MISWIRED: frozenset({"humidity equals temperature", "too dry"}),
    Happens.FELL_OUT: CLIMATE | {"sensors disagree", "fell out"},
}
"""Rules by kind; every other kind is found by rules about warmth."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one planted fault: told after so many ms, or None; damage; alerts."""

    truth: Truth
    told: int | None
    harm: int | None
    alerts: int

    @property
    def in_time(self) -> bool:
        """Tell whether it was told before damage was done."""
        return self.harm is not None and self.told is not None and self.told <= self.harm


@dataclass(frozen=True, slots=True)
class Score:
    """The figures of one judge over some fortnights."""

    outcomes: tuple[Outcome, ...]
    false: tuple[Alert, ...]
    at_night: int
    alerts: int
    messages: int
    days: float
    crowd: int

    def figures(self) -> dict[str, object]:
        """Give the figures as plain values."""
        found = [one for one in self.outcomes if one.told is not None]
        damaging = [one for one in self.outcomes if one.harm is not None]
        explained = self.alerts - len(self.false)
        return {
            "found": len(found),
            "planted": len(self.outcomes),
            "false_alerts": len(self.false),
            "false_at_night": self.at_night,
            "false_a_day": round(len(self.false) / self.days, 3),
            "days": round(self.days, 1),
            "damaging": len(damaging),
            "in_time": sum(one.in_time for one in damaging),
            "alerts_per_fault_found": round(explained / max(1, len(found)), 2),
            "messages": self.messages,
            "most_messages_in_ten_minutes": self.crowd,
            "per_kind": self.per_kind(),
        }

    def per_kind(self) -> list[dict[str, object]]:
        """Give a row a kind: found of planted, median minutes until told."""
        rows: list[dict[str, object]] = []
        for kind in dict.fromkeys(one.truth.kind for one in self.outcomes):
            mine = [one for one in self.outcomes if one.truth.kind is kind]
            minutes = [(one.told - one.truth.start) / MINUTE for one in mine if one.told is not None]
            middle = round(median(minutes), 1) if minutes else None
            rows.append({"kind": kind.value, "planted": len(mine), "found": len(minutes), "minutes": middle})
        return sorted(rows, key=lambda row: str(row["kind"]))


def score(played: Played, alerts: tuple[Alert, ...], messages: tuple[int, ...]) -> Score:
    """Hold what one judge said against what was planted."""
    faults = truths(played.scene)
    outcomes = [_outcome(played, truth, alerts, faults) for truth in faults]
    false = tuple(one for one in alerts if not any(_explains(played, truth, one) for truth in faults))
    at_night = sum(_by_night(played, one.at) for one in false)
    days = played.lasting / DAY
    return Score(tuple(outcomes), false, at_night, len(alerts), len(messages), days, _crowd(messages))


def together(scores: list[Score]) -> Score:
    """Add up several fortnights."""
    return Score(
        tuple(one for each in scores for one in each.outcomes),
        tuple(one for each in scores for one in each.false),
        sum(each.at_night for each in scores),
        sum(each.alerts for each in scores),
        sum(each.messages for each in scores),
        sum(each.days for each in scores),
        max((each.crowd for each in scores), default=0),
    )


def _outcome(played: Played, truth: Truth, alerts: tuple[Alert, ...], faults: tuple[Truth, ...]) -> Outcome:
    del faults
    mine = [one for one in alerts if _explains(played, truth, one)]
    fitting = [one.at for one in mine if _fits(truth, one)]
    places = reach(played, truth)
    harm = None if truth.sensor else harmed(played, places, truth.start, truth.until)
    return Outcome(truth, min(fitting, default=None), harm, len(mine))


def _fits(truth: Truth, alert: Alert) -> bool:
    return alert.rule in FITS.get(truth.kind, WARMTH) and alert.at <= truth.until + GRACE


def _explains(played: Played, truth: Truth, alert: Alert) -> bool:
    begun = truth.start - MINUTE <= alert.at
    if not begun or (alert.at > truth.until + AFTERMATH and not truth.start <= alert.since <= truth.until):
        return False
    places = reach(played, truth)
    room = {place.name for place in played.scene.places if place.kind is PlaceKind.ROOM}
    return (
        places is None
        or alert.place in places
        or (alert.place in room and alert.rule == "several places at once")
    )


def reach(played: Played, truth: Truth) -> frozenset[str] | None:
    """Give the places that a fault reaches: its own and what stands in it; None: all."""
    if not truth.place:
        return None
    home = {place.name: place for place in played.scene.places}
    if truth.sensor and home[truth.place].kind is PlaceKind.ROOM:
        return frozenset({truth.place})
    inside = {name for name, place in home.items() if place.inside == truth.place}
    return frozenset({truth.place}) if truth.sensor else frozenset({truth.place, *inside})


def _by_night(played: Played, at: int) -> bool:
    hour = (played.scene.start_hour + at / HOUR) % 24
    return hour >= NIGHT[0] or hour < NIGHT[1]


def _crowd(messages: tuple[int, ...]) -> int:
    return max((sum(at <= one < at + 10 * MINUTE for one in messages) for at in messages), default=0)
