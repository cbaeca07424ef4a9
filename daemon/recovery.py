"""Recovery: the engine as if it had never stopped.

The newest snapshot is loaded and what came after is replayed under the settings then in
force; the span without a watch follows as ``Away``, the present settings as a plan. The
journal is the truth: an alarm that is open there and unknown to the engine is closed
with the reason; one that the engine holds and the journal lacks is raised now. Replay
sends nothing; only what was due and never reached the outbox is said now.
"""

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from heapq import merge

from daemon.door import Door
from daemon.ledger import Ledger, Page
from daemon.logbook import Archive, Snapshot
from daemon.record import AlarmRow, Entered, Entry, Json, Kind
from daemon.taking import order_of
from rules.engine import Engine
from rules.events import Away, Effect, Notice, Order, Raised
from rules.plan import Plan
from rules.reading import SECOND, Quality, Reading
from rules.snapshot import sentence_of
from rules.words import Sentence

UNSAID = 5 * SECOND
"""A message that was due within this time before the last record may not have got out (ms)."""

PlanOf = Callable[[Entered], Plan | None]
"""Makes the plan that a journal entry tells of, or None where it cannot be made any more."""


@dataclass(slots=True)
class Recovered:
    """What recovery gives.

    Attributes:
        engine: Up to the last record.
        effects: What must be said because it never was.
        readings: How many readings were replayed.
        plan: The plan that was last in force, or None where there is no record.
    """

    engine: Engine
    effects: tuple[Effect, ...]
    readings: int
    plan: Plan


IMPORTED = frozenset({Quality.IMPORTED, Quality.IMPORTED_LATE})
"""What marks a reading that came out of a file."""

Event = Plan | Order | Reading | Away


def recover(archive: Archive, plan_of: PlanOf, door: Door) -> Recovered | None:
    """Bring an engine up to the last record.

    Args:
        archive: The logbook.
        plan_of: Makes the plans that were in force.
        door: Applies the corrections that were in force; it learns each plan.

    Returns:
        None where the logbook holds nothing to begin with.
    """
    entries = archive.journal(kinds=[Kind.PLAN])
    begun = _begin(archive.snapshots(), entries, plan_of)
    if begun is None:
        return None
    engine, since, plans = begun
    door.plan(plans[0])
    last = archive.last_instant() or since
    said: list[Notice] = []
    readings = 0
    for event in events(archive, plans, since, last + 1, door):
        readings += isinstance(event, Reading)
        effects = engine.step(event)
        said += [one for one in effects if isinstance(one, Notice) and one.now >= last - UNSAID]
    told = {
        (entered.now, entered.body["contact"])
        for entered in archive.journal(last - UNSAID, kinds=[Kind.TOLD])
    }
    unsaid = tuple(one for one in said if (one.now, one.contact) not in told)
    return Recovered(engine, unsaid, readings, plans[-1])


def _begin(
    snapshots: Iterable[Snapshot], entries: list[Entered], plan_of: PlanOf
) -> tuple[Engine, int, list[Plan]] | None:
    """Give the newest engine that a snapshot still tells of, else one at the first plan.

    Returns:
        The engine, up to when it has judged, and the plans from the one in force then;
        None where no plan can be made.
    """
    for snapshot in snapshots:
        earlier = [entered for entered in entries if entered.now <= snapshot.now]
        plan = plan_of(earlier[-1]) if earlier else None
        if plan is None:
            continue
        try:
            engine = Engine.restored(plan, json.loads(snapshot.state))
        except (ValueError, KeyError, TypeError, IndexError):
            continue
        later = _plans(entries[len(earlier) :], plan_of)
        return engine, snapshot.now, [plan, *later]
    plans = _plans(entries, plan_of)
    return (Engine(plans[0]), plans[0].now - 1, plans) if plans else None


def _plans(entries: Iterable[Entered], plan_of: PlanOf) -> list[Plan]:
    """Make the plans of journal entries, leaving out what cannot be made any more."""
    return [plan for entered in entries if (plan := plan_of(entered)) is not None]


def events(archive: Archive, plans: Iterable[Plan], after: int, until: int, door: Door) -> Iterator[Event]:
    """Give what the engine was told in a window, in the order in which it was.

    Args:
        archive: The logbook.
        plans: Every plan that was in force.
        after: Room time; not included.
        until: Room time; not included.
        door: Applies corrections.
    """
    plans = list(plans)
    ordered = merge(
        ((plan.now, 1, plan) for plan in plans if after < plan.now < until),
        _journaled(archive, after, until),
        ((entry.now, 3, entry) for entry in _came_live(archive, after, until, plans)),
        key=lambda item: item[:2],
    )
    labels = archive.labels()
    for now, _, item in ordered:
        if isinstance(item, Entry):
            offset = labels.offset_at(now) if labels.starts else None
            reading = door.again(item, offset)
            if reading is not None:
                yield reading
            continue
        if isinstance(item, Plan):
            door.plan(item)
        yield item


def _came_live(archive: Archive, after: int, until: int, plans: Iterable[Plan]) -> Iterator[Entry]:
    """Give the recorded readings that the engine saw; what came out of files it never did."""
    only_files = {sensor.name for plan in plans for sensor in plan.sensors if sensor.imported}
    for entry in archive.replay(after + 1, until):
        if entry.quality not in IMPORTED and entry.sensor not in only_files:
            yield entry


def _journaled(archive: Archive, after: int, until: int) -> Iterator[tuple[int, int, Away | Order]]:
    for entered in archive.journal(after + 1, until, kinds=[Kind.AWAY, Kind.ORDER]):
        if entered.kind is Kind.AWAY:
            yield entered.now, 0, Away(int(str(entered.body["since"])), entered.now)
        else:
            order = order_of(entered)
            if order is not None:
                yield entered.now, 2, order


def reconcile(engine: Engine, archive: Archive, ledger: Ledger, now: int) -> Page:
    """Make journal and engine agree; what the journal says is what happened.

    Returns:
        What must be written so that they do.
    """
    page = Page()
    rows = {row.key: row for row in archive.alarms(open_only=True) if not row.imported}
    reasons = _said_last(archive, rows.values())
    held = {alarm.key: alarm for alarm in engine.open_alarms()}
    for key, row in rows.items():
        alarm = held.get(key)
        if alarm is None:
            page.alarms[row.number] = _closed(row, now, page)
            continue
        alarm.raised = row.raised
        body = reasons.get(row.number, {})
        ledger.adopt(row, _sentence(body.get("reason")), _sentence(body.get("advice")))
    missing = [
        Raised(
            max(alarm.raised, 0),
            alarm.key,
            alarm.priority,
            alarm.wrong.since,
            alarm.wrong.value,
            alarm.wrong.reason,
            alarm.wrong.advice,
            tuple(holder for holder in alarm.holders if holder),
            alarm.cause,
        )
        for key, alarm in held.items()
        if key not in rows
    ]
    ledger.write(missing, page)
    return page


def _closed(row: AlarmRow, now: int, page: Page) -> AlarmRow:
    words = "Closed after a restart: nothing that was recorded bears it out any more"
    body: dict[str, Json] = {
        "number": row.number,
        "alarm": list(row.key),
        "raised": row.raised,
        "priority": row.priority.value,
        "words": words,
    }
    page.journal.append(Entered(now, Kind.CLEARED, body))
    return replace(row, cleared=now)


def _said_last(archive: Archive, rows: Iterable[AlarmRow]) -> dict[int, dict[str, Json]]:
    """Give reason and advice of open alarms as they were last said."""
    rows = list(rows)
    since = min((row.raised for row in rows), default=0)
    found: dict[int, dict[str, Json]] = {}
    for entered in archive.journal(since, kinds=[Kind.RAISED, Kind.CHANGED]):
        number = int(str(entered.body.get("number", 0)))
        said = {name: entered.body[name] for name in ("reason", "advice") if entered.body.get(name)}
        found.setdefault(number, {}).update(said)
    return found


def _sentence(state: Json) -> Sentence:
    return sentence_of(state) if isinstance(state, list) else ()
