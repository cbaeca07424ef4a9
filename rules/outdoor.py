"""Outdoor pens: frost and overheating ahead of time, and sun on a sensor.

Ahead: half of what the same hours did yesterday, half of the present pace, damped (a
clear night's fall slows down). Sun on a sensor: the temperature leaps at sunrise while
humidity does not answer: air that warms by a degree loses about 6 % of its relative
humidity (d ln es/dT, Magnus).

Source: persistence of the day before is the usual yardstick of short forecasts; the
damping and the decision values are own proposals.
"""

from dataclasses import dataclass
from itertools import pairwise

from rules.detector import Detector
from rules.plan import Priority
from rules.psychrometrics import saturation_vapour_pressure
from rules.reading import HOUR, MINUTE
from rules.verdict import Verdict
from rules.words import Degrees, Instant, Kelvin, Sentence

GONE = 1.0
"""K; nearer than this to where it leapt from, or more even than this, the sun is gone."""

FROST, OVERHEATING, SUN = "frost ahead", "overheating ahead", "sun on the sensor"


@dataclass(frozen=True, slots=True)
class AheadParams:
    """How far ahead it looks. Own proposals.

    Attributes:
        step: One value per this span, ms; a day of them is kept.
        ahead: It looks so many steps ahead.
        damping: Share of the present pace that goes on.
        margin: The forecast must be beyond the limit by this, K.
        young: … and by this where no day before is known, K.
        near: … and the present pace alone must come this near to the limit, K: yesterday may
            have been another weather.
        fastest: Air rises by no more than this in a step, K: a faster rise is the sun on the
            sensor, and nothing is foreseen from it.
        fall: … and falls by no more than this in a step, K: a faster fall is the sun leaving it.
        gap: A gap longer than this forgets the curve, ms.
        priority: How soon a person must act.
    """

    step: int = 30 * MINUTE
    ahead: int = 4
    damping: float = 0.6
    margin: float = 0.8
    young: float = 1.5
    near: float = 2.0
    fastest: float = 4.0
    fall: float = 3.2
    gap: int = 2 * HOUR
    priority: Priority = Priority.MEDIUM


class Ahead(Detector[AheadParams]):
    """Watches the air of one pen for what it will do in the next two hours."""

    __slots__ = ("due", "n", "since", "total", "values", "wrong")

    def __init__(self, params: AheadParams | None = None) -> None:
        """Begin without a curve."""
        super().__init__(params or AheadParams())
        self.due = 0
        self.n = 0
        self.since = 0
        self.total = 0.0
        self.values: list[float] = []
        self.wrong = 0

    def see(self, at: int, value: float, low: float | None, high: float | None) -> Verdict | None:
        """Take a good reading, °C, and the ends of safe in the period that comes."""
        self.total += value
        self.n += 1
        if at < self.due:
            return None
        params = self.params
        if self.due and at - self.due > params.gap:
            self.values = []
        self.due = at + params.step
        mean, self.total, self.n = self.total / self.n, 0.0, 0
        self.values.append(round(mean, 3))
        del self.values[: -(24 * HOUR // params.step) - 1]
        if len(self.values) < 4:
            return None
        if self.wrong:
            return self._follow(at, mean, low, high)
        if self._not_air():
            return None
        return self._judge(at, mean, low, high)

    def _not_air(self) -> bool:
        """Tell whether the newest steps are too steep for air: sun on the sensor, or leaving it."""
        steps = [b - a for a, b in pairwise(self.values[-4:])]
        return max(steps) > self.params.fastest or min(steps) < -self.params.fall

    def forget(self) -> None:
        """Forget the curve: what was read is not the air."""
        self.values = []
        self.total, self.n = 0.0, 0

    def away(self, since: int, now: int) -> None:
        """Forget the curve after a long absence."""
        if now - since > self.params.gap:
            self.values = []

    def forecast(self, steps: int) -> float:
        """Give the temperature ``steps`` ahead, °C; call it with four values or more."""
        values, day = self.values, 24 * HOUR // self.params.step
        going = self._going(steps)
        if len(values) > day:
            yesterday = values[steps] - values[0]
            return values[-1] + (going + yesterday) / 2
        return values[-1] + going

    def _going(self, steps: int) -> float:
        """Give how far the present pace alone goes in so many steps, K."""
        pace = (self.values[-1] - self.values[-4]) / 3
        return sum((pace * float(self.params.damping ** (step / 3)) for step in range(steps)), 0.0)

    def _judge(self, at: int, now: float, low: float | None, high: float | None) -> Verdict | None:
        known = len(self.values) > 24 * HOUR // self.params.step
        margin = self.params.margin if known else self.params.young
        for side, limit in ((-1, low), (1, high)):
            if limit is None or side * (now - limit) >= 0 or side * (self.values[-1] - self.values[-3]) <= 0:
                continue
            for steps in range(1, self.params.ahead + 1):
                coming, alone = self.forecast(steps), self.values[-1] + self._going(steps)
                if side * (coming - limit) >= margin and side * (alone - limit) >= -self.params.near:
                    return self._say(at, side, limit, at + steps * self.params.step)
        return None

    def _say(self, at: int, side: int, limit: float, when: int) -> Verdict:
        self.wrong, self.since = side, at
        frost = side < 0
        now = self.values[-1]
        advice: Sentence = (
            ("Bring tender animals in, or cover the pen before dusk.",)
            if frost
            else ("Give shade and water; move animals out of a closed frame now.",)
        )
        return Verdict(
            FROST if frost else OVERHEATING,
            wrong=True,
            since=at,
            priority=self.params.priority,
            value=now,
            reason=(
                "Now ",
                Degrees(now),
                ", below " if frost else ", above ",
                Degrees(limit),
                " at about ",
                Instant(when),
                " if it goes on like this (a forecast from the curve alone).",
            ),
            advice=advice,
        )

    def _follow(self, at: int, now: float, low: float | None, high: float | None) -> Verdict | None:
        side, limit = self.wrong, low if self.wrong < 0 else high
        turned = side * (self.values[-1] - self.values[-4]) < 0
        if limit is not None and (not turned or side * (now - limit) > -1.0) and at - self.since < 18 * HOUR:
            return None
        self.wrong = 0
        rule = FROST if side < 0 else OVERHEATING
        return Verdict(rule, wrong=False, since=self.since, value=now, reason=("The curve has turned.",))


@dataclass(frozen=True, slots=True)
class SunParams:
    """What a leap of the sun is. Own proposals.

    Attributes:
        step: One pair per this span, ms.
        steps: A leap is judged over so many steps.
        leap: It rises by at least this, K.
        answer: Humidity answers with less than this share of what warm air would.
        over: It is over when the leap has gone back, when it has been even for a while, or
            after this, ms.
    """

    step: int = 5 * MINUTE
    steps: int = 5
    leap: float = 4.0
    answer: float = 0.4
    over: int = 8 * HOUR


class SunOnSensor(Detector[SunParams]):
    """Watches one outdoor sensor of temperature, with its humidity beside it.

    Attributes:
        lit: The sun is on it: what it says is not the air.
        ended: When it last left the sensor.
        wrong: … and that was told, because air so warm would be an alarm.
    """

    __slots__ = ("base", "due", "ended", "lit", "pairs", "since", "wrong")

    def __init__(self, params: SunParams | None = None) -> None:
        """Begin without a pair."""
        super().__init__(params or SunParams())
        self.base = 0.0
        self.due = 0
        self.ended = -(1 << 40)
        self.lit = False
        self.pairs: list[list[float]] = []
        self.since = 0
        self.wrong = False

    def see(
        self, at: int, temperature: float, humidity: float, high: float | None = None, *, day: bool
    ) -> Verdict | None:
        """Take a good pair.

        Args:
            at: Its instant, ms.
            temperature: °C.
            humidity: Percent.
            high: Upper end of safe, °C: below it the sun is known and not told.
            day: The sun may be up.
        """
        if at < self.due:
            return None
        params = self.params
        gap = self.due and at - self.due > 2 * params.step
        self.due = at + params.step
        if gap:
            self.pairs = []
        self.pairs.append([temperature, humidity])
        del self.pairs[: -params.steps - 1]
        if self.lit:
            return self._follow(at, temperature, high)
        if day and len(self.pairs) > params.steps and self._leapt():
            self.lit, self.since = True, at - params.steps * params.step
            self.base = self.pairs[0][0]
            return self._say(temperature, high)
        return None

    def _leapt(self) -> bool:
        """Tell whether it leapt and humidity did not answer as air would have it."""
        params = self.params
        (before, dry), (now, rh) = self.pairs[0], self.pairs[-1]
        if now - before < params.leap or dry <= 0:
            return False
        expected = dry * (1 - saturation_vapour_pressure(before) / saturation_vapour_pressure(now))
        return dry - rh < params.answer * expected

    def _say(self, now: float, high: float | None) -> Verdict | None:
        if high is not None and now <= high:
            return None
        self.wrong = True
        return Verdict(
            SUN,
            wrong=True,
            since=self.since,
            priority=Priority.LOW,
            value=now,
            reason=(
                "It leapt by ",
                Kelvin(round(now - self.base, 1)),
                " while humidity hardly moved: the sun is on the sensor, and this is not the air.",
            ),
            advice=("Shade the sensor; until then look at a second one before you trust this.",),
        )

    def _follow(self, at: int, now: float, high: float | None) -> Verdict | None:
        warmest, coolest = max(pair[0] for pair in self.pairs), min(pair[0] for pair in self.pairs)
        gone = now < self.base + GONE or (at - self.since > HOUR and warmest - coolest < GONE)
        if not gone and at - self.since < self.params.over:
            return None if self.wrong else self._say(now, high)
        self.lit, self.ended = False, at
        if not self.wrong:
            return None
        self.wrong = False
        return Verdict(
            SUN, wrong=False, since=self.since, value=now, reason=("The sun has left the sensor.",)
        )
