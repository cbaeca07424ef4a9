"""Try broker, contacts and servers without sending anything.

Contacts are looked at by a child, since the library that knows their addresses is large;
it hears the addresses on standard input, and says nothing that holds a part of one.
"""

import json
import socket
import subprocess
import sys
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlsplit

from daemon.selftest import Finding

PATIENCE = 5.0
"""Longest wait for a connection (s)."""

LONGEST = 30.0
"""Longest wait for the child (s)."""

_OWN_SERVER = frozenset({"json", "jsons", "xml", "xmls", "form", "forms", "gotify", "gotifys"})
"""Schemes whose host is a server of the address itself; in others it may be a secret."""


def contacts(reach: Mapping[str, str]) -> list[Finding]:
    """Say of each contact's address whether it is understood and its server answers.

    Args:
        reach: Address by contact, a secret; "" where it is missing.
    """
    if not reach:
        return []
    try:
        child = subprocess.run(
            [sys.executable, "-m", "daemon.reaching"],
            input=json.dumps(dict(reach)).encode(),
            capture_output=True,
            timeout=LONGEST,
            check=False,
        )
        said = json.loads(child.stdout or b"{}")
    except (subprocess.TimeoutExpired, ValueError):
        said = {}
    return [
        Finding(f"contact {name}", *(said.get(name) or (False, "its address could not be looked at")))
        for name in reach
    ]


def server(what: str, url: str) -> Finding:
    """Say whether the server of a web address takes a connection."""
    parts = urlsplit(url)
    try:
        port = parts.port or (443 if parts.scheme == "https" else 80)
    except ValueError:
        return Finding(what, holds=False, words="its address has no port that can be")
    if not parts.hostname:
        return Finding(what, holds=False, words="its address names no server")
    trouble = _refused(parts.hostname, port)
    return Finding(what, not trouble, trouble or "its server takes connections")


def _refused(host: str, port: int) -> str:
    """Say why there is no connection, "" where there is one."""
    try:
        with socket.create_connection((host, port), PATIENCE):
            return ""
    except OSError as fault:
        return f"no connection to its server ({fault.strerror or 'no answer'})"


def _looked_at(reach: str) -> tuple[bool, str]:
    """Look at one address, in the child."""
    from apprise import Apprise

    target: Any = Apprise.instantiate(reach, suppress_exceptions=True) if reach else None
    if target is None:
        return False, "no address is there" if not reach else "no service understands its address"
    scheme = reach.partition(":")[0].lower()
    host, port = getattr(target, "smtp_host", None), target.port
    if scheme in _OWN_SERVER:
        host, port = target.host, port or (443 if target.secure else 80)
    if not host or not port:
        return True, "its address is understood; only selftest tries its service"
    trouble = _refused(str(host), int(port))
    return not trouble, trouble or "its address is understood and its server takes connections"


def main() -> None:
    """Look at what standard input names."""
    import logging

    logging.disable(logging.CRITICAL)
    reach = json.load(sys.stdin)
    print(json.dumps({name: _looked_at(address) for name, address in reach.items()}))


if __name__ == "__main__":
    main()
