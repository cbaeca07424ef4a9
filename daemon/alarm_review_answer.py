"""The alarm review in words and as JSON (schema: the models of :mod:`daemon.alarm_review`)."""

from collections.abc import Iterator, Sequence

from daemon.alarm_review import DEFINITIONS, AlarmReview, Repeated
from daemon.logbook import Labels
from daemon.record import Json
from daemon.rehearsal_answer import columns
from daemon.texts import Speaker, lasting, listed, plural
from daemon.times import iso
from rules.reading import DAY, SECOND


def as_json(found: AlarmReview, labels: Labels) -> dict[str, Json]:
    """Give the review as plain JSON values: instants ISO 8601 UTC, seconds, percent."""
    ten = found.per_ten_minutes
    return {
        "from": iso(labels, found.window.start),
        "to": iso(labels, found.window.end),
        "enough": found.enough,
        "alarms": found.alarms,
        "alarms_a_day": round(_a_day(found, found.alarms), 2),
        "explained": found.explained,
        "alerts": found.alerts,
        "alerts_a_day": round(_a_day(found, found.alerts), 2),
        "alerts_at_night": found.alerts_at_night,
        "days": [
            {"from": iso(labels, day.start), "alarms": day.alarms, "alerts": day.alerts} for day in found.days
        ],
        "per_ten_minutes": {"mean": round(ten.mean, 4), "most": ten.most, "crowded": round(ten.crowded, 3)},
        "chattering": [_repeated(one) for one in found.chattering],
        "returning": [_repeated(one) for one in found.returning],
        "fleeting": list(found.fleeting),
        "long_standing": list(found.long_standing),
        "top": [_repeated(one) for one in found.top],
        "to_acknowledge": {
            name or "all": {
                "acknowledged": one.acknowledged,
                "never": one.never,
                "median": None if one.median is None else one.median / SECOND,
                "longest": None if one.longest is None else one.longest / SECOND,
            }
            for name, one in found.to_acknowledge.items()
        },
        "priorities": {name: round(share, 1) for name, share in found.priorities.items()},
        "floods": [
            {"from": iso(labels, one.start), "to": iso(labels, one.end), "alarms": one.alarms}
            for one in found.floods
        ],
        "definitions": {
            name: {"words": one.words, "source": one.source, "goal": one.goal}
            for name, one in DEFINITIONS.items()
        },
    }


def _a_day(found: AlarmReview, count: int) -> float:
    return count * DAY / (found.window.end - found.window.start)


def _repeated(one: Repeated) -> dict[str, Json]:
    key = one.alarm
    return {
        "place": key.place,
        "spot": key.spot,
        "subject": key.subject,
        "rule": key.rule,
        "times": one.times,
        "share": round(one.share, 1),
        "numbers": list(one.numbers),
    }


# -- for people ------------------------------------------------------------------------------


def as_text(found: AlarmReview, speak: Speaker) -> str:
    """Give the review as a keeper reads it: each figure, then what it means."""
    window = found.window
    lines = [f"Alarms from {speak.date(window.start)} to {speak.date(window.end)}"]
    if not found.enough:
        lines.append("The record is shorter than 30 days; the standard wants more before figures mean much.")
    for name, words in _figures(found, speak):
        definition = DEFINITIONS[name]
        goal = f" Goal: {definition.goal}." if definition.goal else ""
        lines += ["", *words, f"    {definition.words}{goal} ({definition.source})"]
    return "\n".join(lines)


def _figures(found: AlarmReview, speak: Speaker) -> Iterator[tuple[str, list[str]]]:
    ten = found.per_ten_minutes
    explained = f", and {found.explained} that a wider one explained" if found.explained else ""
    busiest = max(found.days, key=lambda day: day.alarms)
    most = f"most from {speak.date(busiest.start)} on: {busiest.alarms}"
    alarms = f"{plural(found.alarms, 'alarm')}, {_a_day(found, found.alarms):.1f} a day"
    alerts = f"{plural(found.alerts, 'alert')}, {_a_day(found, found.alerts):.1f} a day"
    yield "alarms", [f"{alarms}{explained}; {most}"]
    yield "alerts_at_night", [f"{alerts}; {found.alerts_at_night} at night"]
    yield (
        "per_ten_minutes",
        [f"In ten minutes: {ten.mean:.2f} on average, {ten.most} at most, over ten in {ten.crowded:.2f} %"],
    )
    for name in ("chattering", "returning"):
        yield name, _alarms(name.capitalize(), getattr(found, name))
    yield "fleeting", [f"Fleeting: {_numbers(found.fleeting)}"]
    yield "long_standing", [f"Long-standing: {_numbers(found.long_standing)}"]
    yield "top", _alarms("Most frequent", found.top)
    yield "to_acknowledge", list(_acknowledging(found))
    shares = ", ".join(f"{name} {share:.0f} %" for name, share in found.priorities.items())
    yield "priorities", [f"Priorities: {shares}"]
    yield "floods", [f"Floods: {len(found.floods) or 'none'}", *_floods(found, speak)]


def _numbers(numbers: Sequence[int]) -> str:
    return f"{len(numbers)} (alarm {listed(map(str, numbers), 8)})" if numbers else "none"


def _alarms(title: str, repeated: Sequence[Repeated]) -> list[str]:
    if not repeated:
        return [f"{title}: none"]
    rows = [
        (f"    {one.times} ×", f"{one.share:.0f} %", one.alarm.place, one.alarm.spot, one.alarm.rule)
        for one in repeated
    ]
    return [f"{title}:", *columns(rows)]


def _acknowledging(found: AlarmReview) -> Iterator[str]:
    for name, one in found.to_acknowledge.items():
        title = name or "Acknowledged"
        if one.median is None or one.longest is None:
            yield f"{title}: none of {one.never}"
            continue
        never = f", {one.never} never" if one.never else ""
        took = f"after {lasting(int(one.median))} (median), {lasting(one.longest)} at most"
        yield f"{title}: {one.acknowledged} {took}{never}"


def _floods(found: AlarmReview, speak: Speaker) -> Iterator[str]:
    for flood in found.floods:
        when = f"{speak.date(flood.start)} {speak.clock(flood.start)} to {speak.clock(flood.end)}"
        yield f"    {when}: {flood.alarms} alarms"
