"""Who is there: the places, sensors and curves of a plan, as the engine keeps them.

These objects carry what lasts from reading to reading. They belong to one engine and
are rebuilt from a plan and a snapshot.
"""

from collections.abc import Iterator

from rules.calendar import Calendar, last_edge, next_edge, state_at
from rules.coldstore import ColdStoreParams
from rules.contact import Switch
from rules.egg import EggLag, EggLagParams, lagged
from rules.hold import NEVER
from rules.plan import PlaceKind, PlacePlan, SensorPlan, SpotRange, Stage, slow_side
from rules.reading import MINUTE, Quantity
from rules.span import Range, Span
from rules.track import NO_LIMITS, Limits, Track

JUDGED = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
"""The quantities that have ranges."""

EGG_STAGES = frozenset({Stage.INCUBATION, Stage.HATCHING})
"""Stages in which a box holds eggs."""

RAW_BELOW = 2.0
"""K below the lower safe limit of the egg at which the raw air alone is an alarm (ours)."""

RAW_ABOVE = 0.5
"""K above the upper safe limit of the egg at which the raw air alone is an alarm (ours;
the margin above is small because heat kills quickly: domain of lethal limits)."""

HUSH = 20 * MINUTE
"""An open lid explains what is seen for at most this long."""

HUSH_AFTER = 10 * MINUTE
"""So long after the lid is shut the place may take to recover."""


class Place:
    """One place through time.

    Attributes:
        plan: What the keeper set.
        since: When it was new, changed or came into service: ideal settles from then on.
        out: Taken out of service by an order.
        hush_until: An open lid explains what is seen until then.
        refreshed: As of when its tracks have their limits.
        sensors: Its sensors.
    """

    __slots__ = ("hush_until", "out", "plan", "refreshed", "sensors", "since")

    def __init__(self, plan: PlacePlan, now: int) -> None:
        """A place that is new at ``now``."""
        self.plan = plan
        self.since = now
        self.out = False
        self.hush_until = 0
        self.refreshed = now
        self.sensors: list[Sensor] = []

    @property
    def judged(self) -> bool:
        """Tell whether anything is judged here."""
        return self.plan.in_use and not self.out

    def tracks(self) -> Iterator[Track]:
        """Give everything that judges it."""
        for sensor in self.sensors:
            yield from sensor.tracks()

    def take(self, plan: PlacePlan, now: int) -> None:
        """Take a new plan; a change of animals or of use lets ideal settle anew."""
        old = self.plan
        changed = (old.stage, old.species) != (plan.stage, plan.species)
        if changed or (plan.in_use and not old.in_use):
            self.since = now
        self.plan = plan

    def limits(self, track: Track, calendar: Calendar | None, now: int) -> Limits:
        """Give what a track is judged by, as of ``now``.

        Where an egg lags behind the air, the egg has the range and the raw air a wider one.
        """
        egg = track.quantity is Quantity.EGG_TEMPERATURE
        found = self._limits(track.spot, Quantity.TEMPERATURE if egg else track.quantity, calendar, now)
        beside = track.quantity is Quantity.TEMPERATURE and self._lags(track.spot)
        return raw_air(found) if beside else found

    def _lags(self, spot: str) -> bool:
        return self.plan.egg_lag is not None and lagged(spot)

    def _limits(self, spot: str, quantity: Quantity, calendar: Calendar | None, now: int) -> Limits:
        found = self._range_at(spot, quantity)
        if found is None or not self.judged:
            return NO_LIMITS
        plan = self.plan
        ideal, safe, slow = plan.hold_ideal, plan.hold_safe, plan.hold_slow
        if quantity is Quantity.HUMIDITY:
            ideal = ideal if plan.humid_ideal is None else plan.humid_ideal
            safe, slow = safe if plan.humid_safe is None else plan.humid_safe, None
        return Limits(
            in_force(found, calendar, plan.settle, now),
            found.deadband,
            ideal_counts=now >= self.since + plan.settling,
            hold_ideal=ideal,
            hold_safe=safe,
            hold_off=plan.hold_off,
            slow=slow_side(plan.store),
            hold_slow=slow,
            returning=plan.returning,
        )

    def _range_at(self, spot: str, quantity: Quantity) -> SpotRange | None:
        mine = [one for one in self.plan.ranges if one.quantity is quantity and one.spot in (spot, "")]
        return next((one for one in mine if one.spot == spot), mine[0] if mine else None)

    def next_change(self, calendar: Calendar | None, now: int) -> int:
        """Give the next instant at which limits may change, or NEVER."""
        edge = last_edge(calendar, now)
        coming = [
            next_edge(calendar, now),
            NEVER if edge is None else edge + self.plan.settle,
            self.since + self.plan.settling,
        ]
        return min((instant for instant in coming if instant > now), default=NEVER)

    def state(self) -> list[int]:
        """Give it as plain values."""
        return [self.since, int(self.out), self.hush_until, self.refreshed]

    def restore(self, state: list[int]) -> None:
        """Take the values of :meth:`state`."""
        self.since, self.out = state[0], bool(state[1])
        self.hush_until, self.refreshed = state[2], state[3]


def in_force(found: SpotRange, calendar: Calendar | None, settle: int, now: int) -> Range | None:
    """Give the range that counts: by day or night, and the wider of both for a while after.

    An unknown period (no calendar) gives the wider of both too.
    """
    day = state_at(calendar, now)
    edge = last_edge(calendar, now)
    if found.day == found.night:
        return found.day
    fresh = edge is not None and now < edge + settle
    if day is None or fresh:
        return found.day.wider(found.night) if found.day and found.night else None
    return found.day if day else found.night


def raw_air(limits: Limits) -> Limits:
    """Give the span of the raw air beside an egg's range; only safe, a little wider."""
    safe = limits.range.safe if limits.range else None
    if safe is None:
        return NO_LIMITS
    span = Span(
        None if safe.low is None else safe.low - RAW_BELOW,
        None if safe.high is None else safe.high + RAW_ABOVE,
    )
    return Limits(
        Range(None, span),
        limits.deadband,
        ideal_counts=True,
        hold_ideal=limits.hold_ideal,
        hold_safe=limits.hold_safe,
        hold_off=limits.hold_off,
        slow=limits.slow,
        hold_slow=limits.hold_slow,
    )


class Curve:
    """One quantity of one sensor.

    Attributes:
        sensor: Whose it is.
        quantity: What it is.
        newest: Instant of the newest judged reading.
        value: Its value, or NaN.
        track: What judges it, or None.
        egg: What an egg feels of it, or None where it does not lag.
        egg_track: What judges the egg, or None.
        goods: What lies in a cold store feels of it, or None elsewhere.
    """

    __slots__ = ("egg", "egg_track", "goods", "newest", "quantity", "sensor", "track", "value")

    def __init__(self, sensor: "Sensor", quantity: Quantity) -> None:
        """A curve without readings."""
        self.sensor = sensor
        self.quantity = quantity
        self.newest = -(1 << 62)
        self.value = float("nan")
        self.track: Track | None = None
        self.egg: EggLag | None = None
        self.egg_track: Track | None = None
        store = sensor.place.plan.store
        self.goods: EggLag | None = None
        if quantity is Quantity.TEMPERATURE and store is not None:
            lag = ColdStoreParams.of(store).lag
            self.goods = EggLag(EggLagParams(lag, min(sensor.stand, 1 << 50)))

    def lay_egg(self) -> bool:
        """Put an egg beside a curve of air in a box with eggs, or take it away.

        Returns:
            True where that changed.
        """
        plan, sensor = self.sensor.place.plan, self.sensor.plan
        wanted = self.quantity is Quantity.TEMPERATURE and plan.egg_lag and lagged(sensor.spot)
        if not wanted or plan.egg_lag is None:
            changed = self.egg is not None
            self.egg = self.egg_track = None
            return changed
        params = EggLagParams(plan.egg_lag, min(self.sensor.stand, 1 << 50))
        if self.egg is not None and self.egg.params == params:
            return False
        self.egg = EggLag(params)
        track = Track(plan.name, sensor.spot, sensor.name, Quantity.EGG_TEMPERATURE)
        self.egg_track = self.egg_track or track
        return True

    def state(self) -> list[object]:
        """Give it as plain values."""
        value = None if self.value != self.value else self.value
        egg = [self.egg.state(), self.egg_track.state()] if self.egg and self.egg_track else None
        goods = self.goods.state() if self.goods else None
        return [self.newest, value, self.track.state() if self.track else None, egg, goods]

    def restore(self, state: list[object]) -> None:
        """Take the values of :meth:`state`."""
        self.newest = int(state[0])  # type: ignore[call-overload]  # an int by construction
        self.value = float("nan") if state[1] is None else float(state[1])  # type: ignore[arg-type]
        if self.track is not None and state[2] is not None:
            self.track.restore(state[2])  # type: ignore[arg-type]  # a list by construction
        if self.egg is not None and self.egg_track is not None and state[3] is not None:
            self.egg = EggLag.restored(self.egg.params, state[3][0])  # type: ignore[index]
            self.egg_track.restore(state[3][1])  # type: ignore[index]
        if self.goods is not None and state[4] is not None:
            self.goods = EggLag.restored(self.goods.params, state[4])  # type: ignore[arg-type]


class Sensor:
    """One sensor through time.

    Attributes:
        plan: What the keeper set.
        place: Its place.
        curves: By quantity.
        switch: Its contact, or None.
        seen: Instant of its newest sign of life.
        heard: How many signs of life came at their pace since it was silent.
        silent: How many stages of silence were reached.
        bad: Leaky count of implausible readings.
        bad_since: Instant of the first of them.
        skewed: How many stamps in a row were off.
        faults: Quantities that each rule about the sensor holds out of service ("": all).
    """

    __slots__ = (
        "bad",
        "bad_since",
        "curves",
        "faults",
        "heard",
        "place",
        "plan",
        "seen",
        "silent",
        "skewed",
        "switch",
    )

    def __init__(self, plan: SensorPlan, place: Place, now: int) -> None:
        """A sensor that is new at ``now``."""
        self.plan = plan
        self.place = place
        self.seen = now
        self.heard = 0
        self.silent = 0
        self.bad = 0.0
        self.bad_since = 0
        self.skewed = 0
        self.faults: dict[str, list[str]] = {}
        self.switch = Switch(plan.contact) if plan.contact else None
        self.curves = {quantity: Curve(self, quantity) for quantity in plan.quantities}
        for quantity, curve in self.curves.items():
            if quantity in JUDGED:
                curve.track = Track(place.plan.name, plan.spot, plan.name, quantity)
                curve.lay_egg()
        self.pace()

    def tracks(self) -> Iterator[Track]:
        """Give everything that judges it."""
        for curve in self.curves.values():
            if curve.track is not None:
                yield curve.track
            if curve.egg_track is not None:
                yield curve.egg_track

    @property
    def stand(self) -> int:
        """How long a reading stands at most (ms)."""
        whole = self.plan.on_change or self.plan.contact is not None
        return NEVER if whole else 2 * self.plan.every

    def pace(self) -> None:
        """Hand its pace to its tracks."""
        for track in self.tracks():
            track.stand = self.stand
            track.on_change = self.plan.on_change

    def fit(self, quantity: Quantity) -> bool:
        """Tell whether climate may be judged by a quantity of it."""
        if not self.faults:
            return True
        return not any("" in held or quantity.value in held for held in self.faults.values())

    def same_as(self, plan: SensorPlan) -> bool:
        """Tell whether a plan means the same device at the same spot."""
        mine = self.plan
        return (mine.place, mine.spot, mine.contact, mine.quantities) == (
            plan.place,
            plan.spot,
            plan.contact,
            plan.quantities,
        )

    def state(self) -> list[object]:
        """Give it as plain values."""
        curves = {quantity.value: curve.state() for quantity, curve in self.curves.items()}
        switch = self.switch.state() if self.switch else None
        counts = [self.seen, self.heard, self.silent, self.bad, self.bad_since, self.skewed]
        return [*counts, {rule: list(held) for rule, held in self.faults.items()}, switch, curves]

    def restore(self, state: list[object]) -> None:
        """Take the values of :meth:`state`."""
        self.seen, self.heard, self.silent = (int(part) for part in state[:3])  # type: ignore[call-overload]
        self.bad, self.bad_since, self.skewed = float(state[3]), int(state[4]), int(state[5])  # type: ignore[arg-type,call-overload]
        self.faults = {rule: list(held) for rule, held in state[6].items()}  # type: ignore[attr-defined]
        if self.switch is not None and state[7] is not None:
            self.switch.restore(state[7])  # type: ignore[arg-type]
        for quantity, part in state[8].items():  # type: ignore[attr-defined]
            if Quantity(quantity) in self.curves:
                self.curves[Quantity(quantity)].restore(part)


def outermost(places: dict[str, Place], name: str) -> str:
    """Give the place that a place stands in, as far out as there is one, but not the room."""
    for _ in places:
        inside = places[name].plan.inside if name in places else None
        if inside is None or inside not in places or places[inside].plan.kind is PlaceKind.ROOM:
            break
        name = inside
    return name


def family(places: dict[str, Place], name: str) -> frozenset[str]:
    """Give a place and everything that stands in it; a room holds every place."""
    found = {name}
    if places[name].plan.kind is PlaceKind.ROOM:
        return frozenset(places)
    grown = True
    while grown:
        more = {one for one, place in places.items() if place.plan.inside in found}
        grown = not more <= found
        found |= more
    return frozenset(found)
