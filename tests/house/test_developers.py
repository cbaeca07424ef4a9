"""What DEVELOPERS.md claims: every test and drill that it names is there."""

import ast
import re

import pytest

from tests.kit.source import ROOT, text_of

DEVELOPERS = text_of("DEVELOPERS.md")
NAMED = sorted(set(re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", DEVELOPERS)))
ASKED = ("Write to the maintainers", "within 14 days", "two years", "What is kept of people", "To delete")


def names_in(path: str) -> set[str]:
    """Give the classes and functions of a file."""
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    kinds = (ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    return {part.name for part in ast.walk(tree) if isinstance(part, kinds)}


@pytest.mark.parametrize(("path", "name"), NAMED, ids=["::".join(filter(None, one)) for one in NAMED])
def test_what_is_named_as_shown_by_is_there(path: str, name: str) -> None:
    """A claim points to a test that exists."""
    assert (ROOT / path).is_file()
    assert not name or name in names_in(path)


def test_every_group_and_row_has_its_line() -> None:
    """The groups 5.1 to 5.13 and 6, and each row of the list that applies, stand in a table once."""
    rows = re.findall(r"^\| ([\d., –]+)", DEVELOPERS, re.MULTILINE)
    groups = [row.strip() for row in rows]
    assert [f"5.{number}" for number in range(1, 14)] + ["6"] == [one for one in groups if one[0] in "56"]
    for row in ("3.2.2", "3.3.1", "3.4.1", "3.5.3", "16.2.5", "16.3.1", "16.5.4"):
        assert row in groups
    for line in DEVELOPERS.splitlines():
        if re.match(r"^\| [\d.]+", line):
            assert "`tests/" in line, line


def test_the_readme_says_what_a_standard_asks_for() -> None:
    """Where to report a hole, how long updates are given, what is kept of people and how it is deleted."""
    readme = text_of("README.md")
    for words in ASKED:
        assert words in readme
