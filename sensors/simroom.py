"""The physics of a simulated room: heat, water and sensors, stepped on a fixed grid.

Each place is two lumps, air and mass, in what surrounds it; a thermostat or a
compressor holds it; vapour comes from wet substrate and goes through leaks. A step
moves each lump by the exact solution towards where it tends, so that no step is too
long. All chance comes from the scene's seed, one source for each sensor and for the
weather: how far it is advanced in one call changes nothing.
"""

import math
import random
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from rules.plan import ContactKind, PlaceKind
from rules.psychrometrics import saturation_vapour_pressure as saturation
from rules.reading import DAY, HOUR, Quantity
from sensors.happenings import NATURES, Happening, Happens
from sensors.scene import Scene, SimPlace, SimSensor

ROOM_VAPOUR = 11.0
"""Vapour pressure of the room's air, hPa (47 % at 20 °C)."""

DRY_BELOW = 0.4
"""Below this share of its water a substrate gives less vapour than a wet one."""

WATER_LASTS = 60 * 86_400.0
"""A closed box's water lasts about so long, s."""

OPEN_KEEP, OPEN_FAST, OPEN_LEAK = 0.3, 60.0, 25.0
"""An open lid: share of the mass in the air, its time constant (s), and the leak's factor."""


class Heard(NamedTuple):
    """One measurement of a simulated sensor.

    Attributes:
        at: When it arrives, ms since the scene's start.
        sensor: The sensor's name.
        values: °C, percent or 0/1 by quantity; NaN where the sensor has none.
        stamp: Its own stamp, ms since the scene's start, or None.
    """

    at: int
    sensor: str
    values: Mapping[Quantity, float]
    stamp: int | None


class Outside(NamedTuple):
    """What surrounds a place: °C and vapour pressure in hPa."""

    air: float
    vapour: float


class _Wander:
    """A slow random wandering around 0 (Ornstein-Uhlenbeck)."""

    __slots__ = ("_chance", "_keep", "_kick", "value")

    def __init__(self, chance: random.Random, spread: float, tau: float, step: float) -> None:
        self._chance = chance
        self._keep = math.exp(-step / tau)
        self._kick = spread * math.sqrt(1 - self._keep**2)
        self.value = chance.gauss(0, spread)

    def go(self) -> float:
        self.value = self._keep * self.value + self._chance.gauss(0, self._kick)
        return self.value


class Body:
    """The state of one place. Owner: the room that steps it.

    Attributes:
        air: °C of its air (an enclosure: of its cool side).
        mass: °C of substrate and walls.
        egg: °C that an egg in its air has.
        vapour: Vapour pressure of its air, hPa.
        water: Share of its water that is left.
        lit: How far the lamp has warmed its spots, 0 to 1.
        open: Its lid or door is open.
    """

    __slots__ = (
        "_body", "_chance", "_offset", "_on", "_wet",
        "air", "egg", "lit", "mass", "open", "place", "vapour", "water",
    )  # fmt: skip

    def __init__(self, place: SimPlace, outside: SimPlace | None, seed: str) -> None:
        """Begin at rest where the place is kept, in the place that surrounds it."""
        self.place = place
        self._body = place.body
        self._chance = random.Random(seed)  # noqa: S311 - a simulation, no secret
        heated = outside is None or place.body.power > 0
        # A box that is kept warmer or cooler than its incubator stands in such a corner of it.
        self._offset = 0.0 if heated or outside is None else place.target - outside.target
        self._on = False
        self.air = self.mass = self.egg = place.target
        self.water, self.lit, self.open = 1.0, 0.0, False
        full = saturation(place.target)
        self.vapour = full * place.moist / 100
        around = ROOM_VAPOUR if outside is None else saturation(outside.target) * outside.moist / 100
        self._wet = min(0.98, max(0.0, (self.vapour - around) / max(full - around, 0.5)))

    def step(
        self, dt: float, outside: Outside, hour: float, active: tuple["Active", ...], *, mains: bool
    ) -> None:
        """Go on by ``dt`` seconds."""
        what = {one.kind: one for one in active}
        day = self.place.day[0] <= hour < self.place.day[1]
        self._step_lamp(dt, what, on=mains and day, mains=mains)
        self.open = not what.keys().isdisjoint({Happens.LID_LEFT_OPEN, Happens.LID_OPENED, Happens.FED})
        heat = self._heat(what, day=day, mains=mains)
        self._step_heat(dt, outside, what, heat)
        self._step_water(dt, outside, what)

    def _step_lamp(self, dt: float, what: Mapping[Happens, "Active"], *, on: bool, mains: bool) -> None:
        """Warm or cool the lamp's spots (20 min)."""
        if self._body.lamp:
            lamp = (on or (Happens.LAMP_STUCK in what and mains)) and Happens.LAMP_DEAD not in what
            self.lit += (float(lamp) - self.lit) * (1 - math.exp(-dt / 1200))

    def _heat(self, what: Mapping[Happens, "Active"], *, day: bool, mains: bool) -> float:
        """Decide heater or compressor; give the lift of the air, K."""
        body = self._body
        if not body.power:
            return 0.0
        cold = self.place.kind is PlaceKind.COLD_STORE
        goal, swing = self._thermostat(what, day=day)
        if Happens.RELAY_CHATTERS in what:
            self._on = (self.air < goal) != cold and self._chance.random() < 0.8
        elif self.air < goal - swing:
            self._on = not cold
        elif self.air > goal + swing:
            self._on = cold
        on = self._on
        if not mains or not what.keys().isdisjoint({Happens.HEATER_LOST, Happens.COMPRESSOR_LOST}):
            on = False
        elif not what.keys().isdisjoint({Happens.HEATER_STUCK, Happens.COMPRESSOR_STUCK}):
            on = True
        weak = what.get(Happens.HEATER_WEAK)
        power = body.power * (1 - weak.amount * weak.progress if weak else 1)
        return (-power if cold else power) * on

    def _thermostat(self, what: Mapping[Happens, "Active"], *, day: bool) -> tuple[float, float]:
        """Give the thermostat's goal and half its hysteresis."""
        goal, swing = self.place.target, self._body.swing
        if not day:
            goal -= self._body.night
        if Happens.SET_POINT_MOVED in what:
            goal += what[Happens.SET_POINT_MOVED].amount
        if Happens.THERMOSTAT_CREEPS in what:
            creep = what[Happens.THERMOSTAT_CREEPS]
            goal += creep.amount * creep.age / DAY
        if Happens.SWING_GROWS in what:
            swing += what[Happens.SWING_GROWS].amount * what[Happens.SWING_GROWS].progress
        return goal, swing

    def _step_heat(self, dt: float, outside: Outside, what: Mapping[Happens, "Active"], heat: float) -> None:
        """Move air, mass and egg."""
        body = self._body
        keep, fast = (OPEN_KEEP, OPEN_FAST) if self.open else (body.keep, body.fast)
        if Happens.DOOR_AJAR in what:
            keep *= 1 - what[Happens.DOOR_AJAR].amount
        if Happens.FAN_LOST in what:
            fast *= 5
        around = outside.air + self._offset
        # The compressor works on the tight store: an open door lets warm air in beside it.
        rest = keep * self.mass + (1 - keep) * around + (1 - body.keep) * heat + self._defrost(what)
        self.air += (rest - self.air) * (1 - math.exp(-dt / fast))
        self.mass += (self.air - self.mass) * (1 - math.exp(-dt / (body.slow * (1 - body.keep))))
        self.egg += (self.air - self.egg) * (1 - math.exp(-dt / self.place.egg))

    def _defrost(self, what: Mapping[Happens, "Active"]) -> float:
        """Give the lift of the air by a defrost, K."""
        defrost = what.get(Happens.DEFROST_STUCK) or what.get(Happens.DEFROST)
        return defrost.amount if defrost else 0.0

    def _step_water(self, dt: float, outside: Outside, what: Mapping[Happens, "Active"]) -> None:
        """Move vapour and water."""
        if Happens.DRYING_OUT in what:
            self.water = min(self.water, 1 - what[Happens.DRYING_OUT].progress)
        leak = OPEN_LEAK if self.open else 1.0
        if Happens.SEAL_LEAKS in what:
            leak += what[Happens.SEAL_LEAKS].amount * what[Happens.SEAL_LEAKS].progress
        wet = self._wet * min(1.0, self.water / DRY_BELOW)
        if not what.keys().isdisjoint({Happens.FLOODED, Happens.MISTED}):
            wet, leak = 1.0, leak * 0.1
        out = (1 - self._wet) * leak
        from_mass = saturation(self.mass)
        rate = (wet + out) / self._body.vapour
        rest = (wet * from_mass + out * outside.vapour) / max(wet + out, 1e-9)
        if self.place.kind is PlaceKind.COLD_STORE and not self.open:
            rest, rate = saturation(self.air) * self.place.moist / 100, 1 / self._body.vapour
        self.vapour += (rest - self.vapour) * (1 - math.exp(-dt * rate))
        self.vapour = min(self.vapour, saturation(self.air))
        self.water = max(0.0, self.water - wet * dt / WATER_LASTS)

    def at(self, spot: str) -> float:
        """Give the temperature of a spot, °C."""
        lamp = self._body.lamp * self.lit
        if spot == "basking surface":
            return self.air + lamp
        if spot == "warm side":
            return self.air + 0.35 * lamp
        if spot in {"substrate", "water"}:
            return self.mass
        return self.air


class Active(NamedTuple):
    """A happening that goes on: its kind and size, its age in ms and its progress, 0 to 1."""

    kind: Happens
    amount: float
    age: int
    progress: float


class _Sense:
    """The state of one sensor."""

    __slots__ = ("chance", "due", "lagged", "last", "pace", "sensor")

    def __init__(self, sensor: SimSensor, seed: str) -> None:
        self.sensor = sensor
        self.chance = random.Random(seed)  # noqa: S311 - a simulation, no secret
        self.due = self.chance.randrange(sensor.every)
        self.pace = 1 - math.exp(-sensor.every / 1000 / sensor.lag) if sensor.lag else 1.0
        self.lagged = math.nan
        self.last: dict[Quantity, float] = {}


class SimRoom:
    """A scene being played. Owner: whoever advances it; no thread, no clock."""

    def __init__(self, scene: Scene) -> None:
        """Set everything up at instant 0."""
        self.scene = scene
        self.now = 0
        chance = random.Random(f"{scene.seed}/weather")  # noqa: S311 - a simulation, no secret
        step = scene.step / 1000
        self._step_s = step
        self._room_wander = _Wander(chance, 0.25, 2 * 3600, step)
        self._sky = _Wander(chance, 1.2, 6 * 3600, step)
        self._damp = _Wander(chance, 0.5, 5 * 3600, step)
        self._room_fault = 0.0
        places = {place.name: place for place in scene.places}
        self.bodies = {
            name: Body(place, places[place.inside] if place.inside else None, f"{scene.seed}/{name}")
            for name, place in places.items()
        }
        self._senses = [_Sense(sensor, f"{scene.seed}/{sensor.name}") for sensor in scene.sensors]
        self._edges = sorted({edge for one in scene.happenings for edge in (one.at, one.until)})
        self._going: dict[str, list[Happening]] = {}
        self._next_edge = 0
        self.mains = True
        self.room = Outside(scene.room[0], ROOM_VAPOUR)
        self.weather = Outside(scene.weather[0], 8.0)

    def advance(self, to: int) -> list[Heard]:
        """Play on to an instant.

        Args:
            to: ms since the scene's start; before the present instant nothing happens.

        Returns:
            What the sensors said since, ascending by instant.
        """
        heard: list[Heard] = []
        while self.now + self.scene.step <= to:
            self.now += self.scene.step
            self._step()
            for sense in self._senses:
                if sense.due < self.now:
                    self._hear(sense, heard)
        heard.sort(key=lambda one: one.at)
        return heard

    def hour(self) -> float:
        """Give the local hour of day."""
        return (self.scene.start_hour + self.now / HOUR) % 24

    def _step(self) -> None:
        """Move weather, room and every place by one step of the grid."""
        if self._next_edge < len(self._edges) and self.now >= self._edges[self._next_edge]:
            self._turn_edges()
        hour = self.hour()
        room = self._active("")
        self.mains = not any(one.kind is Happens.MAINS_LOST for one in room)
        self._step_air(hour, room)
        for name, body in self.bodies.items():
            self._step_body(name, body, hour)

    def _turn_edges(self) -> None:
        """Take up what began and drop what ended."""
        while self._next_edge < len(self._edges) and self.now >= self._edges[self._next_edge]:
            self._next_edge += 1
        self._going = {}
        for one in self.scene.happenings:
            if one.at <= self.now < one.until:
                self._going.setdefault(one.who, []).append(one)

    def _active(self, who: str) -> tuple[Active, ...]:
        """Give what goes on for a place, a sensor or the room."""
        going = self._going.get(who)
        return tuple(_active_now(one, self.now) for one in going) if going else ()

    def _step_air(self, hour: float, active: Iterable[Active]) -> None:
        """Move the room's air and the weather; warmest at 15 h."""
        swing = math.cos(2 * math.pi * (hour - 15) / 24)
        sky = self.scene.weather[0] + self.scene.weather[1] * swing + self._sky.go()
        goal = 0.0
        pace = self._step_s / 7_200
        for one in active:
            if one.kind is Happens.ROOM_HOT:
                goal += one.amount
            elif one.kind is Happens.ROOM_COLD:
                goal -= one.amount
            elif one.kind is Happens.WINDOW_OPENED:
                goal, pace = goal - one.amount, self._step_s / 900
        self._room_fault += (goal - self._room_fault) * pace
        air = self.scene.room[0] + self.scene.room[1] * swing + self._room_wander.go() + self._room_fault
        self.room = Outside(air, max(4.0, ROOM_VAPOUR + self._damp.go()))
        self.weather = Outside(sky, 0.75 * saturation(self.scene.weather[0]))

    def _step_body(self, name: str, body: Body, hour: float) -> None:
        """Move one place in what surrounds it."""
        place = body.place
        active = self._active(name)
        if place.kind is PlaceKind.ROOM:
            body.air = body.mass = self.room.air
            body.vapour = self.room.vapour
            return
        if place.kind is PlaceKind.OUTDOOR:
            self._step_outdoor(body, active)
            return
        if place.inside is None:
            outside = self.room
        else:
            inside = self.bodies[place.inside]
            outside = Outside(inside.air, inside.vapour)
        if body.place.body.defrost and self.now / 1000 % body.place.body.defrost < 1_200:
            active = (*active, Active(Happens.DEFROST, NATURES[Happens.DEFROST].size, 0, 0.0))
        body.step(self._step_s, outside, hour, active, mains=self.mains)

    def _step_outdoor(self, body: Body, active: Iterable[Active]) -> None:
        """Let a pen follow the weather, with frost or a heat wave on top."""
        goal = self.weather.air + body.place.target - self.scene.weather[0]
        for one in active:
            rise = math.sin(math.pi * min(1.0, one.progress))
            goal += {Happens.FROST: -one.amount, Happens.HEAT_WAVE: one.amount}.get(one.kind, 0.0) * rise
        body.air += (goal - body.air) * (1 - math.exp(-self._step_s / 600))
        body.mass += (body.air - body.mass) * (1 - math.exp(-self._step_s / 10_800))
        body.vapour = min(self.weather.vapour, saturation(body.air))

    # --- sensors ----------------------------------------------------------------

    def _hear(self, sense: _Sense, heard: list[Heard]) -> None:
        """Let one sensor speak for each of its instants up to now."""
        sensor = sense.sensor
        while sense.due < self.now:
            at = sense.due
            sense.due += sensor.every
            values = self._contact(sensor) if sensor.contact else self._measure(sense)
            active = self._active(sensor.name)
            lost = sensor.lost + sum(_lost(one) for one in active)
            gone = sense.chance.random() < lost
            for one in active:
                _spoil(one, sense, values)
            if not gone:
                sense.last = values
                heard.append(Heard(at, sensor.name, values, self._stamp(sensor, at, active)))

    def _contact(self, sensor: SimSensor) -> dict[Quantity, float]:
        """Read a lid, a door or the mains."""
        open_ = self.bodies[sensor.place].open
        right = self.mains if sensor.contact is ContactKind.MAINS else not open_
        return {Quantity.CONTACT: float(right)}

    def _measure(self, sense: _Sense) -> dict[Quantity, float]:
        """Read what a sound sensor would say, in its steps, with its lag and noise."""
        sensor, chance = sense.sensor, sense.chance
        body = self.bodies[sensor.place]
        true = body.at(sensor.spot)
        fallen = any(one.kind is Happens.FELL_OUT for one in self._active(sensor.name))
        vapour = body.vapour
        if fallen:
            true, vapour = self.room
        sense.lagged = (
            true if sense.lagged != sense.lagged else sense.lagged + (true - sense.lagged) * sense.pace
        )
        values: dict[Quantity, float] = {}
        if Quantity.TEMPERATURE in sensor.quantities:
            noisy = sense.lagged + chance.gauss(0, sensor.noise[0])
            values[Quantity.TEMPERATURE] = _grain(noisy, sensor.grain[0])
        if Quantity.HUMIDITY in sensor.quantities:
            wet = 100 * vapour / saturation(sense.lagged) + chance.gauss(0, sensor.noise[1])
            values[Quantity.HUMIDITY] = min(100.0, max(0.0, _grain(wet, sensor.grain[1])))
        return values

    def _stamp(self, sensor: SimSensor, at: int, active: Iterable[Active]) -> int | None:
        """Give the sensor's own stamp, with what its clock is off."""
        if not sensor.stamped:
            return None
        off = sum(one.amount for one in active if one.kind is Happens.WRONG_CLOCK)
        return at + round(off * 1000)


def _active_now(one: Happening, now: int) -> Active:
    """Give a happening as it stands now."""
    age = now - one.at
    return Active(one.kind, one.amount, age, age / one.span if one.span else 1.0)


def _grain(value: float, grain: float) -> float:
    """Round to the sensor's steps."""
    return round(round(value / grain) * grain, 4) if grain else value


def _lost(one: Active) -> float:
    """Give the share of readings that a happening swallows."""
    if one.kind in {Happens.SILENT, Happens.SHORT_GAP}:
        return 1.0
    return 0.95 * one.progress if one.kind is Happens.DYING_BATTERY else 0.0


CONSTANTS: Mapping[Happens, tuple[Quantity, ...]] = {
    Happens.POWER_ON_VALUE: (Quantity.TEMPERATURE,),
    Happens.BUS_OPEN: (Quantity.TEMPERATURE,),
    Happens.ALL_ONES: (Quantity.HUMIDITY,),
    Happens.SATURATED: (Quantity.HUMIDITY,),
}
"""Faults that put one value in place of another."""


def _spoil(one: Active, sense: _Sense, values: dict[Quantity, float]) -> None:
    """Change what a sound sensor would say into what a faulty one says."""
    kind, chance = one.kind, sense.chance
    for quantity in CONSTANTS.get(kind, ()):
        if quantity in values:
            values[quantity] = one.amount
    if kind is Happens.NO_NUMBER:
        values.update(dict.fromkeys(values, math.nan))
    elif kind is Happens.STUCK and sense.last:
        values.update(sense.last)
    elif kind is Happens.MISWIRED and Quantity.HUMIDITY in values:
        values[Quantity.HUMIDITY] = values.get(Quantity.TEMPERATURE, 25.0)
    elif Quantity.TEMPERATURE in values:
        values[Quantity.TEMPERATURE] = round(values[Quantity.TEMPERATURE] + _added(one, chance), 4)


def _added(one: Active, chance: random.Random) -> float:
    """Give what a faulty sensor adds to its temperature, K."""
    kind = one.kind
    if kind is Happens.OFFSET:
        return one.amount
    if kind is Happens.DRIFTS:
        return one.amount * one.age / DAY
    if kind is Happens.NOISY:
        return chance.gauss(0, one.amount)
    if kind is Happens.SUN_ON_SENSOR:
        return one.amount * math.sin(math.pi * min(1.0, one.progress))
    if kind is Happens.SPIKES:
        return one.amount * chance.choice((-1, 1)) if chance.random() < 0.1 else 0.0
    if kind is Happens.ONE_SPIKE:
        return one.amount if one.progress < 0.5 else 0.0
    return 0.0
