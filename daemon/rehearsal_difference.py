"""What a proposal changes: alarm by alarm, and in sum.

Two alarms are the same where they have one identity and are open at one instant.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from daemon.night import Window
from daemon.record import AlarmRow
from daemon.rehearsal_trouble import unseen
from daemon.rehearsal_values import AT_LEAST, AlarmChange, Judged, Life, Load, Trouble, What
from rules.events import AlarmKey
from rules.reading import DAY, MINUTE

TEN_MINUTES = 10 * MINUTE


def difference(current: Judged, proposed: Judged, window: Window) -> tuple[AlarmChange, ...]:
    """Say which alarms vanish, appear, come earlier, later or at another priority."""
    found = [
        change
        for was, will in _paired(current.alarms, proposed.alarms)
        if (change := _change(was, will, window)) is not None
    ]
    return tuple(sorted(found, key=lambda change: (change.life.raised, change.life.key)))


def _paired(current: Sequence[Life], proposed: Sequence[Life]) -> Iterator[tuple[Life | None, Life | None]]:
    """Pair alarms of one identity that overlap, the first ones first; the rest stays alone."""
    waiting: dict[tuple[AlarmKey, bool], list[Life]] = {}
    for life in proposed:
        waiting.setdefault((life.key, life.imported), []).append(life)
    for life in current:
        others = waiting.get((life.key, life.imported), [])
        match = next((other for other in others if life.overlaps(other)), None)
        if match is not None:
            others.remove(match)
        yield life, match
    for others in waiting.values():
        for other in others:
            yield None, other


def _change(was: Life | None, will: Life | None, window: Window) -> AlarmChange | None:
    if was is None or will is None:
        return AlarmChange(What.APPEARED if was is None else What.VANISHED, was, will)
    begun = (max(was.raised, window.start), max(will.raised, window.start))
    later_by = begun[1] - begun[0]
    if abs(later_by) >= AT_LEAST:
        return AlarmChange(What.LATER if later_by > 0 else What.EARLIER, was, will)
    if was.priority is not will.priority:
        return AlarmChange(What.OTHERWISE, was, will)
    return None


def remembered(changes: Iterable[AlarmChange], rows: Iterable[AlarmRow]) -> tuple[AlarmChange, ...]:
    """Add number and label of the alarms that were raised in those nights."""
    by_key: dict[AlarmKey, list[AlarmRow]] = {}
    for row in rows:
        by_key.setdefault(row.key, []).append(row)
    return tuple(_remembered(change, by_key.get(change.life.key, ())) for change in changes)


def _remembered(change: AlarmChange, rows: Sequence[AlarmRow]) -> AlarmChange:
    row = row_of(change.life, rows)
    return change if row is None else replace(change, number=row.number, label=row.label)


def row_of(life: Life, rows: Iterable[AlarmRow]) -> AlarmRow | None:
    """Give the journal's alarm that is the same as a judged one, the nearest in time."""
    found = [
        row
        for row in rows
        if row.key == life.key
        and (life.cleared is None or row.raised < life.cleared)
        and (row.cleared is None or life.raised < row.cleared)
    ]
    return min(found, key=lambda row: abs(row.raised - life.raised), default=None)


def load(judged: Judged, trouble: Sequence[Trouble], window: Window) -> Load:
    """Sum up what some settings have to say."""
    raised = [life.raised for life in judged.alarms if window.start <= life.raised < window.end]
    days = (window.end - window.start) / DAY
    return Load(
        len(raised),
        len(raised) / days,
        len(judged.messages),
        len(judged.messages) / days,
        sum(message.by_night for message in judged.messages),
        fullest(raised),
        unseen(trouble, judged.alarms),
    )


def fullest(instants: Sequence[int], span: int = TEN_MINUTES) -> int:
    """Give how many instants lie in the fullest span of a length."""
    ordered = sorted(instants)
    first = most = 0
    for index, instant in enumerate(ordered):
        while ordered[first] <= instant - span:
            first += 1
        most = max(most, index - first + 1)
    return most
