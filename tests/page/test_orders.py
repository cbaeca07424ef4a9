"""Orders are checked before they are written, and cleaned of what no log should hold."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.logbook import Archive
from daemon.orders import OrderError, checked, printable, write_order
from tests.kit.night import Night


@pytest.mark.parametrize(
    "body",
    [
        {"verb": "acknowledge", "alarm": 17},
        {"verb": "shelve", "alarm": 17, "for_ms": 1_200_000, "reason": "feeding"},
        {"verb": "unshelve", "alarm": 17},
        {"verb": "note", "alarm": 17, "text": "lid was open"},
        {"verb": "label", "alarm": 17, "label": "known work"},
        {"verb": "service", "place": "box-2", "in": False},
        {"verb": "undo", "order": 123},
        {"verb": "egg", "clutch": "P-07", "what": "candled", "eggs": 2},
        {"verb": "stage", "place": "box-2", "stage": "hatching"},
        {"verb": "use", "place": "box-2", "in": True},
    ],
    ids=lambda body: str(body["verb"]),
)
def test_every_order_is_written_as_it_is(night: Night, body: dict[str, Any]) -> None:
    """Each verb with its parts is stored with who and from where."""
    number = write_order(night.folder, "Ines", "command", body)
    with Archive.open(night.folder) as archive:
        asked = archive.order(number)
    assert asked is not None
    assert (asked.by, asked.source, asked.body) == ("Ines", "command", body)


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"verb": "heat"},
        {"verb": 3},
        {"verb": "acknowledge"},
        {"verb": "acknowledge", "alarm": "17"},
        {"verb": "acknowledge", "alarm": True},
        {"verb": "acknowledge", "alarm": 0},
        {"verb": "acknowledge", "alarm": 2**60},
        {"verb": "acknowledge", "alarm": 1, "place": "x"},
        {"verb": "label", "alarm": 1, "label": "mine"},
        {"verb": "service", "place": "box-2", "in": "no"},
    ],
)
def test_what_is_no_order_is_refused(body: dict[str, Any]) -> None:
    """A missing, unknown or wrong part is an error that names it."""
    with pytest.raises(OrderError):
        checked(body)


@given(st.text())
def test_texts_are_one_printable_line(text: str) -> None:
    """No order brings a line break, an escape or more than 500 letters into journal or log."""
    clean = printable(text)
    assert clean.isprintable()
    assert len(clean) <= 500
