"""Several places fall (or rise) at once: one cause, one alarm.

Source: own proposal. A single heater fails alone; a fuse, the mains or the room fail for
all. Places count together when they began within half an hour of each other.
"""

from dataclasses import dataclass

from rules.detector import Detector
from rules.plan import Priority
from rules.reading import HOUR, MINUTE
from rules.verdict import Verdict
from rules.words import Sentence

RULE = "several places at once"


@dataclass(frozen=True, slots=True)
class CommonParams:
    """When places belong together. Own proposals.

    Attributes:
        places: At least so many.
        together: They began within this of each other, ms.
        share: … and are at least this share of the places that are watched.
    """

    places: int = 2
    together: int = 30 * MINUTE
    share: float = 0.15


class CommonFall(Detector[CommonParams]):
    """Gathers the verdicts of *heading out of range* of the places of one room."""

    __slots__ = ("falls", "since", "wrong")

    def __init__(self, params: CommonParams | None = None) -> None:
        """Begin with nothing falling."""
        super().__init__(params or CommonParams())
        self.falls: dict[str, list[int]] = {}
        self.since = 0
        self.wrong = False

    def see(self, at: int, place: str, verdict: Verdict, watched: int) -> Verdict | None:
        """Take a place's verdict.

        Args:
            at: The instant, ms.
            place: Its place; a box inside an incubator counts as its own place.
            verdict: What *heading out of range* said of it (wrong or right again).
            watched: How many places of the room are watched in this way.

        Returns:
            A verdict of the room: raised, renewed with one more place, or over.
        """
        params = self.params
        if not verdict.wrong:
            self.falls.pop(place, None)
            return self._over(at) if self.wrong and not self.falls else None
        new = place not in self.falls
        self.falls[place] = [verdict.since, at]
        if not new:
            return None
        members = self.members()
        if len(members) < max(params.places, params.share * watched):
            return None
        self.wrong, self.since = True, min(self.falls[name][0] for name in members)
        return self._say(members)

    def members(self) -> list[str]:
        """Give the places that belong together with the newest, in order of names."""
        if not self.falls:
            return []
        newest = max(since for since, _ in self.falls.values())
        together = self.params.together if not self.wrong else HOUR * 6
        return sorted(name for name, (since, _) in self.falls.items() if newest - since <= together)

    def _say(self, members: list[str]) -> Verdict:
        reason: Sentence = (f"{len(members)} places lose their range at once: {', '.join(members)}.",)
        return Verdict(
            RULE,
            wrong=True,
            since=self.since,
            priority=Priority.HIGH,
            value=None,
            reason=reason,
            advice=("Look at the mains, the fuse and the room's heating first.",),
        )

    def _over(self, at: int) -> Verdict:
        del at
        self.wrong = False
        return Verdict(RULE, wrong=False, since=self.since, reason=("No place heads out of range any more.",))
