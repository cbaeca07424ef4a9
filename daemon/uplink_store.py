"""The store at the far end of the uplink, and what its answers mean.

The only place that knows influxdb-client. It writes synchronously: a write is tried
once, and whatever comes of it is told as a :class:`Verdict`; nothing waits in memory.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from influxdb_client.rest import ApiException

PATIENCE = 10.0
"""How long one answer may take, s."""

LONGEST_ASKED = 3_600.0
"""The longest pause that a store may ask for, s."""

_UNPRINTABLE = re.compile(r"[^\x20-\x7e]+")


@dataclass(frozen=True, slots=True)
class Target:
    """Where the readings go; the token never appears in any text."""

    url: str
    org: str
    bucket: str
    token: str

    def __repr__(self) -> str:
        """Show it without its token."""
        return f"Target(url={self.url!r}, org={self.org!r}, bucket={self.bucket!r})"


class Fate(Enum):
    """What became of a write."""

    TAKEN = "taken"
    """The store has it."""
    LATER = "later"
    """The store cannot take it now: keep it and try again."""
    CLOSED = "closed"
    """The store refuses us (token, bucket, address): keep it and say so loudly."""
    GUILTY = "guilty"
    """At least one of the lines is at fault."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a store said to a write.

    Attributes:
        fate: What became of it.
        words: In words, without secrets; "" when it was taken.
        wait: The pause that the store asked for, s, or None.
    """

    fate: Fate
    words: str = ""
    wait: float | None = None


class Store:
    """A server that speaks ``/api/v2/write``. Owned by one thread; opens no connection by itself.

    Args:
        target: Where it is.
        patience: How long one answer may take, s.
    """

    def __init__(self, target: Target, patience: float = PATIENCE) -> None:
        from influxdb_client.client.influxdb_client import InfluxDBClient
        from influxdb_client.client.write_api import SYNCHRONOUS

        self._target = target
        self._client = InfluxDBClient(
            url=target.url, token=target.token, org=target.org, timeout=int(patience * 1_000)
        )
        self._writer = self._client.write_api(write_options=SYNCHRONOUS)

    def send(self, lines: Sequence[str]) -> Verdict:
        """Write ``lines`` in one request; tell what became of it. Never raises for the outside."""
        from influxdb_client.domain.write_precision import WritePrecision
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        body = "\n".join(lines).encode()
        try:
            self._writer.write(
                bucket=self._target.bucket,
                org=self._target.org,
                record=body,
                write_precision=WritePrecision.MS,  # type: ignore[arg-type]  # its constants are plain str
            )
        except ApiException as error:
            return judge(error.status or 0, _words(error, self._target.token), _asked(error.retry_after))
        except (HTTPError, OSError) as error:
            return Verdict(Fate.LATER, f"the store does not answer ({type(error).__name__})")
        return Verdict(Fate.TAKEN)

    def close(self) -> None:
        """Let go of the connection."""
        self._client.close()  # type: ignore[no-untyped-call]  # the library's own gap


def judge(status: int, words: str, wait: float | None = None) -> Verdict:
    """Tell what an HTTP status means for the lines that were sent.

    Args:
        status: The status; 0 where there was none.
        words: What the store said.
        wait: The pause that it asked for, s.

    Source: the write endpoint as InfluxData documents it; RFC 9110 for the classes.
    """
    said = f"the store answers {status}{': ' if words else ''}{words}"
    if status in {400, 413, 422}:
        return Verdict(Fate.GUILTY, said)
    if status in {408, 425, 429} or status >= 500 or status == 0:
        return Verdict(Fate.LATER, said, wait)
    return Verdict(Fate.CLOSED, f"store refuses ({status}): {_REMEDY.get(status, 'check the address')}")


_REMEDY = {
    401: "check the token",
    403: "check the rights of the token",
    404: "check bucket, organisation and address, or the server is older than 1.8",
}


def _words(error: "ApiException", token: str) -> str:
    """Give what the store said: one short printable line without the token."""
    said = error.message
    text = said.decode(errors="replace") if isinstance(said, bytes) else str(said or "")
    if token:
        text = text.replace(token, "***")
    return _UNPRINTABLE.sub(" ", text).strip()[:200]


def _asked(header: str | None) -> float | None:
    """Read a pause in seconds; a date is not read, since our clock may be wrong."""
    if header is None or not header.strip().isdecimal():
        return None
    return min(float(header), LONGEST_ASKED)
