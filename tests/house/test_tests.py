"""The tests about the tests: each has a claim, each is collected, suppressions have reasons."""

import ast
import re

from tests.kit.source import python_files, text_of, tree_of

FLOOR = 33
"""A floor on the tests of this folder: none is lost unseen."""

SUPPRESSION = re.compile(
    r"#\s*(noqa(?!\w)|type:\s*ignore|pragma:|fmt:\s*(?:off|skip)|ruff:)(?P<rest>.*)$", re.MULTILINE
)

REASON = re.compile(
    r"^[:\s]*[A-Z0-9, ]*(?:\[[\w, -]+\])?\s*(?:#|-|–)\s*\S.{2,}|^.*\bno cover\s*(?:-|–|#|:)\s*\S.{2,}"
)


def every_claim():
    """Give (file, function, class or None) of everything that looks like a test."""
    for name in python_files("tests"):
        for node in tree_of(name).body:
            if isinstance(node, ast.ClassDef):
                for part in node.body:
                    if isinstance(part, ast.FunctionDef | ast.AsyncFunctionDef) and part.name.startswith(
                        "test"
                    ):
                        yield name, part, node.name
            elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name.startswith("test"):
                yield name, node, None


class TestTests:
    def test_each_has_one_sentence(self):
        """The docstring of a test is its claim."""
        wrong = [
            f"{name}:{node.lineno} {node.name}"
            for name, node, _ in every_claim()
            if not ast.get_docstring(node)
        ]
        assert not wrong

    def test_each_is_collected(self):
        """Files are test_*.py, classes Test*, functions test_*: nothing that looks like a test is lost."""
        wrong = [
            f"{name}:{node.lineno} {owner or ''} {node.name}"
            for name, node, owner in every_claim()
            if not name.rsplit("/", 1)[1].startswith("test_")
            or (owner is not None and not owner.startswith("Test"))
            or not node.name.startswith("test_")
        ]
        assert not wrong

    def test_no_two_hide_each_other(self):
        """No class or module has two tests of one name."""
        seen, wrong = set(), []
        for name, node, owner in every_claim():
            key = (name, owner, node.name)
            wrong += [key] if key in seen else []
            seen.add(key)
        assert not wrong

    def test_none_is_skipped_without_a_reason(self):
        """A skip or an expected failure says why."""
        marks = re.compile(
            r"pytest\.mark\.(?:skip|xfail)(?!if)\b(?!\(\s*(?:\w+,\s*)?reason=)|pytest\.skip\(\s*\)"
        )
        wrong = [
            name for name in python_files("tests") if marks.search(text_of(name)) and "house" not in name
        ]
        assert not wrong

    def test_there_are_enough(self):
        """The house has at least as many tests as when this was written."""
        mine = [name for name, *_ in every_claim() if name.startswith("tests/house/")]
        assert len(mine) >= FLOOR


class TestSuppressions:
    def test_each_has_its_reason(self):
        """What is not checked says why: beside it, or once in the file (each code of lint, type checks)."""
        wrong = []
        for name in python_files("rules", "sensors", "daemon"):
            bare, explained = {}, set()
            for number, kind, reason in _suppressions(name):
                if reason:
                    explained.update(kind)
                else:
                    bare[number] = kind
            wrong += [f"{name}:{number} {kind}" for number, kind in bare.items() if not kind <= explained]
        assert not wrong

    def test_there_is_no_unfinished_work(self):
        """No file says that something is still to be done."""
        unfinished = re.compile(r"\b(?:TODO|FIXME|XXX|HACK)\b|NotImplementedError")
        files = [name for name in python_files("rules", "sensors", "daemon", "tests") if "house" not in name]
        assert not [name for name in files if unfinished.search(text_of(name))]


def _suppressions(name):
    """Give (line, the kinds of check that it turns off, whether it says why)."""
    for number, line in enumerate(text_of(name).splitlines(), 1):
        found = SUPPRESSION.search(line)
        if found is not None and not found[1].startswith("fmt"):
            kind = frozenset(re.findall(r"[A-Z]+\d+", re.split(r"#| - ", found["rest"])[0])) or frozenset(
                {found[1]}
            )
            yield number, kind, bool(REASON.search(found["rest"]))
