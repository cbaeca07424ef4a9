"""The life of an alarm: states and transitions as one table.

Source: alarm state transition of ANSI/ISA-18.2 and IEC 62682 (states A, B, C, D,
G, H, I; from memory), open equivalent OPC UA part 9 (IEC 62541-9, 5.8). Latching
(state E) is not used: an alarm that is right again is never held for its own sake.

Four states are the alarm's own. Shelved, suppressed by design and out of service
lie over them; the topmost names what a keeper sees.
"""

from enum import Enum


class Life(Enum):
    """An alarm's own state, with the letter of the standard."""

    NORMAL = "A"
    UNACKNOWLEDGED = "B"
    ACKNOWLEDGED = "C"
    RETURNED = "D"
    """Right again, and nobody has seen it yet."""


class Over(Enum):
    """What lies over the alarm's own state."""

    SHELVED = "G"
    SUPPRESSED = "H"
    OUT_OF_SERVICE = "I"


class Signal(Enum):
    """What moves an alarm from state to state."""

    WRONG = "wrong"
    WORSE = "worse"
    RIGHT = "right"
    SEEN = "seen"
    UNSEEN = "unseen"
    """A keeper took "I have seen it" back."""


TRANSITIONS: dict[Life, dict[Signal, Life]] = {
    Life.NORMAL: {Signal.WRONG: Life.UNACKNOWLEDGED},
    Life.UNACKNOWLEDGED: {
        Signal.WORSE: Life.UNACKNOWLEDGED,
        Signal.RIGHT: Life.RETURNED,
        Signal.SEEN: Life.ACKNOWLEDGED,
    },
    Life.ACKNOWLEDGED: {
        Signal.WORSE: Life.UNACKNOWLEDGED,
        Signal.RIGHT: Life.NORMAL,
        Signal.SEEN: Life.ACKNOWLEDGED,
        Signal.UNSEEN: Life.UNACKNOWLEDGED,
    },
    Life.RETURNED: {Signal.WRONG: Life.UNACKNOWLEDGED, Signal.SEEN: Life.NORMAL},
}
"""State, signal, next state. A pair that is missing cannot happen."""


def after(state: Life, signal: Signal) -> Life:
    """Give the state that follows.

    Raises:
        KeyError: The table has no such transition: a bug in the caller.
    """
    return TRANSITIONS[state][signal]


def seen_as(state: Life, *, shelved: bool, suppressed: bool, out_of_service: bool) -> Life | Over:
    """Name what a keeper sees: the topmost of what lies over the alarm, else its own state."""
    if out_of_service:
        return Over.OUT_OF_SERVICE
    if suppressed:
        return Over.SUPPRESSED
    return Over.SHELVED if shelved else state
