"""Where keys stand in TOML: our scanner against another parser."""

import io
import tomllib
from typing import Any

import pytest
import toml_rs
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.toml_lines import DEEPEST, Loc, positions

_KEYS = st.one_of(
    st.text("abcXYZ019_-", min_size=1, max_size=5),
    st.text("ab .#=\"'[]é\\", min_size=1, max_size=4).map(
        lambda key: '"' + key.replace("\\", "\\\\").replace('"', '\\"') + '"'
    ),
    st.sampled_from(["'a.b'", "'#'", "'= ['"]),
)
_PLAIN = ["1", "-2.5", "true", "nan", "2026-09-30", "2026-09-30 07:00:00", "1979-05-27T07:32:00Z", "0x1F"]
_QUOTED = [
    '""',
    '"a # b"',
    "'[x]'",
    '"\\"quoted\\""',
    '"""\na\nb"""',
    "'''x\n'y'\nz'''",
    '"""two quotes"""""',
]
_SCALARS = st.sampled_from([*_PLAIN, *_QUOTED])
_GAP = st.sampled_from(["", " ", "\n", ' # note ] } "\n', "\n\n  "])


def _array(elements: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    """Write arrays with gaps, comments and trailing commas."""
    return st.tuples(st.lists(elements, max_size=3), _GAP, st.booleans()).map(
        lambda made: (
            "[" + made[1] + f",{made[1]}".join(made[0]) + ("," if made[2] and made[0] else "") + made[1] + "]"
        )
    )


def _inline(elements: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    """Write inline tables."""
    pairs = st.dictionaries(_KEYS, elements, max_size=3)
    return pairs.map(lambda table: "{" + ", ".join(f"{key} = {value}" for key, value in table.items()) + "}")


_VALUES = st.recursive(_SCALARS, lambda inner: st.one_of(_array(inner), _inline(inner)), max_leaves=6)
_LINES = st.one_of(
    st.tuples(st.lists(_KEYS, min_size=1, max_size=3).map(".".join), _VALUES).map(
        lambda kv: f"{kv[0]} = {kv[1]}"
    ),
    st.lists(_KEYS, min_size=1, max_size=3).map(lambda keys: f"[{'.'.join(keys)}]"),
    st.lists(_KEYS, min_size=1, max_size=3).map(lambda keys: f"[[ {' . '.join(keys)} ]]"),
    st.sampled_from(["", "# comment = [", "   # x"]),
)


def _grown(lines: list[str]) -> str:
    """Keep the lines that together stay valid TOML."""
    kept = ""
    for line in lines:
        try:
            tomllib.loads(kept + line + "\n")
        except tomllib.TOMLDecodeError:
            continue
        kept += line + "\n"
    return kept


def _first(value: int | tuple[int, int]) -> int:
    """Take the start of a place that may be a pair."""
    return value if isinstance(value, int) else value[0]


def _oracle(nodes: dict[str, Any], base: Loc = ()) -> dict[Loc, tuple[int, int]]:
    """Flatten the other parser's places: keys of leaves."""
    found: dict[Loc, tuple[int, int]] = {}
    for key, node in nodes.items():
        loc = (*base, key)
        if "key_line" not in node or not isinstance(node["key_line"], int | tuple):
            found |= _oracle(node, loc)
            continue
        found[loc] = (_first(node["key_line"]), _first(node["key_col"]))
        found |= _elements(node["value"], loc)
    return found


def _elements(value: Any, loc: Loc) -> dict[Loc, tuple[int, int]]:
    """Flatten what is in a value."""
    if isinstance(value, dict):
        return _oracle(value, loc)
    found: dict[Loc, tuple[int, int]] = {}
    if isinstance(value, list):
        for index, each in enumerate(value):
            if "value" in each:  # the other parser gives no positions of tables in lists of lists
                found |= _elements(each["value"], (*loc, index))
    return found


@given(st.lists(_LINES, max_size=8))
@settings(max_examples=300, deadline=None)
def test_every_key_stands_where_another_parser_finds_it(lines: list[str]) -> None:
    """Line and column of every key of a leaf agree with an independent parser."""
    text = _grown(lines)
    try:
        nodes = toml_rs.load_with_metadata(io.BytesIO(text.encode())).meta["nodes"]
    except toml_rs.TOMLDecodeError:
        return
    ours = positions(text)
    for loc, (line, column) in _oracle(nodes).items():
        assert loc in ours
        before = text.split("\n")[line - 1].encode()[: column - 1]
        assert tuple(ours[loc]) == (line, len(before.decode()) + 1)


@given(st.lists(_LINES, max_size=8))
@settings(max_examples=300, deadline=None)
def test_every_value_has_a_place(lines: list[str]) -> None:
    """The scanner accepts all that the standard parser accepts, and misses no key or element."""
    text = _grown(lines)
    ours = positions(text)

    def walk(value: Any, loc: Loc) -> None:
        assert loc == () or loc in ours
        if isinstance(value, dict):
            for key, each in value.items():
                walk(each, (*loc, key))
        if isinstance(value, list):
            for index, each in enumerate(value):
                walk(each, (*loc, index))

    walk(tomllib.loads(text), ())
    last = text.count("\n") + 1
    assert all(1 <= place.line <= last and place.column >= 1 for place in ours.values())


@pytest.mark.parametrize(
    ("loc", "place"),
    [
        (("room", "name"), (2, 1)),
        (("place", 0), (3, 1)),
        (("place", 1, "name"), (6, 1)),
        (("place", 1, "sensor", 0, "read", "topic"), (8, 23)),
        (("place", 1, "sensor", 0, "points", 1), (9, 19)),
    ],
    ids=str,
)
def test_places_in_a_config(loc: Loc, place: tuple[int, int]) -> None:
    """Tables in tables, arrays of tables and inline tables are followed."""
    text = (
        '[room]\nname = "x"\n[[place]]\nname = "a"\n[[place]]\nname = "b"\n[[place.sensor]]\n'
        'read = { by = "mqtt", topic = "t" }\npoints = [[0, 1], [2, 3]]\n'
    )
    assert tuple(positions(text)[loc]) == place


def test_a_very_deep_key_costs_little() -> None:
    """Twenty thousand parts of one key are cut short."""
    assert max(len(loc) for loc in positions(".".join("a" * 20_000) + " = 1\n")) <= DEEPEST + 1
