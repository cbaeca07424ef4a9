"""Condensation: the dew point against a surface.

Where a sensor measures the surface (a lid, a wall), dew forms when the dew point comes
within 0.5 K of it. Where none does, the surface is estimated between the air and what is
outside, and the words say that it is an estimate; no alarm is made of it unless wanted,
because a healthy wet box has dew on its lid most nights.

Source: dew point by Magnus (``rules.psychrometrics``); the share of the surface is an
own proposal (thin plastic: the middle of both).
"""

from dataclasses import dataclass

from rules.detector import Detector
from rules.plan import Priority
from rules.psychrometrics import dew_point
from rules.reading import HOUR, MINUTE
from rules.verdict import Verdict
from rules.words import Degrees, Sentence

RULE = "condensation"

STEP = 5 * MINUTE
"""One pair per this span is looked at (ms)."""


def surface_estimate(inside: float, outside: float, share: float = 0.5) -> float:
    """Estimate a thin wall's inner temperature, °C, between inside and outside air."""
    return inside + (outside - inside) * share


@dataclass(frozen=True, slots=True)
class CondensationParams:
    """When dew is told. Own proposals.

    Attributes:
        near: Dew is expected when the dew point is above the surface less this, K.
        hold: … for this long, ms of covered time (both ways).
        gap: Longer without a pair counts as nothing, ms.
        share: Where the estimated surface lies from inside (0) to outside (1) air.
        tell_estimate: Make a finding of an estimate too.
        surface: Name of the measured surface for the words.
    """

    near: float = 0.5
    hold: int = HOUR
    gap: int = 15 * MINUTE
    share: float = 0.5
    tell_estimate: bool = False
    surface: str = "the lid"


class Condensation(Detector[CondensationParams]):
    """Watches one pair of temperature and humidity, every five minutes.

    Attributes:
        margin: Surface less dew point, K (negative: dew), or None: not known.
        estimated: That margin is an estimate.
    """

    __slots__ = ("at", "due", "estimated", "held", "margin", "since", "wrong")

    def __init__(self, params: CondensationParams | None = None) -> None:
        """Begin without a pair."""
        super().__init__(params or CondensationParams())
        self.at = 0
        self.due = 0
        self.estimated = False
        self.held = 0
        self.margin: float | None = None
        self.since = 0
        self.wrong = False

    def see(
        self,
        at: int,
        temperature: float,
        humidity: float,
        surface: float | None,
        outside: float | None = None,
    ) -> Verdict | None:
        """Take a good pair; the surface's temperature where measured, else that outside."""
        if at < self.due:
            return None
        self.due = at + STEP
        step = min(at - self.at, self.params.gap) if self.at else 0
        self.at = at
        dew = dew_point(temperature, humidity)
        self.estimated = surface is None
        if surface is None and outside is not None:
            surface = surface_estimate(temperature, outside, self.params.share)
        self.margin = None if surface is None or dew != dew else round(surface - dew, 3)
        if self.margin is None or surface is None:
            return None
        return self._judge(at, step, dew, surface)

    def away(self, since: int, now: int) -> None:
        """Hold the clock."""
        del since
        self.at = now

    def _judge(self, at: int, step: int, dew: float, surface: float) -> Verdict | None:
        margin = self.margin or 0.0
        towards = margin > self.params.near + 0.3 if self.wrong else margin < self.params.near
        self.held = self.held + step if towards else 0
        if self.held < self.params.hold or (
            self.estimated and not self.params.tell_estimate and not self.wrong
        ):
            return None
        started, self.held, self.wrong = at - self.held, 0, not self.wrong
        if not self.wrong:
            return Verdict(
                RULE, wrong=False, since=self.since, value=margin, reason=("The surface is dry again.",)
            )
        self.since = started
        return Verdict(
            RULE,
            wrong=True,
            since=started,
            priority=Priority.LOW,
            value=margin,
            reason=self._reason(dew, surface),
            advice=("Common practice: tilt the lid so that drops run to the wall and not onto eggs.",),
        )

    def _reason(self, dew: float, surface: float) -> Sentence:
        where = "an estimate of the wall" if self.estimated else self.params.surface
        return (
            "Dew point ",
            Degrees(round(dew, 1)),
            f", {where} is at ",
            Degrees(round(surface, 1)),
            ": dew forms.",
        )
