"""Another simulated room: the same scenes by other physics, so that rules learn no simulator by heart.

Everything that could be otherwise is otherwise than in ``sensors.simroom``: heat flows
between air, core and wall by conductances (explicit steps); heaters are proportional or
switch with a dead time; lamps radiate onto stone with mass; water is a film that dries;
sensors have colour (slow wander), report in their own steps, some on change. Each place
draws its own constants from the seed. A keeper makes a round in the morning, with lids
opened one after another, some for six to eight minutes.
"""

import math
import random
from collections.abc import Iterable, Mapping
from dataclasses import replace

from rules.plan import ContactKind, PlaceKind, Store
from rules.psychrometrics import saturation_vapour_pressure as saturation
from rules.reading import DAY, HOUR, MINUTE, SECOND, Quantity
from sensors.happenings import Happening, Happens
from sensors.scene import Scene, SimPlace, SimSensor
from sensors.simroom import Heard

STEP = 20 * SECOND

OPEN = frozenset({Happens.LID_LEFT_OPEN, Happens.LID_OPENED, Happens.FED, Happens.DOOR_AJAR})

Now = Mapping[Happens, tuple[float, float, int]]
"""Size, progress and age (ms) of what goes on, by kind."""


class Shell:
    """One place: air, core and (with a lamp) a stone. Owned by its room.

    Attributes:
        air, core, stone: °C.
        egg: °C of an egg in its air.
        vapour: hPa.
        film: Water that is left, 0 to 1.
        open: Its lid or door is open.
    """

    def __init__(self, place: SimPlace, chance: random.Random) -> None:
        """Draw constants at random and begin at rest."""
        cold = place.kind is PlaceKind.COLD_STORE
        even = place.kind in (PlaceKind.INCUBATOR, PlaceKind.BOX)
        self.place = place
        self.chance = chance
        self.tau_air = chance.uniform(90, 400)
        self.tau_core = math.exp(chance.uniform(math.log(50), math.log(160))) * 60 * (15 if cold else 1)
        self.leak = chance.uniform(0.1, 0.3) * (0.4 if cold else 1)
        self.gain = chance.uniform(1.4, 2.4)
        self.band = chance.uniform(0.4, 1.2) if even and chance.random() < 0.5 else 0.0
        self.swing = chance.uniform(0.15, 0.45) if not cold else chance.uniform(0.5, 1.3)
        self.dead = chance.uniform(0, 60)
        self.lamp = chance.uniform(10, 14) if place.kind is PlaceKind.ENCLOSURE else 0.0
        self.night = chance.uniform(3, 5) if place.kind is PlaceKind.ENCLOSURE else 0.0
        self.tau_wet = chance.uniform(600, 2400)
        self.air = self.core = self.stone = self.egg = place.target
        self.vapour = saturation(place.target) * place.moist / 100
        self.film, self.open = 1.0, False
        self._on, self._turned, self._offset = False, 0.0, chance.gauss(0, 0.2)
        self._wander = 0.0
        self._defrost = chance.uniform(0, 12 * 3600)

    def goal(self, now: Now, *, day: bool) -> float:
        """Give where the thermostat wants it, °C."""
        goal = self.place.target + self._offset - (0 if day else self.night)
        if Happens.SET_POINT_MOVED in now:
            goal += now[Happens.SET_POINT_MOVED][0]
        if Happens.THERMOSTAT_CREEPS in now:
            goal += now[Happens.THERMOSTAT_CREEPS][0] * now[Happens.THERMOSTAT_CREEPS][2] / DAY
        return goal

    def drive(self, now: Now, dt: float, around: float, *, day: bool, mains: bool) -> float:
        """Give the share of its power that is on, 0 to 1."""
        cold = self.place.kind is PlaceKind.COLD_STORE
        if not mains or Happens.HEATER_LOST in now or Happens.COMPRESSOR_LOST in now:
            return 0.0
        if Happens.HEATER_STUCK in now or Happens.COMPRESSOR_STUCK in now:
            return 1.0
        goal, swing = self.goal(now, day=day), self.swing
        if Happens.SWING_GROWS in now:
            swing += now[Happens.SWING_GROWS][0] * now[Happens.SWING_GROWS][1]
        if Happens.RELAY_CHATTERS in now:
            return float(self.chance.random() < 0.5) if (self.air < goal + 0.3) != cold else 0.0
        share = 1.0
        if Happens.HEATER_WEAK in now:
            share = 1 - now[Happens.HEATER_WEAK][0] * now[Happens.HEATER_WEAK][1]
        if self.band and Happens.SWING_GROWS not in now:
            needed = (goal - around) / max(self.gain * abs(self.place.target - 20), 1)
            return share * min(1.0, max(0.0, needed + (goal - self.air) / self.band))
        want, felt = self._on, self.air if cold or self.lamp else (self.air + self.core) / 2
        if felt < goal - swing:
            want = not cold
        elif felt > goal + swing:
            want = cold
        self._turned = self._turned + dt if want != self._on else 0.0
        if self._turned > self.dead:
            self._on, self._turned = want, 0.0
        return share * self._on

    def step(self, dt: float, around: tuple[float, float], now: Now, *, day: bool, mains: bool) -> None:
        """Go on by ``dt`` s in surroundings of (°C, hPa)."""
        self.open = not OPEN.isdisjoint(now)
        place, inside = self.place, self.place.inside is not None and self.place.kind is PlaceKind.BOX
        outer = around[0] + (self.place.target - 29.8 if inside else 0.0)
        leak = min(
            0.8, self.leak * (4 if self.open and Happens.DOOR_AJAR not in now else 2.5 if self.open else 1)
        )
        heat = 0.0
        if not inside:
            reach = self.gain * max(abs(place.target - 20.0), 6.0)
            share = self.drive(now, dt, around[0], day=day, mains=mains)
            heat = (-reach if place.kind is PlaceKind.COLD_STORE else reach) * share
        lifted = self._defrosting(now, dt)
        tau = self.tau_air * (0.4 if self.open else 4 if Happens.FAN_LOST in now else 1)
        rest = (1 - leak) * self.core + leak * outer + 0.3 * self.leak * heat + lifted
        self.air += (rest - self.air) * min(1.0, dt / tau)
        into = self.air + 0.7 * self.leak * heat
        self.core += (into - self.core) * dt / (self.tau_core * self.leak + self.tau_air)
        self.egg += (self.air - self.egg) * dt / place.egg
        self._shine(dt, now, day=day, mains=mains)
        self._wet(dt, around[1], now)

    def _defrosting(self, now: Now, dt: float) -> float:
        if self.place.store is Store.FREEZER:
            self._defrost += dt
            if self._defrost > 12 * 3600:
                self._defrost = 0.0
            if self._defrost < 1200:
                return 9.0
        for kind in (Happens.DEFROST, Happens.DEFROST_STUCK):
            if kind in now:
                return now[kind][0]
        return 0.0

    def _shine(self, dt: float, now: Now, *, day: bool, mains: bool) -> None:
        lit = mains and (day or Happens.LAMP_STUCK in now) and Happens.LAMP_DEAD not in now
        self.stone += (self.air + self.lamp * lit - self.stone) * dt / 1500

    def _wet(self, dt: float, outer: float, now: Now) -> None:
        """Let the film give water and the leak take it."""
        if Happens.DRYING_OUT in now:
            self.film = min(self.film, 1 - now[Happens.DRYING_OUT][1])
        full = saturation((self.core + self.air) / 2)
        moist = self.place.moist / 100
        share = moist * min(1.0, self.film / 0.5) ** 0.7
        loss = 0.0
        if Happens.SEAL_LEAKS in now:
            loss = 0.6 * now[Happens.SEAL_LEAKS][1]
        if self.open:
            loss = 0.8
        rest = (1 - loss) * (share * full + (1 - share) * outer * 0.2) + loss * outer
        if Happens.FLOODED in now or Happens.MISTED in now:
            rest = full
        self._wander += -self._wander * dt / 7200 + self.chance.gauss(0, 0.004) * math.sqrt(dt / 20)
        tau = 240 if self.open or Happens.MISTED in now else self.tau_wet
        self.vapour += (rest * (1 + self._wander * 0.15) - self.vapour) * min(1.0, dt / tau)
        self.vapour = min(self.vapour, saturation(self.air))

    def at(self, spot: str) -> float:
        """Give the temperature of a spot, °C."""
        lifted = self.stone - self.air
        if spot == "basking surface":
            return self.stone
        if spot == "warm side":
            return self.air + 0.35 * lifted
        return self.core if spot in ("substrate", "water") else self.air


class _Sense:
    """One sensor's memory."""

    def __init__(self, sensor: SimSensor, seed: str) -> None:
        self.sensor, self.chance = sensor, random.Random(seed)  # a simulation, no secret
        self.due = self.chance.randrange(sensor.every)
        self.lagged, self.colour = math.nan, 0.0
        self.stood: dict[Quantity, float] = {}
        self.grain = self.chance.choice((0.01, 0.0625, 0.1, 0.1, 0.5 if sensor.noise[0] > 0.1 else 0.1))
        self.noise = self.chance.uniform(0.02, 0.08)
        self.lag = self.chance.uniform(15, 120)
        self.bias = self.chance.gauss(0, 0.15), self.chance.gauss(0, 2)


class OtherRoom:
    """A scene played by other physics. No thread, no clock.

    Attributes:
        scene: What is played, the keeper's rounds added.
        now: ms since its start.
        bodies: Places by name.
    """

    def __init__(self, scene: Scene) -> None:
        """Set everything up at instant 0."""
        chance = random.Random(f"other/{scene.seed}")  # a simulation, no secret
        self.scene, self.now, self.chance = scene, 0, chance
        self.bodies = {place.name: Shell(place, chance) for place in scene.places}
        self.mean, self.sway = chance.uniform(17, 24), chance.uniform(0.5, 2.5)
        self.air, self.fault, self.drift, self.sky = self.mean, 0.0, 0.0, 0.0
        self.outdoor = scene.weather[0]
        self.senses = [_Sense(one, f"other/{scene.seed}/{one.name}") for one in scene.sensors]
        self.mains = True
        self._happen = sorted(scene.happenings, key=lambda one: one.at)
        self._going: list[Happening] = []

    def advance(self, to: int) -> list[Heard]:
        """Play on; give what the sensors said since, ascending."""
        heard: list[Heard] = []
        while self.now + STEP <= to:
            self.now += STEP
            self._step()
            for sense in self.senses:
                while sense.due < self.now:
                    self._hear(sense, heard)
        heard.sort(key=lambda one: one.at)
        return heard

    def _active(self, who: str) -> Now:
        return {
            one.kind: (one.amount, min(1.0, (self.now - one.at) / one.span), self.now - one.at)
            for one in self._going
            if one.who == who
        }

    def _step(self) -> None:
        dt = STEP / 1000
        if self._happen and self._happen[0].at <= self.now:
            begun = [one for one in self._happen if one.at <= self.now]
            self._happen = self._happen[len(begun) :]
            self._going += begun
        if self._going:
            self._going = [one for one in self._going if one.until > self.now]
        hour = (self.scene.start_hour + self.now / HOUR) % 24
        self._air(dt, hour)
        busy = {one.who for one in self._going}
        for name, shell in self.bodies.items():
            place = shell.place
            now = self._active(name) if name in busy else {}
            if place.kind is PlaceKind.ROOM:
                shell.air = shell.core = shell.egg = self.air
                shell.vapour = 10.0 + self.drift
            elif place.kind is PlaceKind.OUTDOOR:
                self._pen(shell, now, hour)
            else:
                inside = self.bodies[place.inside] if place.inside else None
                around = (inside.air, inside.vapour) if inside else (self.air, 10.0 + self.drift)
                day = place.day[0] <= hour < place.day[1]
                shell.step(dt, around, now, day=day, mains=self.mains)

    def _air(self, dt: float, hour: float) -> None:
        room = self._active("")
        self.mains = Happens.MAINS_LOST not in room
        goal = 0.0
        for kind, sign in ((Happens.ROOM_HOT, 1), (Happens.ROOM_COLD, -1), (Happens.WINDOW_OPENED, -1)):
            if kind in room:
                goal += sign * room[kind][0]
        pace = 1200 if Happens.WINDOW_OPENED in room else 6000
        self.fault += (goal - self.fault) * dt / pace
        self.drift += -self.drift * dt / 20_000 + self.chance.gauss(0, 0.02)
        self.sky += -self.sky * dt / 30_000 + self.chance.gauss(0, 0.03)
        self.air = (
            self.mean + self.sway * math.sin(2 * math.pi * (hour - 10) / 24) + self.fault + 0.3 * self.drift
        )
        self.outdoor = (
            self.scene.weather[0] + self.scene.weather[1] * math.sin(2 * math.pi * (hour - 9) / 24) + self.sky
        )

    def _pen(self, shell: Shell, now: Now, hour: float) -> None:
        del hour
        goal = self.outdoor
        if Happens.FROST in now:
            goal -= now[Happens.FROST][0] * 1.2 * math.sin(math.pi * now[Happens.FROST][1])
        if Happens.HEAT_WAVE in now:
            goal += now[Happens.HEAT_WAVE][0] * 1.2 * math.sin(math.pi * now[Happens.HEAT_WAVE][1])
        shell.air += (goal - shell.air) * 0.03
        shell.core += (shell.air - shell.core) * 0.002
        shell.egg = shell.air
        shell.vapour = min(saturation(shell.air), 0.8 * saturation(self.scene.weather[0] - 2))

    # -- sensors ----------------------------------------------------------------------

    def _hear(self, sense: _Sense, heard: list[Heard]) -> None:
        sensor, at = sense.sensor, sense.due
        sense.due += sensor.every
        shell = self.bodies[sensor.place]
        if sensor.contact:
            right = self.mains if sensor.contact is ContactKind.MAINS else not shell.open
            if sense.chance.random() >= sensor.lost:
                heard.append(Heard(at, sensor.name, {Quantity.CONTACT: float(right)}, None))
            return
        now = self._active(sensor.name) if self._going else {}
        values = self._measure(sense, shell, now)
        lost = sensor.lost
        if Happens.SILENT in now or Happens.SHORT_GAP in now:
            lost = 1.0
        elif Happens.DYING_BATTERY in now:
            lost += 0.9 * now[Happens.DYING_BATTERY][1]
        gone = sense.chance.random() < lost
        self._spoil(sense, values, now)
        if gone:
            return
        sense.stood = dict(values)
        stamp = at if sensor.stamped else None
        if stamp is not None and Happens.WRONG_CLOCK in now:
            stamp += round(now[Happens.WRONG_CLOCK][0] * 1000)
        heard.append(Heard(at, sensor.name, values, stamp))

    def _measure(self, sense: _Sense, shell: Shell, now: Now) -> dict[Quantity, float]:
        sensor, chance = sense.sensor, sense.chance
        true, vapour = shell.at(sensor.spot), shell.vapour
        if Happens.FELL_OUT in now:
            true, vapour = self.air, 10.0
        keep = math.exp(-sensor.every / 1000 / sense.lag)
        sense.lagged = true if sense.lagged != sense.lagged else true + (sense.lagged - true) * keep
        sense.colour = 0.98 * sense.colour + chance.gauss(0, 0.01)
        values = {}
        if Quantity.TEMPERATURE in sensor.quantities:
            said = sense.lagged + sense.bias[0] + sense.colour + chance.gauss(0, sense.noise)
            values[Quantity.TEMPERATURE] = round(round(said / sense.grain) * sense.grain, 4)
        if Quantity.HUMIDITY in sensor.quantities:
            wet = 100 * vapour / saturation(sense.lagged) + sense.bias[1] + chance.gauss(0, 0.4)
            values[Quantity.HUMIDITY] = round(min(100.0, max(0.0, wet)), 1)
        return values

    def _spoil(self, sense: _Sense, values: dict[Quantity, float], now: Now) -> None:
        warm, wet = Quantity.TEMPERATURE, Quantity.HUMIDITY
        for kind, (size, progress, age) in now.items():
            if kind in (Happens.POWER_ON_VALUE, Happens.BUS_OPEN) and warm in values:
                values[warm] = size
            elif kind in (Happens.ALL_ONES, Happens.SATURATED) and wet in values:
                values[wet] = size
            elif kind is Happens.NO_NUMBER:
                values.update(dict.fromkeys(values, math.nan))
            elif kind is Happens.STUCK:
                values.update(sense.stood)
            elif kind is Happens.MISWIRED and wet in values and warm in values:
                values[wet] = values[warm]
            elif warm in values:
                values[warm] = round(values[warm] + self._added(sense, kind, size, progress, age), 4)

    def _added(self, sense: _Sense, kind: Happens, size: float, progress: float, age: int) -> float:
        chance = sense.chance
        added = {
            Happens.OFFSET: size,
            Happens.DRIFTS: size * age / DAY,
            Happens.SUN_ON_SENSOR: size * min(1.0, 4 * progress, 4 * (1 - progress)),
            Happens.ONE_SPIKE: size if progress < 0.5 else 0.0,
        }
        if kind is Happens.NOISY:
            return chance.uniform(-1.8, 1.8) * size
        if kind is Happens.SPIKES:
            return size * chance.choice((-1, 1)) if chance.random() < 0.06 else 0.0
        return added.get(kind, 0.0)


def varied(scene: Scene) -> Scene:
    """Give the scene with other paces: 10 s to 5 min, drawn from the seed."""
    chance = random.Random(f"paces/{scene.seed}")  # a simulation, no secret
    sensors = tuple(
        one if one.contact else replace(one, every=chance.choice((10, 30, 60, 60, 60, 120, 300)) * SECOND)
        for one in scene.sensors
    )
    return replace(scene, sensors=sensors)


def with_rounds(scene: Scene, *, days: int) -> Scene:
    """Plant a keeper's morning round: lids opened one after another, some misted."""
    chance = random.Random(f"rounds/{scene.seed}")  # a simulation, no secret
    planted: list[Happening] = []
    for day in range(days):
        at = round((24 * day + 8.2 + chance.random() - scene.start_hour) * HOUR)
        for place in _lidded(scene.places):
            if at <= 0 or chance.random() < 0.4:
                continue
            lasting = chance.choice((1, 2, 3, 7)) * MINUTE + chance.randrange(60) * SECOND
            planted.append(Happening(at, Happens.LID_OPENED, place.name, lasting))
            if place.kind is PlaceKind.BOX and chance.random() < 0.2:
                planted.append(Happening(at + lasting // 2, Happens.MISTED, place.name, MINUTE))
            at += lasting + 30 * SECOND
    return replace(scene, happenings=(*scene.happenings, *planted))


def _lidded(places: Iterable[SimPlace]) -> list[SimPlace]:
    kinds = (PlaceKind.BOX, PlaceKind.INCUBATOR, PlaceKind.COLD_STORE)
    return [place for place in places if place.kind in kinds]
