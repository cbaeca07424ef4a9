"""What ``explain`` answers: in words with a sketch of the curve, as JSON, and as a picture.

Instants are ISO 8601 UTC, values °C and percent.
"""

from collections.abc import Iterator, Sequence

from pydantic import Field

from daemon.check_answer import Answer
from daemon.drawing import draw
from daemon.drawing_inks import LIGHT
from daemon.drawing_values import Curve, CurveDrawing, Flag, Hue, Mark, Size, stretches
from daemon.drawing_values import Step as RangeStep
from daemon.explain import Explained
from daemon.explain_none import NoAlarm
from daemon.logbook import Labels
from daemon.rehearsal_answer import columns
from daemon.texts import Speaker
from daemon.times import iso
from rules.reading import MINUTE, Quantity
from rules.span import Range

WIDE, HIGH = 64, 9
"""Columns and rows of a sketch."""


class RuleAnswer(Answer):
    """The rule."""

    name: str = Field(description="Its name.")
    sort: str = Field(description="range, contact, sensor, climate or room.")
    says: str = Field(description="What it judges.")
    source: str = Field(description="Where it comes from.")
    numbers: list[tuple[str, str, str]] = Field(description="Its own numbers: name, value, meaning.")


class SettingAnswer(Answer):
    """One setting that counted."""

    what: str = Field(description="Which.")
    value: str = Field(description="Its value, in words.")
    origin: str = Field(description="yours, a source, common practice, derived, or default.")
    file: str | None = Field(description="The config, with its date where it is not the present text.")
    line: int | None = Field(description="Line in it; null: it is not written there.")


class StepAnswer(Answer):
    """One step from the readings to the end."""

    at: str = Field(description="When.")
    words: str = Field(description="What happened.")


class ExplainedAnswer(Answer):
    """Why there was an alarm."""

    number: int = Field(description="The alarm.")
    place: str = Field(description="Where.")
    spot: str = Field(description="Where in it.")
    subject: str = Field(description="The quantity, or the sensor that was wrong.")
    priority: str = Field(description="low, medium or high.")
    words: str = Field(description="What was said.")
    rule: RuleAnswer | None = Field(description="The rule; null where this program does not know it.")
    settings: list[SettingAnswer] = Field(description="The settings that counted, as of then.")
    steps: list[StepAnswer] = Field(description="Step by step.")
    curve: list[tuple[str, float]] = Field(description="Readings around it, corrected.")


class NoAlarmAnswer(Answer):
    """Why one rule raised nothing."""

    rule: str = Field(description="Its name.")
    sensor: str = Field(description="The sensor that it was put to.")
    quantity: str | None = Field(description="What it judged; null: the sensor itself.")
    why: str = Field(description="One of the values of daemon.explain_none.Why.")
    words: str = Field(description="The same with numbers.")
    number: int | None = Field(description="The alarm, where there was one.")


class NoneAnswer(Answer):
    """Why there was no alarm."""

    place: str = Field(description="Where.")
    at: str = Field(description="When.")
    rules: list[NoAlarmAnswer] = Field(description="Rule by rule.")


def answer(found: Explained, labels: Labels) -> ExplainedAnswer:
    """Give the explanation for programs."""
    row, rule = found.row, found.rule
    return ExplainedAnswer(
        number=row.number,
        place=row.key.place,
        spot=row.key.spot,
        subject=row.key.subject,
        priority=row.priority.value,
        words=row.words,
        rule=None
        if rule is None
        else RuleAnswer(
            name=rule.name,
            sort=rule.sort.value,
            says=rule.says,
            source=rule.source,
            numbers=list(rule.numbers),
        ),
        settings=[
            SettingAnswer(
                what=one.what,
                value=one.value,
                origin=one.origin,
                file=found.then.file if one.line else None,
                line=one.line,
            )
            for one in found.settings
        ],
        steps=[StepAnswer(at=iso(labels, step.at), words=step.words) for step in found.steps],
        curve=[(iso(labels, at), value) for at, value in found.curve],
    )


def none_answer(place: str, now: int, found: Sequence[NoAlarm], labels: Labels) -> NoneAnswer:
    """Give the answers of all rules for programs."""
    rules = [
        NoAlarmAnswer(
            rule=one.rule,
            sensor=one.sensor,
            quantity=one.quantity.value if one.quantity else None,
            why=one.why.value,
            words=one.words,
            number=one.number,
        )
        for one in found
    ]
    return NoneAnswer(place=place, at=iso(labels, now), rules=rules)


# -- for people ----------------------------------------------------------------------------------


def as_text(found: Explained, speak: Speaker) -> str:
    """Give the explanation as a keeper reads it."""
    row, rule = found.row, found.rule
    where = f"{row.key.place}, {row.key.spot}" if row.key.spot else row.key.place
    lines = [f"Alarm {row.number} ({row.priority.value}): {where}, {row.key.rule} ({row.key.subject})"]
    lines += [f"    {row.words}", "", *_rule_lines(found)]
    if found.settings:
        lines += ["", f"What counted ({found.then.file}):", *_setting_lines(found)]
    lines += ["", "Step by step:"]
    lines += columns([(f"    {_clock(speak, step.at)}", step.words) for step in found.steps])
    if found.curve and found.quantity is not None:
        lines += ["", *sketch(found, speak)]
    if rule is not None and rule.numbers:
        lines += ["", f"Numbers of the rule {rule.name!r} (usual values):"]
        lines += columns([(f"    {name}", value, meaning) for name, value, meaning in rule.numbers])
    return "\n".join(lines)


def _rule_lines(found: Explained) -> Iterator[str]:
    if found.rule is None:
        yield f"The rule {found.row.key.rule!r} is not known to this program any more."
        return
    yield f"Rule: {found.rule.says}"
    yield f"    Source: {found.rule.source}"


def _setting_lines(found: Explained) -> list[str]:
    return columns(
        [
            (f"    {one.what}", one.value, f"line {one.line}" if one.line else "not written", one.origin)
            for one in found.settings
        ]
    )


def _clock(speak: Speaker, at: int) -> str:
    local = speak.local(at)
    return speak.age(at) if local is None else f"{local:%Y-%m-%d %H:%M:%S}"


def sketch(found: Explained, speak: Speaker) -> list[str]:
    """Draw the curve with letters: ``*`` readings, ``-`` limits, ``|`` the alarm."""
    curve, quantity = found.curve, found.quantity or Quantity.TEMPERATURE
    ends = limits_of(found.range)
    values = [value for _, value in curve]
    near = [end for end in ends if min(values) - 2 <= end <= max(values) + 2]
    low, high = min([*values, *near]), max([*values, *near])
    start, end = curve[0][0], max(curve[-1][0], curve[0][0] + 1)
    rows = [[" "] * WIDE for _ in range(HIGH)]

    def row_at(value: float) -> int:
        return HIGH - 1 - round((value - low) / (high - low or 1) * (HIGH - 1))

    def column(at: int) -> int:
        return min(max(round((at - start) / (end - start) * (WIDE - 1)), 0), WIDE - 1)

    for limit in near:
        rows[row_at(limit)] = ["-"] * WIDE
    for cells in rows:
        if start <= found.row.raised <= end:
            cells[column(found.row.raised)] = "|"
    for at, value in curve:
        rows[row_at(value)][column(at)] = "*"
    named = {row_at(limit): speak.value(quantity, limit) for limit in (low, high, *near)}
    lines = [
        f"    {''.join(cells).rstrip():<{WIDE}} {named.get(index, '')}".rstrip()
        for index, cells in enumerate(rows)
    ]
    times = f"{_clock(speak, start)[11:16]} to {_clock(speak, end)[11:16]}"
    return [*lines, f"    {times}; * readings, - limits of ideal and safe, | the alarm"]


def limits_of(range_: Range | None) -> list[float]:
    """Give every end of a range."""
    spans = (range_.ideal, range_.safe) if range_ else ()
    return [end for span in spans if span for end in (span.low, span.high) if end is not None]


def none_text(place: str, now: int, found: Sequence[NoAlarm], speak: Speaker) -> str:
    """Say rule by rule why there was no alarm; rules that had nothing to say come last, in one line each."""
    lines = [f"{place} at {_clock(speak, now)}:", ""]
    ordered = sorted(found, key=lambda one: one.why.value == "its condition did not hold")
    rows = [
        (
            f"    {one.rule}",
            one.sensor,
            one.quantity.value if one.quantity else "",
            f"{one.why.value}: {one.words}",
        )
        for one in ordered
    ]
    return "\n".join([*lines, *columns(rows)]) if rows else lines[0] + " no rule watches this place"


def picture(found: Explained, speak: Speaker) -> str | None:
    """Draw the curve as SVG; None where there is none."""
    if not found.curve or found.quantity is None:
        return None
    row, quantity = found.row, found.quantity
    start, end = found.curve[0][0], found.curve[-1][0] + MINUTE
    flags = [Flag(row.raised, Mark.RAISED, row.key.rule)]
    flags += [] if row.cleared is None else [Flag(row.cleared, Mark.CLEARED, "right again")]
    at, value = [one[0] for one in found.curve], [one[1] for one in found.curve]
    drawing = CurveDrawing(
        start,
        end,
        (Curve(quantity.value, stretches(at, value, 10 * MINUTE)),),
        (RangeStep(start, end, found.range),) if found.range else (),
        Hue.HUMIDITY if quantity is Quantity.HUMIDITY else Hue.TEMPERATURE,
        flags=tuple(flag for flag in flags if start <= flag.at <= end),
        words=f"{row.key.place} {row.key.rule}",
        say=lambda number: speak.value(quantity, number),
    )
    return draw(drawing, Size.PRINT, width=700, inks=LIGHT)
