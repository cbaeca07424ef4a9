"""Every page that is read: address in, HTML or rows out. Nothing here changes anything."""

import csv
import io
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from daemon.drawing import Size, draw
from daemon.page import alarms, times
from daemon.page.desk import PageDesk, Who
from daemon.page.night import sheet, spelt, subject_of
from daemon.page.place import place_view
from daemon.page.ready import KINDS
from daemon.page.reviewing import review_of, why_of
from daemon.page.strips import JUDGED, Pen, strip
from daemon.page.times import Window
from daemon.page.words import SIGNS, WORDS, sentence
from daemon.record import AlarmRow, Json
from daemon.texts import lasting, plural
from rules.plan import PlacePlan
from rules.reading import DAY, HOUR, Quantity

REFRESH = 15
"""A live page asks for itself this often (s)."""

_POINTS = 600
_LONGEST_CSV = 62 * DAY
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class NotFoundError(Exception):
    """There is no such place, alarm or sensor."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One request for a page, without what it is served by."""

    who: Who
    path: str
    query: Mapping[str, str]
    parts: Mapping[str, str]


def asked_of(request: Request, who: Who) -> Asked:
    """Take from a request what a page needs."""
    path = quote(request.url.path) + (f"?{request.url.query}" if request.url.query else "")
    return Asked(
        who, path[:500], dict(request.query_params), {k: str(v) for k, v in request.path_params.items()}
    )


def number(text: str | None) -> int | None:
    """Read a whole number of reasonable size, or None."""
    return int(text) if text and re.fullmatch(r"-?[0-9]{1,15}", text, re.ASCII) else None


def window_of(pen: Pen, query: Mapping[str, str]) -> tuple[Window, str]:
    """Read the window that is asked for; the night is the answer to everything else."""
    now, hours = pen.source.now, pen.room.hours("")
    start, end = number(query.get("from")), number(query.get("to"))
    if start is not None and end is not None:
        return times.between(start, end, now), "chosen"
    word = query.get("window", "")
    if word in times.SPANS:
        return times.last_span(times.SPANS[word], now), word
    if day := _day(query.get("night")):
        return times.night_of(pen.wall, hours, day, now), "chosen"
    return times.last_night(pen.wall, hours, now), "nights" if word == "nights" else "night"


def _day(text: str | None) -> date | None:
    """Read a date, or None; far from now there is none."""
    try:
        day = date.fromisoformat(text or "")
    except ValueError:
        return None
    return day if 2000 <= day.year <= 2200 else None


def page(desk: PageDesk, asked: Asked, name: str, values: Mapping[str, object], pen: Pen | None) -> Response:
    """Fill a page with what every page has."""
    common: dict[str, object] = {
        "who": asked.who.by,
        "path": asked.path,
        "here": name,
        "live": 0,
        "running": True,
        "newest": "",
        "age": "",
        "wanting": 0,
        "done": None,
        "ails": "",
        "counting": False,
        "ended": "",
        "morning": "",
    }
    if pen is not None:
        common |= _state(pen, asked)
    html = desk.rendered(f"{name}.html", common | dict(values))
    return HTMLResponse(html)


def _state(pen: Pen, asked: Asked) -> dict[str, object]:
    """Say how fresh everything is, and what became of the last order."""
    source, age, watch = pen.source, pen.source.age(), pen.source.watch()
    return {
        "ails": sentence(str(watch.get("ails") or "")) if source.running else "",
        "ended": watch.get("running") is False,
        "live": REFRESH,
        "running": source.running,
        "newest": pen.speaker.when(source.newest) if source.newest is not None else "",
        "age": f"Last round {lasting(age)} ago." if age is not None and source.running else "",
        "wanting": sum(
            a.acknowledged is None and not a.shelved_until and a.cause is None for a in source.wanting()
        ),
        "done": _done(pen, number(asked.query.get("done"))),
        "morning": pen.speaker.clock(alarms.morning(pen, pen.room)),
    }


_UNDONE = {"acknowledge", "shelve", "note", "label", "service", "egg"}
"""Orders that can be taken back."""


def _done(pen: Pen, order: int | None) -> dict[str, object] | None:
    """Say what became of an order, and whether it can be taken back."""
    found = pen.source.order(order) if order is not None and order > 0 else None
    if found is None or pen.source.wall - found.wall > 10 * 60_000:
        return None
    refused = found.answer.removeprefix("refused: ") if found.answer.startswith("refused") else ""
    if refused:
        words = f"Not done: {refused}."
    elif found.taken is not None:
        words = _taken(pen, found.body, found.taken)
    else:
        words = "On its way to the watch." if pen.source.running else "The watch takes it when it runs again."
    undo = found.body.get("verb") in _UNDONE and not refused
    return {"id": found.id, "words": words, "undo": undo, "waits": found.taken is None and pen.source.running}


def _taken(pen: Pen, body: Mapping[str, Json], taken: int) -> str:
    """Say in a keeper's words that an order was taken."""
    place, quiet = body.get("place"), body.get("for_ms")
    if body.get("verb") == "shelve" and isinstance(quiet, int):
        return f"Quiet until {pen.speaker.when(taken + quiet)}."
    if body.get("verb") == "service":
        return f"{place} is {'in service again' if body.get('in') else 'out of service'}."
    if body.get("verb") == "label":
        return f"Written down: {body.get('label')}."
    said = {
        "acknowledge": "Seen. It repeats no more unless it gets worse.",
        "unshelve": "No longer quiet.",
        "note": "The note is written down.",
        "undo": "Taken back.",
        "egg": "Written into the egg log.",
    }
    return said.get(str(body.get("verb")), "Done.")


def night(desk: PageDesk, asked: Asked) -> Response:
    """Answer the night sheet."""

    def work(pen: Pen) -> Response:
        window, _ = window_of(pen, asked.query)
        night = window.night
        values = {
            "title": f"{pen.room.name}: the night",
            "window": window,
            "sheet": sheet(pen, window),
            "before": (night - timedelta(days=1)).isoformat() if night else "",
            "after": (night + timedelta(days=1)).isoformat() if night and not window.live else "",
        }
        return page(desk, asked, "night", values, pen)

    return desk.asked(work)


def _place(pen: Pen, asked: Asked) -> PlacePlan:
    """Find the place that is asked for."""
    place = pen.room.place(asked.parts.get("place", ""))
    if place is None:
        raise NotFoundError("There is no such place in the config.")
    return place


def place(desk: PageDesk, asked: Asked) -> Response:
    """Answer one place."""

    def work(pen: Pen) -> Response:
        plan = _place(pen, asked)
        window, chosen = window_of(pen, asked.query)
        found = place_view(pen, plan, window, nights=chosen == "nights")
        base = f"/place/{quote(plan.name, safe='')}"
        log = alarms.told(pen.speaker, pen.source.done(window.start, window.until), place=plan.name)
        values = {
            "title": f"{plan.name} · {pen.room.name}",
            "view": found,
            "alarms": [alarms.view(pen, alarm) for alarm in found.alarms],
            "log": log,
            "window": window,
            "width": window.end - window.start,
            "chosen": chosen,
            "base": base,
            "enclosure": plan.kind in KINDS,
            "span": f"From {pen.speaker.when(window.start)} till {pen.speaker.when(window.until)}.",
            "live": REFRESH if window.live else 0,
        }
        return page(desk, asked, "place", values, pen)

    return desk.asked(work)


def points(desk: PageDesk, asked: Asked) -> Response:
    """Answer what stands under the finger: instants, words of value, and where they lie."""

    def work(pen: Pen) -> Response:
        plan = _place(pen, asked)
        window, _ = window_of(pen, asked.query)
        quantity = _quantity(asked.query.get("quantity"))
        sensors = pen.room.sensors(plan.name, quantity)
        sensor = next((s for s in sensors if s.name == asked.query.get("sensor")), None)
        if sensor is None:
            raise NotFoundError("There is no such sensor.")
        parts = pen.source.curve(sensor, quantity, (window.start, window.until), _POINTS)
        found: list[tuple[int, str]] = []
        for part in parts:
            step = max(1, len(part.at) * len(parts) // _POINTS // max(1, len(parts)))
            for i in range(0, len(part.at), step):
                lows, highs = part.lowest[i : i + step], part.highest[i : i + step]
                found.append((part.at[i], _reading(pen, quantity, min(lows), max(highs))))
        rows = [[at, pen.speaker.when(at), words] for at, words in found[: 4 * _POINTS]]
        return Response(json.dumps(rows, ensure_ascii=False), media_type="application/json")

    return desk.asked(work)


def _reading(pen: Pen, quantity: Quantity, low: float, high: float) -> str:
    """Say one value, or a lowest and highest."""
    first, last = pen.speaker.value(quantity, low), pen.speaker.value(quantity, high)
    return first if first == last else f"{first} to {last}"


def _quantity(text: str | None) -> Quantity:
    """Read a quantity's name."""
    try:
        return Quantity(text or "")
    except ValueError:
        raise NotFoundError("There is no such quantity.") from None


def _safe_cell(text: str) -> str:
    """Give a text that no table program takes for a formula."""
    return "'" + text if text.startswith(_FORMULA) else text


def readings_csv(desk: PageDesk, asked: Asked) -> Response:
    """Answer a window of a place as CSV: corrected values in °C and percent."""

    def work(pen: Pen) -> Response:
        plan = _place(pen, asked)
        window, _ = window_of(pen, asked.query)
        start = max(window.start, window.until - _LONGEST_CSV)
        out = io.StringIO()
        rows = csv.writer(out, lineterminator="\r\n")
        rows.writerow(["time", "sensor", "quantity", "value", "quality"])
        for quantity in (*JUDGED, Quantity.CONTACT):
            for sensor in pen.room.sensors(plan.name, quantity):
                name = _safe_cell(sensor.name)
                for at, value, quality in pen.source.readings(sensor, quantity, (start, window.until)):
                    when = pen.wall.local(at).isoformat(timespec="milliseconds")
                    rows.writerow([when, name, quantity.value, f"{value:g}", quality.words])
        answer = Response(out.getvalue(), media_type="text/csv; charset=utf-8")
        file = re.sub(r"[^A-Za-z0-9_-]+", "-", plan.name, flags=re.ASCII).strip("-") or "place"
        answer.headers["content-disposition"] = f'attachment; filename="{file}.csv"'
        return answer

    return desk.asked(work)


def alarm_list(desk: PageDesk, asked: Asked) -> Response:
    """Answer the alarms: open ones, and those of seven days."""

    def work(pen: Pen) -> Response:
        now = pen.source.now
        found = alarms.groups(pen, pen.source.alarms(now - 7 * DAY, now))
        said, counting = desk.asking.ask("review") if "review" in asked.query else (None, False)
        values = {
            "review": review_of(said) if said else None,
            "counting": counting,
            "title": f"Alarms · {pen.room.name}",
            "groups": found,
            "summary": alarms.summary(found),
        }
        return page(desk, asked, "alarms", values, pen)

    return desk.asked(work)


def alarm(desk: PageDesk, asked: Asked) -> Response:
    """Answer one alarm, with the button under the thumb."""

    def work(pen: Pen) -> Response:
        wanted = number(asked.parts.get("number"))
        row = pen.source.alarm(wanted) if wanted is not None else None
        if row is None:
            raise NotFoundError("There is no alarm with this number.")
        end = row.cleared if row.cleared is not None else pen.source.now
        log = alarms.told(
            pen.speaker, pen.source.done(row.raised - HOUR, max(end, pen.source.now)), alarm=row.number
        )
        wanted_why = "why" in asked.query
        said, counting = desk.asking.ask("explain", str(row.number)) if wanted_why else (None, False)
        values = {
            "why": why_of(said, lambda wall: _said_wall(pen, wall)) if said else None,
            "counting": counting,
            "title": f"{row.key.place}: {row.key.rule}",
            "alarm": alarms.view(pen, row),
            "svg": (svg := alarm_strip(pen, row)),
            "ahead": " ahead" in svg,
            "log": log,
            "known": pen.room.place(row.key.place) is not None,
        }
        return page(desk, asked, "alarm", values, pen)

    return desk.asked(work)


def _said_wall(pen: Pen, wall: int) -> str:
    """Say a Unix instant (ms) in local time."""
    return pen.speaker.when(wall - (pen.source.offset or 0))


def alarm_window(pen: Pen, row: AlarmRow) -> Window:
    """Choose what is drawn with an alarm: three hours before, and until it was right again."""
    end = min(row.cleared + HOUR if row.cleared is not None else pen.source.now, row.raised + 21 * HOUR)
    end = max(end, row.raised + HOUR)
    start = min(row.since, row.raised) - 3 * HOUR
    start = max(start, row.raised - 21 * HOUR)
    return Window(start, end + (end - start) // 12, pen.source.now)


def alarm_strip(pen: Pen, row: AlarmRow) -> str:
    """Draw the curve that an alarm is about, or nothing where there is none."""
    plan = pen.room.place(row.key.place)
    subject = subject_of(pen.room, plan, row) if plan else None
    if subject is None:
        return ""
    return draw(strip(pen, subject, alarm_window(pen, row), [row], Size.PRINT.columns), Size.PRINT)


def sensors(desk: PageDesk, asked: Asked) -> Response:
    """Answer the sensors; what is wrong first."""

    def work(pen: Pen) -> Response:
        found = alarms.sensor_views(pen)
        wrong = sum(bool(view.wrong) for view in found)
        words = f"{plural(len(found), 'sensor')}; " + (
            f"something is wrong with {spelt(wrong)} of them." if wrong else "nothing is wrong with them."
        )
        values = {"title": f"Sensors · {pen.room.name}", "sensors": found, "summary": words}
        return page(desk, asked, "sensors", values, pen)

    return desk.asked(work)


def words(desk: PageDesk, asked: Asked) -> Response:
    """Answer the terms of the trade."""
    return page(desk, asked, "help", {"title": "Words", "words": WORDS, "signs": SIGNS}, None)


PAGES: Mapping[str, Callable[[PageDesk, Asked], Response]] = {
    "/": night,
    "/place/{place}": place,
    "/place/{place}/points": points,
    "/place/{place}.csv": readings_csv,
    "/alarms": alarm_list,
    "/alarm/{number}": alarm,
    "/sensors": sensors,
    "/help": words,
}
"""Every page that is read, by address."""
