"""A fortnight through the door and the engine, with a keeper who acknowledges what he is told."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from daemon.calendars import WallOffset
from daemon.compile import compile as compile_plan
from daemon.door import Door
from rules.engine import Engine
from rules.events import AlarmKey, Effect, Notice, Order, Tick, Tone, Verb
from rules.plan import Plan
from rules.reading import DAY, HOUR, MINUTE, SECOND, Reading
from sensors.reader import Arrival, Value
from tests.nights.played import Played
from tests.nights.room import model

T0 = 1_000 * HOUR
"""Room time at which a scene begins, ms."""

START = 1_789_966_800_000
"""Unix ms at which it begins: five in the morning, UTC."""

SEEN_AFTER = 15 * MINUTE
"""The keeper acknowledges what he was told so long after the message (ms)."""

NEWS = frozenset({Tone.RAISED, Tone.WORSE, Tone.ESCALATION})
"""Tones that count as an alert; repeats and "right again" count as messages only."""

SLEEPLESS, FIRST = "sleepless", "first"


@dataclass(frozen=True, slots=True)
class Alert:
    """One alarm that was told for the first time, or got worse.

    Attributes:
        at: When, ms since the scene's start.
        place, subject, rule: What.
        since: When its trouble began, ms since the scene's start.
        message: Number of the message that it was in.
    """

    at: int
    place: str
    subject: str
    rule: str
    since: int
    message: int


@dataclass(frozen=True, slots=True)
class Told:
    """What one contact was told.

    Attributes:
        alerts: What counts as an alert.
        messages: Instants of all messages, right again and repeats included.
    """

    alerts: tuple[Alert, ...]
    messages: tuple[int, ...]


def offset() -> WallOffset:
    """Give how room time and wall clock lie."""
    return WallOffset(START - T0)


def plan_for(played_pace: dict[str, int]) -> Plan:
    """Compile the keeper's text; sensors at the pace at which they are simulated."""
    plan = compile_plan(model(), now=T0, clock=offset())
    sensors = []
    for one in plan.sensors:
        every = played_pace.get(one.name, one.every)
        silence = one.silence if one.silence == 0 else max(5 * every, 10 * MINUTE)
        sensors.append(replace(one, every=every, silence=silence))
    return replace(plan, sensors=tuple(sensors))


def batches(played: Played, plan: Plan) -> Iterator[tuple[int, list[Reading]]]:
    """Give what the door makes of every whole second, in the engine's order."""
    door, wall = Door(plan), offset().offset_ms
    batch: list[Reading] = []
    due = 0
    for heard in played.heard():
        now = T0 + -(-heard.at // SECOND) * SECOND
        if now != due and batch:
            yield due, sorted(batch, key=lambda one: (one.at, one.sensor, one.quantity.value))
            batch = []
        due = now
        values = {quantity: Value(value) for quantity, value in heard.values.items()}
        stamp = None if heard.stamp is None else heard.stamp + T0 + wall
        taken = door.take(Arrival(heard.sensor, values, heard.at, stamp), T0 + heard.at, now, wall)
        if taken is not None:
            batch += taken.readings
    yield due, sorted(batch, key=lambda one: (one.at, one.sensor, one.quantity.value))


class Keeper:
    """Hears messages, keeps count, and acknowledges a while later. Owned by one run."""

    def __init__(self, engine: Engine) -> None:
        """Begin with nothing heard."""
        self.engine = engine
        self.alerts: dict[str, list[Alert]] = {FIRST: [], SLEEPLESS: []}
        self.messages: dict[str, list[int]] = {FIRST: [], SLEEPLESS: []}
        self.waiting: list[tuple[int, AlarmKey, int]] = []

    def hear(self, effects: tuple[Effect, ...]) -> None:
        """Take the messages among some effects."""
        for effect in effects:
            if type(effect) is not Notice:
                continue
            heard = self.messages[effect.contact]
            heard.append(effect.now - T0)
            began = {one.key: one.wrong.since for one in self.engine.open_alarms()}
            for told in effect.told:
                if told.tone in NEWS:
                    key = told.alarm
                    since = began.get(key, told.raised) - T0
                    one = Alert(effect.now - T0, key.place, key.subject, key.rule, since, len(heard))
                    self.alerts[effect.contact].append(one)
                    self.waiting.append((effect.now + SEEN_AFTER, key, told.raised))

    def act(self, now: int) -> None:
        """Acknowledge what is due."""
        while self.waiting and self.waiting[0][0] <= now:
            _, key, raised = self.waiting.pop(0)
            self.hear(self.engine.step(Order(now, "keeper", Verb.ACKNOWLEDGE, key, raised)))


def judge(played: Played) -> dict[str, Told]:
    """Play a fortnight through the engine; give what each contact was told."""
    plan = plan_for({one.name: one.every for one in played.scene.sensors})
    engine = Engine(plan)
    keeper = Keeper(engine)
    renewed = T0
    for now, batch in batches(played, plan):
        if now - renewed > 20 * DAY:
            renewed = now
            fresh = compile_plan(model(), now=now, clock=offset())
            keeper.hear(engine.step(replace(plan, now=now, calendars=fresh.calendars)))
        keeper.act(now)
        for reading in batch:
            keeper.hear(engine.step(reading))
    keeper.hear(engine.step(Tick(T0 + played.lasting)))
    return {name: Told(tuple(keeper.alerts[name]), tuple(keeper.messages[name])) for name in keeper.alerts}
