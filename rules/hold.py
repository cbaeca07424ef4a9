"""On-delay and off-delay over covered time.

A condition must last before it counts. Only covered time counts: a reading stands
until the next, at most for its sensor's stand, so missing data neither fulfils a
delay nor ends it. With a sampled sensor a second reading must confirm it.

Source: on-delay, off-delay and deadband as of ANSI/ISA-18.2, 10.5.5 (the standard asks
for them; the starting values are ours, see the config). Vectors in tests/references.
"""

NEVER = 1 << 62
"""An instant that does not come."""

MOVED = 3
"""So many times longer may a curve take to come back over a limit that moved (own proposal)."""


class Hold:
    """One condition's delay. Owned by one track; not shared.

    Attributes:
        need: How long the condition must last (ms).
        since: The instant of the reading with which it began, or -1 while it does not hold.
        covered: Covered time up to ``last`` (ms).
        last: The instant of the newest reading that held it.
        confirmed: A second reading (or a sensor that reports on change) confirms it.
    """

    __slots__ = ("confirmed", "covered", "last", "need", "since")

    def __init__(self, need: int) -> None:
        """Begin at rest with a delay of ``need`` ms."""
        self.need = need
        self.since = -1
        self.covered = 0
        self.last = 0
        self.confirmed = False

    def keep(self, at: int, stand: int, *, on_change: bool) -> bool:
        """Take a reading for which the condition holds.

        Args:
            at: Its instant.
            stand: How long the reading before stands at most (ms).
            on_change: The sensor reports on change: one reading is enough.

        Returns:
            True when the delay is fulfilled at ``at``.
        """
        if self.since < 0:
            self.since = at
            self.covered = 0
            self.confirmed = on_change
        else:
            passed = at - self.last
            self.covered += min(passed, stand)
            self.confirmed = True
        self.last = at
        return self.need == 0 or (self.confirmed and self.covered >= self.need)

    def due(self, stand: int) -> int:
        """Give the instant at which it is fulfilled without another reading, or NEVER."""
        if self.since < 0 or not self.confirmed:
            return NEVER
        left = self.need - self.covered
        return self.last + max(left, 0) if left <= stand else NEVER

    def drop(self) -> None:
        """The condition does not hold any more."""
        self.since = -1
        self.covered = 0
        self.confirmed = False

    def begin_anew(self, at: int) -> None:
        """Let what was covered so far not count."""
        self.covered = 0
        self.last = at

    def away(self, span: int) -> None:
        """Let the clock stand still for ``span`` ms: nobody was watching."""
        if self.since >= 0:
            self.last += span

    def state(self) -> list[int]:
        """Give it as plain values."""
        return [self.since, self.covered, self.last, int(self.confirmed)]

    def restore(self, state: list[int]) -> None:
        """Take the values of :meth:`state`."""
        self.since, self.covered, self.last = state[0], state[1], state[2]
        self.confirmed = bool(state[3])


class Returning:
    """Whether a value that left a limit is on its way back. Owned by one side of a track.

    What comes back by itself asks nothing of a person: while a curve keeps coming nearer, the
    delay of ideal begins anew, for so long at most. A swing does not come nearer: each time
    it must be nearer than it ever was since it was farthest out. Where the limit moved and the
    curve stood still (day and night), it may take three times as long, in steps half as large:
    nothing has failed there.

    Source: own proposal (ISA-18.2 defines an alarm as what needs a timely response).

    Attributes:
        most: For so long at most a delay may begin anew (ms); 0: never.
        moved: It was the limit that moved: three times as long.
        step: It must come nearer by this much.
        since: Instant at which the limit was left, or -1.
        nearest: The nearest value for which the delay began anew, turned.
        worst: The farthest value since, turned.
    """

    __slots__ = ("most", "moved", "nearest", "since", "step", "worst")

    def __init__(self) -> None:
        """Begin within the limit."""
        self.most = 0
        self.moved = False
        self.step = 0.0
        self.since = -1
        self.nearest = self.worst = 0.0

    def see(self, at: int, turned: float) -> bool:
        """Take a value beyond the limit; True where the delay begins anew."""
        if self.since < 0:
            self.since = at
            self.nearest = self.worst = turned
        elif turned > self.worst:
            self.nearest = self.worst = turned
        elif self._nears(turned) and at - self.since < (MOVED * self.most if self.moved else self.most):
            self.nearest = turned
            return True
        return False

    def _nears(self, turned: float) -> bool:
        """Tell whether it is nearer than ever by a step; by half a one where the limit moved."""
        return self.nearest - turned >= (self.step / 2 if self.moved else self.step)

    def drop(self) -> None:
        """It is back."""
        self.since = -1
        self.moved = False

    def begin_anew(self, *, moved: bool) -> None:
        """Another limit counts; ``moved``: only by that is the value beyond it."""
        self.since = -1
        self.moved = moved

    def away(self, span: int) -> None:
        """Let the clock stand still for ``span`` ms."""
        if self.since >= 0:
            self.since += span

    def state(self) -> list[float]:
        """Give it as plain values."""
        return [self.since, self.nearest, self.worst, int(self.moved)]

    def restore(self, state: list[float]) -> None:
        """Take the values of :meth:`state`."""
        self.since, self.nearest, self.worst = int(state[0]), state[1], state[2]
        self.moved = bool(state[3])
