"""``ovigil selftest``: does all work that must work at three in the morning?

A marked test alert goes to each contact through the real courier, and what the service
answered is told; disk, clock, broker and the age of the last backup are looked at.
Whether a phone really rang only its owner can say, and the report says so.
"""

import socket
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from shutil import disk_usage
from typing import Any

from daemon.alerting import trial_alert
from daemon.courier import DEADLINE, Outcome, Parcel, Result
from daemon.errand import Errand
from daemon.record import Json
from daemon.texts import Speaker, lasting
from rules.reading import DAY, HOUR
from sensors.reader import Boottime

LOW_WATER = 200 * 1024 * 1024
"""Free space below which the card counts as nearly full (bytes)."""

OLDEST_BACKUP = 2 * DAY
"""A nightly backup older than this has failed at least once (ms)."""

BROKER_WAIT = 5.0
"""Longest wait for the broker (s)."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at.

    Attributes:
        what: Its name ("contact first", "disk").
        holds: Whether it is as it should be.
        words: What was found.
        outcome: For a contact what the service did, else "".
    """

    what: str
    holds: bool
    words: str
    outcome: str = ""


@dataclass(frozen=True, slots=True)
class SelfTest:
    """All findings, in the order in which they were made."""

    findings: tuple[Finding, ...]

    @property
    def holds(self) -> bool:
        """Tell whether everything is as it should be."""
        return all(finding.holds for finding in self.findings)

    def text(self) -> str:
        """Give one line a finding, and the verdict."""
        lines = [f"{'ok ' if item.holds else 'NOT'}  {item.what}: {item.words}" for item in self.findings]
        if any(item.outcome for item in self.findings):
            lines.append(
                "A service that accepted has not yet woken anybody: see that the test is on the phone."
            )
        wrong = [item.what for item in self.findings if not item.holds]
        lines.append("All is well." if not wrong else f"Needs a look: {', '.join(wrong)}.")
        return "\n".join(lines)

    def json(self) -> dict[str, Json]:
        """Give it for machines: ``{"holds", "findings": [{"what", "holds", "words", "outcome"}]}``."""
        findings: list[Json] = [
            {"what": item.what, "holds": item.holds, "words": item.words, "outcome": item.outcome or None}
            for item in self.findings
        ]
        return {"holds": self.holds, "findings": findings}


Check = Callable[[], Finding]
"""Looks at one thing. What it raises is a bug, save OSError, which is a finding."""


def selftest(contacts: Callable[[], Iterable[Finding]], checks: Mapping[str, Check]) -> SelfTest:
    """Look at everything; one thing that fails stops no other.

    Args:
        contacts: Sends the test alerts, see :func:`try_contacts`.
        checks: What else is looked at, by name.
    """
    findings = list(contacts())
    for what, check in checks.items():
        try:
            findings.append(check())
        except OSError as fault:
            findings.append(
                Finding(what, holds=False, words=f"could not be looked at: {fault.strerror or fault}")
            )
    return SelfTest(tuple(findings))


def try_contacts(
    reach: Mapping[str, str], room: str, *, speaker: Speaker, boottime: Boottime, deadline: float = DEADLINE
) -> tuple[Finding, ...]:
    """Send the marked test alert to each contact through a real courier; waits for it.

    Args:
        reach: Address of each contact, a secret; "" where there is none.
        room: The room's name.
        speaker: How instants are rendered.
        boottime: The boot-time clock, ms.
        deadline: Total time for all contacts (s).

    Returns:
        One finding a contact, in the order given.
    """
    parcels = [_trial(name, address, room, speaker) for name, address in reach.items()]
    if not parcels:
        return (Finding("contacts", holds=False, words="none in the config: nobody would be told"),)
    results = _carried(parcels, boottime, deadline)
    return tuple(
        Finding(f"contact {name}", found.outcome is Outcome.ACCEPTED, _said(found), found.outcome.value)
        for name, found in results.items()
    )


def _carried(parcels: Sequence[Parcel], boottime: Boottime, deadline: float) -> dict[str, Result]:
    """Let a courier carry parcels, and wait for it; give what came of each, in their order."""
    errand = Errand(parcels, boottime, deadline)
    came = {result.id: result for result in errand.poll()}
    while not errand.ended:
        time.sleep(0.02)
        came |= {result.id: result for result in errand.poll()}
    lost = {one.id: Result(one.id, Outcome.ANSWER_LOST, _NO_ANSWER) for one in parcels}
    return lost | came


_NO_ANSWER = "the courier ended without an answer"


def _said(result: Result) -> str:
    return f"{result.outcome.value}{f' ({result.words})' if result.words else ''}"


def _trial(name: str, address: str, room: str, speaker: Speaker) -> Parcel:
    alert = trial_alert(name, room, now=speaker.now, speaker=speaker)
    return Parcel(name, name, address, alert.title, alert.text, alert.priority.value)


def check_heartbeat(address: str, boottime: Boottime) -> Finding:
    """Send one heartbeat to its address, a secret, as the watch does.

    Args:
        address: Where to, or "" where its file is missing.
        boottime: The boot-time clock, ms.
    """
    parcel = Parcel("heartbeat", "heartbeat", address, heartbeat=True)
    found = _carried([parcel], boottime, DEADLINE)[parcel.id]
    return Finding("heartbeat", found.outcome is Outcome.ACCEPTED, _said(found))


def check_disk(folder: Path, low_water: int = LOW_WATER) -> Finding:
    """Look at the free space where the logbook is."""
    free = disk_usage(folder).free
    words = f"{free / 1024**2:.0f} MiB free"
    return Finding("disk", free >= low_water, words if free >= low_water else f"only {words}")


def check_clock(*, trusted: bool) -> Finding:
    """Say whether somebody vouches for the clock."""
    words = (
        "set and trusted"
        if trusted
        else "not trusted: no time server has set it; day and night are not known"
    )
    return Finding("clock", trusted, words)


def check_backup(newest: int | None, now: int, oldest: int = OLDEST_BACKUP) -> Finding:
    """Look at the age of the newest backup (both in ms of one clock)."""
    if newest is None:
        return Finding("backup", holds=False, words="none yet")
    age = now - newest
    return Finding(
        "backup", age <= oldest, f"the newest is {lasting(max(age, 0))} old" if age >= HOUR else "fresh"
    )


def check_broker(host: str, port: int, user: str = "", password: str = "", tls: Any = None) -> Finding:
    """Connect to the broker once, as the watch does, under a client name of its own.

    Args:
        host: Where it is.
        port: Its port.
        user: User name, or "" for none.
        password: Its password, a secret.
        tls: An ``ssl.SSLContext``, or None for a plain connection.
    """
    where = f"{host}:{port}"
    try:
        with socket.create_connection((host, port), BROKER_WAIT):
            pass
    except OSError as fault:
        return Finding("broker", holds=False, words=f"no connection to {where} ({fault.strerror or fault})")
    return _connected(where, (host, port), (user, password), tls)


def _connected(where: str, at: tuple[str, int], login: tuple[str, str], tls: Any) -> Finding:
    """Say what the broker answers to a CONNECT."""
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

    answers: list[Any] = []
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.on_connect = lambda _client, _data, _flags, reason, _properties: answers.append(reason)
    client.connect_timeout = BROKER_WAIT
    if login[0]:
        client.username_pw_set(*login)
    if tls is not None:
        client.tls_set_context(tls)
    try:
        client.connect(*at, keepalive=10)
        ends = time.monotonic() + BROKER_WAIT
        while not answers and time.monotonic() < ends:
            if client.loop(0.1) != 0 and not answers:
                break
    except OSError as fault:
        return Finding("broker", holds=False, words=f"no connection to {where} ({fault.strerror or fault})")
    finally:
        with suppress(OSError, ValueError):
            client.disconnect()
    if not answers:
        return Finding("broker", holds=False, words=f"{where} takes the connection and does not answer")
    refused = answers[0].is_failure
    return Finding(
        "broker", not refused, f"{where} {'says no: ' + str(answers[0]).lower() if refused else 'answers'}"
    )


def undelivered(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Give the contacts that no test reached, for the journal."""
    return tuple(item.what.removeprefix("contact ") for item in findings if item.outcome and not item.holds)
