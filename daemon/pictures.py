"""The curve that goes with an alert: drawn by a child while the alert waits a moment for it.

The text matters more. An alert waits ``PATIENCE`` at most; after a drawing that was too
slow nothing waits for pictures for an hour. One child draws at a time.
"""

import time
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping
from typing import TypeVar

from daemon.alerting import REPORT, TEST
from daemon.record import Alert, Json
from daemon.sideline import Sideline
from rules.events import Tone

PATIENCE = 4_000
"""So long an alert waits for its picture (ms)."""

GIVE_UP = 3_600.0
"""After a drawing that was too slow none is begun for so long (s)."""

FRESH = 120.0
"""A picture goes with alerts for so long (s); then it is drawn anew."""

KEPT = 8
"""So many pictures are kept in memory."""

Job = Callable[[int], Mapping[str, Json]]
"""Makes the job of drawing one alarm, by its number."""

_Kept = TypeVar("_Kept")
_PLAIN = frozenset({REPORT, TEST, Tone.RIGHT_AGAIN.value})


class Pictures:
    """Draws for alerts. Owned by the judge's thread.

    Args:
        job: Makes a drawing's job; None: nothing is ever drawn.
    """

    def __init__(self, job: Job | None) -> None:
        """Begin with no picture."""
        self._job = job
        self._drawn: OrderedDict[int, tuple[str, float]] = OrderedDict()
        self._reports: OrderedDict[int, str] = OrderedDict()
        self._waiting: list[Alert] = []
        self._drawing: tuple[int, Sideline] | None = None
        self._ends = 0.0
        self._rests_until = 0.0

    def passed(self, alerts: Iterable[Alert]) -> list[Alert]:
        """Take alerts on their way; give those that need not wait (any longer)."""
        ready: list[Alert] = []
        for alert in alerts:
            (self._waiting if self._begun(alert) else ready).append(alert)
        self._hear()
        if self._drawing is None:
            ready += self._waiting
            self._waiting = []
        return ready

    def of(self, alert: Alert) -> str:
        """Give the picture of an alert (PNG, base64), or "" where there is none."""
        if alert.tone == REPORT:
            return self._reports.get(alert.now, "")
        return self._drawn[alert.alarms[0]][0] if alert.alarms and alert.alarms[0] in self._drawn else ""

    def keep_report(self, now: int, picture: str) -> None:
        """Keep the picture of the reports that were decided at ``now``."""
        self._reports[now] = picture
        _shorten(self._reports)

    @property
    def busy(self) -> bool:
        """Tell whether a child draws."""
        return self._drawing is not None and self._drawing[1].working

    def stop(self) -> None:
        """End a child that draws; what waits for it stays in the outbox."""
        if self._drawing is not None:
            self._drawing[1].end()
            self._drawing = None

    def _begun(self, alert: Alert) -> bool:
        """Tell whether an alert waits for a drawing, and begin it where none is under way."""
        if self._job is None or not alert.alarms or alert.tone in _PLAIN:
            return False
        number = alert.alarms[0]
        if self._drawing is not None:
            return self._drawing[0] == number
        if self._fresh(number) or time.monotonic() < self._rests_until:
            return False
        try:
            self._drawing = (number, Sideline(self._job(number), 2 * PATIENCE))
        except OSError:
            return False
        self._ends = time.monotonic() + PATIENCE / 1000
        return True

    def _fresh(self, number: int) -> bool:
        """Tell whether the curve of an alarm was drawn a moment ago: other contacts get the same."""
        return number in self._drawn and time.monotonic() - self._drawn[number][1] < FRESH

    def _hear(self) -> None:
        if self._drawing is None:
            return
        number, child = self._drawing
        for said in child.poll():
            self._drawn[number] = (str(said.get("picture", "")), time.monotonic())
            _shorten(self._drawn)
        if time.monotonic() > self._ends and not self._fresh(number):
            self._rests_until = time.monotonic() + GIVE_UP
            self.stop()
        elif child.ended:
            self._drawing = None


def _shorten(kept: OrderedDict[int, _Kept]) -> None:
    while len(kept) > KEPT:
        kept.popitem(last=False)
