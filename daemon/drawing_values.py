"""What a curve strip is drawn from: values only, independent of the logbook.

Instants are room time in ms, temperatures °C, humidity percent. Whoever makes a
:class:`CurveDrawing` has already put local time into its ticks and words.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import Enum, StrEnum

from rules.span import Range


class Ink(StrEnum):
    """How a curve is drawn; the value is its class in the picture."""

    MAIN = "curve"
    """The one that is judged."""
    SECOND = "second"
    """A derived curve beside it (dew point, egg temperature)."""
    FELT = "felt"
    """What an egg feels, beside the air."""
    PAST = "past"
    """The same curve on an earlier night."""


class Hue(StrEnum):
    """Which pair of colours tells the two ways of being wrong apart."""

    TEMPERATURE = "temperature"
    HUMIDITY = "humidity"
    PLAIN = "plain"


class Mark(StrEnum):
    """What a mark on the time axis stands for."""

    RAISED = "raised"
    SEEN = "seen"
    QUIET = "quiet"
    CLEARED = "cleared"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Stretch:
    """Readings without a gap between them.

    ``low`` and ``high`` are empty where each point is one reading; else a point
    stands for several, whose extremes they are.

    Attributes:
        at: n ascending instants.
        value: n values, the readings or their means.
        low: n lowest values, or ().
        high: n highest values, or ().
    """

    at: Sequence[int]
    value: Sequence[float]
    low: Sequence[float] = ()
    high: Sequence[float] = ()

    @property
    def lowest(self) -> Sequence[float]:
        """The lowest value at each point."""
        return self.low or self.value

    @property
    def highest(self) -> Sequence[float]:
        """The highest value at each point."""
        return self.high or self.value


@dataclass(frozen=True, slots=True)
class Curve:
    """One curve: its covered stretches in order of time.

    Attributes:
        name: What it is, for the key and for a screen reader.
        stretches: Between two of them there were no readings.
        ink: How it is drawn.
    """

    name: str
    stretches: tuple[Stretch, ...]
    ink: Ink = Ink.MAIN


@dataclass(frozen=True, slots=True)
class Step:
    """The range in force from ``start`` to ``end`` (ms), or None: nothing is judged."""

    start: int
    end: int
    range: Range | None


@dataclass(frozen=True, slots=True)
class Flag:
    """A mark on the time axis.

    Attributes:
        at: Its instant.
        mark: What it stands for.
        words: Said beside it where there is room, or "".
    """

    at: int
    mark: Mark
    words: str = ""


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the curve will leave its safe span.

    Attributes:
        at: Where the forecast begins (ms); right of it nothing was read.
        value: The value there.
        limit: The end of the safe span that will be passed.
        early: Not before this instant.
        expected: At about this instant.
        late: Not later than this instant, or None: it may never come.
    """

    at: int
    value: float
    limit: float
    early: int
    expected: int
    late: int | None = None


@dataclass(frozen=True, slots=True)
class Notch:
    """One line of the time axis: local time as words; ``strong`` is a new day."""

    at: int
    words: str
    strong: bool = False


class Size(Enum):
    """How much room a strip has: height, columns, top and bottom margin in px."""

    height: int
    columns: int
    top: int
    bottom: int

    THIN = (20, 360, 1, 1)
    """A calm place on the night sheet."""
    TALL = (60, 480, 14, 2)
    """A place that wants someone."""
    FULL = (280, 900, 34, 22)
    """The page of one place."""
    PRINT = (120, 700, 16, 18)
    """The morning report and the picture in an alert."""

    def __init__(self, height: int, columns: int, top: int, bottom: int) -> None:
        """Unpack the four; see the class."""
        self.height = height
        self.columns = columns
        self.top = top
        self.bottom = bottom


def plainly(value: float) -> str:
    """Say a value with one decimal and no unit."""
    return f"{value:.1f}"


@dataclass(frozen=True, slots=True)
class CurveDrawing:
    """Everything that is on one strip.

    Attributes:
        start: Left end of the time axis.
        end: Right end, after ``start``.
        curves: In drawing order; the last MAIN one is judged and spoken about.
        steps: The ranges in force, by time.
        hue: Which colours tell of leaving ideal.
        now: Where the present is, or None: it is not on this axis.
        flags: Alarms and orders.
        proposed: Alarms as other settings would have them, at the foot; see :func:`rehearsed`.
        forecast: Of the judged curve, or None.
        dark: Spans of night, shaded.
        notches: Lines of the time axis.
        words: The strip in one sentence, for a screen reader.
        say: Puts a value into the keeper's unit.
    """

    start: int
    end: int
    curves: tuple[Curve, ...]
    steps: tuple[Step, ...] = ()
    hue: Hue = Hue.TEMPERATURE
    now: int | None = None
    flags: tuple[Flag, ...] = ()
    proposed: tuple[Flag, ...] = ()
    forecast: Forecast | None = None
    dark: tuple[tuple[int, int], ...] = ()
    notches: tuple[Notch, ...] = ()
    words: str = ""
    say: Callable[[float], str] = field(default=plainly)

    def __post_init__(self) -> None:
        """Refuse an axis without length."""
        if self.end <= self.start:
            raise ValueError("a strip needs an end after its start")

    @property
    def judged(self) -> Curve | None:
        """The curve that the ranges are about: the last one in the main ink."""
        return next((curve for curve in reversed(self.curves) if curve.ink is Ink.MAIN), None)


def stretches(at: Sequence[int], value: Sequence[float], longest: int) -> tuple[Stretch, ...]:
    """Cut readings where two follow each other by more than ``longest`` ms.

    Args:
        at: n ascending instants.
        value: n values; NaN ends a stretch too.
        longest: How long a reading stands for the next to join it.

    Returns:
        The covered stretches; () where there is no value.
    """
    found: list[Stretch] = []
    begin = 0
    for i in range(len(at) + 1):
        ends = i == len(at) or value[i] != value[i]
        if not ends and (i == begin or at[i] - at[i - 1] <= longest):
            continue
        if i > begin:
            found.append(Stretch(at[begin:i], value[begin:i]))
        begin = i + 1 if ends else i
    return tuple(found)
