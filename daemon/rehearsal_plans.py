"""The plans of a rehearsal, and what its engine knows at the beginning."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from daemon.compile import Overrides, WallOffset
from daemon.compile import compile as make_plan
from daemon.logbook import Labels
from daemon.rehearsal_values import Task
from daemon.settings import Loaded
from rules.plan import WATCH, ContactPlan, PlaceKind, Plan

ANYONE = ContactPlan("anyone")
"""Who is told where the settings name no contact: of everything, at any hour."""

LEARNT = {"constant": ("taus",), "heading": ("tau",)}
"""What rules learn about a place for good, by their name among a sensor's eyes."""


def imported_plan(loaded: Loaded, labels: Labels, now: int) -> Plan:
    """Give the plan by which imported nights are judged: no sensor is ever silent."""
    clock = WallOffset(labels.offset_at(now))
    plan = make_plan(loaded.model, now=now, clock=clock, overrides=Overrides())
    sensors = tuple(replace(sensor, silence=0) for sensor in plan.sensors if sensor.reader != "watch")
    return replace(plan, sensors=sensors, contacts=plan.contacts or (ANYONE,))


def only_places(plan: Plan, places: frozenset[str] | None) -> Plan:
    """Leave only some places and the watch's own organs; None: all of it."""
    if places is None:
        return plan
    kept = tuple(place for place in plan.places if place.name in places or place.name == WATCH)
    names = {place.name for place in kept}
    return replace(plan, places=kept, sensors=tuple(one for one in plan.sensors if one.place in names))


def with_outer(task: Task) -> frozenset[str] | None:
    """Name the places to judge with what they stand in, and the rooms."""
    if task.places is None:
        return None
    tables = {place.name: place for place in task.loaded.model.place}
    found = {name for name, table in tables.items() if table.kind is PlaceKind.ROOM}
    for name in task.places:
        outer: str | None = name
        while outer is not None and outer not in found:
            found.add(outer)
            outer = tables[outer].inside if outer in tables else None
    return frozenset(found)


def sensors_of(loaded: Loaded, places: frozenset[str]) -> frozenset[str]:
    """Name the sensors of some places."""
    return frozenset(
        name for place in loaded.model.place if place.name in places for name in place.sensor_names()
    )


def is_organ(sensor: str) -> bool:
    """Tell whether a sensor is one of the watch's own organs."""
    return sensor.startswith(f"{WATCH}/")


def heard(task: Task, plan: Plan) -> Plan:
    """Let nobody be silent that was never recorded, and somebody be told."""
    if task.unheard:
        sensors = tuple(
            replace(sensor, silence=0) if sensor.name in task.unheard else sensor for sensor in plan.sensors
        )
        plan = replace(plan, sensors=sensors)
    return plan if plan.contacts else replace(plan, contacts=(ANYONE,))


def with_learnt(state: dict[str, object], snapshot: Mapping[str, Any]) -> dict[str, object]:
    """Put what a snapshot knows of the places' time constants into another state."""
    into: Any = state.get("findings", {})
    known = snapshot.get("findings", {}).get("eyes", {})
    for sensor, eyes in into.get("eyes", {}).items():
        for rule, names in LEARNT.items():
            memory = known.get(sensor, {}).get("rules", {}).get(rule)
            if memory is not None and rule in eyes["rules"]:
                eyes["rules"][rule].update({name: memory[name] for name in names if name in memory})
    return state
