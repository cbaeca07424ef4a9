"""Both sets of marks of a rehearsal, for the curves that they belong to."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from daemon.drawing_values import Flag, Mark
from daemon.rehearsal_values import Life, Rehearsal
from rules.reading import Quantity

_QUANTITIES = {quantity.value: quantity for quantity in Quantity}


@dataclass(frozen=True, slots=True)
class Marks:
    """The marks of one curve.

    Attributes:
        current: As the current settings judge, in order of time.
        proposed: As the proposed ones do.
    """

    current: tuple[Flag, ...]
    proposed: tuple[Flag, ...]


Where = tuple[str, str, Quantity]
"""Place, spot, quantity. What is wrong with a sensor stands on its temperature."""


def marks(found: Rehearsal) -> Mapping[Where, Marks]:
    """Give the marks of every curve that has any."""
    was, will = _by_curve(found.current.alarms), _by_curve(found.proposed.alarms)
    return {where: Marks(tuple(was.get(where, ())), tuple(will.get(where, ()))) for where in {**was, **will}}


def where_of(life: Life) -> Where:
    """Give the curve that an alarm stands on."""
    key = life.key
    return key.place, key.spot, _QUANTITIES.get(key.subject, Quantity.TEMPERATURE)


def _by_curve(alarms: Iterable[Life]) -> dict[Where, list[Flag]]:
    found: dict[Where, list[Flag]] = {}
    for life in alarms:
        key = life.key
        flags = found.setdefault(where_of(life), [])
        flags.append(Flag(life.raised, Mark.RAISED, key.rule))
        if life.cleared is not None:
            flags.append(Flag(life.cleared, Mark.CLEARED))
    return {where: sorted(flags, key=lambda flag: flag.at) for where, flags in found.items()}
