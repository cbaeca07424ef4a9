"""When a clutch hatches: a window, never one date.

How to call it::

    from rules.incubation import hatch_window
    hatch_window([(0.0, 30.1), (0.5, 29.9), …], species="Paroedura picta")
    hatch_window(curve, records=[(30.0, 58.0)])        # the keeper's own: °C, days

It needs no logbook and no clock: the curve's last instant is *now*. A curve that ends
before the expected day is taken for a clutch that has not hatched yet, so that its
window does not begin before now; a longer one may be a finished clutch, from which
nothing is concluded. The window holds where 90 % of hatchings should fall. It is made
of what the model may be off (the larger part, which does not shrink while the eggs
develop), the spread within a clutch, a sensor's bias, gaps in the record, and what the
temperature may do from now on (which shrinks with the part that remains).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from rules.durations import durations, papers_of
from rules.incubation import doubt
from rules.incubation.development import Curve, Reach, Stretch, reached, stretches, total
from rules.incubation.fitting import WARM_ENOUGH, Point, fit, residuals
from rules.incubation.published import PUBLISHED
from rules.incubation.rates import GENERIC_THRESHOLD, Briere, RateModel, scaled, sensitivity

RECENT_DAYS = 3.0
"""The mean rate of so many last days with readings is taken to go on."""

RECORD_SPAN = (10.0, 45.0)
"""A record's temperature must lie in here, °C."""

RECORD_DAYS = (5.0, 600.0)
"""A record's days must lie in here: data bases hold records of 0 and 0.818 days."""


class NoForecast(Exception):  # noqa: N818 - it tells of what is missing, not of a fault
    """Nothing can be said about when this clutch hatches; the text says what is needed."""


class NoRecord(NoForecast):
    """There are neither published durations for this species nor a record of the keeper's."""


class NoReadings(NoForecast):
    """The curve holds no temperature, so there is nothing to sum up and nothing to go on with."""


@dataclass(frozen=True, slots=True)
class Basis:
    """What a forecast rests on.

    Attributes:
        model: The rate by temperature.
        tested: Where it was tested.
        sigma: σ of ln(days) that the model itself may be off.
        name: The model in words.
        source: Whose records, in words.
        single: It is scaled from one temperature; σ then grows with the distance to it.
    """

    model: RateModel
    tested: Reach
    sigma: float
    name: str
    source: str
    single: bool = False


@dataclass(frozen=True, slots=True)
class HatchWindow:
    """When a clutch should hatch. Days are counted from laying.

    Attributes:
        progress: Share of the development done at the end of the curve; 1 is hatching,
            more is overdue.
        expected: The day on which development should be complete; infinity where nothing
            develops at the recent temperature.
        earliest: Begin of the 90 % window.
        latest: End of the 90 % window; may be infinity.
        model: The rate model in words.
        source: Whose durations it rests on.
        cautions: What a keeper must know beside the numbers, each a sentence.
        progress_low: Least plausible progress (gaps, untested temperatures).
        progress_high: Greatest plausible progress.
        temperature: The recent mean that is taken to go on, °C.
        sigma: σ of ln(days) in all.
        now: End of the curve.
    """

    progress: float
    expected: float
    earliest: float
    latest: float
    model: str
    source: str
    cautions: tuple[str, ...]
    progress_low: float
    progress_high: float
    temperature: float
    sigma: float
    now: float


def hatch_window(curve: Curve, *, species: str | None = None, records: Sequence[Point] = ()) -> HatchWindow:
    """Forecast from the curve of a clutch's own temperature.

    Args:
        curve: Ascending (days since laying, °C or None for a gap). Egg temperature
            where it is known, else that of the substrate. Two readings are joined by a
            straight line however far apart, so mark gaps with None. NaN and what cannot
            be an egg's temperature (below −20 or above 60 °C) count as gaps; so does
            the time before the first reading.
        species: Scientific name, for published durations; ignored where records are given.
        records: The keeper's own (°C, days from laying to hatching). One is scaled with
            a threshold of 16 °C; from two on the model is refitted to them (degree-days
            up to four different temperatures, then a Brière curve where it is clearly
            better). They always beat a table.

    Returns:
        The window. Where the curve has already passed the expected day, all three days
        are read off it.

    Raises:
        NoRecord: No records, and no published durations for the species.
        NoReadings: The curve holds no temperature.
        ValueError: The curve does not ascend, a day is negative or not a number, or a
            record is not plausible (10–45 °C, 5–600 days).

    Source:
        Rate summation; window σ and their origins in ``rules.incubation.doubt``.

    Example:
        >>> found = hatch_window([(0.0, 28.0), (20.0, 28.0)], records=[(28.0, 60.0)])
        >>> round(found.progress, 3), round(found.expected, 1)
        (0.333, 60.0)
    """
    return _window(_checked(curve), basis_of(species, records))


def development(
    curve: Curve, *, species: str | None = None, records: Sequence[Point] = ()
) -> tuple[tuple[float, float], ...]:
    """Give how the development went: (days since laying, share done) along the curve.

    Args:
        curve: As for :func:`hatch_window`.
        species: Scientific name.
        records: The keeper's own (°C, days).

    Raises:
        NoRecord, ValueError: As :func:`hatch_window`.
    """
    basis = basis_of(species, records)
    found, done = [(0.0, 0.0)], 0.0
    for stretch in stretches(curve, basis.model, _bounding(basis)):
        done += stretch.mid * stretch.days
        found.append((stretch.end, done))
    return tuple(found)


def basis_of(species: str | None, records: Sequence[Point] = ()) -> Basis:
    """Choose what a forecast rests on: own records before a table.

    Args:
        species: Scientific name or None.
        records: (°C, days).

    Raises:
        NoRecord: There is neither.
        ValueError: A record is not plausible.
    """
    if records:
        return basis_of_records(records)
    published = PUBLISHED.get(species or "")
    if species is None or published is None:
        whom = species or "this clutch, whose species is not given"
        raise NoRecord(
            f"no published durations for {whom}: give one record of your own or of a keeper you trust,"
            ' as temperature and days from laying to hatching, for instance records = [["30 C", 60]]'
        )
    rows, papers = durations(species), papers_of(species)
    names = ", ".join(papers)
    source = f"published: {len(rows)} means of {len(papers)} papers ({names})"
    if len(papers) == 1:
        source = f"published: {len(rows)} means of one paper ({names})"
    name = f"{published.model.words}, tested {_span(published.low, published.high)}"
    tested = Reach(published.low, published.high)
    return Basis(published.model, tested, published.sigma, name, source, single=len(rows) == 1)


def basis_of_records(records: Sequence[Point]) -> Basis:
    """Make a model of the keeper's own records.

    Args:
        records: (°C, days), at least one.

    Raises:
        ValueError: A record is not plausible.
    """
    points = [_checked_record(record) for record in records]
    low, high = min(t for t, _ in points), max(t for t, _ in points)
    span = _span(low, high)
    if len(points) == 1:
        model: RateModel = scaled(low, points[0][1], min(GENERIC_THRESHOLD, low - WARM_ENOUGH))
        source = f"own record: {points[0][1]:g} days at {low:g} °C"
        name = f"scaled from one record, {model.words}"
        return Basis(model, Reach(low, high), doubt.ONE_RECORD, name, source, single=True)
    model = fit(points)
    parameters = 3 if isinstance(model, Briere) else 2
    alike = high - low < 1.0
    left = residuals(points, model)
    sigma = doubt.ONE_RECORD if alike else doubt.of_records(left, parameters)
    if alike:
        sigma = max(sigma, math.sqrt(sum(r * r for r in left) / (len(left) - 1)))
    name = f"{model.words}, fitted to {len(points)} records, {span}"
    return Basis(model, Reach(low, high), sigma, name, f"own records: {len(points)}, {span}", single=alike)


def _window(curve: Curve, basis: Basis) -> HatchWindow:
    """Put the parts together."""
    found = stretches(curve, basis.model, _bounding(basis))
    recorded = [stretch for stretch in found if not stretch.gap]
    if not recorded:
        recorded = _only_reading(curve, basis)
    recent = _recent(recorded)
    now = curve[-1][0]
    ahead = _Ahead(tuple(found), recent, now)
    done = total(found, _mid)
    sigma = _sigma(basis, recorded, recent, max(0.0, 1.0 - done))
    reach = doubt.WINDOW * sigma
    expected, earliest = ahead.day(1.0, _mid), ahead.day(math.exp(-reach), _high)
    latest = ahead.day(math.exp(reach), _low)
    if done < 1.0:
        earliest = max(earliest, min(now, expected))
    return HatchWindow(
        progress=done,
        expected=expected,
        earliest=earliest,
        latest=latest,
        model=basis.name,
        source=basis.source,
        cautions=_cautions(basis, found, recent, (done, expected, now)),
        progress_low=total(found, _low),
        progress_high=total(found, _high),
        temperature=recent.temperature,
        sigma=sigma,
        now=now,
    )


@dataclass(frozen=True, slots=True)
class _Recent:
    """The last days with readings, whose mean rate is taken to go on."""

    days: float
    temperature: float
    low: float
    mid: float
    high: float
    coldest: float
    warmest: float


def _low(of: Stretch | _Recent) -> float:
    """Take the least plausible rate."""
    return of.low


def _mid(of: Stretch | _Recent) -> float:
    """Take the rate that is counted."""
    return of.mid


def _high(of: Stretch | _Recent) -> float:
    """Take the greatest plausible rate."""
    return of.high


@dataclass(frozen=True, slots=True)
class _Ahead:
    """The curve, and the recent rate after it."""

    found: tuple[Stretch, ...]
    recent: _Recent
    now: float

    def day(self, amount: float, rate: Callable[[Stretch | _Recent], float]) -> float:
        """Give the day on which the development reaches ``amount``; infinity: never."""
        day = reached(self.found, amount, rate)
        if day is not None:
            return day
        speed = rate(self.recent)
        if speed <= 0.0:
            return math.inf
        return self.now + (amount - total(self.found, rate)) / speed


def _recent(recorded: Sequence[Stretch]) -> _Recent:
    """Take the means over the last days that have readings."""
    taken: list[tuple[float, Stretch]] = []
    left = RECENT_DAYS
    for stretch in reversed(recorded):
        days = min(left, stretch.days)
        taken.append((days, stretch))
        left -= days
        if left <= 0.0:
            break
    days = sum(part for part, _ in taken)

    def mean(values: Sequence[float]) -> float:
        return sum(part * value for (part, _), value in zip(taken, values, strict=True)) / days

    temperatures = [stretch.temperature for _, stretch in taken]
    return _Recent(
        days,
        mean(temperatures),
        mean([stretch.low for _, stretch in taken]),
        mean([stretch.mid for _, stretch in taken]),
        mean([stretch.high for _, stretch in taken]),
        min(temperatures),
        max(temperatures),
    )


def _only_reading(curve: Curve, basis: Basis) -> list[Stretch]:
    """Let one lone reading stand for the recent temperature.

    Raises:
        NoReadings: There is none.
    """
    for day, temperature in reversed(curve):
        if temperature is not None and -20.0 <= temperature <= 60.0:
            pair = ((0.0, temperature), (1.0, temperature))
            lone = stretches(pair, basis.model, _bounding(basis))
            return [replace(lone[0], start=day, end=day + 1.0)]
    raise NoReadings("the box's curve holds no temperature yet: put a sensor beside the eggs, or wait")


def _bounding(basis: Basis) -> Reach:
    """Give where the rate is one number. A scaled record has no end to hold: its σ grows instead."""
    return Reach(-math.inf, math.inf) if basis.single else basis.tested


def _sigma(basis: Basis, recorded: Sequence[Stretch], recent: _Recent, remaining: float) -> float:
    """Sum the parts in quadrature; each is a share of the days."""
    model = basis.sigma
    if basis.single:
        weight = sum(stretch.days for stretch in recorded)
        past = sum(stretch.temperature * stretch.days for stretch in recorded) / weight
        whole = (1.0 - min(1.0, remaining)) * past + min(1.0, remaining) * recent.temperature
        model = doubt.scaled_over(model, basis.tested.distance(whole))
    bias = sensitivity(basis.model, recent.temperature, doubt.SENSOR_BIAS)
    wander = sensitivity(basis.model, recent.temperature, max(doubt.FUTURE_WANDER, _wander(recorded)))
    return math.sqrt(model**2 + doubt.CLUTCH_SPREAD**2 + bias**2 + (min(1.0, remaining) * wander) ** 2)


def _wander(recorded: Sequence[Stretch]) -> float:
    """Give the standard deviation of the daily means, K; 0 with fewer than three days."""
    sums: dict[int, tuple[float, float]] = {}
    for stretch in recorded:
        day = int(stretch.start)
        days, degrees = sums.get(day, (0.0, 0.0))
        sums[day] = (days + stretch.days, degrees + stretch.days * stretch.temperature)
    if len(sums) < 3:
        return 0.0
    means = [degrees / days for days, degrees in sums.values()]
    centre = sum(means) / len(means)
    return math.sqrt(sum((mean - centre) ** 2 for mean in means) / (len(means) - 1))


def _cautions(
    basis: Basis, found: Sequence[Stretch], recent: _Recent, times: tuple[float, float, float]
) -> tuple[str, ...]:
    """Say what the numbers do not."""
    done, expected, now = times
    said: list[str] = []
    if done < 1.0:
        said.append(
            f"it is assumed to go on at the mean of the last {recent.days:.1f} days with readings, "
            f"{recent.temperature:.1f} °C"
        )
    if expected == math.inf:
        said.append(f"at {recent.temperature:.1f} °C nothing develops by this model: no day can be named")
    if done >= 1.0 and now > expected:
        said.append(f"the expected day passed {now - expected:.1f} days before the end of the curve")
    said += _about_gaps(found)
    said += _about_tested(basis, found, recent, going_on=done < 1.0)
    if basis.single:
        said.append(
            "it rests on a single temperature: away from it the days are scaled with a threshold "
            "that fits many species, not this one"
        )
    return tuple(said)


def _about_gaps(found: Sequence[Stretch]) -> list[str]:
    """Say how long nothing was recorded and between what it was bounded."""
    gaps = [stretch for stretch in found if stretch.gap]
    if not gaps:
        return []
    days = sum(gap.days for gap in gaps)
    cold = min((gap.coldest for gap in gaps if gap.coldest is not None), default=math.nan)
    warm = max((gap.warmest for gap in gaps if gap.warmest is not None), default=math.nan)
    said = (
        f"{days:.1f} days have no readings; they are not filled but bounded: between {cold:.1f} "
        f"and {warm:.1f} °C was taken as plausible, which is wrong if the heat was off"
    )
    return [said]


def _about_tested(basis: Basis, found: Sequence[Stretch], recent: _Recent, *, going_on: bool) -> list[str]:
    """Say where the model was never tested."""
    outside = [
        stretch for stretch in found if not stretch.gap and not basis.tested.holds(stretch.temperature)
    ]
    past = sum(stretch.days for stretch in outside)
    ahead = going_on and not basis.tested.holds(recent.temperature)
    if past <= 0.0 and not ahead:
        return []
    temperatures = [stretch.temperature for stretch in outside] or [recent.temperature]
    span = _span(min(temperatures), max(temperatures))
    tested = _span(basis.tested.low, basis.tested.high)
    said = (
        f"outside the tested temperatures ({tested}) for {past:.1f} days, at {span}"
        f"{', and now' if ahead else ''}: the model is carried beyond its tests there and may be wrong"
    )
    return [said]


def _span(low: float, high: float) -> str:
    """Write a span of temperatures."""
    if f"{low:.1f}" == f"{high:.1f}":
        return f"{low:.1f} °C"
    return f"{low:.1f}–{high:.1f} °C"


def _checked(curve: Curve) -> Curve:
    """Refuse a curve that does not ascend from day 0 on.

    Raises:
        ValueError: See above.
        NoReadings: It is empty.
    """
    if not curve:
        raise NoReadings("the box has no curve yet: put a sensor beside the eggs, or wait")
    before = 0.0
    for day, _ in curve:
        if not day >= before or day == math.inf:
            raise ValueError(f"a curve must ascend in days from 0 on; {day} follows {before}")
        before = day
    return curve


def _checked_record(record: Point) -> Point:
    """Refuse a record that cannot be one.

    Raises:
        ValueError: See :data:`RECORD_SPAN` and :data:`RECORD_DAYS`.
    """
    temperature, days = record
    if not RECORD_SPAN[0] <= temperature <= RECORD_SPAN[1]:
        raise ValueError(
            f"a record of {days:g} days at {temperature:g} °C: its temperature must lie between "
            f"{RECORD_SPAN[0]:g} and {RECORD_SPAN[1]:g} °C (a record is (°C, days))"
        )
    if not RECORD_DAYS[0] <= days <= RECORD_DAYS[1]:
        raise ValueError(
            f"a record of {days:g} days at {temperature:g} °C: its days must lie between "
            f"{RECORD_DAYS[0]:g} and {RECORD_DAYS[1]:g}"
        )
    return temperature, days
