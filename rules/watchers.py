"""What watches one sensor: every rule that knows physics, put to its curves.

An :class:`Eyes` belongs to one sensor and holds the detectors that its place and its
quantities ask for. It is shown good readings and speaks in verdicts; ranges, holds and
the life of alarms are not its affair. A reading that is a doubtful step is shown to
nobody but the spike rule; a sensor that is out of service is shown to the rules about
its faults only.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

from rules.agreement import Agreement, AgreementParams
from rules.coldstore import ColdStore, ColdStoreParams
from rules.condensation import Condensation
from rules.cooling import Cooling, CoolingParams
from rules.creeping import Creeping, Crept, CreptParams
from rules.cusum import Offset, OffsetParams, decision_limit
from rules.degreehours import DegreeHours
from rules.detector import Detector
from rules.drying import DryingOut, DryingParams
from rules.gaps import Gaps, GapsParams
from rules.heading import Heading, HeadingParams
from rules.mirrored import Mirrored
from rules.moisture import MoistureReference
from rules.outdoor import Ahead, SunOnSensor
from rules.plan import PlaceKind
from rules.rate import Erratic
from rules.reading import MINUTE, Quantity
from rules.roster import Curve, Sensor
from rules.saturation import Saturated, SaturatedParams
from rules.shifted import Shifted
from rules.span import Span
from rules.spike import Spike, SpikeParams
from rules.stuck import Stuck, StuckParams
from rules.swinging import Swinging
from rules.thermal import BoxConstant
from rules.verdict import Verdict
from rules.words import Sentence

WARMED = frozenset({PlaceKind.INCUBATOR, PlaceKind.BOX, PlaceKind.ENCLOSURE})
"""Kinds of place that are kept warm."""

EVEN = frozenset({PlaceKind.INCUBATOR, PlaceKind.BOX})
"""Kinds of place that are kept at one temperature, day and night."""

SURFACES = frozenset({"basking surface", "water"})
"""Spots that do not follow the air of their place."""

LID_RECOVERS = 15 * MINUTE
"""After a lid was shut a place may take this long to recover (ms, ours)."""

SUN_FADES = 60 * MINUTE
"""So long after the sun left a sensor nothing is foreseen from it (ms, ours)."""

EGG_SHOWN = 5 * MINUTE
"""The egg's temperature is shown this often (ms)."""


@dataclass(frozen=True, slots=True)
class Found:
    """A verdict with what it is about.

    Attributes:
        sensor: The sensor that was watched.
        quantity: The quantity that it is about.
        verdict: What was found.
        other: Name of the sensor that it was held against, or "".
    """

    sensor: Sensor
    quantity: Quantity
    verdict: Verdict
    other: str = ""


Say = Callable[[Found, int], None]
"""Takes what was found at an instant of room time."""

Ends = tuple[float | None, float | None]
"""Lower and upper end of a span; None is an open side."""

Air = Callable[[int], float | None]
"""Gives the room's air at an instant, °C, or None where it is not measured."""

Lid = Callable[[Sensor, int], None]
"""Takes that a drop looks like a lid that was opened, and until when it is waited for."""

AnyDetector = Detector[Any]


class Pair:
    """Two sensors at one spot: the second is held against the first."""

    __slots__ = ("agreement", "first", "offset")

    def __init__(self, first: Curve, quantity: Quantity, curves: int, apart: float | None) -> None:
        """Watch against ``first``; ``curves`` in the room set how rare a false alarm is."""
        humid = quantity is Quantity.HUMIDITY
        unit = "%" if humid else "K"
        usual = AgreementParams(apart=8.0, changed=6.0, unit=unit) if humid else AgreementParams(unit=unit)
        self.first = first
        self.agreement = Agreement(usual if apart is None else replace(usual, apart=apart))
        limit = decision_limit(max(curves, 1))
        least = OffsetParams(limit=limit, least=0.5, minimum=3.0, unit=unit)
        self.offset = Offset(least if humid else OffsetParams(limit=limit, unit=unit))

    def state(self) -> list[dict[str, object]]:
        """Give what both rules remember as plain values."""
        return [self.agreement.state(), self.offset.state()]

    def remember(self, state: Sequence[Mapping[str, Any]]) -> None:
        """Take what :meth:`state` gave, under the present parameters."""
        self.agreement = Agreement.restored(self.agreement.params, state[0])
        self.offset = Offset.restored(self.offset.params, state[1])


class Eyes:
    """Watches one sensor. Owned by the engine.

    Attributes:
        sensor: Whose curves it watches.
    """

    __slots__ = (
        "_air",
        "_asked",
        "_by_name",
        "_coming",
        "_day",
        "_egg_shown",
        "_humid",
        "_ideal",
        "_lid",
        "_pairs",
        "_safe",
        "_safe_humidity",
        "_say",
        "_self_checks",
        "_warm",
        "sensor",
    )

    def __init__(self, sensor: Sensor, say: Say, air: Air, lid: Lid) -> None:
        """Put the rules to a sensor that its place and its quantities ask for."""
        self._lid = lid
        self.sensor = sensor
        self._say = say
        self._air = air
        self._day = True
        self._asked: dict[str, tuple[object, ...]] = {}
        self._egg_shown = 0
        self._safe: Ends = (None, None)
        self._ideal: Ends = (None, None)
        self._coming: Ends = (None, None)
        self._safe_humidity: float | None = None
        self._pairs: dict[tuple[Quantity, str], Pair] = {}
        self._warm: Curve | None = sensor.curves.get(Quantity.TEMPERATURE)
        self._humid: Curve | None = sensor.curves.get(Quantity.HUMIDITY)
        self._by_name: dict[str, AnyDetector] = {}
        self._self_checks: dict[Quantity, tuple[Spike, Stuck, AnyDetector]] = {}
        self._put(dict(_detectors(sensor)))

    def _put(self, detectors: dict[str, AnyDetector]) -> None:
        """Take detectors; those that every reading meets are kept at hand."""
        self._by_name = detectors
        third = {Quantity.TEMPERATURE: "erratic", Quantity.HUMIDITY: "saturated"}
        self._self_checks = {
            quantity: (
                cast("Spike", detectors[f"spike {quantity.value}"]),
                cast("Stuck", detectors[f"stuck {quantity.value}"]),
                detectors[name],
            )
            for quantity, name in third.items()
            if name in detectors
        }

    # -- from the engine -----------------------------------------------------------

    def refresh(self, *, day: bool, quiet: int, coming: Span | None) -> None:
        """Take the limits that count now.

        Args:
            day: It is day in the place.
            quiet: Until when a change of period or a new place explains what is seen.
            coming: Safe temperature of the period that comes next, or None.
        """
        self._day = day
        self._safe, self._ideal = _ends(self._warm, ideal=False), _ends(self._warm, ideal=True)
        self._safe_humidity = _ends(self._humid, ideal=False)[0]
        self._coming = (coming.low, coming.high) if coming else self._safe
        self._forget()
        heading = self._by_name.get("heading")
        if isinstance(heading, Heading):
            heading.turn(0 if day else 1)
        self.hush(quiet)

    def hush(self, until: int) -> None:
        """A lamp that switched or an open lid explains what is seen before ``until``."""
        for name in ("heading", "swinging", "shifted"):
            detector = self._by_name.get(name)
            if isinstance(detector, Heading | Swinging | Shifted):
                detector.hush(until)

    def _forget(self) -> None:
        """Let the slow rules forget a level that is not asked for any more.

        Means of whole days can be compared whatever the night is like, those of hours cannot.
        """
        place = self.sensor.place
        days = (place.since, *(one for one in place.plan.ranges if one.quantity is Quantity.TEMPERATURE))
        asked = {"creeping": days, "crept": days, "shifted": (*days, self._safe, self._ideal)}
        for name, level in asked.items():
            detector = self._by_name.get(name)
            if isinstance(detector, Creeping | Crept | Shifted) and self._asked.get(name, level) != level:
                detector.forget()
        self._asked = asked

    def pair_with(self, others: "list[tuple[Quantity, Eyes]]", curves: int) -> None:
        """Hold this sensor against the first one at its spot, and against nothing else.

        Args:
            others: By quantity, the eyes of the other sensor.
            curves: How many curves the room has: the more, the rarer a false alarm must be.
        """
        known, self._pairs = self._pairs, {}
        for quantity, other in others:
            first = other.sensor.curves[quantity]
            pair = Pair(first, quantity, curves, self._apart(other, quantity))
            key = (quantity, other.sensor.plan.name)
            before = known.get(key)
            if before is not None and before.first is first:
                pair.remember(before.state())
            self._pairs[key] = pair
        crept = self._by_name.get("crept")
        if isinstance(crept, Crept):
            crept.params = CreptParams(limit=decision_limit(max(curves, 1)))

    def _apart(self, other: "Eyes", quantity: Quantity) -> float | None:
        """Give how far the two may stand apart by their own errors, or None: not known."""
        errors = [one.plan.error.get(quantity) for one in (self.sensor, other.sensor)]
        if errors[0] is None or errors[1] is None:
            return None
        return float(max(1.0, 2 * (errors[0] ** 2 + errors[1] ** 2) ** 0.5))

    def away(self, since: int, now: int) -> None:
        """Nobody watched: clocks of rules stop."""
        for detector in self._every():
            stop = getattr(detector, "away", None)
            if stop is not None:
                stop(since, now)

    def heard(self, at: int) -> None:
        """Take a sign of life, whatever its quality."""
        self._give("gaps", at)

    def explain(self) -> Sentence:
        """Say how much of a change of humidity is temperature and how much moisture; () if unknown."""
        reference = self._by_name.get("moisture")
        if not isinstance(reference, MoistureReference) or self._warm is None or self._humid is None:
            return ()
        if self._warm.value != self._warm.value:
            return ()
        return reference.explain(self._warm.value, self._humid.value)

    # -- readings --------------------------------------------------------------------

    def see(self, quantity: Quantity, at: int, value: float, now: int) -> None:
        """Take a good reading that is not late.

        Args:
            quantity: Temperature or humidity.
            at: Its instant, ms.
            value: °C or percent.
            now: Room time of the round.
        """
        warm = quantity is Quantity.TEMPERATURE
        if self._fault_rules(quantity, at, value, now):
            return
        humid = self._humid
        paired = warm and humid is not None and humid.newest == at
        if paired and humid is not None:
            self._see_own_pair(at, value, humid.value, now)
        if not self.sensor.fit(quantity):
            return
        if warm:
            self._see_warmth(at, value, now)
            if paired and humid is not None and self.sensor.fit(Quantity.HUMIDITY):
                self._see_pair(at, value, humid, now)
        if self._pairs:
            self._see_pairs(quantity, at, value, now)

    def _fault_rules(self, quantity: Quantity, at: int, value: float, now: int) -> bool:
        """Show a reading to the rules about the sensor itself; True where it is doubtful."""
        spike, stuck, third = self._self_checks[quantity]
        verdict = spike.see(at, value)
        if verdict is not None:
            self._tell(quantity, verdict, now)
        if spike.doubtful:
            return True
        other = self._humid if quantity is Quantity.TEMPERATURE else self._warm
        companion = None if other is None or other.value != other.value else other.value
        verdict = stuck.see(at, value, companion)
        if verdict is not None:
            self._tell(quantity, verdict, now)
        if quantity is Quantity.TEMPERATURE or at >= third.due:  # type: ignore[attr-defined]  # each rule sees its own
            self._tell(quantity, third.see(at, value), now)  # type: ignore[attr-defined]
        return False

    def _see_warmth(self, at: int, value: float, now: int) -> None:
        rules = self._by_name
        heading = rules.get("heading")
        air = None
        if isinstance(heading, Heading):
            box = rules["constant"]
            # The room's air is asked for only where it is looked at: once a minute.
            air = self._air(now) if at >= heading.due or at >= box.due else None  # type: ignore[attr-defined]
            if at >= box.due and box.see(at, value, air) is not None:  # type: ignore[attr-defined]
                heading.learnt(*box.known())  # type: ignore[attr-defined]
            opened = heading.opened
            self._tell(Quantity.TEMPERATURE, heading.see(at, value, *self._safe, air), now)
            if heading.opened != opened:
                self._lid(self.sensor, heading.opened)
        swinging = rules.get("swinging")
        if swinging is not None:
            self._tell(Quantity.TEMPERATURE, swinging.see(at, value), now)  # type: ignore[attr-defined]
        self._see_slow(at, value, now)
        if "cold" in rules:
            self._tell(Quantity.TEMPERATURE, rules["cold"].see(at, value, self._air(now)), now)  # type: ignore[attr-defined]
            self._tell(Quantity.TEMPERATURE, rules["cooling"].see(at, value, self._safe[1]), now)  # type: ignore[attr-defined]
        sun = rules.get("sun")
        if isinstance(sun, SunOnSensor) and (sun.lit or at < sun.ended + SUN_FADES):
            rules["ahead"].forget()  # type: ignore[attr-defined]
        elif "ahead" in rules:
            self._tell(Quantity.TEMPERATURE, rules["ahead"].see(at, value, *self._coming), now)  # type: ignore[attr-defined]

    def _see_slow(self, at: int, value: float, now: int) -> None:
        """Show a reading to the slow rules of places that are kept at one temperature.

        While its range has spoken they look away: that is no level, and no creep either.
        """
        rules = self._by_name
        creeping = rules.get("creeping")
        if not isinstance(creeping, Creeping):
            return
        crept, shifted, hours = rules["crept"], rules["shifted"], rules["hours"]
        if at < min(creeping.due, shifted.due, hours.due):  # type: ignore[attr-defined]
            return
        if any(track.held for track in self.sensor.tracks() if track.quantity is not Quantity.HUMIDITY):
            hours.told()  # type: ignore[attr-defined]
            return
        self._tell(Quantity.TEMPERATURE, creeping.see(at, value, *self._ideal), now)
        self._see_day(at, creeping, now)
        verdict = shifted.see(at, value)  # type: ignore[attr-defined]
        self._tell(Quantity.TEMPERATURE, verdict, now)
        if verdict is not None and verdict.wrong:
            creeping.forget()
            crept.forget()  # type: ignore[attr-defined]
        self._tell(Quantity.TEMPERATURE, hours.see(at, value, *self._ideal), now)  # type: ignore[attr-defined]

    def _see_day(self, at: int, creeping: Creeping, now: int) -> None:
        """Show the mean of a day to its sums; a level of which a quicker rule tells is learnt anew."""
        crept, mean = self._by_name["crept"], creeping.day()
        if at < crept.due:  # type: ignore[attr-defined]
            return
        if creeping.wrong:
            crept.forget()  # type: ignore[attr-defined]
        if mean is not None:
            self._tell(Quantity.TEMPERATURE, crept.see(at, mean), now)  # type: ignore[attr-defined]

    def _see_own_pair(self, at: int, warmth: float, wet: float, now: int) -> None:
        """Show a pair of one measurement to the rules about the sensor itself."""
        mirrored = self._by_name["mirrored"]
        if at >= mirrored.due:  # type: ignore[attr-defined]
            self._tell(Quantity.HUMIDITY, mirrored.see(at, warmth, wet), now)  # type: ignore[attr-defined]
        sun = self._by_name.get("sun")
        if sun is not None and at >= sun.due:  # type: ignore[attr-defined]
            self._tell(Quantity.TEMPERATURE, sun.see(at, warmth, wet, self._safe[1], day=self._day), now)  # type: ignore[attr-defined]

    def _see_pair(self, at: int, warmth: float, humid: Curve, now: int) -> None:
        """Show a pair of temperature and humidity of one measurement."""
        rules, wet = self._by_name, humid.value
        reference = rules.get("moisture")
        if reference is not None and at >= reference.due and humid.track is not None and humid.track.calm:  # type: ignore[attr-defined]
            reference.see(at, warmth, wet)  # type: ignore[attr-defined]
        drying = rules.get("drying")
        if drying is not None and at >= drying.due:  # type: ignore[attr-defined]
            stage = self.sensor.place.plan.stage
            self._tell(Quantity.HUMIDITY, drying.see(at, warmth, wet, self._safe_humidity, stage), now)  # type: ignore[attr-defined]
        dew = rules.get("condensation")
        if dew is not None and at >= dew.due:  # type: ignore[attr-defined]
            self._tell(Quantity.HUMIDITY, dew.see(at, warmth, wet, None, self._air(now)), now)  # type: ignore[attr-defined]

    def _see_pairs(self, quantity: Quantity, at: int, value: float, now: int) -> None:
        """Hold the reading against a second sensor at the same spot."""
        for (which, _), pair in self._pairs.items():
            first = pair.first
            if which is not quantity or first.value != first.value or at - first.newest > first.sensor.stand:
                continue
            if not first.sensor.fit(quantity):
                continue
            if at >= pair.agreement.due:
                self._tell(quantity, pair.agreement.see(at, first.value, value), now, first.sensor.plan.name)
            if at >= pair.offset.due:
                self._tell(quantity, pair.offset.see(at, value - first.value), now, first.sensor.plan.name)

    def _give(self, name: str, at: int) -> None:
        detector = self._by_name.get(name)
        if isinstance(detector, Gaps):
            self._tell(Quantity.TEMPERATURE, detector.see(at), at)

    def _tell(self, quantity: Quantity, verdict: Verdict | None, now: int, other: str = "") -> None:
        if verdict is not None:
            self._say(Found(self.sensor, quantity, verdict, other), now)

    @property
    def opened_until(self) -> int:
        """Until when a drop that only an open lid makes is waited for; 0: there was none."""
        heading = self._by_name.get("heading")
        return heading.opened if isinstance(heading, Heading) else 0

    @property
    def heading_side(self) -> int:
        """Which way it heads out of range: -1 falling, 1 rising."""
        heading = self._by_name.get("heading")
        return (heading.side or -1) if isinstance(heading, Heading) else -1

    def forecast(self) -> tuple[tuple[str, float], ...]:
        """Give the forecast of the way out of safe for the page; () while there is none."""
        heading = self._by_name.get("heading")
        if not isinstance(heading, Heading) or heading.ahead is None:
            return ()
        limit = self._safe[0] if heading.side < 0 else self._safe[1]
        named = zip(("early", "expected", "late"), heading.ahead, strict=True)
        known = [(name, float(instant)) for name, instant in named if instant is not None]
        return (*known, *([("limit", limit)] if limit is not None else []))

    # -- keeping ------------------------------------------------------------------------

    def _every(self) -> Iterator[AnyDetector]:
        yield from self._by_name.values()
        for pair in self._pairs.values():
            yield pair.agreement
            yield pair.offset

    def state(self) -> dict[str, object]:
        """Give what the rules remember as plain values."""
        pairs = {f"{quantity.value}/{name}": pair.state() for (quantity, name), pair in self._pairs.items()}
        return {"rules": {name: one.state() for name, one in self._by_name.items()}, "pairs": pairs}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take what :meth:`state` gave, under the present settings."""
        for name, memory in state["rules"].items():
            detector = self._by_name.get(name)
            if detector is not None:
                self._by_name[name] = type(detector).restored(detector.params, memory)
        self._put(self._by_name)
        for key, memory in state["pairs"].items():
            quantity, _, name = key.partition("/")
            pair = self._pairs.get((Quantity(quantity), name))
            if pair is not None:
                pair.remember(memory)

    def follow(self) -> None:
        """Take a changed plan of its place: rules come and go, what they remember stays."""
        before = self.state()
        self._put(dict(_detectors(self.sensor)))
        self.restore({"rules": before["rules"], "pairs": {}})


def _ends(curve: Curve | None, *, ideal: bool) -> Ends:
    """Give the ends of the span that counts for a curve now (an egg's where one lags)."""
    track = None if curve is None else (curve.egg_track or curve.track)
    range_ = track.limits.range if track else None
    if range_ is None:
        return (None, None)
    span = range_.ideal if ideal else range_.safe
    return (span.low, span.high) if span else (None, None)


def _detectors(sensor: Sensor) -> Iterator[tuple[str, AnyDetector]]:
    """Give the rules that a sensor is shown to, by name."""
    every, stand = sensor.plan.every, min(sensor.stand, 1 << 50)
    if not sensor.plan.on_change and not sensor.plan.imported:
        yield "gaps", Gaps(GapsParams(every))
    if Quantity.TEMPERATURE in sensor.curves:
        yield f"spike {Quantity.TEMPERATURE.value}", Spike(SpikeParams(cover=stand))
        yield f"stuck {Quantity.TEMPERATURE.value}", Stuck(StuckParams(cover=stand))
        yield "erratic", Erratic()
        yield from _warmth_rules(sensor, every, stand)
    if Quantity.HUMIDITY in sensor.curves:
        yield f"spike {Quantity.HUMIDITY.value}", Spike(SpikeParams(height=12.0, cover=stand, unit="%"))
        wet = StuckParams(cover=stand, unit="%", rail_low=1.0, rail_high=98.0)
        yield f"stuck {Quantity.HUMIDITY.value}", Stuck(wet)
        high = _ends(sensor.curves[Quantity.HUMIDITY], ideal=False)[1]
        # Dew outdoors and in cold stores is weather: known, and nobody's worry.
        weather = sensor.place.plan.kind in (PlaceKind.OUTDOOR, PlaceKind.COLD_STORE)
        high = 100.0 if weather else high
        yield "saturated", Saturated(SaturatedParams(gap=stand, safe_high=high))
    if {Quantity.TEMPERATURE, Quantity.HUMIDITY} <= set(sensor.curves):
        yield from _pair_rules(sensor)


def _warmth_rules(sensor: Sensor, every: int, stand: int) -> Iterator[tuple[str, AnyDetector]]:
    plan = sensor.place.plan
    if sensor.plan.spot in SURFACES:
        return
    cold = plan.kind is PlaceKind.COLD_STORE
    if plan.kind in WARMED or cold:
        yield "heading", Heading(HeadingParams.of(every, cold=cold, lit=plan.kind is PlaceKind.ENCLOSURE))
        yield "constant", BoxConstant()
    if plan.kind in WARMED:
        yield "swinging", Swinging()
    if plan.kind in EVEN:
        yield "creeping", Creeping()
        yield "crept", Crept()
        yield "shifted", Shifted()
        yield "hours", DegreeHours()
    if plan.kind is PlaceKind.COLD_STORE and plan.store is not None:
        yield "cold", ColdStore(ColdStoreParams.of(plan.store, stand))
        yield "cooling", Cooling(CoolingParams(cover=max(5 * MINUTE, stand)))
    if plan.kind is PlaceKind.OUTDOOR:
        yield "ahead", Ahead()


def _pair_rules(sensor: Sensor) -> Iterator[tuple[str, AnyDetector]]:
    kind = sensor.place.plan.kind
    yield "mirrored", Mirrored()
    yield "moisture", MoistureReference()
    if kind in EVEN:
        yield "drying", DryingOut(DryingParams.of(kind))
        yield "condensation", Condensation()
    if kind is PlaceKind.OUTDOOR:
        yield "sun", SunOnSensor()
