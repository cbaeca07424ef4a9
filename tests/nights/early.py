"""The early bound of *heading out of range*, through the engine, over varied boxes.

A box of :mod:`tests.kit.heatbox` (two lumps; time constants from half an hour to seven
hours; 15–24 °C around it) is kept for half a day, then loses its heat. The engine is told
what its sensor reads; the early bound of the first forecast is right where the curve left
safe no sooner than it said.
"""

import random
from dataclasses import dataclass, replace
from statistics import median

from rules.calendar import Calendar
from rules.engine import Engine
from rules.events import Shown
from rules.plan import ROOM_DAY, PlaceKind, PlacePlan, Plan, SensorPlan, SpotRange
from rules.reading import HOUR, MINUTE, Quantity, Reading
from rules.span import Range, Span
from tests.kit.heatbox import varied, wandering

T0 = 1_000 * HOUR
LOST_AT = 12 * 60
LONGEST = LOST_AT + 24 * 60


@dataclass(frozen=True, slots=True)
class Early:
    """What became of the heat losses that left safe.

    Attributes:
        losses: How many left safe.
        told: How many of them were foreseen.
        right: How many early bounds were right.
        leads: Minutes from the forecast until safe was left.
        slack: Minutes from the early bound until safe was left.
    """

    losses: int
    told: int
    right: int
    leads: tuple[float, ...]
    slack: tuple[float, ...]

    def figures(self) -> dict[str, object]:
        """Give them as plain values."""
        share = round(self.right / max(1, self.told), 4)
        return {
            "losses": self.losses,
            "foreseen": self.told,
            "early_bound_right": self.right,
            "early_bound_right_share": share,
            "lead_minutes_median": round(median(self.leads), 1) if self.leads else None,
            "early_bound_before_minutes_median": round(median(self.slack), 1) if self.slack else None,
        }


def _plan(middle: float) -> Plan:
    range_ = Range(Span(middle - 1.5, middle + 1.5), Span(middle - 3.0, middle + 2.5))
    spot = SpotRange("", Quantity.TEMPERATURE, range_, range_, 0.3)
    places = (
        PlacePlan("room", PlaceKind.ROOM),
        PlacePlan("box", PlaceKind.BOX, inside="room", ranges=(spot,), settling=0),
    )
    sensors = (SensorPlan("room", "room", every=MINUTE), SensorPlan("box", "box", every=MINUTE))
    return Plan(T0, places, sensors, (), {ROOM_DAY: Calendar(first=True)})


def _loss(rng: random.Random) -> tuple[int, int, float | None] | None:
    """Play one loss; give (minute of leaving safe, of the forecast, early bound in minutes)."""
    box, room = varied(rng)
    middle = box.rest(room)
    engine, limit = Engine(_plan(middle)), middle - 3.0
    told: tuple[int, float] | None = None
    heats = replace(box)
    for minute in range(1, LONGEST):
        air = wandering(minute, room)
        heats.minute(air, heater="kept" if minute < LOST_AT else "lost")
        at = T0 + minute * MINUTE
        effects = list(engine.step(Reading("room", Quantity.TEMPERATURE, round(air, 2), at, at)))
        effects += engine.step(Reading("box", Quantity.TEMPERATURE, heats.read(rng), at, at))
        for one in effects:
            early = dict(one.detail).get("early") if isinstance(one, Shown) else None
            if told is None and early is not None:
                told = (minute, (early - T0) / MINUTE)
        true = heats.air if box.spot == "air" else heats.mass
        if minute >= LOST_AT and true < limit:
            return minute, (told or (minute, 0))[0], told[1] if told else None
    return None


def losses(count: int, seed: int) -> Early:
    """Play so many losses; those whose room is too warm to leave safe do not count."""
    rng = random.Random(seed)  # a simulation, no secret
    played = [one for one in (_loss(rng) for _ in range(count)) if one is not None]
    foreseen = [(left, at, early) for left, at, early in played if early is not None]
    right = sum(left >= early for left, _, early in foreseen)
    leads = tuple(float(left - at) for left, at, _ in foreseen)
    return Early(len(played), len(foreseen), right, leads, tuple(left - early for left, _, early in foreseen))
