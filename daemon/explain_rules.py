"""Every rule by name: what it judges, whence it comes, and its numbers.

The words come from the rules themselves: the first sentence and the source of a module,
the fields of its parameters. So an explanation cannot differ from what is judged by.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from types import ModuleType

from daemon.texts import fixed, lasting
from rules import (
    agreement,
    coldstore,
    common,
    condensation,
    contact,
    cooling,
    creeping,
    cusum,
    degreehours,
    drying,
    gaps,
    heading,
    health,
    mirrored,
    outdoor,
    rate,
    saturation,
    shifted,
    spike,
    stuck,
    swinging,
    track,
)
from rules.plan import ContactKind, PlaceKind, Store
from rules.reading import Quantity
from rules.watchers import EVEN, SURFACES, WARMED

_T, _H, _C = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.CONTACT


class Sort(StrEnum):
    """What a rule is about."""

    RANGE = "range"
    """A curve against ideal and safe."""
    CONTACT = "contact"
    """A lid, a door, the mains, or one of the watch's own organs."""
    SENSOR = "sensor"
    """The sensor itself."""
    CLIMATE = "climate"
    """The climate of a place, by more than its range."""
    ROOM = "room"
    """Several places at once."""


@dataclass(frozen=True, slots=True)
class RuleWords:
    """One rule.

    Attributes:
        name: Its name.
        sort: What it is about.
        says: What it judges, in a sentence.
        source: Where it comes from, as its module says.
        needs: Quantities that a sensor must report for it; () where any will do.
        where: Kinds of place that it watches; () where all.
        numbers: (name, value, meaning) of its parameters.
        stores: Kinds of cold store, where it watches those.
    """

    name: str
    sort: Sort
    says: str
    source: str
    needs: tuple[Quantity, ...] = ()
    where: tuple[PlaceKind, ...] = ()
    numbers: tuple[tuple[str, str, str], ...] = ()
    stores: tuple[Store, ...] = ()

    def watches(self, kind: PlaceKind, store: Store | None, spot: str) -> bool:
        """Tell whether the rule is put to a sensor at a spot of such a place."""
        if self.sort is Sort.CLIMATE and self.needs == (_T,) and spot in SURFACES:
            return False
        if self.stores and kind is PlaceKind.COLD_STORE:
            return store in self.stores
        return not self.where or kind in self.where


def source_of(module: ModuleType) -> str:
    """Give what a module says of its source, in one line.

    Raises:
        ValueError: It says nothing of it: a bug.
    """
    words = module.__doc__ or ""
    found = re.search(r"Sources?:\s+(.*?)(?:\n\n|\Z)", words, re.DOTALL)
    if found is None:
        raise ValueError(f"{module.__name__} names no source")
    return _line(found[1])


def _says(module: ModuleType) -> str:
    return _line((module.__doc__ or "").split("\n\n", maxsplit=1)[0])


def _line(words: str) -> str:
    return " ".join(words.replace("``", "").split())


def numbers_of(params: type) -> tuple[tuple[str, str, str], ...]:
    """Give the parameters of a rule with their meaning, as its docstring has them."""
    told = dict(_attributes(params.__doc__ or ""))
    made = params()
    return tuple(
        (
            one.name.replace("_", " "),
            _value(getattr(made, one.name), told.get(one.name, "")),
            told.get(one.name, ""),
        )
        for one in fields(params)
    )


def _attributes(words: str) -> Iterator[tuple[str, str]]:
    """Read the lines below ``Attributes:``; several names may share one meaning."""
    part = words.partition("Attributes:")[2]
    for found in re.finditer(
        r"^ {4,8}([a-z_, ]+): (.*?)(?=^ {4,8}[a-z_, ]+: |\Z)", part, re.MULTILINE | re.DOTALL
    ):
        for name in found[1].split(","):
            yield name.strip(), _line(found[2])


def _value(value: object, meaning: str) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return str(value)
    if re.search(r"\bms\b", meaning) or (isinstance(value, int) and value >= 60_000):
        return lasting(int(value))
    return fixed(value, 0) if isinstance(value, int) else f"{value:g}"


_EVEN = tuple(sorted(EVEN))
_WARM = tuple(sorted(WARMED))
_COLD = (PlaceKind.COLD_STORE,)
_OUT = (PlaceKind.OUTDOOR,)
_KEPT_COOL = (Store.REFRIGERATOR, Store.HIBERNATION)


def _ranges() -> Iterator[RuleWords]:
    for quantity, both in ((_T, track.RULE_NAMES[_T]), (_H, track.RULE_NAMES[_H])):
        for name in both:
            what = quantity.value.capitalize()
            says = f"{what} leaves ideal (medium) or safe (high) for longer than its hold."
            yield RuleWords(name, Sort.RANGE, says, source_of(track), (quantity,))


def _contacts() -> Iterator[RuleWords]:
    for kind, rule in contact.CONTACT_RULES.items():
        stages = ", ".join(
            f"{priority.value} {'at once' if not after else 'after ' + lasting(after)}"
            for after, priority in rule.stages
        )
        own = kind in (ContactKind.LID, ContactKind.DOOR, ContactKind.MAINS)
        who = "" if own else "The watch itself: "
        yield RuleWords(rule.name, Sort.CONTACT, f"{who}{rule.says} ({stages}).", source_of(contact), (_C,))


def _sensors() -> Iterator[RuleWords]:
    own = source_of(health)
    yield RuleWords("silent", Sort.SENSOR, "Nothing came from a sensor for its silence.", own)
    yield RuleWords("implausible", Sort.SENSOR, "Several impossible values came from a sensor.", own)
    yield RuleWords(
        "its clock is wrong", Sort.SENSOR, "The stamps of a sensor are off by more than 2 min.", own
    )
    yield _rule(stuck.RULE, Sort.SENSOR, stuck, stuck.StuckParams)
    yield _rule(spike.RULE, Sort.SENSOR, spike, spike.SpikeParams)
    yield _rule(rate.RULE, Sort.SENSOR, rate, rate.RateParams, needs=(_T,))
    yield _rule(saturation.RULE, Sort.SENSOR, saturation, saturation.SaturatedParams, needs=(_H,))
    yield _rule(mirrored.RULE, Sort.SENSOR, mirrored, mirrored.MirroredParams, needs=(_T, _H))
    yield _rule(gaps.RULE, Sort.SENSOR, gaps, gaps.GapsParams)
    yield _rule(agreement.RULE, Sort.SENSOR, agreement, agreement.AgreementParams)
    yield _rule(cusum.RULE, Sort.SENSOR, cusum, cusum.OffsetParams)
    yield _rule(outdoor.SUN, Sort.SENSOR, outdoor, outdoor.SunParams, needs=(_T, _H), where=_OUT)


def _climate() -> Iterator[RuleWords]:
    sort = Sort.CLIMATE
    warm = _rule(heading.RULE, sort, heading, heading.HeadingParams, needs=(_T,), where=(*_WARM, *_COLD))
    yield _with_stores(warm, _KEPT_COOL)
    yield _rule(drying.RULE, sort, drying, drying.DryingParams, needs=(_T, _H), where=_EVEN)
    yield _rule(
        condensation.RULE, sort, condensation, condensation.CondensationParams, needs=(_T, _H), where=_EVEN
    )
    yield _rule(swinging.RULE, sort, swinging, swinging.SwingingParams, needs=(_T,), where=_WARM)
    yield _rule(creeping.CREEPING, sort, creeping, creeping.CreepingParams, needs=(_T,), where=_EVEN)
    yield _rule(creeping.CREPT, sort, creeping, creeping.CreptParams, needs=(_T,), where=_EVEN)
    yield _rule(shifted.RULE, sort, shifted, shifted.ShiftParams, needs=(_T,), where=_EVEN)
    for name in (degreehours.WARM_SUM, degreehours.COOL_SUM):
        yield _rule(name, sort, degreehours, degreehours.DegreeHoursParams, needs=(_T,), where=_EVEN)
    for name in (outdoor.FROST, outdoor.OVERHEATING):
        yield _rule(name, sort, outdoor, outdoor.AheadParams, needs=(_T,), where=_OUT)
    stores = {
        coldstore.FOOD: (Store.REFRIGERATOR,),
        coldstore.THAWING: (Store.FREEZER,),
        coldstore.FROST: _KEPT_COOL,
        coldstore.WAKING: (Store.HIBERNATION,),
        coldstore.WEEKS: (Store.HIBERNATION,),
    }
    for name, which in stores.items():
        cold = _rule(name, sort, coldstore, None, needs=(_T,), where=_COLD)
        yield _with_stores(cold, which)
    yield _rule(cooling.RULE, sort, cooling, cooling.CoolingParams, needs=(_T,), where=_COLD)
    yield _rule(common.RULE, Sort.ROOM, common, common.CommonParams, needs=(_T,))


def _rule(  # noqa: PLR0913 - one row of the table of rules, in the order of its columns
    name: str,
    sort: Sort,
    module: ModuleType,
    params: type | None,
    *,
    needs: tuple[Quantity, ...] = (),
    where: tuple[PlaceKind, ...] = (),
) -> RuleWords:
    numbers = () if params is None else numbers_of(params)
    return RuleWords(name, sort, _says(module), source_of(module), needs, where, numbers)


def _with_stores(rule: RuleWords, stores: tuple[Store, ...]) -> RuleWords:
    return RuleWords(
        rule.name, rule.sort, rule.says, rule.source, rule.needs, rule.where, rule.numbers, stores
    )


RULES: Mapping[str, RuleWords] = {
    rule.name: rule for part in (_ranges, _contacts, _sensors, _climate) for rule in part()
}
"""Every rule that the engine can raise, by name."""
