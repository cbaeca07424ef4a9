"""The child of :mod:`daemon.sideline`: one job from standard input, its answers line by line.

Jobs: ``backup`` copies and verifies the logbook, ``night`` gives the morning report's
lines and then its picture, ``picture`` draws one alarm.
"""

import base64
import json
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from daemon.record import Json

NICE = 10
"""How far the child stands back behind the watch."""

Said = Iterator[dict[str, Json]]


def main() -> None:
    """Do one job and end."""
    os.umask(0o077)
    os.nice(NICE)
    job = json.load(sys.stdin)
    for said in JOBS[job["job"]](job):
        sys.stdout.write(json.dumps(said) + "\n")
        sys.stdout.flush()


def backup(job: Mapping[str, Any]) -> Said:
    """Copy the logbook to each target: ``{"target", "file", "size"}`` or ``{"target", "trouble"}``."""
    from daemon.logbook import CannotRecord, LogbookDamaged, LogbookNewer, NoLogbook
    from daemon.logbook.backup import make

    for target in job["targets"]:
        try:
            made = make(Path(job["folder"]), Path(target), int(job["made"]))
        except (CannotRecord, LogbookDamaged, LogbookNewer, NoLogbook) as trouble:
            yield {"target": target, "trouble": str(trouble)}
        else:
            yield {"target": target, "file": made.path.name, "size": made.size}


def night(job: Mapping[str, Any]) -> Said:
    """Look back over the night: ``{"lines", "concerns"}``, then ``{"picture"}`` where it can be drawn."""
    from daemon.clutch_due import due_lines
    from daemon.logbook import Archive
    from daemon.morning import looked_back
    from daemon.settings import load_text

    loaded = load_text(job["text"], Path(job["room"]))
    with Archive.open(job["folder"]) as archive:
        lines, concerns = looked_back(archive, loaded, int(job["wall"]))
        due = [f"Today: {line}" for line in due_lines(archive, loaded, int(job["wall"]))]
    yield {"lines": [*lines, *due], "concerns": concerns}
    from daemon.page.report import night_report

    with Archive.open(job["folder"]) as archive:
        found = night_report(archive, _room(job)).picture
    if found:
        yield {"picture": base64.b64encode(found).decode()}


def picture(job: Mapping[str, Any]) -> Said:
    """Draw one alarm: ``{"picture"}``, nothing where there is no curve."""
    from daemon.logbook import Archive
    from daemon.page.report import alarm_picture

    with Archive.open(job["folder"]) as archive:
        found = alarm_picture(archive, _room(job), int(job["alarm"]))
    if found:
        yield {"picture": base64.b64encode(found).decode()}


def _room(job: Mapping[str, Any]) -> Any:
    """Make the page's room of the settings in force, by the folder that the watch uses."""
    from dataclasses import replace

    from daemon.page.settings import room_of
    from daemon.settings import load_text

    return replace(room_of(load_text(job["text"], Path(job["room"]))), folder=Path(job["folder"]))


JOBS: Mapping[str, Callable[[Mapping[str, Any]], Said]] = {
    "backup": backup,
    "night": night,
    "picture": picture,
}
"""By name."""

if __name__ == "__main__":
    main()
