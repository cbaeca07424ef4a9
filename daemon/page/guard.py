"""What stands before every page: hosts, origins, sizes, and what a browser may do with it.

Source: OWASP ASVS 5.0, chapters 3.4 (headers) and 3.5 (origin); the rows are the
tests of ``tests/page/test_guard.py``.
"""

import asyncio
import ipaddress
import logging
import re
import socket
from collections.abc import Iterable
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

log = logging.getLogger("ovigil.page")

LARGEST_BODY = 16 * 1024
"""A request's body is at most this long (bytes)."""

DEADLINE = 10.0
"""A request's head, and its body, must have come within this (s)."""

SAFE = frozenset({"GET", "HEAD"})
"""Methods that change nothing."""

HEADERS = {
    "content-security-policy": (
        "default-src 'self'; script-src 'self'; style-src 'self'; img-src 'self' data:; object-src 'none'; "
        "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
"""Said with every answer."""

_HOST = re.compile(r"(?P<name>\[[0-9a-fA-F:.]+\]|[A-Za-z0-9._-]+)(?::(?P<port>\d{1,5}))?", re.ASCII)


def host_name(text: str) -> str | None:
    """Give the name in a Host header, in small letters without port; None where it is none."""
    match = _HOST.fullmatch(text)
    return match["name"].strip("[]").lower().rstrip(".") if match else None


def own_names(bound: str, address: str) -> frozenset[str]:
    """Give the names under which this page may be asked for.

    Args:
        bound: What it listens on.
        address: What the link in an alert opens, or "".
    """
    machine = socket.gethostname().lower()
    named = urlsplit(address).hostname if address else None
    every = [
        "localhost",
        "127.0.0.1",
        "::1",
        machine,
        f"{machine}.local",
        bound.lower(),
        (named or "").lower(),
    ]
    return frozenset(name for name in every if name and not _is_any(name))


def _is_any(name: str) -> bool:
    """Tell whether it is the address that means every address."""
    try:
        return ipaddress.ip_address(name).is_unspecified
    except ValueError:
        return False


class Guard:
    """ASGI middleware around everything.

    Args:
        app: What is guarded.
        names: Host names that are served, beside the address that was connected to.
    """

    def __init__(self, app: ASGIApp, names: Iterable[str]) -> None:
        self._app = app
        self._names = frozenset(names)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse, or serve with headers."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                said = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    said[name] = value
                said.setdefault("cache-control", "no-store")
            await send(message)

        refusal = self._refusal(scope, headers)
        body: bytes | int = b""
        if refusal is None and scope["method"] not in SAFE:
            body = await _whole_body(headers, receive)
        if isinstance(body, int):
            refusal = (body, "That was too much, or too slow.")
        if refusal is None and isinstance(body, bytes):
            await self._app(scope, _again(body, receive), with_headers)
            return
        code, words = refusal or (400, "Not understood.")
        log.debug("refused %d: %s %r", code, scope["method"][:10], scope["path"][:80])
        await PlainTextResponse(words + "\n", code)(scope, receive, with_headers)

    def _refusal(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        """Say why a request is not served, or None."""
        hosts = headers.getlist("host")
        name = host_name(hosts[0]) if len(hosts) == 1 else None
        here = (scope.get("server") or ("",))[0]
        if name is None or (name not in self._names and name != here):
            return 421, "This page is not known by that name."
        if scope["method"] in SAFE:
            return None
        if headers.get("sec-fetch-site", "same-origin") not in {"same-origin", "none"}:
            return 403, "This must come from the page itself."
        origin = headers.get("origin")
        if origin is not None and _authority(origin) != hosts[0].lower():
            return 403, "This must come from the page itself."
        return None


def _authority(origin: str) -> str | None:
    """Give host and port of an Origin header; None where it is opaque or none."""
    scheme, _, rest = origin.lower().partition("://")
    return rest if scheme in {"http", "https"} else None


async def _whole_body(headers: Headers, receive: Receive) -> bytes | int:
    """Read a body, or give the status with which it is refused."""
    claimed = headers.get("content-length", "0")
    if not claimed.isdigit() or int(claimed) > LARGEST_BODY:
        return 413
    parts = bytearray()
    try:
        async with asyncio.timeout(DEADLINE):
            while True:
                message = await receive()
                parts += message.get("body", b"")
                if len(parts) > LARGEST_BODY:
                    return 413
                if message["type"] == "http.disconnect" or not message.get("more_body"):
                    return bytes(parts)
    except TimeoutError:
        return 408


def _again(body: bytes, receive: Receive) -> Receive:
    """Give a body that was read to whoever asks next."""
    given = False

    async def next_message() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return next_message
