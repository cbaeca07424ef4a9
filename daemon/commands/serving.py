"""``ovigil page`` and ``ovigil uplink``: the two other processes."""

import argparse
import os

from daemon.cli import UNAVAILABLE, Plain


def page(given: argparse.Namespace) -> int:
    """Serve the page until told to end."""
    os.umask(0o077)
    from daemon.page.serve import run

    try:
        return run(given.room, given.host, given.port)
    except OSError as error:
        raise Plain(f"the page cannot be served: {error.strerror or error}", UNAVAILABLE) from None


def uplink(given: argparse.Namespace) -> int:
    """Forward the record until told to end."""
    os.umask(0o077)
    from daemon.uplink import run

    return run(given.room, once=given.once)
