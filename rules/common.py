"""Several places fall (or rise) at once: one cause, one alarm.

Source: own proposal. A single heater fails alone; a fuse, the mains or the room fail for
all. Places count together when they began within two hours of each other (a light box
leaves its range long before a heavy incubator does). What stands in one incubator counts
once.
"""

from collections.abc import Callable
from dataclasses import dataclass

from rules.creeping import CREEPING, CREPT
from rules.degreehours import COOL_SUM, WARM_SUM
from rules.detector import Detector
from rules.plan import Priority
from rules.reading import HOUR
from rules.shifted import RULE as SHIFTED
from rules.swinging import RULE as SWINGING
from rules.verdict import Verdict
from rules.words import Sentence

RULE = "several places at once"

WAYS = {"too cool": -1, "frost": -1, "too warm": 1}
"""Rules that belong to one side only."""

SLOW = frozenset({CREEPING, CREPT, SHIFTED, SWINGING, COOL_SUM, WARM_SUM})
"""Rules that speak hours later, when their place may be within its range again."""


@dataclass(frozen=True, slots=True)
class CommonParams:
    """When places belong together. Own proposals.

    Attributes:
        places: At least so many that left their range …
        foreseen: … or so many that lose their heat by the look of it.
        together: They began within this of each other, ms.
        share: … and are at least this share of the places that are watched.
        falling: Whether they fall or rise, for the words.
    """

    places: int = 3
    foreseen: int = 2
    together: int = 2 * HOUR
    share: float = 0.15
    falling: bool = True


class CommonFall(Detector[CommonParams]):
    """Gathers what is wrong with the warmth of the places of one room, on one side.

    Attributes:
        falls: What is wrong by outermost place: [place, spot, rule, since] each.
        wrong: Several places are wrong at once.
        since: When it began, ms.
        latest: When it began in the place that joined last, ms.
    """

    __slots__ = ("falls", "latest", "since", "wrong")

    def __init__(self, params: CommonParams | None = None) -> None:
        """Begin with nothing falling."""
        super().__init__(params or CommonParams())
        self.falls: dict[str, list[list[str | int]]] = {}
        self.latest = 0
        self.since = 0
        self.wrong = False

    def see(
        self, outer: str, what: tuple[str, str, str], since: int, watched: int, *, foreseen: bool = False
    ) -> Verdict | None:
        """Take that a place leaves its range, or is about to.

        Args:
            outer: The outermost place: an incubator for its boxes.
            what: Place, spot and rule of the alarm that says so.
            since: When it began there, ms.
            watched: How many outermost places the room has.
            foreseen: It only heads there: lost heat is recognised, no range was left.

        Returns:
            A verdict of the room where it is raised or has one place more; else None.
        """
        new = outer not in self.falls
        held = self.falls.setdefault(outer, [])
        if not any(tuple(one[:3]) == what for one in held):
            held.append([*what, since])
        if not new:
            return None
        members = self.members()
        least = self.params.foreseen if foreseen else self.params.places
        if len(members) < max(least, self.params.share * watched):
            return None
        self.wrong, self.since, self.latest = True, min(self._began(name) for name in members), since
        return self._say(members)

    def sweep(self, is_open: Callable[[str, str, str], bool]) -> Verdict | None:
        """Forget what is not wrong any more; a verdict where not several places are left."""
        for outer, held in tuple(self.falls.items()):
            left = [one for one in held if is_open(str(one[0]), str(one[1]), str(one[2]))]
            if left:
                self.falls[outer] = left
            else:
                del self.falls[outer]
        if not self.wrong or len(self.falls) > 1:
            return None
        self.wrong = False
        many = "Only one place is" if self.falls else "No place is"
        return Verdict(RULE, wrong=False, since=self.since, reason=(f"{many} out of its range now.",))

    def _began(self, outer: str) -> int:
        return min(int(one[3]) for one in self.falls[outer])

    def members(self) -> list[str]:
        """Give the places that belong together with the newest, in order of names."""
        newest = max((self._began(name) for name in self.falls), default=0)
        together = self.params.together * (3 if self.wrong else 1)
        return sorted(name for name in self.falls if newest - self._began(name) <= together)

    def explains(self, outer: str | None, since: int) -> bool:
        """Tell whether what began at ``since`` is a part of what is wrong at once.

        Args:
            outer: The outermost place where it is, which must be wrong too; None: any.
            since: When it began there, ms.
        """
        together = self.params.together
        near = self.since - together <= since <= max(self.since, self.latest) + 3 * together
        return self.wrong and near and (outer is None or outer in self.falls)

    def _say(self, members: list[str]) -> Verdict:
        way = "too cool" if self.params.falling else "too warm"
        reason: Sentence = (f"{len(members)} places get {way} at once: {', '.join(members)}.",)
        return Verdict(
            RULE,
            wrong=True,
            since=self.since,
            priority=Priority.HIGH,
            value=None,
            reason=reason,
            advice=_TOO_COOL if self.params.falling else _TOO_WARM,
        )


_TOO_COOL: Sentence = ("Look at the mains, the fuse and the room's heating first.",)
_TOO_WARM: Sentence = ("Look at the room first: its heating, the sun through a window; let air in.",)


class Together:
    """Both sides of a room. Shared by what finds and what explains; owned by the engine."""

    __slots__ = ("sides",)

    def __init__(self) -> None:
        """Begin with nothing wrong."""
        self.sides = {-1: CommonFall(), 1: CommonFall(CommonParams(falling=False))}

    def explains(self, outer: str, rule: str, since: int) -> bool:
        """Tell whether an alarm of an outermost place is a part of what is wrong at once."""
        way, where = WAYS.get(rule), None if rule in SLOW else outer
        return any(side.explains(where, since) for turn, side in self.sides.items() if way in (None, turn))

    def state(self) -> list[dict[str, object]]:
        """Give both memories."""
        return [side.state() for side in self.sides.values()]

    def restore(self, state: list[dict[str, object]]) -> None:
        """Take what :meth:`state` gave."""
        for way, memory in zip(self.sides, state, strict=True):
            self.sides[way] = CommonFall.restored(self.sides[way].params, memory)
