"""What ``rehearse`` answers: as JSON (the models are its schema) and in words.

Instants are ISO 8601 UTC, values °C and percent, spans seconds.
"""

from collections.abc import Iterator, Sequence

from pydantic import Field

from daemon.check_answer import Answer
from daemon.logbook import Labels
from daemon.rehearsal_values import AlarmChange, Life, Load, Rehearsal, What
from daemon.settings import Loaded
from daemon.standing import speaker
from daemon.texts import Speaker, lasting, plural
from daemon.times import iso
from rules.reading import SECOND, Quantity


class JudgedAnswer(Answer):
    """What was judged."""

    from_: str = Field(alias="from", description="Begin of the window.")
    to: str = Field(description="Its end, not included.")
    readings: int = Field(description="Readings in it.")
    alarms: int = Field(description="Alarms in it by the current settings, those open at its begin too.")


class LifeAnswer(Answer):
    """One alarm as some settings judge it."""

    priority: str = Field(description="The highest that it had: low, medium or high.")
    since: str = Field(description="When the trouble began.")
    raised: str = Field(description="When the alarm was raised.")
    cleared: str | None = Field(description="When it cleared; null: still open at the end.")
    told: str | None = Field(description="When a contact first heard of it; null: nobody did.")
    value: float | None = Field(description="The value then, °C or percent; null where there is none.")
    explained: bool = Field(description="A wider alarm explained it.")
    words: str = Field(description="What was wrong.")


class ChangeAnswer(Answer):
    """One alarm that the proposed settings change."""

    place: str = Field(description="Where.")
    spot: str = Field(description="Where in it.")
    quantity: str | None = Field(description="What was wrong, or null where the sensor was.")
    sensor: str | None = Field(description="The sensor that was wrong, or null.")
    rule: str = Field(description="The rule's name.")
    imported: bool = Field(description="It is about readings that came out of a file.")
    number: int | None = Field(description="Its number in the journal of those nights, or null.")
    label: str | None = Field(description="What a keeper said of it: real, nuisance or known work.")
    later_by: float | None = Field(description="How much later it comes, s; below zero: earlier.")
    current: LifeAnswer | None = Field(description="By the current settings, or null.")
    proposed: LifeAnswer | None = Field(description="By the proposed ones, or null.")


class LoadAnswer(Answer):
    """How much some settings have to say."""

    alarms: int = Field(description="Alarms raised in the window.")
    alarms_a_day: float = Field(description="The same for 24 hours.")
    alerts: int = Field(description="Messages to contacts; without a contact: to one who hears all.")
    alerts_a_day: float = Field(description="The same for 24 hours.")
    alerts_at_night: int = Field(description="Messages outside the room's day.")
    most_in_ten_minutes: int = Field(description="Alarms in the fullest ten minutes.")
    unseen: float = Field(description="Time outside the current safe spans without an open alarm, s.")


class BothLoads(Answer):
    """Both settings side by side."""

    current: LoadAnswer = Field(description="The current settings.")
    proposed: LoadAnswer = Field(description="The proposed ones.")


class RehearsalAnswer(Answer):
    """The whole answer."""

    judged: JudgedAnswer = Field(description="What was judged.")
    orders: bool = Field(description="Orders of those nights were given again.")
    vanished: list[ChangeAnswer] = Field(description="Alarms that the proposed settings do not raise.")
    appeared: list[ChangeAnswer] = Field(description="Alarms that only they raise.")
    earlier: list[ChangeAnswer] = Field(description="Alarms that come earlier.")
    later: list[ChangeAnswer] = Field(description="Alarms that come later.")
    otherwise: list[ChangeAnswer] = Field(
        description="Alarms that come at the same time, at another priority."
    )
    load: BothLoads = Field(description="How much there is to say.")


_QUANTITIES = frozenset(quantity.value for quantity in Quantity)


def answer(found: Rehearsal, labels: Labels, speak: Speaker) -> RehearsalAnswer:
    """Give the answer for programs."""
    lists = {what.value: [_change(change, labels, speak) for change in found.by(what)] for what in What}
    judged = JudgedAnswer.model_validate(
        {
            "from": iso(labels, found.window.start),
            "to": iso(labels, found.window.end),
            "readings": found.current.readings,
            "alarms": len(found.current.alarms),
        }
    )
    current, proposed = (_load(one) for one in found.load)
    both = BothLoads(current=current, proposed=proposed)
    return RehearsalAnswer(judged=judged, orders=found.orders, load=both, **lists)


def _change(change: AlarmChange, labels: Labels, speak: Speaker) -> ChangeAnswer:
    life = change.life
    subject = life.key.subject
    both = change.current is not None and change.proposed is not None
    return ChangeAnswer(
        place=life.key.place,
        spot=life.key.spot,
        quantity=subject if subject in _QUANTITIES else None,
        sensor=None if subject in _QUANTITIES else subject,
        rule=life.key.rule,
        imported=life.imported,
        number=change.number,
        label=change.label or None,
        later_by=change.later_by / SECOND if both else None,
        current=_life(change.current, labels, speak),
        proposed=_life(change.proposed, labels, speak),
    )


def _life(life: Life | None, labels: Labels, speak: Speaker) -> LifeAnswer | None:
    if life is None:
        return None
    return LifeAnswer(
        priority=life.priority.value,
        since=iso(labels, life.since),
        raised=iso(labels, life.raised),
        cleared=None if life.cleared is None else iso(labels, life.cleared),
        told=None if life.told is None else iso(labels, life.told),
        value=life.value,
        explained=life.cause is not None,
        words=speak.say(life.reason),
    )


def _load(load: Load) -> LoadAnswer:
    return LoadAnswer(
        alarms=load.alarms,
        alarms_a_day=round(load.alarms_a_day, 2),
        alerts=load.alerts,
        alerts_a_day=round(load.alerts_a_day, 2),
        alerts_at_night=load.alerts_at_night,
        most_in_ten_minutes=load.most_in_ten_minutes,
        unseen=load.unseen / SECOND,
    )


# -- for people ---------------------------------------------------------------------------

_SAYS = {
    What.VANISHED: "vanishes",
    What.APPEARED: "appears",
    What.EARLIER: "earlier",
    What.LATER: "later",
    What.OTHERWISE: "same time",
}


def voice(loaded: Loaded, labels: Labels, now: int) -> Speaker:
    """Give the way of speaking of some settings as of an instant, dates always said."""
    return speaker(loaded.model, labels.offset_at(now) if labels.starts else None, now)


def as_text(found: Rehearsal, speak: Speaker) -> str:
    """Give the answer as a keeper reads it."""
    window = found.window
    head = (
        f"{found.current.readings:,} readings from {_dated(speak, window.start)} to "
        f"{_dated(speak, window.end)}, {plural(len(found.current.alarms), 'alarm')} by the current settings"
    )
    lines = [head, "", *_change_lines(found.changes, speak), "", *_load_lines(found)]
    if not found.orders:
        lines.append("Orders of those nights were left out.")
    return "\n".join(lines)


def _dated(speak: Speaker, at: int) -> str:
    local = speak.local(at)
    return speak.age(at) if local is None else f"{local:%Y-%m-%d %H:%M}"


def _change_lines(changes: Sequence[AlarmChange], speak: Speaker) -> list[str]:
    if not changes:
        return ["No alarm changes."]
    rows: list[tuple[str, ...]] = [
        ("", "raised", "by", "place", "spot", "what is wrong", "priority", "lasting", "said of it")
    ]
    rows += [_row(change, speak) for change in changes]
    return columns(rows)


def _row(change: AlarmChange, speak: Speaker) -> tuple[str, ...]:
    life, key = change.life, change.life.key
    ends = life.cleared
    said = f"{change.label} (alarm {change.number})" if change.label else ""
    return (
        _SAYS[change.what],
        _dated(speak, life.raised),
        lasting(abs(change.later_by)) if change.later_by else "",
        key.place,
        key.spot,
        f"{key.rule} ({key.subject})",
        _priorities(change),
        "still open" if ends is None else lasting(ends - life.raised),
        said,
    )


def _priorities(change: AlarmChange) -> str:
    both = [life.priority.value for life in (change.current, change.proposed) if life is not None]
    return " -> ".join(dict.fromkeys(both))


def columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Set rows of words in columns."""
    widths = [max(len(row[index]) for row in rows) for index in range(len(rows[0]))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def _load_lines(found: Rehearsal) -> list[str]:
    was, will = found.load
    rows = [("", "current", "proposed"), *_load_rows(was, will)]
    return columns(rows)


def _load_rows(was: Load, will: Load) -> Iterator[tuple[str, str, str]]:
    yield "alarms", str(was.alarms), str(will.alarms)
    yield "alarms a day", f"{was.alarms_a_day:.1f}", f"{will.alarms_a_day:.1f}"
    yield "alerts", str(was.alerts), str(will.alerts)
    yield "alerts at night", str(was.alerts_at_night), str(will.alerts_at_night)
    yield "most alarms in ten minutes", str(was.most_in_ten_minutes), str(will.most_in_ten_minutes)
    yield "outside safe without an alarm", lasting(was.unseen), lasting(will.unseen)
