"""A simulated room as a reader like any other: at its own pace, or pumped by a simulated clock."""

import math
from collections.abc import Mapping
from threading import Event, Thread

from rules.reading import Quality, Quantity
from sensors.reader import Arrival, Boottime, Inbox, Value
from sensors.scene import Scene
from sensors.simroom import Heard, SimRoom

TICK = 0.25
"""Pace of the thread, s."""


class SimulatedReader:
    """Plays a scene; its instant 0 is the boot-time clock at construction."""

    name = "simulated"

    def __init__(self, scene: Scene, boottime: Boottime, unix: int | None = None) -> None:
        """Set the scene up.

        Args:
            scene: What is played.
            boottime: The boot-time clock; a simulated one where the room is pumped.
            unix: Unix ms at the scene's start, for sensors with a stamp of their own.
        """
        self.room = SimRoom(scene)
        self._boottime = boottime
        self._origin = boottime()
        self._unix = unix
        self._ending = Event()
        self._thread: Thread | None = None

    def start(self, inbox: Inbox) -> None:
        """Play in real time on a thread of its own."""
        self._thread = Thread(target=self._play, args=(inbox,), name="simulated", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread; safe to call twice."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join(2)
            self._thread = None

    def pump(self, inbox: Inbox, boottime: int) -> int:
        """Play on to an instant of the boot-time clock and put what came into the inbox.

        Args:
            inbox: Where to.
            boottime: The instant, ms.

        Returns:
            How many arrivals the inbox took.
        """
        heard = self.room.advance(boottime - self._origin)
        return sum(inbox.put(self._arrival(one)) for one in heard)

    def _play(self, inbox: Inbox) -> None:
        """Follow the clock until the end."""
        while not self._ending.wait(TICK):
            self.pump(inbox, self._boottime())

    def _arrival(self, heard: Heard) -> Arrival:
        """Make the arrival of one measurement."""
        stamped = heard.stamp is not None and self._unix is not None
        return Arrival(
            sensor=heard.sensor,
            values=_values(heard.values),
            arrived=self._origin + heard.at,
            stamp=(self._unix or 0) + (heard.stamp or 0) if stamped else None,
        )


def _values(values: Mapping[Quantity, float]) -> dict[Quantity, Value]:
    """Mark what is no number."""
    return {
        quantity: Value(raw, Quality.NOT_A_NUMBER if math.isnan(raw) else Quality.GOOD)
        for quantity, raw in values.items()
    }
