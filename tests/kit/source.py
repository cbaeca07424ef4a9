"""The source as the house's own tests see it: files that are tracked, parsed once."""

import ast
import re
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
"""The repository."""

FLOORS = ("rules", "sensors", "daemon")
"""The three packages, from the ground up."""

BUILT = ("__pycache__", "node_modules", ".git", ".venv", "out", "dist")
"""Folders that are no source."""


@cache
def tracked() -> tuple[str, ...]:
    """Give every tracked file (in a copy without git: every file), relative to the root."""
    if (ROOT / ".git").exists():
        command = ["git", "-C", str(ROOT), "ls-files", "-z"]
        listed = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        return tuple(name for name in listed.split("\0") if name and (ROOT / name).exists())
    found = (path.relative_to(ROOT) for path in ROOT.rglob("*") if path.is_file())
    return tuple(sorted(str(path) for path in found if not _is_built(path)))


def _is_built(path: Path) -> bool:
    dotted = any(part.startswith(".") and part not in (".ci", ".gitignore") for part in path.parts)
    return dotted or any(part in BUILT for part in path.parts)


def python_files(*folders: str) -> tuple[str, ...]:
    """Give the tracked Python files of some folders."""
    return tuple(
        name for name in tracked() if name.endswith(".py") and name.split("/", 1)[0] in (folders or FLOORS)
    )


def text_of(name: str) -> str:
    """Give a file's text; bytes that are no text are passed over."""
    return (ROOT / name).read_text(encoding="utf-8", errors="ignore")


@cache
def tree_of(name: str) -> ast.Module:
    """Parse a Python file."""
    return ast.parse(text_of(name), name)


def imports(name: str) -> Iterator[tuple[int, str]]:
    """Give (line, module) of everything that a file imports, wherever it stands."""
    for node in ast.walk(tree_of(name)):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.lineno, node.module or ""


@dataclass(frozen=True, slots=True)
class Function:
    """One function: where it is, how many lines of code, how many positional parameters."""

    where: str
    lines: int
    parameters: int


def functions(name: str) -> Iterator[Function]:
    """Give every function of a file; docstrings, comments and blank lines are no code."""
    lines = text_of(name).splitlines()
    for node in ast.walk(tree_of(name)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            body = node.body[1:] if ast.get_docstring(node, clean=False) is not None else node.body
            code = 0
            if body:
                text = lines[body[0].lineno - 1 : node.end_lineno]
                code = sum(1 for line in text if line.strip() and not line.strip().startswith("#"))
            given = [one.arg for one in (*node.args.posonlyargs, *node.args.args)]
            bound = given[:1] in (["self"], ["cls"])
            yield Function(f"{name}:{node.lineno} {node.name}", code, len(given) - bound)


def parts_of(identifier: str) -> set[str]:
    """Give the words that an identifier is made of, in lower case, plurals as singulars."""
    words = re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+", identifier)
    lower = {word.lower() for word in words}
    return lower | {word[:-1] for word in lower if word.endswith("s")} | {"".join(words).lower()}


def public_names(name: str) -> Iterator[tuple[int, str]]:
    """Give (line, name) of what a file shows: classes, functions, parameters, fields, constants."""
    yield 0, Path(name).stem
    yield from _shown(tree_of(name).body)


def _shown(body: list[ast.stmt]) -> Iterator[tuple[int, str]]:
    for node in body:
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            yield node.lineno, node.name
            yield from _shown(node.body)
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            if not node.name.startswith("_") or node.name == "__init__":
                yield node.lineno, node.name
                arguments = (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)
                yield from ((one.lineno, one.arg) for one in arguments)
        else:
            targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
            yield from ((node.lineno, one.id) for one in targets if isinstance(one, ast.Name))
