"""Clutches, forecasts and readiness as JSON and as lines of text.

JSON: instants are ISO 8601 UTC, temperatures °C, times in days since laying or seconds;
what is not known is null.
"""

import math
import re
from collections.abc import Sequence

from daemon.clutches import Forecast, Season
from daemon.logbook import Labels
from daemon.record import Json
from daemon.texts import Speaker, plural
from daemon.times import iso, local_day
from rules.clutch import Account, Clutch, EggEntry, Totals
from rules.incubation.review import Review
from rules.readiness import Readiness
from rules.reading import DAY, SECOND
from rules.season import Due, Kind
from rules.sex import SexOutlook

_ONE = r"-?\d+(?:\.\d+)?"
_DEGREES = re.compile(rf"({_ONE})(?:( and | to |\u2013)({_ONE}))? °C")
_KELVIN = re.compile(rf"({_ONE}) K\b")
_DEGREE_DAYS = re.compile(rf"(degree-days above {_ONE} °C, )(\d+)( in all)")


def shown_in(text: str, speaker: Speaker) -> str:
    """Give a forecast's words with their temperatures as the room shows them.

    The rules say them in °C: "between 24.8 and 29.0 °C", "degree-days above 18.6 °C, 571
    in all".
    """
    if speaker.show == "C":
        return text

    def degrees(match: re.Match[str]) -> str:
        ends = [match[1], *([match[3]] if match[3] else [])]
        said = (f"{float(end) * 1.8 + 32:.1f}" for end in ends)
        return f"{(match[2] or '').join(said)} °F"

    def kelvin(match: re.Match[str]) -> str:
        return f"{float(match[1]) * 1.8:.1f} °F"

    whole = _KELVIN.sub(kelvin, text)
    whole = _DEGREE_DAYS.sub(lambda match: f"{match[1]}{float(match[2]) * 1.8:.0f}{match[3]}", whole)
    return _DEGREES.sub(degrees, whole)


def forecast_json(found: Forecast, labels: Labels) -> dict[str, Json]:
    """Give a forecast: id, progress, expected, window, model, source, cautions, needs and more."""
    window, expectation = found.window, found.expectation
    ends: Json = None
    if window is not None:
        ends = [_instant(expectation.earliest, labels), _instant(expectation.latest, labels)]
    return {
        "id": found.clutch.id,
        "species": found.clutch.species,
        "progress": _number(window.progress) if window else None,
        "expected": _instant(expectation.expected, labels),
        "window": ends,
        "days": {
            "now": _number(window.now) if window else None,
            "expected": _number(window.expected) if window else None,
            "earliest": _number(window.earliest) if window else None,
            "latest": _number(window.latest) if window else None,
        },
        "model": window.model if window else None,
        "source": window.source if window else None,
        "cautions": list(cautions_of(found)),
        "needs": found.needs or None,
        "left": found.account.left,
        "sex": sex_json(found.sex) if found.sex else None,
    }


def cautions_of(found: Forecast) -> tuple[str, ...]:
    """Give a forecast's cautions, with what the log adds."""
    said = found.window.cautions if found.window else ()
    if found.clutch.found:
        said = (
            *said,
            "days are counted from when it was found; it was laid before that, so it may be sooner",
        )
    return said


def sex_json(found: SexOutlook) -> dict[str, Json]:
    """Give what temperature says of sex."""
    return {
        "pattern": found.pattern.value,
        "period": found.period.value if found.period else None,
        "equivalent": _number(found.equivalent),
        "males": _number(found.males),
        "span": [_number(found.males_low), _number(found.males_high)] if found.males is not None else None,
        "source": found.source,
        "cautions": list(found.cautions),
    }


def clutch_json(clutch: Clutch, account: Account, labels: Labels) -> dict[str, Json]:
    """Give a clutch with its counts and its log."""
    return {
        "id": clutch.id,
        "species": clutch.species,
        "parents": clutch.parents,
        "laid": iso(labels, clutch.laid),
        "found": clutch.found,
        "eggs": clutch.eggs,
        "box": account.box,
        "position": account.position,
        "records": [[temperature, days] for temperature, days in clutch.records],
        "left": account.left,
        "pipped": account.pipped,
        "hatched": account.hatched,
        "slumped": account.slumped,
        "died": account.died,
        "removed": account.removed,
        "sold": account.sold,
        "hatchlings": account.hatchlings,
        "hatchlings_died": account.hatchlings_died,
        "hatchlings_sold": account.hatchlings_sold,
        "hatch_rate": _number(account.hatch_rate),
        "first_pip": _instant(account.first_pip, labels),
        "over": _instant(account.over, labels),
        "stays": [
            {
                "from": iso(labels, stay.start),
                "to": _instant(stay.end, labels),
                "box": stay.box,
                "position": stay.position,
            }
            for stay in account.stays
        ],
        "weights": [
            {"at": iso(labels, one.at), "grams": _number(one.grams), "loss": _number(one.loss)}
            for one in account.weighings
        ],
        "log": [entry_json(entry, labels) for entry in account.entries],
    }


def entry_json(entry: EggEntry, labels: Labels) -> dict[str, Json]:
    """Give one line of the egg log."""
    return {
        "number": entry.number,
        "at": iso(labels, entry.at),
        "deed": entry.deed.value,
        "of": entry.subject.value,
        "count": entry.count or None,
        "grams": _number(entry.grams),
        "box": entry.box or None,
        "by": entry.by,
        "note": entry.note,
    }


def totals_json(found: Totals) -> dict[str, Json]:
    """Give a season's totals."""
    return {
        "clutches": found.clutches,
        "eggs": found.eggs,
        "left": found.left,
        "hatched": found.hatched,
        "slumped": found.slumped,
        "died": found.died,
        "removed": found.removed,
        "sold": found.sold,
        "hatchlings": found.hatchlings,
        "hatch_rate": _number(found.hatch_rate),
    }


def review_json(found: Review) -> dict[str, Json]:
    """Give the look back on a clutch."""
    return {
        "days": _number(found.days),
        "covered": _number(100.0 * found.covered),
        "mean": _number(found.mean),
        "coldest": _number(found.coldest),
        "warmest": _number(found.warmest),
        "equivalent": _number(found.equivalent),
        "degree_hours_above": _number(found.above),
        "degree_hours_below": _number(found.below),
        "predicted": _number(found.predicted),
        "actual": _number(found.actual),
        "error": _number(found.error),
        "record": list(found.record) if found.record else None,
        "daily": [[one.day, _number(one.equivalent)] for one in found.daily],
    }


def due_json(found: Sequence[Due], labels: Labels, speaker: Speaker, tonight: int) -> list[Json]:
    """Give what is due; ``tonight`` is where tonight ends (room time, ms)."""
    return [
        {
            "at": iso(labels, one.at),
            "until": _instant(one.until, labels),
            "kind": one.kind.value,
            "clutch": one.clutch or None,
            "place": one.place or None,
            "late": one.late,
            "tonight": one.at <= tonight,
            "text": due_text(one, speaker),
        }
        for one in found
    ]


def due_text(one: Due, speaker: Speaker) -> str:
    """Say what is due, with its days; a hatching as its window."""
    said = speaker.say(one.text)
    if one.kind is Kind.HATCH:
        ends = f" and {speaker.date(one.until)}" if one.until is not None else ""
        return f"{said}: {'between ' if ends else 'from '}{speaker.date(one.at)}{ends}"
    if one.kind is Kind.LEAVE_ALONE:
        return f"{one.place}: {said}"
    late = " (late)" if one.late else ""
    return (
        f"{said}{late}" if one.at <= speaker.now and not one.late else f"{said}, {speaker.date(one.at)}{late}"
    )


def readiness_json(
    place: str, found: Readiness, labels: Labels, now: int, speaker: Speaker
) -> dict[str, Json]:
    """Give a place's readiness."""
    return {
        "place": place,
        "ready": found.ready,
        "hours": found.hours,
        "since": _instant(found.since, labels),
        "right_for": None if found.since is None else (now - found.since) // SECOND,
        "missing": [speaker.say(sentence) for sentence in found.missing],
    }


# -- for people ---------------------------------------------------------------------------


def clutch_line(clutch: Clutch, account: Account, labels: Labels, season: Season) -> str:
    """Give a clutch in one line."""
    day = max(0, (season.now - clutch.laid) // DAY)
    begun = "found" if clutch.found else "laid"
    when = local_day(labels.wall(clutch.laid), season.zone)
    if account.left == 0:
        return f"{clutch.id}: {clutch.species}, over; {account.hatched} of {clutch.eggs} hatched"
    where = account.box + (f" ({account.position})" if account.position else "")
    counts = f"{account.left} of {plural(clutch.eggs, 'egg')} left"
    return f"{clutch.id}: {clutch.species} in {where}, {begun} {when} (day {day}), {counts}"


def forecast_text(found: Forecast, speaker: Speaker) -> str:
    """Give a forecast in words: a window, never one date."""
    head = f"{found.clutch.id}: {found.clutch.species}, {plural(found.account.left, 'egg')} left"
    if found.window is None:
        return f"{head}\n  no forecast: {found.needs}"
    expectation, window = found.expectation, found.window
    ends = f"{_date(expectation.earliest, speaker)} and {_date(expectation.latest, speaker)}"
    likely = f"most likely about {_date(expectation.expected, speaker)}"
    lines = [
        head,
        f"  {100 * window.progress:.0f} % of the development is done",
        f"  hatches between {ends} (9 of 10 do), {likely}",
        f"  by {window.model}",
        f"  from {window.source}",
    ]
    lines += [f"  mind: {caution}" for caution in cautions_of(found)]
    if found.sex is not None:
        lines += [f"  {line}" for line in sex_lines(found.sex)]
    return shown_in("\n".join(lines), speaker)


def readiness_text(place: str, found: Readiness, now: int, speaker: Speaker) -> str:
    """Give a place's readiness in words."""
    lasting = speaker.age(found.since) if found.since is not None and found.since < now else "not now"
    if found.ready:
        return f"{place} is ready: right since {lasting}"
    missing = "".join(f"\n  {speaker.say(sentence)}" for sentence in found.missing)
    return f"{place} is not ready:{missing}"


def sex_lines(found: SexOutlook) -> list[str]:
    """Give what temperature says of sex in words; temperatures in °C."""
    third = f", sensitive third {found.period.value}" if found.period else ""
    lines = [f"sex: {found.pattern.value}{third}"]
    if found.males is not None and found.males_low is not None and found.males_high is not None:
        span = f"{100 * found.males_low:.0f} to {100 * found.males_high:.0f} %"
        lines.append(f"males: about {100 * found.males:.0f} % ({span}), {found.source}")
    return [*lines, *(f"mind: {caution}" for caution in found.cautions)]


def _date(at: int | None, speaker: Speaker) -> str:
    return "no day that can be named" if at is None else speaker.date(at)


def _instant(at: int | None, labels: Labels) -> str | None:
    return None if at is None else iso(labels, at)


def _number(value: float | None) -> float | None:
    """Give a number as JSON can hold it, with four decimals."""
    return None if value is None or not math.isfinite(value) else round(value, 4)
