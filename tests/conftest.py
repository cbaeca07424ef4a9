"""Marks the tests that the figures of branch coverage come from.

They alone run measured (see the task ``test`` in pyproject.toml): the rest would take twice
as long and adds nothing to the parts whose coverage is held.
"""

from pathlib import Path

import pytest

HERE = Path(__file__).parent

MEASURED = (
    "rules",
    "references",
    "daemon/test_archive.py",
    "daemon/test_backup.py",
    "daemon/test_courier.py",
    "daemon/test_delivery.py",
    "daemon/test_judge.py",
    "daemon/test_ledger.py",
    "daemon/test_logbook_drills.py",
    "daemon/test_logbook_edges.py",
    "daemon/test_logbook_writer.py",
    "daemon/test_recorder.py",
)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what is measured, before marks select."""
    places = [HERE / place for place in MEASURED]
    for item in items:
        if any(item.path.is_relative_to(place) for place in places):
            item.add_marker("measured")
