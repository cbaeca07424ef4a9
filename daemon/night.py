"""The night in review: every curve's figures and the alarms, in words and as JSON."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from daemon.compile import Overrides, WallOffset
from daemon.compile import compile as make_plan
from daemon.counting import corrected, stand_of
from daemon.logbook import Archive, Labels
from daemon.record import AlarmRow, Json, Kind
from daemon.settings import Loaded
from daemon.standing import HORIZON, basis_of, speaker
from daemon.texts import Speaker, lasting
from daemon.times import iso, last_dusk
from rules.calendar import next_edge
from rules.plan import PlacePlan, Plan, SensorPlan
from rules.reading import SECOND, Quantity
from rules.roster import in_force
from rules.summary import CONVENTION, Gap, InForce, Summary, summarise

REVIEWED = (Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.CONTACT)
"""The quantities that a review tells of."""


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of room time: start included, end not."""

    start: int
    end: int


@dataclass(frozen=True, slots=True)
class CurveReview:
    """One sensor's quantity over the window."""

    place: str
    spot: str
    sensor: str
    quantity: Quantity
    summary: Summary


@dataclass(frozen=True, slots=True)
class Night:
    """The review: what :func:`review` gives.

    Attributes:
        window: What it covers.
        curves: In the order of the settings.
        alarms: Those whose life touches the window, by number.
        labels: Room time to UTC.
    """

    window: Window
    curves: tuple[CurveReview, ...]
    alarms: tuple[AlarmRow, ...]
    labels: Labels


def plan_at(archive: Archive, loaded: Loaded, window: Window) -> Plan:
    """Give the present settings as a plan for looking back at a window.

    Its calendars begin before the window, whatever the clock was like then.
    """
    journaled = archive.journal(until=window.end, kinds=[Kind.PLAN])
    overrides = Overrides()
    heard: dict[str, tuple[str, ...]] = {}
    if journaled:
        basis = basis_of(journaled[-1].body)
        overrides, heard = basis.overrides, dict(basis.heard)
    offset = archive.labels().offset_at(window.start)
    return make_plan(
        loaded.model, now=window.start, clock=WallOffset(offset), overrides=overrides, heard=heard
    )


def default_window(archive: Archive, loaded: Loaded, wall: int) -> Window | None:
    """Give the last night: from the last dusk till now, or the logbook's own last night.

    Args:
        archive: The logbook.
        loaded: The settings.
        wall: The wall clock, Unix ms.

    Returns:
        None where nothing is recorded.
    """
    span = archive.span()
    if span is None:
        return None
    labels, zone = archive.labels(), ZoneInfo(loaded.model.room.time_zone)
    day = loaded.model.room.day
    last = span[1] + SECOND
    dusk = labels.room_instant(last_dusk(day, zone, wall))
    if span[1] >= dusk:
        return Window(dusk, max(labels.room_instant(wall), last))
    return Window(labels.room_instant(last_dusk(day, zone, labels.wall(span[1]))), last)


def review(archive: Archive, loaded: Loaded, window: Window) -> Night:
    """Review a window.

    Args:
        archive: The logbook.
        loaded: The settings.
        window: What to review; not empty.
    """
    plans = _plans_over(archive, loaded, window)
    plan = plans[0][1]
    recorded = set(archive.series())
    curves = tuple(
        CurveReview(
            sensor.place,
            sensor.spot,
            sensor.name,
            quantity,
            _summary(archive, plans, (sensor, quantity), window),
        )
        for sensor in plan.sensors
        if sensor.name in _named(plan)
        for quantity in sensor.quantities
        if quantity in REVIEWED and ((sensor.name, quantity) in recorded or not sensor.imported)
    )
    alarms = tuple(archive.alarms(window.start, window.end))
    return Night(window, curves, alarms, archive.labels())


def _plans_over(archive: Archive, loaded: Loaded, window: Window) -> list[tuple[Window, Plan]]:
    """Give a plan for each part of a window: the calendars of one plan reach only so far."""
    span = archive.span() or (window.start, window.start)
    first = max(window.start, min(span[0], window.end) - HORIZON)
    last = max(min(window.end, span[1] + HORIZON), first + 1)
    parts = (Window(start, min(start + HORIZON, last)) for start in range(first, last, HORIZON))
    return [(part, plan_at(archive, loaded, part)) for part in parts]


def _named(plan: Plan) -> set[str]:
    """Give the keeper's sensors: all but the watch's own organs."""
    return {sensor.name for sensor in plan.sensors if sensor.reader != "watch"}


def _summary(
    archive: Archive, plans: list[tuple[Window, Plan]], which: tuple[SensorPlan, Quantity], window: Window
) -> Summary:
    sensor, quantity = which
    readings = corrected(archive, sensor, quantity, (window.start, window.end))
    ranges = [
        in_force
        for part, plan in plans
        for place in plan.places
        if place.name == sensor.place
        for in_force in ranges_over(plan, place, (sensor.spot, quantity), part)
    ]
    return summarise(readings, (window.start, window.end), stand_of(sensor), ranges)


def ranges_over(plan: Plan, place: PlacePlan, which: tuple[str, Quantity], window: Window) -> list[InForce]:
    """Give the ranges that count over a window for (spot, quantity) of a place; [] where none does."""
    spot, quantity = which
    mine = [one for one in place.ranges if one.quantity is quantity and one.spot in (spot, "")]
    found = next((one for one in mine if one.spot == spot), mine[0] if mine else None)
    if found is None:
        return []
    calendar = plan.calendars.get(place.calendar)
    starts, edge = [window.start], next_edge(calendar, window.start - place.settle)
    while edge < window.end:
        starts += [at for at in (edge, edge + place.settle) if window.start < at < window.end]
        edge = next_edge(calendar, edge)
    return [InForce(at, in_force(found, calendar, place.settle, at)) for at in sorted(set(starts))]


# -- for programs ---------------------------------------------------------------------


def as_json(night: Night) -> dict[str, Json]:
    """Give the review as plain JSON values (see the README for the keys)."""
    labels = night.labels
    return {
        "from": iso(labels, night.window.start),
        "to": iso(labels, night.window.end),
        "convention": CONVENTION,
        "curves": [_curve_json(curve, labels) for curve in night.curves],
        "alarms": [alarm_json(row, labels) for row in night.alarms],
    }


def _curve_json(curve: CurveReview, labels: Labels) -> Json:
    summary = curve.summary
    return {
        "place": curve.place,
        "spot": curve.spot,
        "sensor": curve.sensor,
        "quantity": curve.quantity.value,
        "minimum": summary.minimum,
        "mean": _rounded(summary.mean),
        "maximum": summary.maximum,
        "covered": _rounded(summary.covered),
        "in_ideal": _rounded(summary.in_ideal),
        "in_safe": _rounded(summary.in_safe),
        "degree_hours_above": _rounded(summary.above),
        "degree_hours_below": _rounded(summary.below),
        "worst_at": None if summary.worst_at is None else iso(labels, summary.worst_at),
        "gaps": [{"from": iso(labels, gap.start), "to": iso(labels, gap.end)} for gap in summary.gaps],
        "readings": summary.readings,
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def alarm_json(row: AlarmRow, labels: Labels) -> dict[str, Json]:
    """Give one alarm as plain JSON values."""
    quantities = {quantity.value for quantity in Quantity}
    subject = row.key.subject

    def label(now: int | None) -> str | None:
        return None if now is None else iso(labels, now)

    return {
        "number": row.number,
        "place": row.key.place,
        "spot": row.key.spot,
        "quantity": subject if subject in quantities else None,
        "sensor": subject if subject not in quantities else (row.sensors[0] if row.sensors else None),
        "rule": row.key.rule,
        "priority": row.priority.value,
        "since": label(row.since),
        "raised": label(row.raised),
        "acknowledged": label(row.acknowledged),
        "acknowledged_by": row.acknowledged_by or None,
        "cleared": label(row.cleared),
        "shelved_until": label(row.shelved_until),
        "alerted": label(row.alerted),
        "cause": row.cause,
        "label": row.label or None,
        "words": row.words,
    }


# -- for people -------------------------------------------------------------------------


def as_text(night: Night, loaded: Loaded, now: int) -> str:
    """Give the review as a keeper reads it."""
    offset = night.labels.offset_at(night.window.start)
    speak = speaker(loaded.model, offset, now)
    lines = [_headline(night, loaded, speak), ""]
    lines += _alarm_lines(night.alarms, speak)
    lines += ["", *_table(night.curves, speak), ""]
    lines.append(f"Figures: {CONVENTION}; the mean is weighted by time; shares are of covered time.")
    return "\n".join(lines)


def _headline(night: Night, loaded: Loaded, speak: Speaker) -> str:
    start, end = (speak.local(at) for at in (night.window.start, night.window.end))
    room = loaded.model.room.name
    return f"{room}: from {_clock(start)} to {_clock(end)}"


def _clock(instant: datetime | None) -> str:
    return "unknown" if instant is None else instant.strftime("%Y-%m-%d %H:%M")


def _alarm_lines(alarms: Sequence[AlarmRow], speak: Speaker) -> list[str]:
    if not alarms:
        return ["No alarms: all was well."]
    return [line for row in alarms for line in _alarm_text(row, speak)]


def _alarm_text(row: AlarmRow, speak: Speaker) -> list[str]:
    where = row.key.place if row.key.spot in ("", "air") else f"{row.key.place}, {row.key.spot}"
    ended = "still open" if row.cleared is None else f"right again {speak.when(row.cleared)}"
    seen = f", seen {speak.when(row.acknowledged)}" if row.acknowledged else ""
    by = f" by {row.acknowledged_by}" if row.acknowledged_by else ""
    told = f", told {speak.when(row.alerted)}" if row.alerted else ""
    cause = f", explained by alarm {row.cause}" if row.cause else ""
    head = f"Alarm {row.number} ({row.priority.value}): {where} {row.key.rule}"
    return [
        f"{head}, {speak.when(row.raised)}{told}{seen}{by}, {ended}{cause}",
        f"    {row.words}",
    ]


def _table(curves: Sequence[CurveReview], speak: Speaker) -> list[str]:
    rows: list[tuple[str, ...]] = [
        ("place", "spot", "what", "lowest", "mean", "highest", "ideal", "safe", "cover", "gaps")
    ]
    rows += [_row(curve, speak) for curve in curves if curve.quantity is not Quantity.CONTACT]
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def _row(curve: CurveReview, speak: Speaker) -> tuple[str, ...]:
    summary, quantity = curve.summary, curve.quantity

    def value(number: float | None) -> str:
        return "-" if number is None else speak.value(quantity, number)

    return (
        curve.place,
        curve.spot,
        quantity.value,
        value(summary.minimum),
        value(summary.mean),
        value(summary.maximum),
        _share(summary.in_ideal),
        _share(summary.in_safe),
        _share(summary.covered),
        _gap_words(summary.gaps),
    )


def _share(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f} %"


def _gap_words(gaps: Sequence[Gap]) -> str:
    return f"{len(gaps)} ({lasting(sum(gap.end - gap.start for gap in gaps))})" if gaps else ""
