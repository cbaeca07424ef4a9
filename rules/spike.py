"""Spikes: one reading that jumps out and comes back.

Source: spike test, differential method, of the IOOS QARTOD manual (v2.1): the neighbours
of a spike are not blamed. One spike is a suspect reading; many are a faulty sensor.
"""

from dataclasses import dataclass

from rules.detector import Detector
from rules.plan import Priority
from rules.reading import HOUR, MINUTE
from rules.verdict import Verdict
from rules.words import Number

RULE = "spikes"


def spike_height(before: float, value: float, after: float) -> float:
    """Give how far ``value`` stands out of both its neighbours; 0 where it lies between.

    NaN anywhere gives 0: not judged.
    """
    up, down = value - before, value - after
    return min(abs(up), abs(down)) if up * down > 0 else 0.0


@dataclass(frozen=True, slots=True)
class SpikeParams:
    """What is a spike. Own proposals.

    Attributes:
        height: A step of this much within cover is not believed until the next reading
            confirms it, K or percent.
        cover: Readings further apart than this say nothing of a spike, ms.
        many: So many within ``window`` are a faulty sensor.
        window: … ms.
        unit: The unit for the words.
    """

    height: float = 3.0
    cover: int = MINUTE
    many: int = 4
    window: int = HOUR
    unit: str = "K"


class Spike(Detector[SpikeParams]):
    """Watches one curve for spikes.

    ``doubtful`` tells right after ``see`` whether that very reading is to be held back
    (quality *spike*): a step that no reading has confirmed yet. A lid that is opened is
    confirmed by the next reading and judged then.
    """

    __slots__ = ("before", "doubtful", "last", "last_at", "spikes", "wrong")

    def __init__(self, params: SpikeParams | None = None) -> None:
        """Begin without a reading."""
        super().__init__(params or SpikeParams())
        self.before: float | None = None
        self.doubtful = False
        self.last = 0.0
        self.last_at = 0
        self.spikes: list[int] = []
        self.wrong = False

    def see(self, at: int, value: float) -> Verdict | None:
        """Take a reading that is neither late nor bad."""
        step = value - self.last
        if -self.params.height < step < self.params.height and not self.doubtful:
            self.last, self.last_at, self.before = value, at, value
            return self._calm(at) if self.wrong else None
        return self._jump(at, value)

    def _jump(self, at: int, value: float) -> Verdict | None:
        params = self.params
        near = self.before is not None and at - self.last_at <= params.cover
        doubted, before, last = self.doubtful, self.before, self.last
        self.last_at, self.last = at, value
        if not near or before is None:
            self.before, self.doubtful = value, False
            return None
        if doubted:
            height = spike_height(before, last, value)
            self.doubtful = False
            self.before = value
            return self._spike(at, height) if height >= params.height * 0.8 else None
        self.doubtful = True
        return None

    def _spike(self, at: int, height: float) -> Verdict | None:
        params = self.params
        self.spikes = [one for one in self.spikes if at - one < params.window]
        self.spikes.append(at)
        del self.spikes[:-20]
        if self.wrong or len(self.spikes) < params.many:
            return None
        self.wrong = True
        return Verdict(
            RULE,
            wrong=True,
            since=self.spikes[0],
            priority=Priority.MEDIUM,
            value=round(height, 3),
            reason=(
                f"{len(self.spikes)} readings within an hour jumped out and came back, the last by ",
                Number(height, params.unit),
                ".",
            ),
            advice=("Look at the cable, the plug and the power of this sensor.",),
        )

    def _calm(self, at: int) -> Verdict | None:
        if at - self.spikes[-1] < 2 * self.params.window:
            return None
        self.wrong = False
        since, self.spikes = self.spikes[0], []
        return Verdict(RULE, wrong=False, since=since, reason=("No spike for two hours.",))
