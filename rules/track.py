"""Judging one curve against ideal and safe.

A track belongs to one sensor and one judged quantity. It has two sides, each with
two limits (ideal, safe), each limit with its own delay; ideal and safe of one side
are one alarm whose priority goes up and not down before it clears.

Source: ranges with deadband, on-delay and off-delay as of ANSI/ISA-18.2; the limits
come from the plan.
"""

from dataclasses import dataclass

from rules.events import AlarmKey
from rules.hold import NEVER, Hold, Returning
from rules.plan import Priority
from rules.reading import Quantity
from rules.span import Range

INFINITY = float("inf")


@dataclass(frozen=True, slots=True)
class Limits:
    """What a track is judged by, as of now.

    Attributes:
        range: The range, or None where nothing is judged.
        deadband: How far inside a limit a value must come to be right again.
        ideal_counts: False while ideal is settling.
        hold_ideal, hold_safe, hold_off: Delays (ms).
        slow: The side on which harm comes slowly: -1 the lower, +1 the upper, 0 neither.
        hold_slow: Delay of safe on that side (ms); None: as ``hold_safe``.
        returning: For so long at most a delay of ideal, or of safe on the slow side, begins anew
            while a curve comes back (ms).
    """

    range: Range | None
    deadband: float
    ideal_counts: bool
    hold_ideal: int
    hold_safe: int
    hold_off: int
    slow: int = 0
    hold_slow: int | None = None
    returning: int = 0


NO_LIMITS = Limits(None, 0.0, ideal_counts=False, hold_ideal=0, hold_safe=0, hold_off=0)
"""Nothing is judged."""


class Call:
    """What a side tells its track: wrong at a priority, or right again. A value."""

    __slots__ = ("limit", "priority", "rule", "since", "wrong")

    def __init__(self, rule: str, *, wrong: bool, priority: Priority, since: int, limit: float) -> None:
        """See the attributes: rule name, wrong or right, priority, begin, the limit left."""
        self.rule = rule
        self.wrong = wrong
        self.priority = priority
        self.since = since
        self.limit = limit


class Side:
    """One side of a range: values turned so that larger is worse.

    Attributes:
        rule: The rule's name ("too warm").
        sign: +1 for the upper side, -1 for the lower.
        ideal, safe: The limits, turned; INFINITY where there is none.
        inner: The limit that an alarm must come back over, turned.
        clears: Where it is right again: the inner limit less the deadband, turned, to the
            stored digit (a sum of decimals is not exact).
        active: The priority that this sensor holds, or None.
    """

    __slots__ = (
        "active",
        "clears",
        "ideal",
        "inner",
        "off",
        "on_ideal",
        "on_safe",
        "returning",
        "rule",
        "safe",
        "sign",
        "slow",
    )

    def __init__(self, rule: str, sign: int) -> None:
        """Begin with nothing judged."""
        self.rule = rule
        self.sign = sign
        self.ideal = self.safe = self.inner = self.clears = INFINITY
        self.active: Priority | None = None
        self.on_ideal = Hold(0)
        self.on_safe = Hold(0)
        self.off = Hold(0)
        self.returning = Returning()
        self.slow = False

    @property
    def busy(self) -> bool:
        """Tell whether a delay runs or an alarm is held."""
        running = (self.on_ideal, self.on_safe, self.returning)
        return self.active is not None or any(one.since >= 0 for one in running)

    def see(self, at: int, value: float, stand: int, *, on_change: bool) -> Call | None:
        """Judge one value; see :class:`Track`."""
        turned = value * self.sign
        if self.active is None:
            return self._see_calm(at, turned, stand, on_change=on_change)
        return self._see_active(at, turned, stand, on_change=on_change)

    def _see_calm(self, at: int, turned: float, stand: int, *, on_change: bool) -> Call | None:
        ideal = safe = False
        if turned <= self.ideal and turned <= self.safe:
            self.returning.drop()
        elif self.returning.most:
            self._see_returning(at, turned)
        if turned > self.ideal:
            ideal = self.on_ideal.keep(at, stand, on_change=on_change)
        else:
            self.on_ideal.drop()
        if turned > self.safe:
            safe = self.on_safe.keep(at, stand, on_change=on_change)
        else:
            self.on_safe.drop()
        if safe:
            return self._rise(Priority.HIGH)
        return self._rise(Priority.MEDIUM) if ideal else None

    def _see_returning(self, at: int, turned: float) -> None:
        """Let the delays begin anew while the curve comes back by itself; safe's for a third as long."""
        back = self.returning
        if back.see(at, turned):
            self.on_ideal.begin_anew(at)
            if self.slow and at - back.since < back.most // 3:
                self.on_safe.begin_anew(at)

    def _see_active(self, at: int, turned: float, stand: int, *, on_change: bool) -> Call | None:
        if turned <= self.clears:
            self.on_safe.drop()
            if self.off.keep(at, stand, on_change=on_change):
                return self._fall()
            return None
        self.off.drop()
        if self.active is Priority.HIGH:
            return None
        if turned > self.safe:
            if self.on_safe.keep(at, stand, on_change=on_change):
                return self._rise(Priority.HIGH)
        else:
            self.on_safe.drop()
        return None

    def due(self, stand: int) -> int:
        """Give the next instant at which a delay is fulfilled without a reading."""
        if self.active is None:
            return min(self.on_ideal.due(stand), self.on_safe.due(stand))
        instant = self.off.due(stand)
        return instant if self.active is Priority.HIGH else min(instant, self.on_safe.due(stand))

    def fulfil(self, instant: int, stand: int) -> Call | None:
        """Let the delay that is due at ``instant`` count."""
        if self.active is not None and self.off.due(stand) <= instant:
            return self._fall()
        if self.active is not Priority.HIGH and self.on_safe.due(stand) <= instant:
            return self._rise(Priority.HIGH)
        if self.active is None and self.on_ideal.due(stand) <= instant:
            return self._rise(Priority.MEDIUM)
        return None

    def _rise(self, priority: Priority) -> Call:
        hold = self.on_safe if priority is Priority.HIGH else self.on_ideal
        begun = [one.since for one in (self.returning, self.on_ideal, self.on_safe) if one.since >= 0]
        limit = self.safe if priority is Priority.HIGH else self.ideal
        self.active = priority
        call = Call(
            self.rule,
            wrong=True,
            priority=priority,
            since=min(begun, default=hold.since),
            limit=limit * self.sign,
        )
        self.on_ideal.drop()
        self.returning.drop()
        self.off.drop()
        if priority is Priority.HIGH:
            self.on_safe.drop()
        return call

    def _fall(self) -> Call:
        priority = self.active or Priority.MEDIUM
        since = self.off.since
        self.rest()
        return Call(self.rule, wrong=False, priority=priority, since=since, limit=self.inner * self.sign)

    def rest(self) -> None:
        """Forget every delay and the alarm that is held."""
        self.active = None
        for hold in (self.on_ideal, self.on_safe, self.off, self.returning):
            hold.drop()

    def put(self, ideal: float | None, safe: float | None, limits: Limits, value: float) -> bool:
        """Take new limits (not turned) at the newest value; True when one of them changed.

        Delays that have not raised restart only where the limit changed.
        """
        new_ideal = INFINITY if ideal is None or not limits.ideal_counts else ideal * self.sign
        new_safe = INFINITY if safe is None else safe * self.sign
        changed = False
        if new_ideal != self.ideal:
            self.returning.begin_anew(moved=new_ideal < value * self.sign <= self.ideal < INFINITY)
            self.ideal = new_ideal
            self.on_ideal.drop()
            changed = True
        if new_safe != self.safe:
            self.safe = new_safe
            self.on_safe.drop()
            changed = True
        inner = INFINITY if ideal is None else ideal * self.sign
        self.inner = min(inner, new_safe)
        self.clears = round(self.inner - limits.deadband, 3)
        self.on_ideal.need = limits.hold_ideal
        self.slow = limits.slow == self.sign
        slow = limits.hold_slow if self.slow else None
        self.on_safe.need = limits.hold_safe if slow is None else slow
        self.returning.most, self.returning.step = limits.returning, limits.deadband / 2
        self.off.need = limits.hold_off
        return changed

    def state(self) -> list[object]:
        """Give it as plain values (limits come from the plan)."""
        active = None if self.active is None else self.active.value
        holds = (self.on_ideal, self.on_safe, self.off, self.returning)
        return [active, *(hold.state() for hold in holds)]

    def restore(self, state: list[object]) -> None:
        """Take the values of :meth:`state`."""
        self.active = None if state[0] is None else Priority(str(state[0]))
        for hold, part in zip((self.on_ideal, self.on_safe, self.off), state[1:4], strict=True):
            hold.restore(part)  # type: ignore[arg-type]  # a list of ints by construction
        self.returning.restore(state[4])  # type: ignore[arg-type]  # a list of numbers by construction

    def away(self, span: int) -> None:
        """Let every delay stand still for ``span`` ms."""
        for hold in (self.on_ideal, self.on_safe, self.off, self.returning):
            hold.away(span)


RULE_NAMES: dict[Quantity, tuple[str, str]] = {
    Quantity.TEMPERATURE: ("too cool", "too warm"),
    Quantity.EGG_TEMPERATURE: ("too cool", "too warm"),
    Quantity.HUMIDITY: ("too dry", "too humid"),
}
"""Names of the lower and the upper side."""


EGG = " (egg)"
"""Marks a sensor as the holder of an alarm by what an egg feels, not by the air."""


def sensor_of(holder: str) -> str:
    """Give the sensor behind the holder of an alarm ("box-1 (egg)" is box-1)."""
    return holder.partition(" (")[0]


class Track:
    """One sensor's curve of one judged quantity. Owned by the engine.

    Attributes:
        sensor, place, spot, quantity: What it judges.
        stand: How long a reading stands at most (ms); NEVER for a sensor on change.
        value: The newest judged value, or NaN.
    """

    __slots__ = (
        "calm",
        "calm_high",
        "calm_low",
        "ideal_waits",
        "limits",
        "lower",
        "on_change",
        "place",
        "quantity",
        "sensor",
        "spot",
        "stand",
        "upper",
        "value",
    )

    def __init__(self, place: str, spot: str, sensor: str, quantity: Quantity) -> None:
        """Begin with nothing judged."""
        self.place, self.spot, self.sensor, self.quantity = place, spot, sensor, quantity
        low, high = RULE_NAMES[quantity]
        self.lower, self.upper = Side(low, -1), Side(high, 1)
        self.limits = NO_LIMITS
        self.stand = 60_000
        self.on_change = False
        self.value = float("nan")
        self.calm = True
        self.ideal_waits = False
        self.calm_low, self.calm_high = -INFINITY, INFINITY

    @property
    def judged(self) -> Quantity:
        """The measured quantity that it judges by."""
        egg = self.quantity is Quantity.EGG_TEMPERATURE
        return Quantity.TEMPERATURE if egg else self.quantity

    @property
    def holder(self) -> str:
        """Who holds its alarms: the sensor, or the egg beside it."""
        return self.sensor + EGG if self.quantity is Quantity.EGG_TEMPERATURE else self.sensor

    def key(self, rule: str) -> AlarmKey:
        """Name its alarm of a rule; egg and air of one box are one alarm."""
        return AlarmKey(self.place, self.spot, self.judged.value, rule)

    def see(self, at: int, value: float) -> tuple[Call, ...]:
        """Judge one good value; almost always nothing comes of it."""
        self.value = value
        if self.calm and self.calm_low <= value <= self.calm_high:
            return ()
        calls = []
        for side in (self.lower, self.upper):
            call = side.see(at, value, self.stand, on_change=self.on_change)
            if call is not None:
                calls.append(call)
        self.calm = not (self.lower.busy or self.upper.busy)
        return tuple(calls)

    def due(self) -> int:
        """Give the next instant at which a delay is fulfilled without a reading."""
        return NEVER if self.calm else min(self.lower.due(self.stand), self.upper.due(self.stand))

    def fulfil(self, instant: int) -> tuple[Call, ...]:
        """Let the delays that are due at ``instant`` count."""
        calls = [side.fulfil(instant, self.stand) for side in (self.lower, self.upper)]
        self.calm = not (self.lower.busy or self.upper.busy)
        return tuple(call for call in calls if call is not None)

    def put(self, limits: Limits) -> tuple[Call, ...]:
        """Take new limits. An alarm that the newest value does not bear out any more clears.

        Returns:
            The calls to clear; the engine says that the range changed.
        """
        self.limits = limits
        ideal = limits.range.ideal if limits.range else None
        safe = limits.range.safe if limits.range else None
        low = (ideal.low if ideal else None, safe.low if safe else None)
        high = (ideal.high if ideal else None, safe.high if safe else None)
        changed_low = self.lower.put(*low, limits, self.value)
        changed_high = self.upper.put(*high, limits, self.value)
        self.calm_low = -min(self.lower.ideal, self.lower.safe)
        self.calm_high = min(self.upper.ideal, self.upper.safe)
        calls = []
        for side, changed in ((self.lower, changed_low), (self.upper, changed_high)):
            if changed and side.active is not None and not self.value * side.sign > side.inner:
                calls.append(side._fall())  # noqa: SLF001 - a track and its sides are one thing
        self.calm = not (self.lower.busy or self.upper.busy)
        self.ideal_waits = not limits.ideal_counts
        return tuple(calls)

    def away(self, span: int) -> None:
        """Let every delay stand still for ``span`` ms."""
        self.lower.away(span)
        self.upper.away(span)

    def rest(self) -> None:
        """Forget every delay and alarm: the sensor or its place is out of service."""
        self.lower.rest()
        self.upper.rest()
        self.calm = True

    def pause(self) -> None:
        """Let delays that have not raised begin anew: an open lid explains what is seen."""
        for side in (self.lower, self.upper):
            if side.active is None:
                side.rest()
        self.calm = not (self.lower.busy or self.upper.busy)

    def pause_lower(self) -> None:
        """Let the delay of ideal's lower end begin anew; safe keeps the delay that was set for it."""
        self.lower.on_ideal.drop()
        self.calm = not (self.lower.busy or self.upper.busy)

    @property
    def held(self) -> bool:
        """Tell whether an alarm is held."""
        return self.lower.active is not None or self.upper.active is not None

    def state(self) -> list[object]:
        """Give it as plain values."""
        value = None if self.value != self.value else self.value
        return [value, self.lower.state(), self.upper.state()]

    def restore(self, state: list[object]) -> None:
        """Take the values of :meth:`state`."""
        self.value = float("nan") if state[0] is None else float(state[0])  # type: ignore[arg-type]
        self.lower.restore(state[1])  # type: ignore[arg-type]  # lists by construction
        self.upper.restore(state[2])  # type: ignore[arg-type]
        self.calm = not (self.lower.busy or self.upper.busy)
