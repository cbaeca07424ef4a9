"""Readings get lost: growing gaps, as a dying battery or a far radio makes them.

Source: time gap test of the IOOS QARTOD manual (v2.1); counting shares and comparing them
with the sensor's own past are own proposals. A radio sensor loses 2 % at the best of times.
"""

from dataclasses import dataclass

from rules.detector import Detector
from rules.plan import Priority
from rules.reading import HOUR
from rules.trend import median
from rules.verdict import Verdict
from rules.words import Percent

RULE = "readings get lost"


@dataclass(frozen=True, slots=True)
class GapsParams:
    """When losses are told. Own proposals.

    Attributes:
        every: The sensor's pace, ms.
        span: Losses are counted over this span, ms.
        share: Told from this share on.
        times: … if it is this many times what is usual.
        spans: … in so many spans on end.
    """

    every: int = 30_000
    span: int = 3 * HOUR
    share: float = 0.15
    times: float = 3.0
    spans: int = 2


class Gaps(Detector[GapsParams]):
    """Counts what should have come and what came; the watch's own absence is not counted."""

    __slots__ = ("bad", "came", "shares", "since", "span_at", "wrong")

    def __init__(self, params: GapsParams | None = None) -> None:
        """Begin without a span."""
        super().__init__(params or GapsParams())
        self.bad = 0
        self.came = 0
        self.shares: list[float] = []
        self.since = 0
        self.span_at = 0
        self.wrong = False

    def see(self, at: int) -> Verdict | None:
        """Take note that a reading came (of any quality, once per measurement)."""
        self.came += 1
        if at - self.span_at < self.params.span:
            return None
        return self._close(at)

    def away(self, since: int, now: int) -> None:
        """Begin the span anew."""
        del since
        self.span_at, self.came = now, 0

    def _close(self, at: int) -> Verdict | None:
        params = self.params
        began, self.span_at = self.span_at, at
        came, self.came = self.came, 0
        if not began:
            return None
        share = round(max(0.0, 1 - came * params.every / (at - began)), 4)
        usual = median(self.shares) if self.shares else 0.02
        bad = share >= params.share and share >= params.times * usual and len(self.shares) >= 2
        self.bad = self.bad + 1 if bad else 0
        if not bad:
            self.shares.append(share)
            del self.shares[:-24]
        if self.bad >= params.spans and not self.wrong:
            self.wrong, self.since = True, at - self.bad * params.span
            return self._verdict(share, usual)
        if self.wrong and share < params.share / 2:
            self.wrong = False
            return Verdict(RULE, wrong=False, since=self.since, reason=("The readings come in full again.",))
        return None

    def _verdict(self, share: float, usual: float) -> Verdict:
        return Verdict(
            RULE,
            wrong=True,
            since=self.since,
            priority=Priority.MEDIUM,
            value=round(100 * share, 1),
            reason=(
                Percent(100 * share),
                " of the readings do not come; usually ",
                Percent(100 * usual),
                ".",
            ),
            advice=("Change the battery, or bring the sensor nearer to its receiver.",),
        )
