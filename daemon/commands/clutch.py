"""``ovigil clutch`` and ``ovigil ready``: clutches, their forecasts, and enclosures for what hatches."""

import argparse
import json
import time
from collections.abc import Mapping, Sequence
from zoneinfo import ZoneInfo

from daemon.cli import FOUND, OK, USAGE, Plain
from daemon.clutch_due import due_groups
from daemon.clutch_entry import LAID, order_of, scientific
from daemon.clutch_forms import (
    clutch_json,
    clutch_line,
    due_json,
    forecast_json,
    forecast_text,
    readiness_json,
    readiness_text,
    review_json,
    totals_json,
)
from daemon.clutches import (
    STALE,
    WEEK,
    Season,
    coming,
    forecast,
    looked_back,
    open_season,
    tried,
    windows_of,
    without,
)
from daemon.commands.orders import give
from daemon.folders import data_folder
from daemon.logbook import Archive
from daemon.record import Json
from daemon.settings import Loaded, load
from daemon.standing import speaker
from daemon.texts import Speaker
from daemon.times import iso, parsed
from daemon.units import duration, temperature
from rules.clutch import Clutch, ClutchError, offered_stage
from rules.reading import DAY
from rules.season import Expectation
from rules.words import Degrees

YEAR = 365 * DAY
"""A season is the clutches laid within so long (ms)."""


def list_(given: argparse.Namespace) -> int:
    """Print every clutch, the season's totals and what is due tonight and this week."""
    loaded = load(given.room)
    with Archive.open(data_folder(loaded)) as archive:
        season = _season(archive, loaded)
        windows = windows_of(archive, season)
    voice = _voice(loaded, season)
    pairs = [(clutch, season.book.account(clutch.id)) for clutch in season.book.clutches]
    if given.json:
        return _print_json(_list_json(season, windows, voice))
    if season.now < season.labels.room_instant(_wall()) - STALE:
        print(f"as of {voice.date(season.now)}, where the record ends")
    for clutch, account in pairs:
        print(clutch_line(clutch, account, season.labels, season))
    for heading, lines in due_groups(season, windows, voice):
        print(f"{heading}:")
        print("\n".join(f"  {line}" for line in lines))
    for words in season.trouble:
        print(f"  does not fit: {words}")
    if not pairs:
        print("no clutch yet: add [[clutch]] to the settings, or see ovigil clutch add --help")
    return OK


def _list_json(season: Season, windows: Sequence[Expectation], voice: Speaker) -> dict[str, Json]:
    """Give the list for programs."""
    labels, book = season.labels, season.book
    tonight = season.settings.tonight(labels, season.now)
    return {
        "as_of": iso(labels, season.now),
        "clutches": [clutch_json(clutch, book.account(clutch.id), labels) for clutch in book.clutches],
        "totals": totals_json(book.totals(season.now - YEAR, season.now + DAY)),
        "due": due_json(coming(season, windows, season.now + WEEK), labels, voice, tonight),
        "trouble": list(season.trouble),
    }


def show(given: argparse.Namespace) -> int:
    """Print one clutch whole: log, forecast and look back."""
    loaded = load(given.room)
    with Archive.open(data_folder(loaded)) as archive:
        season = _season(archive, loaded)
        clutch = _known(season, given.id)
        account = season.book.account(clutch.id)
        found, back = forecast(archive, season, clutch.id), looked_back(archive, season, clutch.id)
    voice = _voice(loaded, season)
    if given.json:
        whole = clutch_json(clutch, account, season.labels)
        whole["forecast"] = forecast_json(found, season.labels)
        whole["review"] = review_json(back) if back else None
        return _print_json(whole)
    print(clutch_line(clutch, account, season.labels, season))
    for entry in account.entries:
        count = f" {entry.count}" if entry.count else ""
        print(f"  {entry.number}: {voice.date(entry.at)} {entry.deed.value}{count} {entry.note}".rstrip())
    if account.left:
        print(forecast_text(found, voice))
    if back and back.record:
        print(f"  for next year: {back.record[1]:g} days at {voice.say((Degrees(back.record[0]),))}")
    return OK


def forecast_(given: argparse.Namespace) -> int:
    """Print when one clutch, or each that has eggs left, should hatch."""
    loaded = load(given.room)
    with Archive.open(data_folder(loaded)) as archive:
        season = _season(archive, loaded)
        ids = [_known(season, given.id).id] if given.id else [one.id for one in season.book.clutches]
        found = [forecast(archive, season, id_) for id_ in ids]
    found = [one for one in found if given.id or one.account.left]
    if given.json:
        forms: list[Json] = [dict(forecast_json(one, season.labels)) for one in found]
        print(json.dumps(forms[0] if given.id else forms, indent=2, allow_nan=False, ensure_ascii=False))
        return OK
    voice = _voice(loaded, season)
    for one in found:
        print(forecast_text(one, voice))
    if not found:
        print("no clutch has eggs left")
    return OK


def add(given: argparse.Namespace) -> int:
    """Add a clutch."""
    records: list[Json] = [[*_record(text)] for text in given.record or ()]
    parts: dict[str, Json] = {
        "deed": LAID,
        "species": scientific(given.species),
        "laid": given.laid or given.found,
        "found": True if given.found else None,
        "eggs": given.eggs,
        "box": given.box,
        "position": given.position,
        "parents": given.parents,
        "records": records or None,
        "sex": True if given.sex else None,
    }
    return _order(given, parts)


def log(given: argparse.Namespace) -> int:
    """Write down what happened to a clutch, or take an entry back."""
    if given.deed == "undo":
        return _undo(given)
    parts: dict[str, Json] = {
        "deed": given.deed,
        "count": given.count,
        "of": given.of,
        "grams": given.grams,
        "box": given.to,
        "position": given.position,
        "note": given.note,
    }
    if given.at:
        loaded = load(given.room)
        try:
            parts["at"] = parsed(given.at, ZoneInfo(loaded.model.room.time_zone))
        except ValueError as error:
            raise Plain(str(error), USAGE) from None
    return _order(given, parts)


def ready(given: argparse.Namespace) -> int:
    """Say whether a place is ready; exit code 1 where it is not."""
    from daemon.readying import NoPlace
    from daemon.readying import ready as judged

    loaded = load(given.room)
    try:
        last = duration(given.last)
    except ValueError as error:
        raise Plain(f"--for: {error}", USAGE) from None
    with Archive.open(data_folder(loaded)) as archive:
        labels = archive.labels()
        now = max(labels.room_instant(_wall()), archive.last_instant() or 0)
        try:
            found = judged(archive, loaded, given.place, now, last)
        except NoPlace as error:
            raise Plain(str(error), USAGE) from None
    voice = speaker(loaded.model, labels.offset_at(now), now)
    if given.json:
        print(
            json.dumps(readiness_json(given.place, found, labels, now, voice), indent=2, ensure_ascii=False)
        )
    else:
        print(readiness_text(given.place, found, now, voice))
    return OK if found.ready else FOUND


def _order(given: argparse.Namespace, parts: Mapping[str, Json]) -> int:
    """Try an entry, then order it; what cannot be is refused before anything is written."""
    loaded = load(given.room)
    try:
        body = order_of(given.id, parts)
        with Archive.open(data_folder(loaded)) as archive:
            season = _season(archive, loaded)
        after = tried(season, given.id, str(body["entry"]))
    except ClutchError as error:
        raise Plain(f"{error}; nothing was written", USAGE) from None
    code = give(given, body)
    account = after.account(given.id)
    print(f"{given.id}: {account.left} of {after.clutch(given.id).eggs} eggs left in {account.box}")
    if after.entries and after.entries != season.book.entries:
        offer = offered_stage(after.entries[-1])
        place = (offer[0] or account.box) if offer else ""
        if offer and offer[1] is not _stage(season, place):
            print(f"if its stage changes too: ovigil stage {given.room} {place} {offer[1].value}")
    return code


def _undo(given: argparse.Namespace) -> int:
    """Try an undo, then order it."""
    loaded = load(given.room)
    if not given.count:
        raise Plain("undo needs the number of the entry; ovigil clutch show names it", USAGE)
    try:
        with Archive.open(data_folder(loaded)) as archive:
            season = _season(archive, loaded)
        without(season, given.id, given.count)
    except ClutchError as error:
        raise Plain(f"{error}; nothing was written", USAGE) from None
    return give(given, {"verb": "undo", "order": given.count})


def _stage(season: Season, place: str) -> object:
    return next((one.stage for one in season.plan.places if one.name == place), None)


def _season(archive: Archive, loaded: Loaded) -> Season:
    return open_season(archive, loaded, _wall())


def _wall() -> int:
    return time.time_ns() // 1_000_000


def _known(season: Season, id_: str) -> Clutch:
    try:
        return season.book.clutch(id_)
    except ClutchError as error:
        raise Plain(str(error), USAGE) from None


def _voice(loaded: Loaded, season: Season) -> Speaker:
    return speaker(loaded.model, season.labels.offset_at(season.now), season.now)


def _print_json(found: Mapping[str, Json]) -> int:
    print(json.dumps(found, indent=2, allow_nan=False, ensure_ascii=False))
    return OK


def _record(text: str) -> tuple[float, float]:
    """Read "30 C: 58": a temperature and the days that it took.

    Raises:
        Plain: It is not written like that.
    """
    warmth, _, days = text.partition(":")
    try:
        return temperature(warmth.strip()), float(days)
    except ValueError:
        raise Plain(f'--record "{text}" is no record; write it like "30 C: 58"', USAGE) from None
