"""The courier: a child of the watch that runs one errand and ends.

``python -m daemon.courier`` reads one job (a line of JSON, see :class:`Parcel`) from
standard input and says what became of each parcel in one line of JSON on standard
output, as soon as it is known. A phone service that hangs costs nothing: whatever is
not done at the deadline is told as "timed out" and the process ends there, threads and
all. Its memory goes back with it.

Theory of operation. One thread a contact, so that a mute one delays nobody; within a
contact the parcels go in the order of the job (gravest and oldest first). apprise tells
only "sent" or "not sent"; why not is read from its log, because it decides whether the
parcel may have arrived all the same (then it counts against the limit on repeats) or
surely has not. In doubt it may have.
"""

import base64
import binascii
import json
import logging
import os
import re
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, BinaryIO

from daemon.redact import Redactor, install

DEADLINE = 15.0
"""Total time of one errand (s): covers mail, where each step may take a few seconds."""

CONNECT = 4.0
"""Longest wait for a connection (s)."""

READ = 4.5
"""Longest wait for an answer (s): with it a mute service costs at most 5 s."""

PICTURE = 4_000_000
"""Largest picture that is attached (bytes)."""


class Outcome(StrEnum):
    """What became of one parcel."""

    ACCEPTED = "accepted"
    REFUSED = "refused"
    """The service answered and said no: not delivered."""
    UNREACHABLE = "unreachable"
    """No connection: not delivered, nothing was sent."""
    TIMED_OUT = "timed out"
    """No answer in time: it may have arrived."""
    ANSWER_LOST = "answer lost"
    """The connection broke before the answer: it may have arrived."""
    NO_TARGET = "no such target"
    """The address is none that any service understands: nothing was sent."""


@dataclass(frozen=True, slots=True)
class Parcel:
    """One thing to carry.

    Attributes:
        id: Comes back with the outcome.
        contact: Name of the contact; the only name that is ever written to a log.
        reach: The address, a secret: an apprise URL, or http(s) for a heartbeat.
        title: First line.
        text: The message.
        priority: low, medium or high.
        picture: PNG as base64, or "".
        picture_path: PNG in a file, or "".
        heartbeat: Only ask for the address by GET.
    """

    id: str
    contact: str
    reach: str
    title: str = ""
    text: str = ""
    priority: str = "medium"
    picture: str = ""
    picture_path: str = ""
    heartbeat: bool = False


@dataclass(frozen=True, slots=True)
class Result:
    """What became of the parcel ``id``; ``words`` never hold a part of its address."""

    id: str
    outcome: Outcome
    words: str = ""


def packed(parcels: Iterable[Parcel], deadline: float = DEADLINE) -> bytes:
    """Write a job as the child reads it."""
    return json.dumps({"deadline": deadline, "parcels": [asdict(parcel) for parcel in parcels]}).encode()


def unpacked(job: bytes) -> tuple[tuple[Parcel, ...], float]:
    """Read a job.

    Raises:
        ValueError: It is none; a bug of the parent.
    """
    body = json.loads(job)
    try:
        return tuple(Parcel(**parcel) for parcel in body["parcels"]), float(body["deadline"])
    except (KeyError, TypeError) as fault:
        raise ValueError(f"not a courier's job: {type(fault).__name__}") from None


def result_of(line: str) -> Result | None:
    """Read one line of the child's output; None where it is no result."""
    try:
        body = json.loads(line)
        return Result(str(body["id"]), Outcome(body["outcome"]), str(body["words"]))
    except (ValueError, KeyError, TypeError):
        return None


_ANSWERED = re.compile(r"\berror=(\d{3})\b")
_UNSENT = re.compile(
    r"NewConnectionError|ConnectTimeout|NameResolutionError|Failed to establish|Connection refused|"
    r"Name or service not known|Temporary failure in name|No address associated|Network is unreachable|"
    r"No route to host|CERTIFICATE_VERIFY|certificate verify failed|authentication failed|\b53[045]\b",
    re.IGNORECASE,
)
_SLOW = re.compile(r"timed out|timeout", re.IGNORECASE)
_BROKEN = re.compile(r"Socket Exception|Connection|raised an exception", re.IGNORECASE)
_NOBODY = re.compile(r"There are no|no .{0,20}(targets|recipients)", re.IGNORECASE)
_AMBIGUOUS_ANSWERS = frozenset({"502", "504"})
"""A gateway gave up waiting: what stands behind it may have taken the message."""


def explained(heard: str, took: float) -> tuple[Outcome, str]:
    """Tell from a library's log why a parcel was not accepted.

    Args:
        heard: What was logged while it was sent, redacted.
        took: How long it took (s).
    """
    if (answer := _ANSWERED.search(heard)) is not None:
        code = answer[1]
        outcome = Outcome.TIMED_OUT if code in _AMBIGUOUS_ANSWERS else Outcome.REFUSED
        return outcome, f"the service answered {code}"
    if _UNSENT.search(heard):
        return Outcome.UNREACHABLE, "no connection to the service"
    if _SLOW.search(heard) or took >= min(CONNECT, READ):
        return Outcome.TIMED_OUT, f"no answer for {took:.0f} s"
    if _NOBODY.search(heard):
        return Outcome.NO_TARGET, "the address names nobody to send to"
    if _BROKEN.search(heard):
        return Outcome.ANSWER_LOST, "the connection broke before the answer"
    return Outcome.REFUSED, "the service did not take it"


class Courier:
    """One errand. Lives as long as the process; the main thread owns it.

    Results go out under a lock, one write a line; after the deadline nobody writes.
    """

    def __init__(self, parcels: tuple[Parcel, ...], deadline: float, out: int) -> None:
        """Take the job; ``out`` is the file descriptor for the results."""
        self._parcels = parcels
        self._ends = time.monotonic() + deadline
        self._out = out
        self._lock = threading.Lock()
        self._waiting = {parcel.id for parcel in parcels}
        self._late = False

    def run(self) -> None:
        """Carry everything; returns when all is told or the deadline has come."""
        if any(not parcel.heartbeat for parcel in self._parcels):
            _silence()
        by_contact: dict[str, list[Parcel]] = {}
        for parcel in self._parcels:
            by_contact.setdefault(parcel.contact, []).append(parcel)
        threads = [
            threading.Thread(target=self._serve, args=(parcels,), name=contact, daemon=True)
            for contact, parcels in by_contact.items()
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(max(0.0, self._ends - time.monotonic()))
        self._give_up()

    def _serve(self, parcels: list[Parcel]) -> None:
        """Carry one contact's parcels in order; after silence the rest need not wait for it too."""
        service = None if parcels[0].heartbeat else _service(parcels[0].reach)
        dead = False
        for parcel in parcels:
            result = Result(parcel.id, Outcome.UNREACHABLE, "not tried: the one before got no answer")
            try:
                if not dead:
                    result = _beat(parcel) if parcel.heartbeat else self._send(service, parcel)
            except Exception as fault:  # noqa: BLE001 - a library's bug must not silence the other parcels; it is told
                result = Result(parcel.id, Outcome.ANSWER_LOST, f"failed inside ({type(fault).__name__})")
            dead = dead or result.outcome in {Outcome.TIMED_OUT, Outcome.UNREACHABLE}
            self._tell(result)

    def _send(self, service: Any, parcel: Parcel) -> Result:
        """Send one message; where a picture is in the way, at once again without it."""
        if service is None:
            return Result(parcel.id, Outcome.NO_TARGET, "no service understands this address")
        picture, trouble = _picture(parcel)
        outcome, words = self._attempt(service, parcel, picture)
        if (
            picture is not None
            and outcome in {Outcome.REFUSED, Outcome.NO_TARGET}
            and not words.endswith("429")
        ):
            outcome, words = self._attempt(service, parcel, None)
            trouble = "without its picture"
        return Result(parcel.id, outcome, "; ".join(part for part in (words, trouble) if part))

    def _attempt(self, service: Any, parcel: Parcel, picture: Any) -> tuple[Outcome, str]:
        from apprise import NotifyFormat, NotifyType

        kind = {"high": NotifyType.FAILURE, "medium": NotifyType.WARNING}.get(
            parcel.priority, NotifyType.INFO
        )
        began = time.monotonic()
        result = service.notify(
            body=parcel.text or parcel.title,
            title=parcel.title,
            notify_type=kind,
            body_format=NotifyFormat.TEXT,
            attach=picture,
            log_level=logging.DEBUG,
        )
        if result:
            return Outcome.ACCEPTED, ""
        heard = [entry.message for entry in result.logs() if not _of_message(entry.message, parcel)]
        return explained("\n".join(heard), time.monotonic() - began)

    def _tell(self, result: Result) -> None:
        """Write one result, unless the deadline has told it."""
        with self._lock:
            if self._late or result.id not in self._waiting:
                return
            self._waiting.discard(result.id)
            line = json.dumps({"id": result.id, "outcome": result.outcome.value, "words": result.words})
            with suppress(BrokenPipeError):  # who asked was killed: it finds the alert in its outbox
                os.write(self._out, line.encode() + b"\n")
        contact = next(parcel.contact for parcel in self._parcels if parcel.id == result.id)
        if result.outcome is not Outcome.ACCEPTED:
            sys.stderr.write(f"courier: {contact}: {result.outcome.value}: {result.words}\n")

    def _give_up(self) -> None:
        """Tell what is not done."""
        for parcel in self._parcels:
            self._tell(Result(parcel.id, Outcome.TIMED_OUT, "not done at the deadline"))
        with self._lock:
            self._late = True


SHORT = 10
"""A title of so few characters may stand in any line."""


def _of_message(line: str, parcel: Parcel) -> bool:
    """Tell whether a line of the log holds what was sent: its words say nothing of what became of it."""
    telling = len(parcel.title) > SHORT and parcel.title in line
    return telling or "payload" in line.lower()


def _silence() -> None:
    """Let no library write to a log; what apprise says is read from its result."""
    logging.getLogger().addHandler(logging.NullHandler())
    told = logging.getLogger("apprise")
    told.setLevel(logging.DEBUG)
    told.propagate = False
    told.addHandler(logging.NullHandler())


def _service(reach: str) -> Any:
    """Make apprise's object for one address, or None where it understands it not."""
    from apprise import Apprise, AppriseAsset, PersistentStoreMode

    asset = AppriseAsset(
        app_id="ovigil",
        app_desc="ovigil climate watch",
        app_url="",
        image_url_mask="",
        image_url_logo="",
        image_path_mask=False,
        async_mode=False,
        storage_mode=PersistentStoreMode.MEMORY,
        secure_logging=True,
        service_timeout=0,
    )
    target = Apprise.instantiate(reach, asset=asset)
    if target is None:
        return None
    target.socket_connect_timeout = min(target.socket_connect_timeout, CONNECT)
    target.socket_read_timeout = min(target.socket_read_timeout, READ)
    target.retry = 0
    if hasattr(target, "include_image"):
        target.include_image = False
    service = Apprise(asset=asset)
    return service if service.add(target) else None


def _picture(parcel: Parcel) -> tuple[Any, str]:
    """Give the picture as apprise takes it, or None, and what is wrong with it."""
    if not parcel.picture and not parcel.picture_path:
        return None, ""
    try:
        content = (
            base64.b64decode(parcel.picture, validate=True)
            if parcel.picture
            else Path(parcel.picture_path).read_bytes()
        )
    except (OSError, binascii.Error, ValueError):
        return None, "without its picture (it could not be read)"
    if not content or len(content) > PICTURE:
        return None, "without its picture (it is empty or too large)"
    from apprise.attachment.memory import AttachMemory

    make: Any = AttachMemory
    return [make(content=content, name="curve.png", mimetype="image/png")], ""


def _beat(parcel: Parcel) -> Result:
    """Ask for a heartbeat's address by GET."""
    if not parcel.reach.lower().startswith(("http://", "https://")):
        return Result(parcel.id, Outcome.NO_TARGET, "a heartbeat's address begins with http:// or https://")
    request = urllib.request.Request(parcel.reach, headers={"User-Agent": "ovigil"})  # noqa: S310 - scheme checked
    try:
        with urllib.request.urlopen(request, timeout=READ) as answer:  # noqa: S310 - scheme checked above
            return Result(parcel.id, Outcome.ACCEPTED, f"answered {answer.status}")
    except urllib.error.HTTPError as fault:
        return Result(parcel.id, Outcome.REFUSED, f"answered {fault.code}")
    except TimeoutError:
        return Result(parcel.id, Outcome.TIMED_OUT, "no answer")
    except (OSError, ValueError) as fault:
        slow = isinstance(getattr(fault, "reason", None), TimeoutError)
        return Result(parcel.id, Outcome.TIMED_OUT if slow else Outcome.UNREACHABLE, "no connection")


def _read_job(stream: BinaryIO) -> tuple[tuple[Parcel, ...], float]:
    """Read the job and arm the redactor with its secrets before anything else is loaded."""
    parcels, deadline = unpacked(stream.read())
    install(Redactor.of(parcel.reach for parcel in parcels))
    return parcels, deadline


def _end_at(deadline: float) -> None:
    """End the process a moment after the deadline, even if the main thread hangs."""
    timer = threading.Timer(deadline + 1.0, os._exit, args=(3,))
    timer.daemon = True
    timer.start()


def main() -> None:
    """Run one errand; never returns (no thread of a library may hold the end up)."""
    parcels, deadline = _read_job(sys.stdin.buffer)
    _end_at(deadline)
    Courier(parcels, deadline, sys.stdout.fileno()).run()
    sys.stderr.flush()
    os._exit(0)


if __name__ == "__main__":
    main()
