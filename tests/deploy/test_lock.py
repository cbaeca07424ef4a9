"""The lock holds what runs, all of it and nothing else, and every file by its digest."""

import re
import tomllib
from importlib.metadata import distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
LOCKS = {
    "requirements.txt": lambda project: project["project"]["dependencies"],
    "requirements-build.txt": lambda project: project["build-system"]["requires"],
}
PIN = re.compile(r"^(?P<name>[a-z0-9-]+)==(?P<version>[^ ;]+)(?: ; (?P<marker>[^\\]+?))? \\$")


def _project() -> dict[str, dict[str, list[str]]]:
    return tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))


def _pinned(lock: str) -> dict[str, str]:
    """Give the versions in a lock by name."""
    rows = (ROOT / "deploy" / lock).read_text("utf-8").splitlines()
    found = [PIN.match(row) for row in rows if row and not row.startswith(" ")]
    assert all(found), "every requirement is NAME==VERSION with hashes below"
    return {match["name"]: match["version"] for match in found if match}


def _closure(wanted: list[str]) -> set[str]:
    """Follow the requirements of installed distributions on this platform."""
    names: set[str] = set()
    waiting = [Requirement(text) for text in wanted]
    seen: set[tuple[str, str]] = set()
    while waiting:
        requirement = waiting.pop()
        for extra in ("", *requirement.extras):
            key = (canonicalize_name(requirement.name), extra)
            if key in seen:
                continue
            seen.add(key)
            names.add(key[0])
            inner = [Requirement(text) for text in distribution(requirement.name).requires or []]
            waiting += [one for one in inner if not one.marker or one.marker.evaluate({"extra": extra})]
    return names


def test_the_lock_is_the_run_time_closure() -> None:
    """Every distribution that running needs is pinned, and no other."""
    assert set(_pinned("requirements.txt")) == _closure(_project()["project"]["dependencies"])


@pytest.mark.parametrize("lock", LOCKS)
def test_the_pins_satisfy_the_project(lock: str) -> None:
    """What the project asks for is what the lock gives."""
    pinned = _pinned(lock)
    for text in LOCKS[lock](_project()):
        requirement = Requirement(text)
        assert requirement.specifier.contains(pinned[canonicalize_name(requirement.name)])


@pytest.mark.parametrize("lock", LOCKS)
def test_every_pin_has_digests_and_no_address(lock: str) -> None:
    """The lock names no host, no index and no path; only names, versions and SHA-256 digests."""
    text = (ROOT / "deploy" / lock).read_text("utf-8")
    assert "/" not in text
    assert "#" not in text
    assert "--index" not in text
    assert "--find" not in text
    for block in re.split(r"\n(?=\S)", text.strip()):
        digests = block.splitlines()[1:]
        assert digests
        assert all(re.fullmatch(r" {4}--hash=sha256:[0-9a-f]{64}( \\)?", row) for row in digests)


@pytest.mark.parametrize("name", ["pydantic-core", "resvg-py", "markupsafe", "pyyaml", "charset-normalizer"])
def test_compiled_parts_are_locked_for_more_than_one_machine(name: str) -> None:
    """A compiled part has the digests of many wheels, those of 64-bit ARM boards among them."""
    text = (ROOT / "deploy" / "requirements.txt").read_text("utf-8")
    block = re.search(rf"(?m)^{name}==[^\n]*\n((?: .*\n?)+)", text)
    assert block is not None
    assert block.group(1).count("--hash=") >= 8
