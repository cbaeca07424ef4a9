"""``ovigil explain``: why there was an alarm, or why there was none."""

import argparse
from pathlib import Path
from zoneinfo import ZoneInfo

from daemon.cli import OK, USAGE, Plain
from daemon.explain import explain as explained
from daemon.explain_answer import answer, as_text, none_answer, none_text, picture
from daemon.explain_none import explain_none
from daemon.folders import data_folder
from daemon.logbook import Archive
from daemon.rehearsal_answer import voice
from daemon.settings import Loaded, load
from daemon.texts import Speaker
from daemon.times import parsed


def explain(given: argparse.Namespace) -> int:
    """Explain one alarm, or an instant without one; reads only."""
    loaded = load(given.room)
    if (given.number is None) == (given.none is None):
        raise Plain("give the number of an alarm, or --not PLACE TIME", USAGE)
    with Archive.open(data_folder(loaded)) as archive:
        if given.none is not None:
            return _none(archive, loaded, given)
        return _alarm(archive, loaded, given)


def _alarm(archive: Archive, loaded: Loaded, given: argparse.Namespace) -> int:
    found = explained(archive, loaded, given.number)
    if found is None:
        raise Plain(f"there is no alarm {given.number}", USAGE)
    labels = archive.labels()
    speak = voice(loaded, labels, found.row.raised)
    if given.picture is not None:
        _draw(given.picture, picture(found, speak))
    if given.json:
        print(answer(found, labels).model_dump_json(indent=2))
    else:
        print(as_text(found, speak))
    return OK


def _draw(file: Path, svg: str | None) -> None:
    """Write the picture.

    Raises:
        Plain: There is no curve, the file's name has another ending, or it cannot be written.
    """
    from daemon.picture import NoFaceError, png

    if svg is None:
        raise Plain("--picture: there is no curve to draw", USAGE)
    if file.suffix not in (".svg", ".png"):
        raise Plain(f"--picture: {file} must end in .svg or .png", USAGE)
    try:
        file.write_bytes(svg.encode() if file.suffix == ".svg" else png(svg))
    except (OSError, NoFaceError) as error:
        raise Plain(f"--picture: {file}: {error}", USAGE) from None


def _none(archive: Archive, loaded: Loaded, given: argparse.Namespace) -> int:
    place, time = given.none
    labels = archive.labels()
    try:
        now = labels.room_instant(parsed(time, ZoneInfo(loaded.model.room.time_zone)))
    except ValueError as error:
        raise Plain(str(error), USAGE) from None
    span = archive.span()
    if span is None:
        raise Plain("nothing is recorded yet")
    last = max(span[1], archive.last_instant() or 0)
    speak: Speaker = voice(loaded, labels, now)
    if not span[0] <= now <= last:
        words = f"{speak.date(span[0])} {speak.clock(span[0])} to {speak.date(last)} {speak.clock(last)}"
        raise Plain(f"nothing is recorded then; the record goes from {words}", USAGE)
    found = explain_none(archive, loaded, place, now)
    if found is None:
        names = ", ".join(one.name for one in loaded.model.place)
        raise Plain(f'there was no place "{place}" then (now there are {names})', USAGE)
    if given.json:
        print(none_answer(place, now, found, labels).model_dump_json(indent=2))
    else:
        print(none_text(place, now, found, speak))
    return OK
