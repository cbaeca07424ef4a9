"""Clutches for the page: each as a line, one as a whole, and the season looked back on."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from daemon.clutch_due import THIS_WEEK, TONIGHT, due_groups
from daemon.clutch_forms import cautions_of, sex_lines, shown_in
from daemon.clutches import Forecast, Season, forecast, looked_back, season_of
from daemon.drawing import (
    Curve,
    CurveDrawing,
    Flag,
    Hue,
    Mark,
    Notch,
    Size,
    Stretch,
    draw,
    draw_axis,
    stretches,
)
from daemon.drawing_table import Row, table
from daemon.page.clutch_drawing import Growth, draw_growth
from daemon.page.strips import Pen, dark, say_short, steps
from daemon.page.times import Window, notches, short_date
from daemon.texts import fixed, lasting, plural
from rules.clutch import Account, Clutch, Deed, EggEntry, Of, offered_stage
from rules.incubation import NoForecast, development
from rules.incubation.review import Review
from rules.reading import DAY, HOUR, Quantity
from rules.season import hatching_watch

BEFORE = 3 * DAY
"""So much of the axis lies before the first laying (ms)."""

AHEAD = 14 * DAY
"""At least so much lies after today (ms)."""

FARTHEST = 120 * DAY
"""No window is drawn farther than this after today (ms)."""

JOINED = 3 * HOUR
"""Hourly means farther apart than this have a gap between them (ms)."""

POINTS = 240
"""Corners of the area that rises."""

OFFERED = 3 * DAY
"""A change of stage is offered for so long after what suggests it (ms)."""

PASSED = 365 * DAY
"""Clutches that were laid longer ago and are over are in no list (ms)."""


@dataclass(frozen=True, slots=True)
class ClutchLine:
    """One clutch of the list, ready to be written."""

    id: str
    about: str
    value: str
    beside: str
    sentence: str
    box: str
    svg: str = ""


@dataclass(frozen=True, slots=True)
class ClutchSheet:
    """All clutches, ready to be written."""

    summary: str
    due: tuple[tuple[str, tuple[str, ...]], ...]
    axis: str
    groups: tuple[tuple[str, tuple[ClutchLine, ...]], ...]
    over: tuple[ClutchLine, ...]
    totals: tuple[tuple[str, str], ...]
    trouble: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Panel:
    """One curve of a clutch."""

    title: str
    present: str
    svg: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class LogLine:
    """One line of the egg log; its number takes it back."""

    number: int
    words: str


@dataclass(frozen=True, slots=True)
class ClutchView:
    """One clutch whole, ready to be written."""

    line: ClutchLine
    axis: str
    left: int
    hatchlings: int
    facts: tuple[tuple[str, str], ...]
    model: str
    source: str
    cautions: tuple[str, ...]
    sex: tuple[str, ...]
    hatching: str
    offer: tuple[str, str] | None
    panels: tuple[Panel, ...]
    log: tuple[LogLine, ...]
    review: tuple[tuple[str, str], ...]
    places: tuple[str, ...]


def open_brood(pen: Pen) -> Season:
    """Read the clutches as of now."""
    return season_of(pen.source.archive, pen.room.clutches, pen.room.plan, pen.source.now)


def sheet(pen: Pen) -> ClutchSheet:
    """Make the list of all clutches, on one calendar axis."""
    season = open_brood(pen)
    now = season.now
    pairs = [(clutch, season.book.account(clutch.id)) for clutch in season.book.clutches]
    open_ones = [forecast(pen.source.archive, season, clutch.id) for clutch, account in pairs if account.left]
    axis = _axis(pen, open_ones)
    ordered = sorted(open_ones, key=lambda one: (one.expectation.expected or math.inf, one.clutch.id))
    groups: dict[str, list[ClutchLine]] = {
        "Hatching, or in the window": [],
        "On the way": [],
        "No forecast": [],
    }
    for one in ordered:
        shown = _line(pen, season, one)
        growth = _growth(season, one, axis)
        groups[_group(one, now)].append(
            replace(shown, svg=draw_growth(replace(growth, words=f"{one.clutch.id}: {shown.sentence}")))
        )
    over = [
        _line(pen, season, Forecast(clutch, account, None))
        for clutch, account in pairs
        if not account.left and now - clutch.laid < PASSED
    ]
    due = due_groups(season, [one.expectation for one in open_ones], pen.speaker)
    heads = {TONIGHT: "Tonight", THIS_WEEK: "This week"}
    return ClutchSheet(
        summary=_summary(pairs, open_ones),
        due=tuple((heads[head], tuple(lines)) for head, lines in due),
        axis=draw_axis(axis),
        groups=tuple((head, tuple(lines)) for head, lines in groups.items() if lines),
        over=tuple(over),
        totals=_totals(season),
        trouble=season.trouble,
    )


def view(pen: Pen, id_: str) -> ClutchView:
    """Make the view of one clutch.

    Raises:
        ClutchError: There is none of that id.
    """
    season = open_brood(pen)
    archive = pen.source.archive
    season.book.clutch(id_)
    found = forecast(archive, season, id_)
    account = found.account
    axis = _axis(pen, [found])
    shown = _line(pen, season, found)
    growth = replace(_growth(season, found, axis), words=shown.sentence)
    window = found.window if account.left else None
    hatching = next((one for one in hatching_watch(season.book, season.now) if one.clutch == id_), None)
    back = looked_back(archive, season, id_)
    return ClutchView(
        line=replace(shown, svg=draw_growth(growth)),
        axis=draw_axis(axis),
        left=account.left,
        hatchlings=account.hatchlings,
        facts=_facts(pen, found),
        model=shown_in(window.model, pen.speaker) if window else "",
        source=shown_in(window.source, pen.speaker) if window else "",
        cautions=tuple(shown_in(one, pen.speaker) for one in cautions_of(found)) if window else (),
        sex=tuple(shown_in(one, pen.speaker) for one in sex_lines(found.sex)) if found.sex else (),
        hatching=f"{lasting(season.now - hatching.since)} since the first pip" if hatching else "",
        offer=_offer(pen, season, account),
        panels=tuple(_panels(pen, season, found, axis)),
        log=tuple(LogLine(one.number, told(pen, one)) for one in reversed(account.entries)),
        review=review_facts(pen, back) if back else (),
        places=tuple(season.boxes),
    )


def _group(one: Forecast, now: int) -> str:
    """Say in which group of the list a clutch stands."""
    if one.account.first_pip is not None:
        return "Hatching, or in the window"
    earliest = one.expectation.earliest
    if one.window is None or earliest is None:
        return "No forecast"
    return "Hatching, or in the window" if earliest <= now + DAY else "On the way"


def _line(pen: Pen, season: Season, one: Forecast) -> ClutchLine:
    """Put a clutch into one line."""
    clutch, account = one.clutch, one.account
    where = account.box + (f", {account.position}" if account.position else "")
    done = f"{100 * one.window.progress:.0f} %" if one.window and account.left else ""
    return ClutchLine(
        id=clutch.id,
        about=f"{clutch.species} · {where}",
        value=done or ("over" if not account.left else "–"),
        beside=f"{account.left} of {plural(clutch.eggs, 'egg')}"
        if account.left
        else f"{account.hatched} of {clutch.eggs} hatched",
        sentence=_sentence(pen, season, one),
        box=account.box,
    )


def _sentence(pen: Pen, season: Season, one: Forecast) -> str:
    """Say how far it is and when it hatches: a window, never one date."""
    clutch, account = one.clutch, one.account
    begun = f"{'Found' if clutch.found else 'Laid'} {day_of(pen, clutch.laid)}"
    if not account.left:
        ended = f", over {day_of(pen, account.over)}" if account.over is not None else ""
        return f"{begun}{ended}."
    head = f"Day {max(0, (season.now - clutch.laid) // DAY)}. "
    if one.window is None:
        return f"{begun}. {head}No forecast: {one.needs}."
    ends = one.expectation
    if ends.earliest is None or ends.expected is None:
        return f"{head}No day can be named at this temperature."
    if ends.latest is not None and ends.latest < season.now:
        return f"{head}The window ended {day_of(pen, ends.latest)}; late hatching is common."
    last = day_of(pen, ends.latest) if ends.latest is not None else "a day that cannot be named"
    says = "Hatching" if account.first_pip is not None else "Hatches"
    likely = f", most likely about {day_of(pen, ends.expected)}" if ends.expected > season.now else ""
    return f"{head}{says} between {day_of(pen, ends.earliest)} and {last}{likely}."


def day_of(pen: Pen, at: int) -> str:
    """Say a day as short as it is clear: "15 May"."""
    return short_date(pen.wall.local(at).date(), pen.room.forms)


def told(pen: Pen, entry: EggEntry) -> str:
    """Say one line of the egg log, with its hour and who wrote it."""
    by = f", by {entry.by}" if entry.by else ""
    return f"{pen.speaker.when(entry.at)} {_deed(entry)}{by}" + (f": {entry.note}" if entry.note else "")


def noted(pen: Pen, entry: EggEntry) -> str:
    """Say one line of the egg log by its day."""
    return f"{day_of(pen, entry.at)} {_deed(entry)}" + (f" ({entry.note})" if entry.note else "")


def _deed(entry: EggEntry) -> str:
    parts = [entry.deed.value]
    if entry.count:
        parts.append(str(entry.count))
    if entry.of is Of.HATCHLING:
        parts.append("hatchling" if entry.count == 1 else "hatchlings")
    if entry.grams is not None:
        parts.append(f"{entry.grams:g} g")
    if entry.box:
        parts.append(f"to {entry.box}" + (f", {entry.position}" if entry.position else ""))
    return " ".join(parts)


def _axis(pen: Pen, found: Sequence[Forecast]) -> CurveDrawing:
    """Choose the calendar axis: from the first laying until after the last window."""
    now = pen.source.now
    laid = [one.clutch.laid for one in found]
    over = [one.account.over for one in found if one.account.over is not None]
    closed = len(over) == len(found) and found
    ends = [
        end for one in found for end in (one.expectation.latest, one.expectation.expected) if end is not None
    ]
    start = max(min(laid, default=now - 30 * DAY), now - PASSED) - BEFORE
    end = (
        max(over) + BEFORE
        if closed
        else max([now + AHEAD, *(min(end, now + FARTHEST) for end in ends)]) + BEFORE
    )
    end = max(end, start + AHEAD)
    return CurveDrawing(
        start, end, (), now=now if now <= end else None, notches=notches(pen.wall, start, end, 8)
    )


def _growth(season: Season, one: Forecast, axis: CurveDrawing) -> Growth:
    """Make the strip of one clutch."""
    clutch, account = one.clutch, one.account
    shares = _shares(one)
    ends = one.expectation
    out = [entry.at for entry in account.entries if entry.deed is Deed.HATCHED]
    return Growth(
        start=axis.start,
        end=axis.end,
        now=account.over or season.now,
        laid=clutch.laid,
        shares=[(clutch.laid + round(day * DAY), share) for day, share in shares],
        earliest=ends.earliest if account.left else None,
        expected=ends.expected if account.left else None,
        latest=ends.latest,
        out=out,
        notches=axis.notches,
    )


def _shares(one: Forecast) -> list[tuple[float, float]]:
    """Give how the development went, coarse enough to be drawn: (days since laying, share)."""
    if one.window is None:
        return []
    step = max(1, len(one.curve) // POINTS)
    drawn = [*one.curve[::step], *one.curve[-1:]]
    try:
        found = development(drawn, species=one.clutch.species, records=one.clutch.records)
    except (NoForecast, ValueError):
        return []
    return [*found[:-1], (one.window.now, one.window.progress)]


def _summary(pairs: Sequence[tuple[Clutch, Account]], open_ones: Sequence[Forecast]) -> str:
    """Say how many there are."""
    if not pairs:
        return ""
    eggs = sum(one.account.left for one in open_ones)
    if not open_ones:
        return "No eggs are left in any box."
    return f"{plural(eggs, 'egg')} of {plural(len(open_ones), 'clutch', 'clutches')} are in the boxes."


def _totals(season: Season) -> tuple[tuple[str, str], ...]:
    """Give the season's sums."""
    found = season.book.totals(season.now - PASSED, season.now + DAY)
    if not found.clutches:
        return ()
    rate = found.hatch_rate
    return (
        ("clutches", str(found.clutches)),
        ("eggs", str(found.eggs)),
        ("hatched", str(found.hatched)),
        ("slumped or died", str(found.slumped + found.died)),
        ("left", str(found.left)),
        ("hatch rate", "–" if rate is None else f"{100 * rate:.0f} %"),
    )


def _facts(pen: Pen, one: Forecast) -> tuple[tuple[str, str], ...]:
    """Give what is counted of a clutch."""
    account, clutch = one.account, one.clutch
    found = [
        ("found" if clutch.found else "laid", day_of(pen, clutch.laid)),
        ("eggs", str(clutch.eggs)),
        ("left", str(account.left)),
    ]
    counts = (
        ("pipped", account.pipped),
        ("hatched", account.hatched),
        ("slumped", account.slumped),
        ("died", account.died),
        ("removed", account.removed),
        ("sold", account.sold + account.hatchlings_sold),
        ("hatchlings here", account.hatchlings),
    )
    found += [(word, str(count)) for word, count in counts if count]
    if account.hatch_rate is not None:
        found.append(("hatch rate so far", f"{100 * account.hatch_rate:.0f} %"))
    if clutch.parents:
        found.append(("parents", clutch.parents))
    if one.window is not None and account.left:
        found.append(("counted on", pen.speaker.value(Quantity.TEMPERATURE, one.window.temperature)))
    return tuple(found)


def _offer(pen: Pen, season: Season, account: Account) -> tuple[str, str] | None:
    """Offer the change of stage that the newest entry suggests: (place, stage)."""
    for entry in reversed(account.entries):
        if season.now - entry.at > OFFERED:
            break
        offer = offered_stage(entry)
        place = pen.room.place(offer[0] or account.box) if offer else None
        if offer and place is not None and place.stage is not offer[1]:
            return place.name, offer[1].value
    return None


def _panels(pen: Pen, season: Season, one: Forecast, axis: CurveDrawing) -> list[Panel]:
    """Make the curves of a clutch: temperature, and loss of weight where it was weighed."""
    found = [_warmth(pen, season, one, axis)]
    weighings = one.account.weighings
    if len(weighings) > 1:
        points = Stretch([each.at for each in weighings], [-each.loss for each in weighings])
        drawing = replace(
            axis,
            curves=(Curve("weight", (points,)),),
            hue=Hue.PLAIN,
            say=_percent,
            words=f"{one.clutch.id}, weight since the first weighing",
        )
        newest = weighings[-1]
        present = f"{fixed(newest.grams, 2)} g, {_percent(-newest.loss)}"
        rows = tuple(table(drawing, pen.speaker.when))
        found.append(
            Panel("weight of an egg since the first weighing", present, draw(drawing, Size.FULL), rows)
        )
    return found


def _percent(value: float) -> str:
    """Say a change of weight; none has no sign."""
    return "0 %" if abs(value) < 0.05 else f"{value:+.1f} %"


def _warmth(pen: Pen, season: Season, one: Forecast, axis: CurveDrawing) -> Panel:
    """Draw the whole incubation with its events."""
    drawing = incubation(pen, season, one, axis)
    parts = drawing.curves[0].stretches
    present = (
        pen.speaker.value(Quantity.TEMPERATURE, parts[-1].value[-1]) if parts and one.account.left else ""
    )
    rows = tuple(table(drawing, pen.speaker.when))
    return Panel("temperature of its boxes, hourly means", present, draw(drawing, Size.FULL), rows)


def incubation(pen: Pen, season: Season, one: Forecast, axis: CurveDrawing) -> CurveDrawing:
    """Make the drawing of a clutch's temperature on an axis."""
    clutch, account = one.clutch, one.account
    at = [clutch.laid + round(day * DAY) for day, _ in one.curve]
    values = [math.nan if value is None else value for _, value in one.curve]
    place = pen.room.place(account.box)
    window = Window(axis.start, axis.end, season.now)
    return replace(
        axis,
        curves=(Curve("temperature", stretches(at, values, JOINED)),),
        steps=steps(pen, place, "substrate", Quantity.TEMPERATURE, window) if place else (),
        flags=_events(account.entries),
        dark=dark(pen, window),
        notches=_strong(axis.notches),
        say=lambda value: say_short(pen.speaker, Quantity.TEMPERATURE, value),
        words=f"{clutch.id}, temperature since it was laid",
    )


def _strong(found: Sequence[Notch]) -> tuple[Notch, ...]:
    return tuple(replace(notch, strong=False) for notch in found)


def _events(entries: Sequence[EggEntry]) -> tuple[Flag, ...]:
    """Give the marks of an egg log."""
    return tuple(
        Flag(one.at, Mark.NOTE, f"{one.deed.value} {one.count}" if one.count else one.deed.value)
        for one in entries
    )


# -- looking back ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Remembered:
    """One clutch of the season review."""

    line: ClutchLine
    facts: tuple[tuple[str, str], ...]
    svg: str
    log: tuple[str, ...]


PAGE_FULL = 12
"""So many clutches are reviewed on one page: it must be made in two seconds on a small board."""


def remembered(pen: Pen, first: int = 0) -> tuple[tuple[Remembered, ...], tuple[tuple[str, str], ...], int]:
    """Look back on the season's clutches.

    Args:
        pen: Record, settings and way of speaking.
        first: How many to leave out.

    Returns:
        The clutches, the season's sums, and where the next page begins (0: there is none).
    """
    season = open_brood(pen)
    kept = [one for one in season.book.clutches if season.now - one.laid < PASSED]
    found = []
    for clutch in kept[first : first + PAGE_FULL]:
        one = forecast(pen.source.archive, season, clutch.id)
        back = looked_back(pen.source.archive, season, clutch.id)
        drawing = incubation(pen, season, one, _axis(pen, [one]))
        found.append(
            Remembered(
                _line(pen, season, one),
                review_facts(pen, back) if back else (("readings", "none"),),
                draw(drawing, Size.PRINT),
                tuple(noted(pen, entry) for entry in one.account.entries),
            )
        )
    after = first + PAGE_FULL
    return tuple(found), _totals(season), after if after < len(kept) else 0


def review_facts(pen: Pen, back: Review) -> tuple[tuple[str, str], ...]:
    """Say what a whole incubation was like."""
    say = pen.speaker.value
    degree = 1.8 if pen.speaker.show == "F" else 1.0
    found = [
        ("mean", say(Quantity.TEMPERATURE, back.mean)),
        ("lowest", say(Quantity.TEMPERATURE, back.coldest)),
        ("highest", say(Quantity.TEMPERATURE, back.warmest)),
    ]
    if back.equivalent is not None and back.equivalent == back.equivalent:
        found.append(("worth a constant", say(Quantity.TEMPERATURE, back.equivalent)))
    for word, value in (("too warm", back.above), ("too cool", back.below)):
        if value is not None:
            found.append((word, f"{fixed(value * degree, 0)} °{pen.speaker.show}·h"))
    found.append(("covered", f"{fixed(100 * back.covered, 0)} %"))
    if back.predicted is not None and math.isfinite(back.predicted):
        found.append(("day by the model", fixed(back.predicted, 1)))
    if back.actual is not None:
        found.append(("first hatched on day", fixed(back.actual, 1)))
    if back.error is not None:
        found.append(("the model was off by", f"{back.error:+.1f} days"))
    if back.record is not None:
        found.append(
            (
                "record for next year",
                f"{back.record[1]:g} days at {say(Quantity.TEMPERATURE, back.record[0])}",
            )
        )
    return tuple(found)
