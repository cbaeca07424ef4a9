"""The repository: its top level, its names, and what must not be in it."""

import importlib.metadata
import re
import tomllib

import pytest

from tests.kit.source import FLOORS, ROOT, python_files, text_of, tracked

TOP = frozenset(
    [
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "daemon",
        "sensors",
        "rules",
        "tests",
        "deploy",
        "LICENSE",
    ]
)
"""The top level, besides dotfiles."""

TEXT = (
    ".py",
    ".md",
    ".toml",
    ".sh",
    ".service",
    ".conf",
    ".txt",
    ".html",
    ".css",
    ".js",
    ".json",
    ".csv",
    "run",
)

MACHINE = re.compile(
    r"(?<![\w./])/(?:work|root|home)/[a-z]"
    r"|(?:pypi|pythonhosted|npmjs|artifactory|nexus|devpi)\.\w"
    r"|--(?:extra-)?index-url|registry\s*=|index-url\s*="
)
"""A path of a machine, a host of a registry, or the URL of an index."""

OURS = frozenset({"tests/house/test_tree.py"})


class TestTopLevel:
    def test_it_is_exactly_this(self):
        """Nothing lies at the top but what the design names, and dotfiles."""
        names = {name.split("/", 1)[0] for name in tracked()}
        assert {name for name in names if not name.startswith(".")} == TOP

    def test_what_is_built_is_not_tracked(self):
        """No cache, logbook, build or installed package is tracked."""
        built = re.compile(
            r"__pycache__|\.pyc$|\.egg-info|node_modules|\.sqlite|\.db(-wal|-shm)?$|^(out|dist)/"
        )
        assert not [name for name in tracked() if built.search(name)]

    @pytest.mark.parametrize("floor", FLOORS)
    def test_every_folder_is_a_package(self, floor):
        """Each folder with modules has its __init__."""
        files = python_files(floor)
        folders = {name.rsplit("/", 1)[0] for name in files}
        assert not {folder for folder in folders if f"{folder}/__init__.py" not in files}


class TestNames:
    @pytest.mark.parametrize("name", FLOORS)
    def test_no_other_distribution_claims_our_names(self, name):
        """No installed distribution but ours has a package daemon, sensors or rules."""
        found = {one.lower() for one in importlib.metadata.packages_distributions().get(name, [])}
        assert found <= {"ovigil"}

    def test_the_wheel_holds_the_three(self):
        """The wheel is built of the three packages, and the command is ours."""
        project = tomllib.loads(text_of("pyproject.toml"))
        assert sorted(project["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"]) == sorted(FLOORS)
        assert project["project"]["scripts"] == {"ovigil": "daemon.cli:main"}
        assert project["project"]["name"] == "ovigil"


class TestNothingOfAMachine:
    def test_no_path_of_a_machine_and_no_registry(self):
        """No tracked text names a folder of the machine it was written on, or a package index."""
        wrong = [
            f"{name}:{number} {line.strip()[:90]}"
            for name in tracked()
            if name.endswith(TEXT) and name not in OURS
            for number, line in enumerate(text_of(name).splitlines(), 1)
            if MACHINE.search(line)
        ]
        assert not wrong

    def test_no_secret(self):
        """No tracked file looks like a key or lies in a folder of credentials."""
        assert not [name for name in tracked() if "credentials/" in name or name.endswith((".pem", ".key"))]
        assert not [name for name in tracked() if "BEGIN PRIVATE KEY" in text_of(name) and name not in OURS]

    def test_the_ground_and_its_tests_are_text(self):
        """Every Python file is UTF-8 with a newline at its end and no tab or trailing blank."""
        wrong = []
        for name in python_files(*FLOORS, "tests"):
            data = (ROOT / name).read_bytes()
            text = data.decode("utf-8")
            if text and (
                not text.endswith("\n") or "\t" in text or "\r" in text or re.search(r"[ ]+\n", text)
            ):
                wrong.append(name)
        assert not wrong
