"""Simulated boxes: air and mass, a heater with a thermostat, a room, a lid, a sensor."""

import math
import random
from dataclasses import dataclass, field, replace

from rules.reading import MINUTE


@dataclass
class Box:
    """A box of two lumps (air, mass) in a room. Temperatures °C, spans in minutes.

    Attributes:
        set_point: Where the thermostat switches.
        swing: Half the width of the thermostat's hysteresis, K.
        tau: Time constant of the whole when heat is lost.
        keep: Share of the mass in what the air tends to (the rest is the room).
        share: Share of the heater's power that goes into the air at once.
        power: How far the heater lifts the whole above the room, K.
        spot: What the sensor touches: air or substrate.
        noise: Standard deviation of a reading, K.
        grain: Resolution of a reading, K.
    """

    set_point: float = 30.0
    swing: float = 0.3
    tau: float = 90.0
    keep: float = 0.85
    share: float = 0.2
    power: float = 20.0
    spot: str = "air"
    noise: float = 0.05
    grain: float = 0.1
    air: float = field(default=30.0)
    mass: float = field(default=30.0)
    heat: bool = True

    def minute(self, room: float, *, heater: str = "kept", lid: bool = False) -> None:
        """Go on by a minute; ``heater`` is kept, lost or stuck."""
        if self.air < self.set_point - self.swing:
            self.heat = True
        elif self.air > self.set_point + self.swing:
            self.heat = False
        on = {"kept": self.heat, "lost": False, "stuck": True}[heater]
        power = self.power if on else 0.0
        keep = 0.5 if lid else self.keep
        direct = self.share * (1 - self.keep) * power
        target = keep * self.mass + (1 - keep) * room + direct
        self.air += (target - self.air) * (1 - math.exp(-1 / 2.5))
        into = self.air + (1 - self.share) * (1 - self.keep) * power
        coupling = max(1.0, self.tau * (1 - self.keep) - 2.5)
        self.mass += (into - self.mass) * (1 - math.exp(-1 / coupling))

    def rest(self, room: float) -> float:
        """Give where the sensor's spot comes to rest while heat is kept, °C."""
        part = (1 - self.share) * (1 - self.keep)
        mass = (self.set_point - part * room) / (1 - part)
        return self.set_point if self.spot == "air" else mass

    def read(self, rng: random.Random) -> float:
        """Read the sensor."""
        true = self.air if self.spot == "air" else self.mass
        return round(round((true + rng.gauss(0, self.noise)) / self.grain) * self.grain, 3)


def varied(rng: random.Random) -> tuple[Box, float]:
    """Give a box drawn at random, and its room's temperature."""
    room = rng.uniform(15, 24)
    set_point = rng.uniform(27, 32)
    box = Box(
        set_point=set_point,
        swing=rng.uniform(0.05, 0.5),
        tau=math.exp(rng.uniform(math.log(30), math.log(400))),
        keep=rng.uniform(0.7, 0.92),
        share=rng.uniform(0.05, 0.4),
        power=rng.uniform(1.3, 2.5) * (set_point - room),
        spot=rng.choice(["air", "substrate"]),
        noise=rng.choice([0.02, 0.05, 0.1]),
        grain=rng.choice([0.0625, 0.1, 0.01]),
        air=set_point,
        mass=set_point,
    )
    box.mass = replace(box, spot="substrate").rest(room)
    return box, room


def wandering(minute: int, mean: float, swing: float = 1.0) -> float:
    """Give the room's temperature: a day's sine about its mean."""
    return mean + swing * math.sin(2 * math.pi * minute / 1440)


def instant(minute: int) -> int:
    """Give room time in ms; never 0."""
    return (minute + 1) * MINUTE
