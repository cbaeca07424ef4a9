"""Drying out: a place that loses water over hours to days.

What falls is vapour pressure. But a wet box that cools has less of it too (its substrate
takes water back, relative humidity stays), and a closed box that warms has less relative
humidity (vapour pressure stays). Water is lost where *both* fall: what counts is the
smaller fall of ln e and ln RH. Lid openings are short: medians of ten-minute values over
two hours do not see them. Daily rhythms are met by comparing with the same hours of the
day before.

Source: domain knowledge of moist air (Magnus; see ``rules.psychrometrics``), medians and
Theil–Sen slope (Sen 1968). Decision values are own proposals. Substrate moisture itself
cannot be measured by a humidity sensor: -150 and -1100 kPa stand under air of 99.9 and
99.2 %.
"""

from dataclasses import dataclass
from math import exp, log

from rules import psychrometrics
from rules.detector import Detector
from rules.moisture import drying_advice
from rules.plan import PlaceKind, Priority, Stage
from rules.reading import DAY, HOUR, MINUTE
from rules.trend import median, theil_sen
from rules.verdict import Verdict
from rules.words import Instant, Lasting, Number, Percent, Sentence

RULE = "drying out"


@dataclass(frozen=True, slots=True)
class DryingParams:
    """When drying is told. Own proposals.

    Attributes:
        step: One pair per this span, ms.
        block: Medians over this span are compared, ms.
        day_fall: Told when it has lost this share against the same hours of the day
            before, and goes on.
        quick_fall: … or this share within six hours, to below all that was usual.
        young: … or this share within six hours where less than a day is known.
        near: … while it is within so much of the warmth that it had then, K: what a hot or a
            cold spell leaves behind is not told.
        ahead: … and safe humidity will be left within this span, ms (two days in an incubator:
            its own air follows the room's).
        saturated: From here on the sensor is wet and says nothing, percent.
    """

    step: int = 10 * MINUTE
    block: int = 2 * HOUR
    day_fall: float = 0.05
    quick_fall: float = 0.08
    young: float = 0.25
    near: float = 0.8
    ahead: int = 7 * DAY
    saturated: float = 98.0

    @classmethod
    def of(cls, kind: PlaceKind) -> "DryingParams":
        """Give the parameters for a kind of place."""
        return cls(ahead=2 * DAY) if kind is PlaceKind.INCUBATOR else cls()


class DryingOut(Detector[DryingParams]):
    """Watches temperature and humidity of one sensor in a box or incubator.

    Attributes:
        leaves: Instant at which safe humidity will be left, or None.
    """

    __slots__ = (
        "block_at",
        "due",
        "humidities",
        "leaves",
        "pressures",
        "said",
        "since",
        "temperature",
        "values_e",
        "values_rh",
        "values_t",
        "warmths",
        "wrong",
    )

    def __init__(self, params: DryingParams | None = None) -> None:
        """Begin without a past."""
        super().__init__(params or DryingParams())
        self.block_at = 0
        self.due = 0
        self.leaves: int | None = None
        self.humidities: list[float] = []
        self.pressures: list[float] = []
        self.said = 0
        self.since = 0
        self.temperature = 0.0
        self.values_t: list[float] = []
        self.warmths: list[float] = []
        self.values_e: list[float] = []
        self.values_rh: list[float] = []
        self.wrong = False

    def see(
        self, at: int, temperature: float, humidity: float, safe_low: float | None, stage: Stage | None = None
    ) -> Verdict | None:
        """Take a good pair of one sensor.

        Args:
            at: Its instant, ms.
            temperature: °C.
            humidity: Percent.
            safe_low: Lower end of safe humidity, percent, or None: then nothing is told.
            stage: Stage of the animals, for the advice.
        """
        if at < self.due:
            return None
        self.due = at + self.params.step
        pressure = psychrometrics.vapour_pressure(temperature, humidity)
        if not pressure > 0 or humidity >= self.params.saturated:
            return None
        self.temperature = temperature
        self.values_t.append(temperature)
        self.values_e.append(log(pressure))
        self.values_rh.append(log(humidity))
        if not self.block_at:
            self.block_at = at
        if at - self.block_at < self.params.block:
            return None
        return self._block(at, safe_low, stage)

    def _block(self, at: int, safe_low: float | None, stage: Stage | None) -> Verdict | None:
        params = self.params
        full = len(self.values_e) >= params.block // params.step // 2
        missing = (at - self.block_at) // params.block - 1
        if missing > 0:
            self.humidities.extend(self.humidities[-1:] * min(missing, 12))
            self.pressures.extend(self.pressures[-1:] * min(missing, 12))
            self.warmths.extend(self.warmths[-1:] * min(missing, 12))
        if full:
            self.pressures.append(round(median(self.values_e), 5))
            self.humidities.append(round(median(self.values_rh), 5))
            self.warmths.append(round(median(self.values_t), 3))
        self.values_e, self.values_rh, self.values_t, self.block_at = [], [], [], at
        del self.humidities[:-36], self.pressures[:-36], self.warmths[:-36]
        if not full or safe_low is None:
            return None
        return self._judge(at, safe_low, stage)

    def _lost(self, back: int) -> float:
        """Give the share of water that was lost in the last ``back`` blocks, in ln."""
        return min(
            self.humidities[-1 - back] - self.humidities[-1], self.pressures[-1 - back] - self.pressures[-1]
        )

    def _judge(self, at: int, safe_low: float, stage: Stage | None) -> Verdict | None:
        if self.wrong:
            return self._follow(at, safe_low, stage)
        if not (self._slowly() or self._quickly()):
            return None
        self.leaves = self._when(at, safe_low)
        if self.leaves is None or self.leaves - at > self.params.ahead:
            return None
        self.wrong, self.since = True, at - self._back() * self.params.block
        return self._say(at, safe_low, stage)

    def _slowly(self) -> bool:
        """Lost against the same hours of the day before, twice on end, and still falling.

        What only comes back to where it was before (after misting) has lost nothing.
        """
        if len(self.humidities) < 14:
            return False
        if len(self.humidities) > 16 and self.humidities[-1] > min(self.humidities[:-13]) - 0.01:
            return False
        before = min(self.humidities[-14] - self.humidities[-2], self.pressures[-14] - self.pressures[-2])
        fall = self.params.day_fall
        return (
            self._as_warm(12)
            and self._lost(12) >= fall
            and before >= 0.8 * fall
            and self._lost(6) >= 0.25 * fall
        )

    def _as_warm(self, back: int) -> bool:
        """Tell whether it has been about as warm as now for the last ``back`` blocks."""
        lately = self.warmths[-1 - back :]
        return max(lately) - min(lately) <= self.params.near

    def _quickly(self) -> bool:
        """Lost within six hours, in every block of them, to below all that was usual."""
        if len(self.humidities) < 4:
            return False
        steady = all(
            min(series[index] - series[index + 1] for series in (self.humidities, self.pressures)) > 0.005
            for index in (-4, -3, -2)
        )
        if not steady or not self._as_warm(3):
            return False
        if len(self.humidities) < 13:
            return self._lost(3) >= self.params.young
        below = self.humidities[-1] < min(self.humidities[:-3]) - 0.02 and self.pressures[-1] < min(
            self.pressures[:-3]
        )
        return below and self._lost(3) >= self.params.quick_fall

    def _back(self) -> int:
        """Give since how many blocks it has been falling."""
        peak = max(range(len(self.humidities)), key=lambda index: self.humidities[index])
        return len(self.humidities) - 1 - peak

    def _when(self, at: int, safe_low: float) -> int | None:
        """Give the instant at which safe humidity is left, by the slope of the last day."""
        newest = self.humidities[-1]
        over = newest - log(safe_low) if safe_low > 0 else 1e9
        if over <= 0:
            return at
        window = self.humidities[-min(13, max(4, self._back() + 1)) :]
        slope = theil_sen(window)
        return None if slope >= 0 else at + int(over / -slope * self.params.block)

    def _follow(self, at: int, safe_low: float, stage: Stage | None) -> Verdict | None:
        rose = -self._lost(3) >= 0.04 or -self._lost(1) >= 0.08
        if rose or (len(self.humidities) > 12 and self._lost(12) < 0.01):
            self.wrong, self.leaves = False, None
            words = "It is moister again, at " if rose else "It has stopped drying, at "
            return Verdict(RULE, wrong=False, since=self.since, reason=(words, Percent(self._percent()), "."))
        self.leaves = self._when(at, safe_low)
        return self._say(at, safe_low, stage) if at - self.said >= 6 * HOUR else None

    def _percent(self) -> float:
        return round(exp(self.humidities[-1]), 1)

    def _say(self, at: int, safe_low: float, stage: Stage | None) -> Verdict:
        self.said = at
        back = min(max(1, self._back()), len(self.humidities) - 1)
        lost = 100 * (1 - exp(-max(0.0, self._lost(back))))
        head: Sentence = (
            "Lost ",
            Number(lost, "% of its water vapour"),
            " in ",
            Lasting(back * self.params.block),
            ", and not by temperature; now ",
            Percent(self._percent()),
            ".",
        )
        tail: Sentence = ()
        if self.leaves is not None:
            tail = (" Below ", Percent(safe_low), " at about ", Instant(self.leaves), ".")
        return Verdict(
            RULE,
            wrong=True,
            since=self.since,
            priority=Priority.MEDIUM,
            value=self._percent(),
            reason=(*head, *tail),
            advice=drying_advice(stage, self.temperature),
        )
