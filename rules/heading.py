"""Heading out of range: heat lost, or a heater stuck on, told before it does harm.

A place whose heat is kept swings within bounds that it learns of itself (hourly lowest
and highest). Heat is lost when the value is beyond those bounds and goes on at a pace
that Newton's law allows; a heater stuck on is the same upwards, and a compressor that never
stops drives a cold store down. Told apart from

* the thermostat's swing: it stays within the learnt bounds;
* a lid that is opened: a fast drop that levels off or comes back;
* an overshoot: each block adds less, and what is still to come stays inside;
* a change of period: the caller names the limits of the coming period, and hushes.

Source: lumped cooling (Incropera & DeWitt, ch. 5), re-fitted on the live decay, because
the time to a limit inside the same curve is wrong by 1–2 % where a stored τ is wrong by
12 %. Decision values are own proposals, tuned on simulated boxes.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, log

from rules.detector import RENEW, Detector
from rules.plan import Priority
from rules.reading import HOUR, MINUTE
from rules.thermal import Forecast, Surroundings, forecast
from rules.trend import median
from rules.verdict import Verdict
from rules.words import Degrees, Instant, Number, Sentence

RULE = "heading out of range"

FALLING, RISING = -1, 1


@dataclass(frozen=True, slots=True)
class HeadingParams:
    """How a way out of range is recognised. Own proposals.

    Attributes:
        step: Means over this span are judged, ms; at least ``every`` of the sensor.
        cover: A gap longer than this begins the recognition anew, ms (2 × ``every``).
        block: So many means are one block; three blocks on end are compared.
        slow: So many blocks are one slow block, for places that cool over many hours.
        noise: A block must move by at least this to count as moving, K.
        margin: The learnt bounds are left when the value is this far beyond them, K.
        unlearnt: … and where none are learnt yet, this far from where it came, K.
        abrupt: A step outwards from one mean to the next above this, and above twice the
            steepest that is usual, is a lid: it is waited for ``wait``, K.
        wait: … ms.
        opened: … and a range that is left downwards meanwhile is waited for so long, ms.
        again: … once in so long, ms.
        levelling: A block that moves less than this share of the one before levels off.
        sudden: A block that moved less than this share of the one after it was none: a lid.
        steep: A pace above this that no learnt τ vouches for needs a block more, K/min (an
            open lid is steep).
        patience: A fall whose early bound is further than this must last a block more (what
            an open lid cools does not go on; a slow sensor sees it in two readings), ms.
        lesson: Where it came back of itself, as far as that is no news for so long, ms.
        horizon: It is told when the early bound is nearer than this, and the expected instant
            not much further, ms.
        rise: … upwards nearer than this: what warms by day flattens long before, ms.
        soon: … and a rise whose early bound is further than this, ms …
        share: … must have gone this share of the way from the bound to the limit: a thermostat
            that was turned stops soon.
        hours: So many hourly lowest and highest values make the bounds.
        cold: A cold store: a machine drives it down, so the room's air says nothing of a fall,
            and the bounds are the extremes of those hours, not their bulk. (What falls there
            from a defrost before it is learnt is none, and no rise is foreseen: that is
            ``rules.cooling``.)
        ambient_guess: Surroundings where none are measured, °C (for the expected
            instant; the early bound does not need them).
    """

    step: int = MINUTE
    cover: int = 2 * MINUTE
    block: int = 5
    slow: int = 4
    noise: float = 0.05
    margin: float = 0.3
    unlearnt: float = 2.5
    abrupt: float = 0.5
    wait: int = 15 * MINUTE
    opened: int = 30 * MINUTE
    again: int = 20 * MINUTE
    levelling: float = 0.35
    sudden: float = 0.25
    steep: float = 0.06
    patience: int = 45 * MINUTE
    lesson: int = 12 * HOUR
    horizon: int = 4 * HOUR
    rise: int = 4 * HOUR
    soon: int = 20 * MINUTE
    share: float = 0.3
    hours: int = 24
    cold: bool = False
    ambient_guess: float = 20.0

    @classmethod
    def of(cls, every: int, *, cold: bool = False, lit: bool = False) -> "HeadingParams":
        """Give the parameters for a sensor that reports every ``every`` ms.

        Args:
            every: ms.
            cold: See the attribute.
            lit: Lamps warm the place: it wanders by day more than a box does.
        """
        step = max(MINUTE, every)
        block = max(2, min(5, round(5 * MINUTE / step)))
        patience = (45 if block == 5 else 20) * MINUTE
        plain = cls(step, 2 * every, block, patience=patience, abrupt=0.5 * step / MINUTE)
        if cold:
            return replace(plain, margin=0.8, unlearnt=inf, rise=0, cold=True)
        return replace(plain, margin=0.8, rise=60 * MINUTE) if lit else plain


@dataclass(frozen=True, slots=True)
class Moving:
    """How a value moves outwards; K per block, positive is towards the limit.

    Attributes:
        now: The value now, as the blocks have it, °C.
        last: What the last block moved.
        before: What the one before it moved.
        earlier: What the one before that moved, or None.
        newest: Its pace over the last few means, K/ms.
        span: How long a block is, ms.
    """

    now: float
    last: float
    before: float
    earlier: float | None
    newest: float
    span: int

    def fastest(self, noise: float) -> float:
        """Give the pace that is the fastest to be feared, K/ms, always above 0."""
        feared = max(self.before, self.last + 0.7 * (self.last - self.before), noise) + noise
        return max(feared / self.span, self.newest * 1.2)

    def still_to_come(self) -> float:
        """Give how far it goes on if each block adds the same share less, K."""
        share = self.last / self.before
        return inf if share >= 1 else self.last * share / (1 - share)


def _bounds(extremes: Sequence[float], side: int, wide: float, params: HeadingParams) -> float | None:
    """Give the learnt bound of one side (``side`` -1 lowest, 1 highest), or None.

    The bulk of the day, and no less than the second most extreme of the last six hours
    (one lid does not move it), with half the usual swing ``wide`` (K) to spare.
    """
    if len(extremes) < 3:
        return None
    outwards = sorted((side * value for value in extremes), reverse=True)
    if params.cold:
        return side * (outwards[0] + params.margin)
    quarter = outwards[len(outwards) // 4]
    bulk = quarter + max(params.margin, 2 * (quarter - median(outwards)))
    lately = sorted(side * value for value in extremes[-6:])
    return side * max(bulk, lately[-2] + max(params.margin, wide / 2))


class Heading(Detector[HeadingParams]):
    """Watches one curve of temperature for heat lost and heaters stuck on.

    Per reading it adds to a sum; once a minute it looks at the bounds, and only beyond
    them at blocks. Readings that are not there prove nothing: a gap begins the
    recognition anew and clears nothing.

    Attributes:
        ahead: The newest forecast as instants (early, expected, late; the last may be
            missing), for the page; None while nothing is foreseen.
    """

    __slots__ = (
        "ahead",
        "been",
        "blocks",
        "due",
        "extreme",
        "highs",
        "hour",
        "hour_high",
        "hour_low",
        "lower",
        "lows",
        "means",
        "minutes",
        "n",
        "opened",
        "period",
        "quiet",
        "said",
        "side",
        "since",
        "steep",
        "steepest",
        "steps",
        "tau",
        "total",
        "upper",
    )

    def __init__(self, params: HeadingParams | None = None) -> None:
        """Begin with nothing learnt."""
        super().__init__(params or HeadingParams())
        self.ahead: list[int | None] | None = None
        self.been: list[list[float]] = []
        self.blocks: list[float] = []
        self.due = 0
        self.extreme = 0.0
        self.highs: list[list[float]] = [[], []]
        self.lows: list[list[float]] = [[], []]
        self.hour = 0
        self.hour_high = -1e9
        self.hour_low = 1e9
        self.lower: float | None = None
        self.upper: float | None = None
        self.means: list[float] = []
        self.minutes = 0
        self.n = 0
        self.opened = 0
        self.period = 0
        self.quiet = 0
        self.said = 0
        self.side = 0
        self.since = 0
        self.steep = 0.0
        self.steepest: float | None = None
        self.steps: list[float] = []
        self.tau: list[float] | None = None
        self.total = 0.0

    def see(
        self, at: int, value: float, low: float | None, high: float | None, ambient: float | None = None
    ) -> Verdict | None:
        """Take a good reading.

        Args:
            at: Its instant, ms.
            value: °C.
            low: Lower end of safe that counts (the wider of both periods after a
                change), °C, or None.
            high: Upper end, °C, or None.
            ambient: Temperature of what the place stands in (the room's air), °C, or
                None where it is not measured.

        Returns:
            A verdict when the way out is recognised, renewed or over; else None.
        """
        self.total += value
        self.n += 1
        if at < self.due:
            return None
        if self.due and at - self.due > self.params.cover:
            self._anew()
            self.total, self.n = value, 1
        return self._minute(at, low, high, ambient)

    def turn(self, period: int) -> None:
        """Begin another period (0 day, 1 night): its own bounds count."""
        if period != self.period:
            self.period = period
            self._learn_bounds()
            self._begin_hour(0)

    def hush(self, until: int) -> None:
        """Recognise nothing and learn nothing before ``until`` (lamps, an open lid)."""
        self.quiet = max(self.quiet, until)

    def learnt(self, tau: float, spread: float) -> None:
        """Take the place's time constant (ms) and the spread of its logarithm."""
        self.tau = [tau, spread]

    def away(self, since: int, now: int) -> None:
        """Begin the recognition anew; what is learnt and raised stays."""
        del since, now
        self._anew()

    def _anew(self) -> None:
        self.means, self.blocks = [], []
        self.total, self.n = 0.0, 0
        self._begin_hour(0)

    def _begin_hour(self, at: int) -> None:
        self.hour, self.minutes = at, 0
        self.hour_low, self.hour_high = 1e9, -1e9

    def _minute(
        self, at: int, low: float | None, high: float | None, ambient: float | None
    ) -> Verdict | None:
        params = self.params
        ambient = None if params.cold else ambient
        mean = self.total / self.n
        self.due = at + params.step
        self.total, self.n = 0.0, 0
        means = self.means
        if means:
            self._step(at, mean - means[-1])
        means.append(mean)
        if len(means) > 4 * params.block:
            del means[0]
        self._hourly(at, mean)
        if self.side:
            return self._follow(at, low if self.side < 0 else high, ambient)
        if at < self.quiet:
            return None
        lower, upper = self.lower, self.upper
        if lower is not None and upper is not None and lower < mean < upper:
            return None
        if self._beyond(mean, FALLING) and low is not None and (high is None or mean < (low + high) / 2):
            return self._judge(at, FALLING, low, ambient)
        if self._beyond(mean, RISING) and high is not None and (low is None or mean > (low + high) / 2):
            return self._judge(at, RISING, high, ambient)
        return None

    def _step(self, at: int, step: float) -> None:
        """Note how steep a step is; an abrupt one is a lid and is waited for."""
        size = abs(step)
        self.steep = max(self.steep, size)
        usual = self.params.abrupt if self.steepest is None else 2 * self.steepest
        if not self.side and size > max(self.params.abrupt, usual):
            self.quiet = max(self.quiet, at + self.params.wait)
            if step < 0 and self.steepest is not None and at - self.opened > self.params.again:
                self.opened = at + self.params.opened
            self.means, self.blocks = [], []

    def _hourly(self, at: int, mean: float) -> None:
        """Keep blocks for slow places, and the hour's lowest and highest."""
        self.minutes += 1
        if self.minutes % self.params.block == 0:
            self.blocks.append(sum(self.means[-self.params.block :]) / self.params.block)
            del self.blocks[: -3 * self.params.slow]
        self.hour_low = min(self.hour_low, mean)
        self.hour_high = max(self.hour_high, mean)
        unusual = at < self.quiet and not self.params.cold
        if not self.hour or self.side or unusual:
            self.hour, self.hour_low, self.hour_high, self.steep = at, mean, mean, 0.0
        elif at - self.hour >= HOUR:
            self.lows[self.period].append(self.hour_low)
            self.highs[self.period].append(self.hour_high)
            del self.lows[self.period][: -self.params.hours]
            del self.highs[self.period][: -self.params.hours]
            self.steps.append(self.steep)
            del self.steps[: -self.params.hours]
            self.steepest = median(self.steps) if len(self.steps) >= 3 else None
            self._learn_bounds()
            self.hour, self.hour_low, self.hour_high, self.steep = at, mean, mean, 0.0

    def _learn_bounds(self) -> None:
        lows, highs = self.lows[self.period], self.highs[self.period]
        wide = median([high - low for low, high in zip(lows, highs, strict=True)]) if lows else 0.0
        self.lower = _bounds(lows, FALLING, wide, self.params)
        self.upper = _bounds(highs, RISING, wide, self.params)

    def _beyond(self, mean: float, side: int) -> bool:
        """Tell whether the last few means are all beyond the bound: one drop is no way out."""
        for way, furthest, until in self.been:
            if way == side and self.hour < until and side * (mean - furthest) < self.params.margin:
                return False
        bound = self.lower if side < 0 else self.upper
        if bound is None:
            return side < 0 and max(self.means + self.blocks) - mean >= self.params.unlearnt
        lately = self.means[1 - self.params.block :]
        return side * ((min(lately) if side > 0 else max(lately)) - bound) >= 0

    def _moving(self, side: int) -> Moving | None:
        """Tell how it moves where it does so steadily: by short blocks, else by slow ones."""
        size = self.params.block
        values, span = self.means, size * self.params.step
        short = self._steady(side, values, size, span)
        if short is not None or len(self.blocks) < 3 * self.params.slow:
            return short
        return self._steady(side, self.blocks, self.params.slow, span * self.params.slow)

    def _steady(self, side: int, values: list[float], size: int, span: int) -> Moving | None:
        if len(values) < 3 * size:
            return None
        newest = sum(values[-size:]) / size
        middle = sum(values[-2 * size : -size]) / size
        oldest = sum(values[-3 * size : -2 * size]) / size
        last, before = side * (newest - middle), side * (middle - oldest)
        params = self.params
        if min(last, before) < params.noise or last < params.levelling * before:
            return None
        if before < params.sudden * last:
            return None
        if side * (self.means[-1] - newest) < 0 or self._newest(side) < 0:
            return None
        earlier = None
        if len(values) >= 4 * size:
            earlier = side * (oldest - sum(values[-4 * size : -3 * size]) / size)
        now = newest + side * last / 2
        return Moving(
            side * max(side * now, side * self.means[-1]), last, before, earlier, self._newest(side), span
        )

    def _newest(self, side: int) -> float:
        means = self.means
        return side * (means[-1] + means[-2] - means[-4] - means[-5]) / (6 * self.params.step)

    def _judge(self, at: int, side: int, limit: float, ambient: float | None) -> Verdict | None:
        moving = self._moving(side)
        if moving is None:
            return None
        away = side * (limit - moving.now)
        if away <= 0 or not self._lost(moving, side, limit, ambient):
            return None
        ahead = self._forecast(moving, side, limit, ambient)
        horizon = self.params.horizon if side < 0 else self.params.rise
        if ahead is None or ahead.early > horizon or ahead.expected > 1.25 * horizon:
            return None
        if side > 0 and ahead.early > self.params.soon and self._near_the_bound(moving.now, limit):
            return None
        lasting = moving.earlier is not None and moving.earlier >= self.params.noise
        if side < 0 and not lasting and ahead.early > self.params.patience:
            return None
        self.side, self.since, self.extreme = side, at - 3 * moving.span, moving.now
        return self._say(at, limit, moving, ahead)

    def _near_the_bound(self, now: float, limit: float) -> bool:
        """Tell whether a rise has only just left what is usual."""
        bound = self.upper
        return bound is not None and now - bound < self.params.share * (limit - bound)

    def _lost(self, moving: Moving, side: int, limit: float, ambient: float | None) -> bool:
        """Tell whether the pace is that of heat lost (or put in), and does not fade inside."""
        if moving.before > 3 * self.params.noise:
            share = moving.last / moving.before
            to_come = moving.still_to_come()
            if share < 0.8 and side * (limit - moving.now) > to_come + 0.3:
                return False
        pace, params = moving.last / moving.span, self.params
        if side < 0 and ambient is not None and self.tau is not None:
            full = (moving.now - ambient) / self.tau[0]
            if pace < 0.35 * full:
                return False
            if pace <= 1.4 * full:
                return True
        if pace <= params.steep / MINUTE:
            return True
        # A steep pace is believed where it has lasted: a lid is a step, a lost heater is none.
        earlier = 0.0 if moving.earlier is None else moving.earlier
        least = params.levelling * moving.last
        return min(moving.before, earlier) >= least and moving.before >= params.levelling * earlier

    def _forecast(self, moving: Moving, side: int, limit: float, ambient: float | None) -> Forecast | None:
        """Forecast the way out; None where the surroundings will not carry it there.

        Early: the tangent at the fastest pace to be feared (an exponential only slows
        down), and never later than what the learnt τ allows.
        """
        away = side * (limit - moving.now)
        early = away / moving.fastest(self.params.noise)
        pace = moving.last / moving.span
        end = self._end(side, limit, ambient, moving)
        if end is None:
            return None if ambient is not None and side < 0 else Forecast(early, away / pace, inf)
        distance = abs(moving.now - end)
        rate = pace / distance
        expected = log(distance / abs(limit - end)) / rate
        if ambient is not None and self.tau is not None and end == ambient:
            known = forecast(moving.now, limit, Surroundings(ambient, self.tau[0], 1.0, self.tau[1]))
            early = min(early, known.early) if known else early
        return Forecast(min(early, expected), expected, max(1.6 * expected, 2 * expected - early))

    def _end(self, side: int, limit: float, ambient: float | None, moving: Moving) -> float | None:
        """Give where it would come to rest, beyond the limit, or None: not known."""
        if ambient is not None and (side < 0 or ambient > limit):
            return ambient if side * (ambient - limit) > 0.3 and side * (ambient - moving.now) > 0 else None
        if side > 0:
            to_come = moving.still_to_come()
            return None if to_come in (inf, 0) or to_come < limit - moving.now + 0.2 else moving.now + to_come
        return min(self.params.ambient_guess, limit - 3.0)

    def _say(self, at: int, limit: float, moving: Moving, ahead: Forecast) -> Verdict:
        self.said = at
        instants = [at + int(ahead.early), at + int(ahead.expected)]
        late = None if ahead.late == inf else at + int(ahead.late)
        self.ahead = [*instants, late]
        return Verdict(
            rule=RULE,
            wrong=True,
            since=self.since,
            priority=Priority.HIGH,
            value=round(moving.now, 3),
            reason=_reason(self.side, limit, moving, instants),
            advice=_TOO_COLD if self.params.cold else _ADVICE[self.side],
        )

    def _follow(self, at: int, limit: float | None, ambient: float | None) -> Verdict | None:
        """Renew the words of a way out, or see that it is over."""
        size, side = self.params.block, self.side
        if len(self.means) < size:
            return None
        newest = sum(self.means[-size:]) / size
        self.extreme = side * max(side * self.extreme, side * newest)
        inside = limit is None or side * (limit - newest) > 0
        if side * (self.extreme - newest) >= 0.4 and inside:
            self._note_been(at)
            return self._over(at, newest, "It is coming back: ")
        if inside and self._stopped(side):
            self._note_been(at)
            return self._over(at, newest, "It has stopped at ")
        if at - self.said < RENEW or limit is None or not inside:
            return None
        moving = self._moving(side)
        ahead = self._forecast(moving, side, limit, ambient) if moving else None
        return self._say(at, limit, moving, ahead) if moving and ahead else None

    def _note_been(self, at: int) -> None:
        """Remember how far it went and came back from: as far as that is no news for a while."""
        self.been = [one for one in self.been if one[2] > at and one[0] != self.side]
        self.been.append([self.side, round(self.extreme, 3), at + self.params.lesson])

    def _stopped(self, side: int) -> bool:
        """Tell whether nothing moved outwards for 40 min."""
        blocks = self.blocks
        if len(blocks) < 8:
            return False
        return side * (sum(blocks[-4:]) - sum(blocks[-8:-4])) / 4 < self.params.noise / 2

    def _over(self, at: int, value: float, words: str) -> Verdict:
        del at
        self.side, self.ahead, self.blocks = 0, None, []
        since, self.since = self.since, 0
        return Verdict(
            RULE, wrong=False, since=since, value=round(value, 3), reason=(words, Degrees(value), ".")
        )


_ADVICE: dict[int, Sentence] = {
    FALLING: (
        "Look at the heater, its plug and its thermostat; keep the lid shut. ",
        "Common practice: wrap the place, or put warm (not hot) water bottles beside it.",
    ),
    RISING: (
        "Switch the heater off by hand and look at its thermostat; open the lid a little. ",
        "An independent cut-out belongs on every heater.",
    ),
}


_TOO_COLD: Sentence = (
    "Look at its thermostat: turn it warmer or switch it off by hand before something freezes, ",
    "and take out what must not.",
)


def _reason(side: int, limit: float, moving: Moving, instants: list[int]) -> Sentence:
    verb, beyond = ("Falling", " Below ") if side < 0 else ("Rising", " Above ")
    pace = moving.last / moving.span * HOUR
    return (
        f"{verb} by ",
        Number(pace, "K/h"),
        ", at ",
        Degrees(round(moving.now, 3)),
        ".",
        beyond,
        Degrees(limit),
        " at about ",
        Instant(instants[1]),
        ", not before ",
        Instant(instants[0]),
        ".",
    )
