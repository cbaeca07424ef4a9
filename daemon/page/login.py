"""Who may give orders: one passcode, sessions that can be revoked, and a lock per address."""

import hashlib
import hmac
import json
import os
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
"""Letters of a passcode: none that looks like another."""

LENGTH = 15
"""Letters in a passcode: 31^15 is 74 bits."""

LIFE = 90 * 86_400
"""A phone's login lives this long (s)."""

COOKIE = "ovigil-login"
"""Name of the cookie over plain HTTP."""

_COST = {"n": 2**13, "r": 8, "p": 1}
"""scrypt's cost: 8 MiB. The passcode is random, so the cost is only the second wall."""

_MOST_SESSIONS = 200
_MOST_ADDRESSES = 2_000
_FREE_TRIES = 3
_LONGEST_LOCK = 300.0


@dataclass(frozen=True, slots=True)
class Session:
    """One device that is logged in."""

    by: str
    until: int


def cookie_name(*, secure: bool) -> str:
    """Name the cookie; over TLS no other host or plain page can set or read it by that name.

    Source: RFC 6265bis, section 4.1.3.2 (the "__Host-" prefix).
    """
    return f"__Host-{COOKIE}" if secure else COOKIE


def new_passcode() -> str:
    """Make a passcode of three groups."""
    letters = "".join(secrets.choice(LETTERS) for _ in range(LENGTH))
    return "-".join(letters[i : i + 5] for i in range(0, LENGTH, 5))


def _plain(passcode: str) -> bytes:
    """Give a passcode as it is hashed: how it is grouped or capitalised does not matter."""
    return "".join(c for c in passcode.lower() if c.isalnum()).encode()


def _write_private(path: Path, text: str) -> None:
    """Replace a file that only its owner can read, whole or not at all."""
    beside = path.with_name(path.name + ".new")
    with os.fdopen(os.open(beside, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600), "w") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)


class Door:
    """Passcode and sessions of one data folder. Lives as long as the page; one thread.

    Args:
        folder: The data folder.
        clock: Gives Unix seconds.
    """

    def __init__(self, folder: Path, clock: Callable[[], float] = time.time) -> None:
        self._passcode = folder / "page-passcode"
        self._kept = folder / "page-sessions"
        self._clock = clock

    def fresh_passcode(self) -> str | None:
        """Make and store a passcode where there is none yet; give it to be printed once."""
        if self._passcode.exists():
            return None
        passcode = new_passcode()
        salt = secrets.token_bytes(16)
        digest = hashlib.scrypt(_plain(passcode), salt=salt, **_COST)
        _write_private(self._passcode, f"{salt.hex()} {digest.hex()}\n")
        return passcode

    def fits(self, passcode: str) -> bool:
        """Tell whether it is the passcode."""
        try:
            salt, digest = (bytes.fromhex(part) for part in self._passcode.read_text().split())
        except (OSError, ValueError):
            return False
        tried = hashlib.scrypt(_plain(passcode[:200]), salt=salt, **_COST)
        return hmac.compare_digest(tried, digest)

    def admit(self, by: str) -> str:
        """Begin a session; give its token, of which only a hash is kept."""
        token = secrets.token_urlsafe(32)
        kept = self._sessions()
        kept[_hashed(token)] = Session(by, int(self._clock()) + LIFE)
        self._store(dict(list(kept.items())[-_MOST_SESSIONS:]))
        return token

    def session(self, token: str) -> Session | None:
        """Give the session of a token, if it lives."""
        return self._sessions().get(_hashed(token)) if token else None

    def dismiss(self, token: str) -> None:
        """End one session."""
        kept = self._sessions()
        if kept.pop(_hashed(token), None):
            self._store(kept)

    def dismiss_all(self) -> None:
        """End every session: a phone was lost."""
        self._store({})

    def _sessions(self) -> dict[str, Session]:
        """Read the sessions that live; a file that cannot be read admits nobody."""
        try:
            raw = json.loads(self._kept.read_text())
            now = self._clock()
            return {key: Session(str(by), int(until)) for key, (by, until) in raw.items() if until > now}
        except (OSError, ValueError, AttributeError, TypeError):
            return {}

    def _store(self, kept: dict[str, Session]) -> None:
        _write_private(self._kept, json.dumps({key: [s.by, s.until] for key, s in kept.items()}))


def _hashed(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


class Patience:
    """Wrong passcodes by address: each further one locks that address for longer.

    Never the room as a whole, else a stranger could lock the keeper out.

    Args:
        clock: Gives seconds that never step back.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._wrong: OrderedDict[str, tuple[int, float]] = OrderedDict()

    def wait(self, address: str) -> float:
        """Give how long (s) an address must still wait; 0 when it may try."""
        _, until = self._wrong.get(_network(address), (0, 0.0))
        return max(0.0, until - self._clock())

    def failed(self, address: str) -> None:
        """Count a wrong passcode."""
        key = _network(address)
        tries = self._wrong.pop(key, (0, 0.0))[0] + 1
        lock = min(_LONGEST_LOCK, 2.0 ** (tries - _FREE_TRIES)) if tries >= _FREE_TRIES else 0.0
        self._wrong[key] = (tries, self._clock() + lock)
        while len(self._wrong) > _MOST_ADDRESSES:
            self._wrong.popitem(last=False)

    def right(self, address: str) -> None:
        """Forget an address that knew it."""
        self._wrong.pop(_network(address), None)


def _network(address: str) -> str:
    """Give what one household or device is: the address, or the first half of an IPv6 one."""
    if ":" not in address:
        return address
    import ipaddress

    try:
        whole = ipaddress.IPv6Address(address.partition("%")[0])
    except ValueError:
        return address
    if whole.ipv4_mapped:
        return str(whole.ipv4_mapped)
    return str(ipaddress.IPv6Network((int(whole) >> 64 << 64, 64)))
