"""Stuck: a sensor that repeats itself to the last digit while the world moves.

A good incubator is legitimately flat: at a resolution of 0.1 K for hours. So a run of
equal values is measured against the longest run that is usual for this very curve, and
only a day without any change is a fault whatever is usual.

Source: flat line test of the IOOS QARTOD manual (v2.1); suspect after 6 h and fail after
24 h, and the learnt run, are own proposals. WMO's least variability in an hour (0.1 K,
1 %; from memory) is for outdoor air and would condemn every good incubator.
"""

from dataclasses import dataclass

from rules.detector import RENEW, Detector
from rules.plan import Priority
from rules.reading import HOUR, MINUTE
from rules.verdict import Verdict
from rules.words import Lasting, Number

RULE = "stuck"


@dataclass(frozen=True, slots=True)
class StuckParams:
    """When equal values are a fault. Own proposals.

    Attributes:
        cover: A reading stands for at most this long, ms; only covered time counts.
        unit: The unit for the words.
        fail: A run this long is a fault in any case, ms.
        suspect: … this long where nothing is learnt yet but the companion moves, ms.
        least: Never sooner than this, ms.
        times: A run this many times the usual longest is a fault.
        companion_times: … where the companion moves meanwhile.
        companion_moves: The companion moves when it spans this much (percent or K).
        rail_low: At or below, humidity is saturated and not stuck; None: no such rail.
        rail_high: At or above, likewise.
        learning: The usual run is known after so much covered time, ms.
        forget: … and is forgotten with this time constant, ms.
    """

    cover: int = MINUTE
    unit: str = "°C"
    fail: int = 24 * HOUR
    suspect: int = 6 * HOUR
    least: int = HOUR
    times: float = 8.0
    companion_times: float = 4.0
    companion_moves: float = 2.0
    rail_low: float | None = None
    rail_high: float | None = None
    learning: int = 24 * HOUR
    forget: int = 96 * HOUR


class Stuck(Detector[StuckParams]):
    """Watches one curve for a run of equal values.

    The usual longest run is forgotten within days, so that one odd run does not count
    for ever. NaN, were it to come, would count as a change.
    """

    __slots__ = (
        "changes",
        "companion",
        "due",
        "last",
        "last_at",
        "run",
        "said",
        "seen",
        "since",
        "usual",
        "wrong",
    )

    def __init__(self, params: StuckParams | None = None) -> None:
        """Begin without a run."""
        super().__init__(params or StuckParams())
        self.changes = 0
        self.companion: list[float] | None = None
        self.due = 0
        self.last: float | None = None
        self.last_at = 0
        self.run = 0
        self.said = 0
        self.seen = 0
        self.since = 0
        self.usual = 0.0
        self.wrong = False

    def see(self, at: int, value: float, companion: float | None = None) -> Verdict | None:
        """Take a good reading and, where there is one, a companion's newest value.

        The companion is what must move too when the world does: the same device's other
        quantity, or a second sensor in the place.
        """
        step = at - self.last_at
        if step > self.params.cover:
            step = self.params.cover if self.last is not None else 0
        self.last_at = at
        if value != self.last:
            return self._changed(at, value, step)
        self.run += step
        if at < self.due:
            return None
        self.due = at + MINUTE
        if companion is not None:
            self._companion(companion)
        return self._judge(at, value)

    def away(self, since: int, now: int) -> None:
        """Let the run stand where it was."""
        del since
        self.last_at = now

    def _changed(self, at: int, value: float, step: int) -> Verdict | None:
        run, self.run = self.run + step, 0
        self.seen += run
        self.last, self.companion = value, None
        if self.wrong:
            self.changes += 1
            if self.changes < 3:
                return None
            self.wrong, self.changes = False, 0
            return Verdict(RULE, wrong=False, since=self.since, value=value, reason=("It moves again.",))
        self.since = at
        self.usual = max(float(run), self.usual * (1 - run / self.params.forget)) if run else self.usual
        return None

    def _companion(self, value: float) -> None:
        if self.companion is None:
            self.companion = [value, value]
        elif value < self.companion[0]:
            self.companion[0] = value
        elif value > self.companion[1]:
            self.companion[1] = value

    def _limit(self) -> float:
        """Give the run that is a fault now, ms."""
        params = self.params
        moves = self.companion is not None and self.companion[1] - self.companion[0] >= params.companion_moves
        if self.seen < params.learning or not self.usual:
            return params.suspect if moves and self.usual else params.fail
        times = params.companion_times if moves else params.times
        return min(params.fail, max(params.least, times * self.usual))

    def _judge(self, at: int, value: float) -> Verdict | None:
        params = self.params
        if params.rail_high is not None and value >= params.rail_high:
            return None
        if params.rail_low is not None and value <= params.rail_low:
            return None
        if self.wrong:
            self.changes = 0
            if at - self.said < 6 * RENEW:
                return None
        elif self.run < self._limit():
            return None
        self.wrong, self.said = True, at
        return Verdict(
            RULE,
            wrong=True,
            since=self.since,
            priority=Priority.MEDIUM,
            value=value,
            reason=(
                "The sensor has said ",
                Number(value, params.unit, 3),
                " to the last digit for ",
                Lasting(self.run),
                "; usually it changes within ",
                Lasting(int(self.usual) or params.fail),
                ".",
            ),
            advice=("Look at the place with another thermometer; then take the sensor's power off and on.",),
        )
