"""One reading as one line that a time-series store takes.

Source: the line protocol as InfluxData documents it (measurement, tags, fields, time).
Only floats leave here: a store that once took an integer refuses floats for ever.
"""

import math
import re

from daemon.record import Entry
from rules.reading import Quality

_NOT_A_NAME = re.compile(r"[^a-z0-9_-]+")
_CONTROL = re.compile(r"[\x00-\x1f\x7f\\]")


def name(words: str) -> str:
    """Make the name of a measurement out of ``words``: ``[a-z0-9_-]`` only."""
    return _NOT_A_NAME.sub("_", words.lower())


def tag(value: str) -> str:
    """Escape the value of a tag.

    A backslash or a control character becomes ``_``: at the end of a value the first
    would escape what follows, and a line break would begin another line.
    """
    safe = _CONTROL.sub("_", value)
    for sign in (",", "=", " "):
        safe = safe.replace(sign, f"\\{sign}")
    return safe


def line(entry: Entry, offset: int, *, place: str = "", spot: str = "", value: float | None = None) -> str:
    """Put a recorded reading into one line, time in ms.

    Args:
        entry: The reading; its raw value is finite.
        offset: Wall minus room time at the reading's instant, ms.
        place: Name of the sensor's place, or "" where it is no longer known.
        spot: Where in the place, or "".
        value: The corrected value, or None where no correction is in force.

    Raises:
        ValueError: The value is not a finite number; the caller leaves such readings out.
    """
    fields = {"value": entry.raw if value is None else value}
    if value is not None:
        fields["raw"] = entry.raw
    if entry.quality is not Quality.GOOD:
        fields["quality"] = float(entry.quality.code)
    if not all(map(math.isfinite, fields.values())):
        raise ValueError(f"{entry.sensor}: {entry.raw} is not a value that a store takes")
    tags = {"place": place, "sensor": entry.sensor, "spot": spot}
    head = [name(entry.quantity.value), *(f"{key}={tag(word)}" for key, word in tags.items() if word)]
    body = ",".join(f"{key}={float(number)!r}" for key, number in fields.items())
    return f"{','.join(head)} {body} {entry.at + offset}"
