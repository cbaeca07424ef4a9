"""Which curve rises."""

import pytest

from daemon.finding import risen


@pytest.mark.parametrize(
    ("curves", "named"),
    [
        ({"a": [22, 22, 22], "b": [21, 23, 26]}, "b"),
        ({"a": [22, 22, 22], "b": [21, 21.2, 21.5]}, None),
        ({"a": [20, 23], "b": [20, 23], "c": [20, 23]}, None),
        ({"a": [20, 22], "b": [20, 22], "c": [20, 27]}, "c"),
        ({"a": [20, 23], "b": [20, 22.5]}, None),
        ({"a": [30, 25, 25], "b": [22, 22, 22]}, None),
        ({"a": [22]}, None),
        ({"a": [22, 24]}, "a"),
        ({}, None),
    ],
    ids=[
        "one in a hand",
        "too little",
        "the whole room",
        "one beyond the room",
        "two at once",
        "one cools",
        "one reading",
        "the only one",
        "nothing",
    ],
)
def test_one_curve_is_named_or_none(curves: dict[str, list[float]], named: str | None) -> None:
    """The one curve that rises by itself is named; in doubt none is."""
    assert risen(curves) == named
