"""The page's end of a connection: few at a time, and none that dawdles.

uvicorn waits for a request's head for ever. Here a head must have come within ten
seconds, and when there are too many connections the one that has waited longest
without asking anything makes room, so that slow strangers never shut the keeper out.
"""

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

from daemon.page.guard import DEADLINE

MOST = 64
"""Connections at a time."""


class PatientProtocol(H11Protocol):
    """uvicorn's plain HTTP with a deadline for the head and a cap on connections."""

    deadline: asyncio.TimerHandle | None = None
    """When it is given up, while its next request has not come whole."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as uvicorn's
        """Admit a connection, at the cost of the idlest one where there are too many."""
        super().connection_made(transport)
        self._wait()
        if len(self.connections) > MOST:
            self._idlest().give_up()

    def data_received(self, data: bytes) -> None:
        """Take bytes; a request that is whole needs no deadline any more."""
        if self._idle() and self.deadline is None:
            self._wait()
        super().data_received(data)
        if not self._idle():
            self._rest()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget it."""
        self._rest()
        super().connection_lost(exc)

    def give_up(self) -> None:
        """Close at once, without an answer."""
        self._rest()
        self.connections.discard(self)
        self.transport.abort()

    def _idlest(self) -> "PatientProtocol":
        """Find the connection that has waited longest without asking anything."""
        waiting: list[PatientProtocol] = [
            other for other in self.connections if isinstance(other, PatientProtocol) and other.deadline
        ]
        return min(waiting, key=lambda other: other.deadline.when() if other.deadline else 0.0, default=self)

    def _idle(self) -> bool:
        """Tell whether no request is being answered."""
        cycle: Any = self.cycle
        return cycle is None or bool(cycle.response_complete)

    def _wait(self) -> None:
        self.deadline = self.loop.call_later(DEADLINE, self.give_up)

    def _rest(self) -> None:
        if self.deadline is not None:
            self.deadline.cancel()
            self.deadline = None
