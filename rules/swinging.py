"""Swinging: the thermostat's swing grows, stops, or its pace changes, against its own past.

A worn relay or a sensor that came loose from its place lets the swing grow over hours or
days; a relay that chatters makes it quick and small. Each hour has a width (highest less
lowest) and a number of crossings of its mean; three hours on end are compared with the
curve's own usual hours. An hour that as a whole went up or down is no swing and is passed
over.
Source: own proposal.
"""

from dataclasses import dataclass
from itertools import pairwise

from rules.detector import Detector
from rules.plan import Priority
from rules.reading import HOUR, MINUTE
from rules.trend import median
from rules.verdict import Verdict
from rules.words import Kelvin, Sentence

RULE = "swinging"

QUARTER = 15 * MINUTE

ALIKE = 0.3
"""K; a swing that stops is one only where the level is one that it had: lost heat stops it too."""


def _wide(widths: list[float]) -> float:
    """Give the width that four hours out of five keep within (lamps rest by night)."""
    ranked = sorted(widths)
    return ranked[len(ranked) * 4 // 5]


@dataclass(frozen=True, slots=True)
class SwingingParams:
    """When a swing is told. Own proposals.

    Attributes:
        times: The width is this many times the usual one.
        wider: … and at least this much wider, K.
        quicker: Crossings are this many times the usual.
        crossings: … and at least so many an hour.
        hours: In so many hours on end.
        past: So many hours are the usual ones; the older half of them is compared with,
            so that what grows slowly is not its own measure.
        stiller: The width is below this share of what nine hours of ten exceed …
        worth: … where that is at least this much, K (else noise hides it).
        learning: So many hours are learnt before anything is told.
        hysteresis: A crossing must go this far beyond the mean, K.
        cover: Hours with a longer gap do not count, ms.
    """

    times: float = 2.0
    wider: float = 0.6
    quicker: float = 4.0
    crossings: int = 16
    hours: int = 3
    past: int = 96
    stiller: float = 0.5
    worth: float = 0.5
    learning: int = 20
    hysteresis: float = 0.1
    cover: int = 5 * MINUTE


class Swinging(Detector[SwingingParams]):
    """Watches one curve of temperature where heat is regulated.

    For a place with lamps call ``hush`` at every change of period.
    """

    __slots__ = (
        "bad", "counts", "crossed", "high", "hour_at", "last_at", "levels", "low", "mean",
        "n", "quarters", "quiet", "side", "since", "total", "widths", "wrong",
    )  # fmt: skip

    def __init__(self, params: SwingingParams | None = None) -> None:
        """Begin without an hour."""
        super().__init__(params or SwingingParams())
        self.bad = 0
        self.counts: list[int] = []
        self.crossed = 0
        self.high = -1e9
        self.hour_at = 0
        self.quarters: list[list[float]] = [[0.0, 0] for _ in range(4)]
        self.last_at = 0
        self.levels: list[float] = []
        self.low = 1e9
        self.mean: float | None = None
        self.n = 0
        self.quiet = 0
        self.side = 0
        self.since = 0
        self.total = 0.0
        self.widths: list[float] = []
        self.wrong = False

    def see(self, at: int, value: float) -> Verdict | None:
        """Take a good reading, °C."""
        if at - self.last_at > self.params.cover:
            self.n = -1_000_000
        self.last_at = at
        quarter = self.quarters[max(0, min(3, (at - self.hour_at) // QUARTER))]
        quarter[0] += value
        quarter[1] += 1
        self.total += value
        self.n += 1
        self.high = max(self.high, value)
        self.low = min(self.low, value)
        mean = self.mean
        if mean is not None:
            away = (value - mean) * self.side
            if away < -self.params.hysteresis or not self.side:
                self.side = 1 if value > mean else -1
                self.crossed += 1
        return self._hour(at) if at - self.hour_at >= HOUR else None

    def hush(self, until: int) -> None:
        """Hours that begin before ``until`` do not count (lamps, an open lid)."""
        self.quiet = max(self.quiet, until)

    def _hour(self, at: int) -> Verdict | None:
        counts = self.n > 0 and self.hour_at >= self.quiet
        width, crossed = round(self.high - self.low, 4), self.crossed
        counts = counts and not self._went(width)
        self.quarters = [[0.0, 0] for _ in range(4)]
        self.mean = self.total / self.n if self.n > 0 else None
        self.total, self.n, self.crossed, self.side = 0.0, 0, 0, 0
        self.low, self.high, self.hour_at = 1e9, -1e9, at
        return self._judge(at, width, crossed) if counts else None

    def _went(self, width: float) -> bool:
        """Tell whether the hour went up or down as a whole: its quarters all go one way, and far."""
        means = [total / count for total, count in self.quarters]
        ways = {later > one for one, later in pairwise(means)}
        return len(ways) == 1 and abs(means[3] - means[0]) * 4 / 3 >= 0.7 * width

    def _judge(self, at: int, width: float, crossed: int) -> Verdict | None:
        params = self.params
        if len(self.widths) < params.learning:
            self._keep(width, crossed)
            return None
        older = max(params.learning, len(self.widths) // 2)
        usual, pace = _wide(self.widths[:older]), median(self.counts[:older])
        wide = width >= max(params.times * usual, usual + params.wider)
        quick = crossed >= max(params.quicker * pace, params.crossings)
        least = sorted(self.widths[:older])[older // 10]
        kept = self.mean is not None and any(abs(self.mean - one) < ALIKE for one in self.levels[:older])
        still = kept and least >= params.worth and width < params.stiller * least
        self._keep(width, crossed)
        self.bad = self.bad + 1 if wide or quick or still else 0
        if self.bad >= params.hours and not self.wrong:
            self.wrong, self.since = True, at - self.bad * HOUR
            if still:
                usual = least
            return self._verdict(width, usual, crossed, pace, wide=wide or still)
        if (
            self.wrong
            and not wide
            and not quick
            and not still
            and width < 0.7 * max(params.times * usual, usual + params.wider)
        ):
            self.wrong = False
            return Verdict(
                RULE, wrong=False, since=self.since, value=width, reason=("It swings as usual again.",)
            )
        return None

    def _keep(self, width: float, crossed: int) -> None:
        if self.wrong:
            return
        self.widths.append(width)
        self.counts.append(crossed)
        self.levels.append(self.mean or 0.0)
        del self.levels[: -self.params.past]
        del self.widths[: -self.params.past], self.counts[: -self.params.past]

    def _verdict(self, width: float, usual: float, crossed: int, pace: float, *, wide: bool) -> Verdict:
        reason: Sentence = (
            (
                "It swings by ",
                Kelvin(round(width, 2)),
                " within an hour, usually by ",
                Kelvin(round(usual, 2)),
                ".",
            )
            if wide
            else (f"It crosses its mean {crossed} times an hour, usually {pace:.0f} times.",)
        )
        return Verdict(
            RULE,
            wrong=True,
            since=self.since,
            priority=Priority.MEDIUM,
            value=width,
            reason=reason,
            advice=("Look at the thermostat, its relay, and whether its sensor sits where it should.",),
        )
