"""Humidity equals temperature: a wiring or logging fault.

A sensor whose two numbers are the same, again and again, measures one thing twice. Air
that happens to have 26 % at 26 °C does not keep them together to the last digit. Source:
seen in open logger records; the span is an own proposal.
"""

from dataclasses import dataclass

from rules.detector import Detector
from rules.plan import Priority
from rules.reading import MINUTE
from rules.verdict import Verdict
from rules.words import Degrees, Percent

RULE = "humidity equals temperature"

STEP = 5 * MINUTE
"""One pair per this span is looked at (ms)."""


@dataclass(frozen=True, slots=True)
class MirroredParams:
    """When the two are the same.

    Attributes:
        near: They are within this of each other (as bare numbers).
        hold: For this long, ms of covered time.
        gap: Longer without a pair counts as nothing, ms.
    """

    near: float = 0.051
    hold: int = 25 * MINUTE
    gap: int = 15 * MINUTE


class Mirrored(Detector[MirroredParams]):
    """Watches the two quantities of one sensor, every five minutes."""

    __slots__ = ("at", "due", "held", "since", "wrong")

    def __init__(self, params: MirroredParams | None = None) -> None:
        """Begin without a pair."""
        super().__init__(params or MirroredParams())
        self.at = 0
        self.due = 0
        self.held = 0
        self.since = 0
        self.wrong = False

    def see(self, at: int, temperature: float, humidity: float) -> Verdict | None:
        """Take a pair of the same sensor."""
        if at < self.due:
            return None
        self.due = at + STEP
        step = min(at - self.at, self.params.gap) if self.at else 0
        self.at = at
        same = -self.params.near < temperature - humidity < self.params.near
        if not same:
            self.held = 0
            if not self.wrong:
                return None
            self.wrong = False
            return Verdict(RULE, wrong=False, since=self.since, reason=("The two differ again.",))
        self.held += step
        if self.wrong or self.held < self.params.hold:
            return None
        self.wrong, self.since = True, at - self.held
        return Verdict(
            RULE,
            wrong=True,
            since=self.since,
            priority=Priority.MEDIUM,
            value=humidity,
            reason=(
                "Humidity ",
                Percent(humidity),
                " and temperature ",
                Degrees(temperature),
                " are one number.",
            ),
            advice=("Look at the wiring and at the names of the fields that the sensor sends.",),
        )

    def away(self, since: int, now: int) -> None:
        """Hold the clock."""
        del since
        self.at = now
