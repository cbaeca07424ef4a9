"""Not cooling: a cold store rises and nothing pulls it down, for longer than it ever takes there.

A thermostat swings, a defrost or an opened door lifts the air, and each time the machine
pulls it down again. How long that takes, a store shows of itself. A compressor that has
failed, a door that stands ajar and a defrost that does not end have one thing in common:
nothing pulls the air down. That is seen before the air, or what lies in it, is harmed.

Source: own proposal, tuned on simulated stores. Healthy freezers were up to 42 min above
-10 °C in a defrost (open logger records of two weeks), on their way down by then.
"""

from dataclasses import dataclass

from rules.detector import RENEW, Detector
from rules.plan import Priority
from rules.reading import HOUR, MINUTE
from rules.trend import median
from rules.verdict import Verdict
from rules.words import Degrees, Instant, Lasting, Sentence

RULE = "not cooling"


@dataclass(frozen=True, slots=True)
class CoolingParams:
    """When a store counts as not cooled. Own proposals.

    Attributes:
        cover: A gap longer than this begins the recognition anew, ms (two lost readings are none).
        margin: The usual top is this far above the highest of the usual hour, K …
        swing: … or this share of the usual swing, whichever is more.
        least: Nothing is told of a rise shorter than this, ms.
        more: A rise is unusual when it lasts so many times the longest usual one.
        fall: It is pulled down when it is this far below its peak, K …
        back: … and this share of what the peak was above the top.
        horizon: It is high where safe would be left within this at the pace that it had, ms.
        gone: A rise that was told is over when this share of it is gone …
        sure: … and it has been pulled down for so long, ms …
        turns: … or has turned so often and as far each time: it is held at another level …
        still: … or has gone no higher for so long, ms.
        learning: So many hours are learnt before anything is told.
        hours: So many hours are the usual ones.
        rises: So many rises are remembered, of those that last a quarter of ``least``.
        odd: So many of the longest of them teach nothing: a door that stood open is no custom.
    """

    cover: int = 5 * MINUTE
    margin: float = 0.8
    swing: float = 0.5
    least: int = 40 * MINUTE
    more: float = 2.0
    fall: float = 0.3
    back: float = 0.25
    horizon: int = 2 * HOUR
    gone: float = 0.1
    sure: int = 20 * MINUTE
    turns: int = 6
    still: int = 12 * HOUR
    learning: int = 48
    hours: int = 72
    rises: int = 20
    odd: int = 2


class Cooling(Detector[CoolingParams]):
    """Watches the air of one cold store.

    Attributes:
        middle: Its usual middle, °C, or None while it is learnt.
        top: Its usual top, °C.
        risen: The last instant at which it was at or below the middle, or was pulled down.
        peak: The highest since then, °C.
        peak_at: The instant of that.
        recovering: It was told and is pulled down, not yet to its middle.
        turned: Where it turned up and down while it is wrong, °C; the last one may go on.
        grave: It was told as high.
        rises: How long the latest rises above the top lasted until they were pulled down, ms.
    """

    __slots__ = (
        "grave",
        "high",
        "highs",
        "hour_at",
        "last_at",
        "low",
        "lows",
        "middle",
        "peak",
        "peak_at",
        "recovering",
        "risen",
        "rises",
        "said",
        "since",
        "top",
        "turned",
        "wrong",
    )

    def __init__(self, params: CoolingParams | None = None) -> None:
        """Begin with nothing learnt."""
        super().__init__(params or CoolingParams())
        self.grave = False
        self.high = -1e9
        self.highs: list[float] = []
        self.hour_at = 0
        self.last_at = 0
        self.low = 1e9
        self.lows: list[float] = []
        self.middle: float | None = None
        self.peak = -1e9
        self.peak_at = 0
        self.recovering = False
        self.rises: list[int] = []
        self.risen = 0
        self.said = 0
        self.since = 0
        self.top = 0.0
        self.turned: list[float] = []
        self.wrong = False

    def see(self, at: int, value: float, safe: float | None = None) -> Verdict | None:
        """Take a good reading of the air, °C, and the upper end of safe, °C, or None."""
        if at - self.last_at > self.params.cover:
            self.away(self.last_at, at)
        self.last_at = at
        self._hourly(at, value)
        if self.middle is None:
            return None
        if value > self.peak:
            self.peak, self.peak_at = value, at
        if self.wrong:
            return self._follow(at, value, self.middle, safe)
        if value <= self.middle or self.peak - value >= self._pull():
            if self.peak > self.top:
                self._learn(at - self.risen)
            self._begin(at, value, recovering=self.recovering and value > self.middle)
        elif value > self.top and at - self.risen >= self.longest() and self._knows():
            self.wrong, self.since, self.turned = True, self.risen, [value]
            return self._say(at, value, self._leaves(at, value, self.middle, safe), safe)
        return None

    def away(self, since: int, now: int) -> None:
        """Begin the recognition anew; what is learnt and told stays."""
        del since
        self.last_at = self.hour_at = now
        self.low, self.high = 1e9, -1e9
        self._begin(now, -1e9, recovering=self.recovering)

    def _begin(self, at: int, value: float, *, recovering: bool) -> None:
        """Begin a rise."""
        self.risen, self.peak, self.peak_at, self.recovering = at, value, at, recovering

    def longest(self) -> int:
        """Give how long a rise may last, ms."""
        return max(self.params.least, int(self.params.more * self.usual()))

    def usual(self) -> int:
        """Give the longest usual rise, ms, or 0."""
        ranked = sorted(self.rises, reverse=True)
        return ranked[self.params.odd] if len(ranked) > self.params.odd else 0

    def _knows(self) -> bool:
        return len(self.lows) >= self.params.learning

    def _hourly(self, at: int, value: float) -> None:
        """Keep the hour's lowest and highest, and learn from them what is usual."""
        params = self.params
        if at - self.hour_at >= HOUR:
            if not self.wrong and self.low <= self.high:
                self.lows = [*self.lows[1 - params.hours :], self.low]
                self.highs = [*self.highs[1 - params.hours :], self.high]
                wide = median([high - low for low, high in zip(self.lows, self.highs, strict=True)])
                self.middle = (median(self.lows) + median(self.highs)) / 2
                self.top = median(self.highs) + max(params.margin, params.swing * wide)
            self.hour_at, self.low, self.high = at, 1e9, -1e9
        self.low, self.high = min(self.low, value), max(self.high, value)

    def _pull(self) -> float:
        """Give how far below its peak it is pulled down, K; on its way back any further fall will do."""
        share = 0.0 if self.recovering else self.params.back
        return max(self.params.fall, share * (self.peak - self.top))

    def _learn(self, lasted: int) -> None:
        """Remember how long a rise took until it was pulled down, unless that was far from usual."""
        if self.params.least <= 4 * lasted and lasted <= 3 * self.longest():
            self.rises = [*self.rises[1 - self.params.rises :], lasted]

    def _leaves(self, at: int, value: float, middle: float, safe: float | None) -> int | None:
        """Give the instant at which safe is left at the pace of this rise, or None; now where it is left."""
        if safe is None:
            return None
        pace = (value - middle) / max(at - self.since, MINUTE)
        ahead = int(max(safe - value, 0.0) / pace)
        return at + ahead if ahead <= self.params.horizon else None

    def _follow(self, at: int, value: float, middle: float, safe: float | None) -> Verdict | None:
        """Renew the words of a rise, or see that it is over: pulled down, or held at another level."""
        pulled = self.peak - value >= max(self.params.fall, self.params.gone * (self.peak - middle))
        held = self._held(value) or at - self.peak_at >= self.params.still
        if value > middle and not held and not (pulled and at - self.peak_at >= self.params.sure):
            leaves = self._leaves(at, value, middle, safe)
            graver = leaves is not None and not self.grave and not pulled
            return self._say(at, value, leaves, safe) if graver or at - self.said >= 3 * RENEW else None
        if held:
            self.lows, self.highs, self.middle = [], [], None
        self._learn(at - self.since)
        self.wrong, self.grave = False, False
        self._begin(at, value, recovering=value > middle and not held)
        words = "It is held at another level now: " if held else "It cools again, now "
        reason: Sentence = (words, Degrees(round(value, 1)), ".")
        return Verdict(RULE, wrong=False, since=self.since, value=round(value, 3), reason=reason)

    def _held(self, value: float) -> bool:
        """Note where it turns; tell whether it swings about another level, which is learnt anew."""
        turned, count = self.turned, self.params.turns
        up = len(turned) % 2 == 1
        beyond = value - turned[-1] if up else turned[-1] - value
        if beyond > 0:
            turned[-1] = value
        elif -beyond >= self.params.fall:
            turned.append(value)
            if len(turned) > count + 2:
                del turned[:2]
        ends = turned[-count - 1 : -1]
        spread = max((max(side) - min(side) for side in (ends[::2], ends[1::2]) if side), default=0.0)
        return len(ends) == count and spread <= self.params.margin

    def _say(self, at: int, value: float, leaves: int | None, safe: float | None) -> Verdict:
        self.said, self.grave = at, self.grave or leaves is not None
        usual = self.usual()
        longest: Sentence = ("; here that takes ", Lasting(usual), " at most.") if usual else (".",)
        end: Sentence = ()
        if safe is not None and leaves is not None:
            end = (" Safe ends at ", Degrees(safe), ".")
            if leaves > at:
                end = (" Above ", Degrees(safe), " at about ", Instant(leaves), ".")
        reason: Sentence = (
            "For ",
            Lasting(at - self.since),
            " nothing has pulled it down, now ",
            Degrees(round(value, 1)),
            *longest,
            *end,
        )
        advice: Sentence = (
            "Is the door shut tight, is there power, does the compressor run, is it iced up? ",
            "Keep it shut meanwhile; leave its electrics and coolant to a qualified person.",
        )
        return Verdict(
            RULE,
            wrong=True,
            since=self.since,
            priority=Priority.HIGH if self.grave else Priority.MEDIUM,
            value=round(value, 3),
            reason=reason,
            advice=advice,
        )
