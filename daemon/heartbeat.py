"""Tell an outside address that the watch is well; silence there is the alarm.

Board, router and broker die with the mains. Whoever waits for this sign outside
notices. It is withheld while the watch cannot do its job, contacts that cannot be
reached included. The asking is done by a courier, so it can hang nobody.
"""

from collections.abc import Callable
from dataclasses import dataclass

from daemon.courier import Outcome, Parcel, Result
from daemon.errand import Errand, Start
from rules.reading import MINUTE
from sensors.reader import Boottime

EVERY = 5 * MINUTE
"""Time between two signs, by default (ms)."""

ID = "heartbeat"
"""Name of its parcel, and how it is called in logs."""


@dataclass(frozen=True, slots=True)
class Beat:
    """How the last sign fared.

    Attributes:
        at: Boot-time clock when it was known, ms.
        outcome: What became of it, or None where it was withheld.
        words: The reason.
    """

    at: int
    outcome: Outcome | None
    words: str = ""


class Heartbeat:
    """Sends the sign. Lives as long as the watch; the thread that polls owns it.

    Args:
        reach: Gives the address (http or https), a secret.
        boottime: The boot-time clock, ms.
        every: Time between two signs, ms.
        start: Starts a courier, or None for the real one.
    """

    def __init__(
        self, reach: Callable[[], str], boottime: Boottime, every: int = EVERY, start: Start | None = None
    ) -> None:
        self._reach = reach
        self._boottime = boottime
        self._every = every
        self._start = start or (lambda parcels: Errand(parcels, boottime, deadline=10.0))
        self._next = boottime()
        self._errand: Errand | None = None
        self.last: Beat | None = None

    def poll(self, *, well: bool, why: str = "") -> None:
        """Hear the courier and send the sign where it is due and ``well``; never waits.

        Args:
            well: Whether the watch does its whole job.
            why: What is wrong where it does not.
        """
        now = self._boottime()
        self._hear(now)
        if self._errand is not None or now < self._next:
            return
        self._next = max(self._next + self._every, now + self._every // 2)
        if not well:
            self.last = Beat(now, None, f"withheld: {why}" if why else "withheld")
            return
        try:
            self._errand = self._start([Parcel(id=ID, contact=ID, reach=self._reach(), heartbeat=True)])
        except OSError as fault:
            self.last = Beat(now, Outcome.UNREACHABLE, f"the courier did not start ({fault.strerror})")

    def stop(self) -> None:
        """End a courier on its way."""
        if self._errand is not None:
            self._errand.end()
            self._errand = None

    def _hear(self, now: int) -> None:
        if self._errand is None:
            return
        results = self._errand.poll()
        if self._errand.ended:
            lost = Result(ID, Outcome.ANSWER_LOST, "the courier ended without an answer")
            results = results or ([lost] if self._errand.open else [])
            self._errand = None
        for result in results:
            self.last = Beat(now, result.outcome, result.words)
