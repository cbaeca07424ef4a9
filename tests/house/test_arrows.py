"""The three floors: who may import whom, and what the ground may know."""

import ast
import os
import subprocess
import sys

import pytest

from tests.kit.source import FLOORS, ROOT, imports, python_files, tree_of

ALLOWED = {"rules": {"rules"}, "sensors": {"rules", "sensors"}, "daemon": {"rules", "sensors", "daemon"}}
"""What of ours each floor may import."""

GROUND = frozenset(
    [
        "bisect",
        "collections",
        "collections.abc",
        "dataclasses",
        "difflib",
        "enum",
        "functools",
        "heapq",
        "itertools",
        "math",
        "operator",
        "re",
        "statistics",
        "types",
        "typing",
    ]
)
"""What of the standard library the ground may import: nothing that has a clock, chance or a file."""

FORBIDDEN_CALLS = frozenset(
    [
        "open",
        "print",
        "input",
        "eval",
        "exec",
        "compile",
        "globals",
        "locals",
        "id",
        "hash",
        "__import__",
        "vars",
    ]
)
"""What the ground must not call: the world outside, or what differs from run to run."""


def others(name):
    """Give (line, module) of what a file imports of ours."""
    return [(line, module) for line, module in imports(name) if module.split(".")[0] in (*FLOORS, "tests")]


class TestArrows:
    @pytest.mark.parametrize("floor", FLOORS)
    def test_a_floor_knows_only_what_it_stands_on(self, floor):
        """Rules imports nothing of ours above it, sensors stands on rules, daemon on both, none on tests."""
        wrong = [
            f"{name}:{line} {module}"
            for name in python_files(floor)
            for line, module in others(name)
            if module.split(".")[0] not in ALLOWED[floor]
        ]
        assert not wrong

    def test_the_page_reads_no_sensor(self):
        """The page knows the logbook, never the readers."""
        wrong = [
            f"{name}:{line} {module}"
            for name in python_files("daemon")
            if name.startswith("daemon/page/")
            for line, module in others(name)
            if module.split(".")[0] == "sensors"
        ]
        assert not wrong


class TestGround:
    def test_it_imports_nothing_with_a_clock_chance_or_file(self):
        """The ground imports a few modules of the standard library and itself, nothing else."""
        wrong = [
            f"{name}:{line} {module}"
            for name in python_files("rules")
            for line, module in imports(name)
            if module.split(".")[0] != "rules" and module not in GROUND
        ]
        assert not wrong

    def test_it_calls_nothing_outside(self):
        """No file, terminal, or value that differs from run to run is asked for."""
        wrong = [
            f"{name}:{node.lineno} {node.func.id}"
            for name in python_files("rules")
            for node in ast.walk(tree_of(name))
            if isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id in FORBIDDEN_CALLS
        ]
        assert not wrong

    def test_it_has_no_global_state(self):
        """No function of the ground declares a global."""
        wrong = [
            f"{name}:{node.lineno}"
            for name in python_files("rules")
            for node in ast.walk(tree_of(name))
            if isinstance(node, ast.Global)
        ]
        assert not wrong

    def test_it_runs_where_nothing_else_is_installed(self):
        """The whole ground is imported without any installed package."""
        names = [
            name.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
            for name in python_files("rules")
        ]
        script = "import sys, importlib\n" + "".join(f"importlib.import_module({name!r})\n" for name in names)
        script += (
            "assert not {'time', 'datetime', 'random', 'socket', 'threading', 'asyncio'} & set(late())\n"
        )
        script = (
            "import sys\nbefore = set(sys.modules)\ndef late():\n    return set(sys.modules) - before\n"
            + script
        )
        command = [sys.executable, "-S", "-c", script]
        done = subprocess.run(command, check=False, cwd=ROOT, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr

    def test_one_evening_is_the_same_in_every_process(self):
        """Hash seeds and addresses change nothing: effects and state are equal from process to process."""
        script = (
            "import hashlib, json\n"
            "from tests.kit.rooms import flat, play, usual\n"
            "player = play(usual()).end()\n"
            "text = repr(flat(player)) + json.dumps(player.lead.state())\n"
            "print(len(flat(player)), hashlib.sha256(text.encode()).hexdigest())\n"
        )
        said = set()
        for seed in ("0", "1", "271828"):
            environment = {**os.environ, "PYTHONHASHSEED": seed}
            command = [sys.executable, "-c", script]
            done = subprocess.run(
                command, check=False, cwd=ROOT, env=environment, capture_output=True, text=True
            )
            assert done.returncode == 0, done.stderr
            said.add(done.stdout)
        assert len(said) == 1
        assert int(said.pop().split()[0]) > 20
