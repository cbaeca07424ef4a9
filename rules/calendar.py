"""Calendars: a schedule of two states (day and night, on duty, quiet) as instants in room time."""

from dataclasses import dataclass

from rules.hold import NEVER


@dataclass(frozen=True, slots=True)
class Calendar:
    """A two-state schedule as instants.

    Attributes:
        first: The state before the first edge.
        edges: Ascending instants in room time; the state turns over at each.
    """

    first: bool
    edges: tuple[int, ...] = ()


def state_at(calendar: Calendar | None, instant: int) -> bool | None:
    """Give a schedule's state at an instant; None where it is not known."""
    if calendar is None:
        return None
    turned = sum(1 for edge in calendar.edges if edge <= instant)
    return calendar.first != bool(turned % 2)


def next_edge(calendar: Calendar | None, instant: int) -> int:
    """Give the first edge after ``instant``, or NEVER."""
    if calendar is None:
        return NEVER
    return next((edge for edge in calendar.edges if edge > instant), NEVER)


def last_edge(calendar: Calendar | None, instant: int) -> int | None:
    """Give the last edge at or before ``instant``, or None."""
    if calendar is None:
        return None
    return max((edge for edge in calendar.edges if edge <= instant), default=None)
