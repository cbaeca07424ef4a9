"""Sensors disagree: two at one spot that do not say the same.

Two sensors of class accuracy a and b may differ by √(a² + b²): 0.7 K for two of ±0.5 K.
Cheap humidity sensors in one room differ by 15 % and still all see the same change, so
there is a wide limit for how far apart they stand and a narrower one for a difference
that changes: then one of the two has moved, got wet or fallen out.

Source: propagation of independent errors; the limits beyond it are own proposals from
open side-by-side logs.
"""

from dataclasses import dataclass
from math import exp, hypot

from rules.detector import Detector
from rules.plan import Priority
from rules.reading import HOUR, MINUTE
from rules.verdict import Verdict
from rules.words import Number

RULE = "sensors disagree"

STEP = 5 * MINUTE
"""One pair per this span is looked at (ms)."""


def allowed(error_a: float, error_b: float) -> float:
    """Give how far two sensors with these class accuracies may stand apart."""
    return hypot(error_a, error_b)


@dataclass(frozen=True, slots=True)
class AgreementParams:
    """When two disagree. Own proposals.

    Attributes:
        apart: They may stand this far apart, K or percent (see ``allowed``).
        changed: Their difference may move this far from what is usual for them.
        hold: The difference must stand for this long, ms of covered time.
        smooth: Time constant of the difference that is judged, ms.
        usual: Time constant of the difference that is usual, ms.
        gap: Longer without a pair counts as nothing, ms.
        unit: The unit for the words.
    """

    apart: float = 1.4
    changed: float = 1.0
    hold: int = 2 * HOUR
    smooth: int = 20 * MINUTE
    usual: int = 48 * HOUR
    gap: int = 15 * MINUTE
    unit: str = "K"


class Agreement(Detector[AgreementParams]):
    """Watches the difference of two sensors at one spot, every five minutes."""

    __slots__ = ("at", "due", "held", "ok", "seen", "since", "smooth", "usual", "wrong")

    def __init__(self, params: AgreementParams | None = None) -> None:
        """Begin without a difference."""
        super().__init__(params or AgreementParams())
        self.at = 0
        self.due = 0
        self.held = 0
        self.ok = 0
        self.seen = 0
        self.since = 0
        self.smooth: float | None = None
        self.usual = 0.0
        self.wrong = False

    def see(self, at: int, first: float, second: float) -> Verdict | None:
        """Take the newest good values of both, at one instant (both within cover)."""
        if at < self.due:
            return None
        params = self.params
        self.due = at + STEP
        step = min(at - self.at, params.gap) if self.at else 0
        self.at = at
        difference = first - second
        if self.smooth is None:
            self.smooth = self.usual = difference
            return None
        self.smooth += (difference - self.smooth) * (1 - exp(-step / params.smooth))
        self.seen += step
        return self._judge(at, step, first, second)

    def away(self, since: int, now: int) -> None:
        """Hold the clock."""
        del since
        self.at = now

    def _judge(self, at: int, step: int, first: float, second: float) -> Verdict | None:
        params, smooth = self.params, self.smooth or 0.0
        settled = self.seen > 12 * HOUR
        moved = settled and abs(smooth - self.usual) > params.changed
        bad = abs(smooth) > params.apart or moved
        if not bad and not self.wrong:
            self.usual += (smooth - self.usual) * step / min(params.usual, max(self.seen, HOUR))
        self.held = self.held + step if bad else 0
        self.ok = 0 if bad else self.ok + step
        if not self.wrong and self.held >= params.hold:
            self.wrong, self.since = True, at - self.held
            return self._verdict(first, second, moved=moved)
        if self.wrong and self.ok >= params.hold:
            self.wrong = False
            return Verdict(RULE, wrong=False, since=self.since, reason=("The two agree again.",))
        return None

    def _verdict(self, first: float, second: float, *, moved: bool) -> Verdict:
        unit = self.params.unit
        tail = (" apart; usually ", Number(self.usual, unit), ".") if moved else (" apart.",)
        return Verdict(
            RULE,
            wrong=True,
            since=self.since,
            priority=Priority.MEDIUM,
            value=round(first - second, 3),
            reason=(
                "Two sensors at one spot say ",
                Number(first, unit),
                " and ",
                Number(second, unit),
                ", ",
                Number(abs(self.smooth or 0.0), unit),
                *tail,
            ),
            advice=("Look at both with a third; one may have moved, got wet or fallen out.",),
        )
