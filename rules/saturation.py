"""Saturated: free water on the humidity sensor.

From 98 % on a capacitive sensor says only "wet": it sticks at 99–100 %, comes back after
tens of minutes to hours, and reads 1–3 % high for days. Its number is no humidity.

Source: data sheets of such sensors (±4.5 % at the ends; creep from memory); 98 % for
more than 60 min is our own rule.
"""

from dataclasses import dataclass

from rules.detector import Detector
from rules.plan import Priority
from rules.reading import HOUR, MINUTE
from rules.verdict import Verdict
from rules.words import Percent

RULE = "saturated"


@dataclass(frozen=True, slots=True)
class SaturatedParams:
    """When a humidity sensor is wet. Own proposals.

    Attributes:
        wet: From this humidity on, percent.
        dry: It is itself again below, percent.
        hold: … after this long (both ways), ms of covered time.
        gap: Longer without a reading counts as nothing, ms.
        safe_high: Upper end of safe humidity, percent, or None; from 99 on a wet sensor
            is as it should be and nothing is told (``wet_now`` still tells).
    """

    wet: float = 98.0
    dry: float = 96.0
    hold: int = HOUR
    gap: int = MINUTE
    safe_high: float | None = None


class Saturated(Detector[SaturatedParams]):
    """Watches one curve of humidity."""

    __slots__ = ("at", "due", "held", "since", "wet_now")

    def __init__(self, params: SaturatedParams | None = None) -> None:
        """Begin dry."""
        super().__init__(params or SaturatedParams())
        self.at = 0
        self.due = 0
        self.held = 0
        self.since = 0
        self.wet_now = False

    def see(self, at: int, humidity: float) -> Verdict | None:
        """Take a good reading, percent."""
        if at < self.due:
            return None
        params = self.params
        self.due = at + MINUTE
        step = min(at - self.at, params.gap + MINUTE) if self.at else 0
        self.at = at
        towards = humidity < params.dry if self.wet_now else humidity >= params.wet
        self.held = self.held + step if towards else 0
        if self.held < params.hold:
            return None
        return self._turn(at, humidity)

    def away(self, since: int, now: int) -> None:
        """Hold the clock."""
        del since
        self.at = now

    def _turn(self, at: int, humidity: float) -> Verdict | None:
        started, self.held = at - self.held, 0
        self.wet_now = not self.wet_now
        quiet = self.params.safe_high is not None and self.params.safe_high >= 99.0
        if not self.wet_now:
            return (
                None
                if quiet
                else Verdict(
                    RULE, wrong=False, since=self.since, value=humidity, reason=("The sensor has dried.",)
                )
            )
        self.since = started
        if quiet:
            return None
        return Verdict(
            RULE,
            wrong=True,
            since=started,
            priority=Priority.MEDIUM,
            value=humidity,
            reason=("Free water on the sensor: humidity unknown, at least ", Percent(self.params.wet), "."),
            advice=(
                "Common practice: look for standing water, air the place for some minutes, dry the sensor.",
            ),
        )
