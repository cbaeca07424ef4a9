"""The parent's side of one courier: start it, hear it, end it. Never waits."""

from collections.abc import Callable, Iterable, Sequence

from daemon.child import Child
from daemon.courier import DEADLINE, Parcel, Result, packed, result_of
from sensors.reader import Boottime

GRACE = 2_000
"""How long after its deadline a child may still be there before it is killed (ms)."""

START = 3_000
"""How long a child may take to start on a small board (ms): added to its deadline."""


class Errand:
    """One child with one job. One thread owns it.

    Attributes:
        child: The courier.
        parcels: What it carries.
        open: Ids whose outcome is not known yet.
    """

    def __init__(self, parcels: Sequence[Parcel], boottime: Boottime, deadline: float = DEADLINE) -> None:
        """Start the child; returns in milliseconds.

        Raises:
            OSError: It could not be started (no memory, no process left); retryable.
        """
        self.parcels = tuple(parcels)
        self.open = {parcel.id for parcel in parcels}
        self._boottime = boottime
        self._ends = boottime() + int(deadline * 1000) + START + GRACE
        self.child = Child("daemon.courier", packed(parcels, deadline), _for_a_courier)

    def poll(self) -> list[Result]:
        """Give the outcomes that came since; a child past its time is killed here."""
        return self._results(self.child.heard(late=self._boottime() >= self._ends))

    @property
    def ended(self) -> bool:
        """Tell whether the child is gone and all that it said has been given."""
        return self.child.ended

    def end(self) -> list[Result]:
        """End the child and whatever it started, now; give what it had said. May take 1 s."""
        return self._results(self.child.end())

    def _results(self, lines: Iterable[bytes]) -> list[Result]:
        found = [result_of(line.decode(errors="replace")) for line in lines]
        results = [result for result in found if result is not None and result.id in self.open]
        self.open -= {result.id for result in results}
        return results


Start = Callable[[Sequence[Parcel]], Errand]
"""What starts an errand; raises OSError where it cannot."""


def _for_a_courier(name: str) -> bool:
    """Keep the environment without our own settings and credentials."""
    return not name.startswith("OVIGIL_") and name != "CREDENTIALS_DIRECTORY"
