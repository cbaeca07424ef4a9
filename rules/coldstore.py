"""Cold stores: refrigerator, freezer and hibernation, each with its published limits.

Air jumps when a door opens or a defrost runs; what lies in it does not. So the air is
filtered with the lag of the goods, and the time above a limit is summed over openings and
restarts, and only forgotten after it was cold for long enough.

Sources: refrigerator at most 40 °F (4.4 °C), freezer at most 0 °F (-17.8 °C), two hours
above 40 °F in sum (one hour where it is above 90 °F / 32.2 °C around), closed refrigerator
cold for about 4 h without power, full freezer 48 h, half full 24 h (USDA FSIS and FDA food
safety guidance). These are rules for human food, and an upper bound of caution for feeder
animals. Hibernation: *Testudo hermanni* 4–10 °C, at most 20 weeks (Vetpedia). A freezer's
defrosts reach 40 min above -10 °C in healthy two-week logs: they are no fault.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Self

from rules.detector import RENEW, Detector
from rules.egg import EggLag, EggLagParams
from rules.plan import Priority, Store
from rules.reading import DAY, HOUR, MINUTE
from rules.verdict import Verdict
from rules.words import Degrees, Lasting, Sentence

FOOD, THAWING, FROST, WAKING, WEEKS = (
    "too warm for food",
    "thawing",
    "frost",
    "waking",
    "long in the cold",
)
"""Names of the rules."""

FOOD_LIMIT = 4.4
"""°C (40 °F), USDA FSIS."""

FREEZER_LIMIT = -17.8
"""°C (0 °F), USDA FSIS."""

HOT_ROOM = 32.2
"""°C (90 °F), USDA FSIS: above it one hour counts instead of two."""


AWAKE = 7 * DAY
"""So long out of the cold a winter is over, and its weeks are not those of the next (ms, ours)."""


@dataclass(frozen=True, slots=True)
class ColdStoreParams:
    """What is kept cold.

    Attributes:
        store: What it is for.
        cover: A reading stands for at most this long, ms.
        lag: Time constant of the goods, ms (own proposal: 30 min in a refrigerator,
            2 h in a freezer, 60 min in hibernation; domain: 20–60 min for air spikes).
        forget: After this long at or below the limit the sum begins anew, ms.
        freezer_margin: A freezer's goods may be this far above its limit, K (thermostats
            swing about -18).
        freezer_hold: … and are told of after this long, ms.
        thawed: Goods above this thaw, °C.
        coldest: Hibernation: goods below this may freeze, °C.
        warmest: Hibernation: above this animals wake, °C.
        waking: … after this long, ms.
        cold: Time counts as in the cold at or below this, °C.
        weeks: Told after so many weeks in the cold.
    """

    store: Store
    cover: int = MINUTE
    lag: int = 30 * MINUTE
    forget: int = 2 * HOUR
    freezer_margin: float = 1.5
    freezer_hold: int = 6 * HOUR
    thawed: float = -6.0
    coldest: float = 2.0
    warmest: float = 10.0
    waking: int = 24 * HOUR
    cold: float = 10.0
    weeks: int = 20

    @classmethod
    def of(cls, store: Store, cover: int = MINUTE) -> "ColdStoreParams":
        """Give the parameters of a kind of store."""
        lag = {Store.REFRIGERATOR: 30, Store.FREEZER: 120, Store.HIBERNATION: 60}[store]
        return cls(store, cover, lag * MINUTE)


class ColdStore(Detector[ColdStoreParams]):
    """Watches the air of one cold store.

    Attributes:
        goods: Estimated temperature of what lies in it, °C.
        above: Time above the limit in sum, ms.
        in_cold: Time in the cold in sum, ms (hibernation).
        awake: Time out of the cold on end, ms: after ``AWAKE`` of it the next winter begins.
    """

    __slots__ = (
        "_lag",
        "above",
        "awake",
        "below",
        "due",
        "filter",
        "goods",
        "in_cold",
        "last_at",
        "rules",
        "said",
    )

    def __init__(self, params: ColdStoreParams) -> None:
        """Begin with nothing summed."""
        super().__init__(params)
        self.above = 0
        self.awake = 0
        self.below = 0
        self.due = 0
        self.filter: dict[str, object] = {}
        self.goods: float | None = None
        self.in_cold = 0
        self.last_at = 0
        self.rules: dict[str, int] = {}
        self.said = 0
        self._lag = EggLag(EggLagParams(params.lag, params.cover))

    def state(self) -> dict[str, object]:
        """Give the memory, the filter's included."""
        self.filter = self._lag.state()
        return super().state()

    @classmethod
    def restored(cls, params: ColdStoreParams, state: Mapping[str, object]) -> Self:
        """Give a detector with the memory ``state``, the filter's included."""
        self = super().restored(params, state)
        self._lag = EggLag.restored(self._lag.params, self.filter)
        return self

    def see(self, at: int, value: float, ambient: float | None = None) -> Verdict | None:
        """Take a good reading of the air, °C, and the room's temperature where known."""
        goods = self._lag.see(at, value)
        if at < self.due:
            return None
        self.due = at + MINUTE
        span = min(at - self.last_at, MINUTE + self.params.cover) if self.last_at else 0
        self.last_at = at
        self.goods = goods
        store = self.params.store
        # Once a door is shut or a defrost over, the air is cold again long before the estimate.
        goods = min(goods, value)
        if store is Store.REFRIGERATOR:
            return self._refrigerator(at, span, goods, ambient)
        if store is Store.FREEZER:
            return self._freezer(at, span, goods)
        return self._hibernation(at, span, goods)

    def away(self, since: int, now: int) -> None:
        """Stop the clocks: nobody knows what it was meanwhile."""
        del since
        self.last_at = now

    def _sum(self, span: int, *, above: bool) -> None:
        if above:
            self.above += span
            self.below = 0
            return
        self.below += span
        if self.below >= self.params.forget:
            self.above = 0

    def _turn(self, at: int, rule: str, *, wrong: bool, over: bool) -> bool | None:
        """Tell what to say of a rule: True raise or renew, False clear, None nothing."""
        if rule in self.rules:
            if over:
                return False
            return True if wrong and at - self.said >= 3 * RENEW else None
        if not wrong:
            return None
        self.rules[rule] = at
        return True

    def _verdict(self, at: int, rule: str, priority: Priority, words: tuple[Sentence, Sentence]) -> Verdict:
        self.said = at
        return Verdict(
            rule,
            wrong=True,
            since=self.rules[rule],
            priority=priority,
            value=round(self.goods or 0.0, 3),
            reason=words[0],
            advice=words[1],
        )

    def _clear(self, rule: str) -> Verdict:
        since = self.rules.pop(rule)
        goods = round(self.goods or 0.0, 3)
        return Verdict(rule, wrong=False, since=since, value=goods, reason=("Now at ", Degrees(goods), "."))

    def _refrigerator(self, at: int, span: int, goods: float, ambient: float | None) -> Verdict | None:
        self._sum(span, above=goods > FOOD_LIMIT)
        allowed = HOUR if ambient is not None and ambient > HOT_ROOM else 2 * HOUR
        turn = self._turn(at, FOOD, wrong=self.above >= allowed, over=self.above == 0)
        if turn is None:
            return None
        if not turn:
            return self._clear(FOOD)
        reason: Sentence = (
            "Above ",
            Degrees(FOOD_LIMIT),
            " for ",
            Lasting(self.above),
            " in sum; ",
            Lasting(allowed),
            " is the limit for perishable food (USDA FSIS). Estimated in the food: ",
            Degrees(round(goods, 1)),
            ".",
        )
        advice: Sentence = (
            "Keep the door shut: without power it stays cold for about 4 h. ",
            "Throw away what perishes and was too warm; do not feed it. ",
            "It is a rule for human food, taken here as an upper bound.",
        )
        return self._verdict(at, FOOD, Priority.MEDIUM, (reason, advice))

    def _freezer(self, at: int, span: int, goods: float) -> Verdict | None:
        warm = goods > FREEZER_LIMIT + self.params.freezer_margin
        self._sum(span, above=warm)
        wrong = self.above >= self.params.freezer_hold or goods > self.params.thawed
        turn = self._turn(at, THAWING, wrong=wrong, over=self.above == 0)
        if turn is None:
            return None
        if not turn:
            return self._clear(THAWING)
        reason: Sentence = (
            "Estimated in the goods: ",
            Degrees(round(goods, 1)),
            ", above ",
            Degrees(FREEZER_LIMIT),
            " for ",
            Lasting(self.above),
            " in sum.",
        )
        advice: Sentence = (
            "Keep it shut: a full freezer stays frozen for about 48 h without power, ",
            "a half full one for 24 h. Freeze again only what still has ice crystals or is at most ",
            Degrees(FOOD_LIMIT),
            " (USDA FSIS).",
        )
        return self._verdict(at, THAWING, Priority.MEDIUM, (reason, advice))

    def _hibernation(self, at: int, span: int, goods: float) -> Verdict | None:
        params = self.params
        if goods <= params.cold:
            self.in_cold += span
            self.awake = 0
        else:
            self.awake += span
            self.in_cold = self.in_cold if self.awake < AWAKE else 0
            if self.in_cold == 0 and WEEKS in self.rules:
                return self._clear(WEEKS)
        self._sum(span, above=goods > params.warmest)
        frost = self._turn(at, FROST, wrong=goods < params.coldest, over=goods > params.coldest + 0.5)
        if frost is not None:
            return self._frost(at, goods) if frost else self._clear(FROST)
        waking = self._turn(at, WAKING, wrong=self.above >= params.waking, over=self.above == 0)
        if waking is not None:
            return self._waking(at, goods) if waking else self._clear(WAKING)
        weeks = self._turn(at, WEEKS, wrong=self.in_cold >= params.weeks * 7 * DAY, over=False)
        return self._weeks(at) if weeks and at - self.rules[WEEKS] < MINUTE else None

    def _frost(self, at: int, goods: float) -> Verdict:
        reason: Sentence = ("Estimated in the box: ", Degrees(round(goods, 1)), "; animals may freeze.")
        advice: Sentence = (
            "Move the animals to 5 °C or so now, in the dark, and warm nothing quickly. ",
            "Ask a veterinarian who knows reptiles.",
        )
        return self._verdict(at, FROST, Priority.HIGH, (reason, advice))

    def _waking(self, at: int, goods: float) -> Verdict:
        reason: Sentence = (
            "Above ",
            Degrees(self.params.warmest),
            " for ",
            Lasting(self.above),
            " in sum, now ",
            Degrees(round(goods, 1)),
            ": animals wake and burn their reserves.",
        )
        advice: Sentence = ("Cool it again or end hibernation; ask a veterinarian who knows reptiles.",)
        return self._verdict(at, WAKING, Priority.MEDIUM, (reason, advice))

    def _weeks(self, at: int) -> Verdict:
        reason: Sentence = (
            f"{self.in_cold // (7 * DAY)} weeks at or below ",
            Degrees(self.params.cold),
            f"; {self.params.weeks} is the most that is published for *Testudo hermanni* (Vetpedia).",
        )
        advice: Sentence = ("Weigh the animals; a veterinarian says when to end it.",)
        return self._verdict(at, WEEKS, Priority.LOW, (reason, advice))
