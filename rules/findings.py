"""Findings: the verdicts of every sensor's eyes become alarms of the book.

Faults of a sensor take it out of service and are its own alarms; doubts about two sensors
are one alarm that names both; what is left is about the climate of the place. Heat that is
lost in several places at once is one alarm of the room.
"""

from collections.abc import Mapping
from typing import Any

from rules.alarms import Book, Wrong
from rules.calendar import Calendar, last_edge, state_at
from rules.common import WAYS, Together
from rules.events import AlarmKey, Effect, Shown
from rules.faults import DOUBT_RULES, FAULT_RULES, UNFIT
from rules.heading import RULE as HEADING
from rules.health import Health
from rules.plan import WATCH, PlaceKind
from rules.reading import Quantity
from rules.roster import Place, Sensor, in_force, outermost
from rules.span import Span
from rules.verdict import Verdict
from rules.watchers import LID_RECOVERS, WARMED, Eyes, Found


class Findings:
    """Every sensor's eyes, and what they found. Owned by the engine."""

    def __init__(  # noqa: PLR0913, PLR0917  # six parts of one engine, wired together once
        self,
        places: dict[str, Place],
        sensors: dict[str, Sensor],
        book: Book,
        health: Health,
        out: list[Effect],
        together: Together,
    ) -> None:
        """Look after these; they change as the engine goes on."""
        self._places = places
        self._sensors = sensors
        self._book = book
        self._health = health
        self._out = out
        self._together = together
        self._room_air: Sensor | None = None
        self.eyes: dict[str, Eyes] = {}

    # -- plans ------------------------------------------------------------------------

    def follow(self) -> None:
        """Follow a plan: eyes for sensors that came, none for those that went."""
        for name in [name for name in self.eyes if self._sensors.get(name) is not self.eyes[name].sensor]:
            del self.eyes[name]
        for name, sensor in self._sensors.items():
            if name in self.eyes:
                self.eyes[name].follow()
            elif sensor.plan.contact is None:
                self.eyes[name] = Eyes(sensor, self.take, self.air, self.opened)
        self.eyes = {name: self.eyes[name] for name in self._sensors if name in self.eyes}
        self._room_air = self._find_room_air()
        self._pair()

    def _find_room_air(self) -> Sensor | None:
        for sensor in self._sensors.values():
            place = sensor.place.plan
            warm = Quantity.TEMPERATURE in sensor.curves
            if place.kind is PlaceKind.ROOM and place.name != WATCH and warm and sensor.plan.spot == "air":
                return sensor
        return None

    def _pair(self) -> None:
        """Hold each sensor against the first one at its spot."""
        first: dict[tuple[str, str, Quantity], Eyes] = {}
        wanted: dict[str, list[tuple[Quantity, Eyes]]] = {}
        curves = sum(len(sensor.curves) for sensor in self._sensors.values())
        for eyes in self.eyes.values():
            plan = eyes.sensor.plan
            for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY):
                if quantity not in eyes.sensor.curves:
                    continue
                one = first.setdefault((plan.place, plan.spot, quantity), eyes)
                if one is not eyes:
                    wanted.setdefault(plan.name, []).append((quantity, one))
        for name, eyes in self.eyes.items():
            eyes.pair_with(wanted.get(name, []), curves)

    def refresh(self, place: Place, calendar: Calendar | None, now: int) -> None:
        """Give the eyes of a place the limits that count now."""
        edge = last_edge(calendar, now)
        quiet = max(0 if edge is None else edge + place.plan.settle, place.since + place.plan.settling)
        if place.hush_until > now:
            quiet = max(quiet, place.hush_until + LID_RECOVERS)
        day = state_at(calendar, now)
        for sensor in place.sensors:
            eyes = self.eyes.get(sensor.plan.name)
            if eyes is not None:
                coming = _coming(place, sensor.plan.spot, day=day is not False)
                eyes.refresh(day=day is not False, quiet=quiet, coming=coming)

    def hush(self, place: Place) -> None:
        """A lid was opened or shut: what is seen meanwhile is explained."""
        for sensor in place.sensors:
            eyes = self.eyes.get(sensor.plan.name)
            if eyes is not None:
                eyes.hush(place.hush_until + LID_RECOVERS)

    def opened(self, sensor: Sensor, until: int) -> None:
        """A drop looks like an open lid: what stands in that place cools with it."""
        outer = sensor.place.plan.name
        for eyes in self.eyes.values():
            if eyes.sensor.place.plan.inside == outer:
                eyes.hush(until + LID_RECOVERS)

    def away(self, since: int, now: int) -> None:
        """Nobody watched."""
        for eyes in self.eyes.values():
            eyes.away(since, now)

    def air(self, now: int) -> float | None:
        """Give the room's air, °C, where a fresh reading stands."""
        sensor = self._room_air
        if sensor is None:
            return None
        curve = sensor.curves[Quantity.TEMPERATURE]
        fresh = now - curve.newest <= sensor.stand and sensor.fit(Quantity.TEMPERATURE)
        return curve.value if fresh and curve.value == curve.value else None

    # -- verdicts -----------------------------------------------------------------------

    def take(self, found: Found, now: int) -> None:
        """Make a verdict an alarm, or end it."""
        rule = found.verdict.rule
        if rule in FAULT_RULES:
            self._fault(found, now)
        elif rule in DOUBT_RULES:
            self._doubt(found, now)
        else:
            self._climate(found, now)

    def _fault(self, found: Found, now: int) -> None:
        unfit = UNFIT[found.verdict.rule]
        held = (found.quantity.value,) if unfit is None else tuple(sorted(one.value for one in unfit))
        if found.verdict.wrong:
            self._health.wrong(found.sensor, found.verdict.rule, _wrong(found), now, held)
        else:
            self._health.right(found.sensor, found.verdict.rule, found.verdict.reason, now, held)

    def _doubt(self, found: Found, now: int) -> None:
        plan = found.sensor.plan
        subject = f"{found.other} and {plan.name}" if found.other else plan.name
        key = AlarmKey(plan.place, plan.spot, subject, found.verdict.rule)
        self._set(key, f"{plan.name} ({found.quantity.value})", found, now)

    def _climate(self, found: Found, now: int) -> None:
        plan = found.sensor.plan
        key = AlarmKey(plan.place, plan.spot, found.quantity.value, found.verdict.rule)
        self._set(key, plan.name, found, now)
        if found.verdict.rule == HEADING:
            self._show(found, now)
            if found.verdict.wrong:
                self._several(key, self.eyes[plan.name].heading_side, found.verdict.since, now)

    def _set(self, key: AlarmKey, holder: str, found: Found, now: int) -> None:
        if found.verdict.wrong:
            self._book.wrong(key, holder, _wrong(found), now)
        else:
            self._book.right(key, holder, found.verdict.reason, now, found.verdict.value)

    def _show(self, found: Found, now: int) -> None:
        """Show the forecast on the page, or take it away."""
        plan, curve = found.sensor.plan, found.sensor.curves[found.quantity]
        detail = self.eyes[plan.name].forecast() if found.verdict.wrong else ()
        shown = Shown(now, plan.place, plan.spot, found.quantity, plan.name, curve.value, detail)
        self._out.append(shown)

    def weigh(self, key: AlarmKey, since: int, now: int) -> None:
        """Take that a range was left: several places at once are one trouble."""
        side = WAYS.get(key.rule)
        if side is not None:
            self._several(key, side, since, now)

    def _several(self, key: AlarmKey, side: int, since: int, now: int) -> None:
        """See whether several places lose (or gain) heat at once."""
        if self._places[key.place].plan.kind not in WARMED:
            return
        outer, what = outermost(self._places, key.place), (key.place, key.spot, key.rule)
        verdict = self._together.sides[side].see(
            outer, what, since, self._watched(), foreseen=key.rule == HEADING
        )
        if verdict is not None:
            self._say_several(side, verdict, now)

    def sweep(self, now: int) -> None:
        """Let several places be where none is wrong any more."""
        open_, warmth = self._book.open, Quantity.TEMPERATURE.value
        for side, common in self._together.sides.items():
            if common.falls:
                verdict = common.sweep(lambda place, spot, rule: (place, spot, warmth, rule) in open_)
                if verdict is not None:
                    self._say_several(side, verdict, now)

    def _watched(self) -> int:
        warmed = [name for name, place in self._places.items() if place.plan.kind in WARMED]
        return len({outermost(self._places, name) for name in warmed})

    def _say_several(self, side: int, verdict: Verdict, now: int) -> None:
        key = AlarmKey(self._room_name(), "", Quantity.TEMPERATURE.value, verdict.rule)
        holder = "" if side < 0 else " (warm)"
        if verdict.wrong:
            self._book.wrong(key, holder, _of(verdict), now)
        else:
            self._book.right(key, holder, verdict.reason, now, None)
        self._book.restless = True

    def _room_name(self) -> str:
        rooms = [one for one, place in self._places.items() if place.plan.kind is PlaceKind.ROOM]
        return next((one for one in rooms if one != WATCH), next(iter(self._places)))

    # -- keeping ------------------------------------------------------------------------

    def state(self) -> dict[str, object]:
        """Give what every rule remembers as plain values."""
        return {
            "eyes": {name: eyes.state() for name, eyes in self.eyes.items()},
            "together": self._together.state(),
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take what :meth:`state` gave."""
        for name, memory in state["eyes"].items():
            if name in self.eyes:
                self.eyes[name].restore(memory)
        self._together.restore(state["together"])


def _coming(place: Place, spot: str, *, day: bool) -> Span | None:
    """Give safe temperature of the period after this one."""
    warm = [one for one in place.plan.ranges if one.quantity is Quantity.TEMPERATURE]
    found = next((one for one in warm if one.spot == spot), next((one for one in warm if not one.spot), None))
    if found is None:
        return None
    range_ = in_force(found, Calendar(not day), 0, 0)
    return range_.safe if range_ else None


def _wrong(found: Found) -> Wrong:
    own = found.sensor.place.plan.advice
    wrong = _of(found.verdict)
    return Wrong(wrong.priority, wrong.since, wrong.value, wrong.reason, (own,)) if own else wrong


def _of(verdict: Verdict) -> Wrong:
    return Wrong(verdict.priority, verdict.since, verdict.value, verdict.reason, verdict.advice)
