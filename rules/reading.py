"""A reading: one value of one quantity from one sensor at one instant.

Everything in this floor counts time in *room time*: whole milliseconds that
never step back. Nothing here knows what o'clock that is.
"""

from dataclasses import dataclass
from enum import Enum, StrEnum

SECOND = 1_000
"""One second in room time (ms)."""

MINUTE = 60 * SECOND
"""One minute in room time (ms)."""

HOUR = 60 * MINUTE
"""One hour in room time (ms)."""

DAY = 24 * HOUR
"""Twenty-four hours in room time (ms)."""


class Quantity(StrEnum):
    """What is measured; the value is its name in every file and answer."""

    TEMPERATURE = "temperature"
    """°C."""
    HUMIDITY = "humidity"
    """Relative humidity, percent."""
    CONTACT = "contact"
    """1 = as it should be (shut, mains there), 0 = not."""
    BATTERY = "battery"
    """As the sensor reports it: percent or volt. Recorded and shown only."""
    SIGNAL = "signal"
    """As the sensor reports it: dBm or percent. Recorded and shown only."""
    DEW_POINT = "dew point"
    """Derived, °C over water."""
    VAPOUR_PRESSURE_DEFICIT = "vapour-pressure deficit"
    """Derived, kPa."""
    ABSOLUTE_HUMIDITY = "absolute humidity"
    """Derived, g/m³."""
    EGG_TEMPERATURE = "egg temperature"
    """Derived, °C: what an egg in the box feels."""

    # Identity hash: ten times cheaper as a part of a key than hashing the text.
    __hash__ = object.__hash__


class Grade(Enum):
    """How far a reading may be trusted."""

    GOOD = "good"
    SUSPECT = "suspect"
    LATE = "late"
    BAD = "bad"


class Quality(Enum):
    """The quality of one reading: a grade with its reason.

    The code is what is stored (one byte); it is never given to another meaning.
    """

    code: int
    grade: Grade
    words: str

    GOOD = (0, Grade.GOOD, "good")
    IMPORTED = (1, Grade.GOOD, "imported from a file")
    LATE = (10, Grade.LATE, "came late")
    UNKNOWN_AGE = (11, Grade.LATE, "of unknown age")
    IMPORTED_LATE = (12, Grade.LATE, "imported, out of order")
    SETTLING = (20, Grade.SUSPECT, "the sensor is still settling")
    SPIKE = (21, Grade.SUSPECT, "a jump that the neighbours do not share")
    SATURATED = (22, Grade.SUSPECT, "free water on the sensor, humidity unknown (at least 98 %)")
    NOT_A_NUMBER = (30, Grade.BAD, "not a number")
    FAULT_CODE = (31, Grade.BAD, "a value that this kind of sensor gives when it fails")
    IMPOSSIBLE = (32, Grade.BAD, "impossible for this kind of place")
    SPOILT = (33, Grade.BAD, "another value of the same measurement was impossible")

    def __init__(self, code: int, grade: Grade, words: str) -> None:
        """Unpack the triple; see the class."""
        self.code = code
        self.grade = grade
        self.words = words

    __hash__ = object.__hash__

    @staticmethod
    def of(code: int) -> "Quality":
        """Give the quality that is stored as ``code``.

        Raises:
            KeyError: The code was never given out (a newer logbook).
        """
        return _BY_CODE[code]


_BY_CODE = {quality.code: quality for quality in Quality}


@dataclass(frozen=True, slots=True)
class Reading:
    """One value as the engine judges it. Lives as long as the event; no owner.

    ``value`` has the sensor's correction applied; the record keeps the raw one.

    Attributes:
        sensor: The sensor's name, unique in the room.
        quantity: What was measured.
        value: °C, percent or 0/1, rounded to 0.001. NaN only where quality is bad.
        at: The instant that it stands for, room time in ms.
        now: Room time in ms when the judge took it; never before ``at``.
        quality: Its grade and the reason.
        note: What the reader has to say about it (a reader's own fault), or "".
        skew: How far the device's own stamp is ahead of its arrival, ms; 0 where it
            sends none or where a backlog explains it.
    """

    sensor: str
    quantity: Quantity
    value: float
    at: int
    now: int
    quality: Quality = Quality.GOOD
    note: str = ""
    skew: int = 0
