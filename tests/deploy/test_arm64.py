"""The board's processor, emulated: what is locked imports there, and the demo tells the same night.

A Debian for arm64 is unpacked, not installed, and entered with a processor emulated in
software. Children of the watch (couriers, the backup) are emulated as well: the guest's
``python3`` is a launcher, so that nothing has to be registered with this machine's kernel.
Speed and memory mean nothing here.
"""

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LOCK = ROOT / "deploy/requirements.txt"
EMULATOR = "qemu-aarch64-static"
TOOLS = ("mmdebstrap", EMULATOR, "apt-get", "dpkg", "unshare", "chroot")
FLOORS = ("rules", "sensors", "daemon")

LAUNCHER = f"""#!/usr/bin/busybox sh
exec /usr/bin/{EMULATOR} -0 /usr/bin/python3 /usr/bin/python3.11 "$@"
"""
"""Started by this machine's kernel, it goes on as the emulated Python under its usual name."""

ENTER = 'mount -t proc proc "$0/proc" && exec chroot "$0" /usr/bin/python3 "$@"'

IMPORTS = """
import importlib, json, pkgutil, platform
from importlib.metadata import distributions, packages_distributions
locked = {d.metadata["Name"]: d.version for d in distributions(path=["/site"])}
for name, owners in packages_distributions().items():
    if set(owners) & set(locked):
        importlib.import_module(name)
ours = [m.name for f in FLOORS for m in pkgutil.walk_packages(["/program/" + f], f + ".")]
for name in ours:
    if not name.endswith("__main__"):
        importlib.import_module(name)
print(json.dumps([platform.machine(), locked, len(ours)]))
"""


def _missing() -> str:
    """Say what keeps the board from being emulated here, "" where nothing does."""
    if os.getuid() != 0:
        return "root"
    return ", ".join(tool for tool in TOOLS if shutil.which(tool) is None)


pytestmark = [
    pytest.mark.full,
    pytest.mark.timeout(300),
    pytest.mark.skipif(bool(_missing()), reason=f"arm64 cannot be emulated here, missing: {_missing()}"),
]


def _unpack_system(board: Path) -> None:
    """Unpack Debian's Python for arm64 and a shell of this machine; skip where they cannot be had."""
    system = ["mmdebstrap", "--mode=root", "--variant=extract", "--architectures=arm64"]
    told = subprocess.run(
        [*system, "--include=python3", "bookworm", str(board)],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    if told.returncode:
        pytest.skip(f"no Debian for arm64 can be had here: {told.stderr.strip()[-200:]}")
    with tempfile.TemporaryDirectory() as work:
        shell = subprocess.run(
            ["apt-get", "download", "-q", "busybox-static"],
            cwd=work, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        if shell.returncode:
            pytest.skip(f"busybox-static cannot be had here: {shell.stderr.strip()[-200:]}")
        (package,) = Path(work).glob("*.deb")
        subprocess.run(["dpkg", "-x", str(package), work], check=True, timeout=60)
        shutil.copy(Path(work, "bin/busybox"), board / "usr/bin/busybox")


def _unpack_locked(board: Path, wheels: Path) -> None:
    """Fetch what the lock names, as wheels for the board, held against their hashes; unpack them."""
    command = [sys.executable, "-m", "pip", "download", "-q", "--require-hashes", "--only-binary", ":all:"]
    command += ["--platform", "manylinux2014_aarch64", "--python-version", "3.11", "--no-deps"]
    subprocess.run(
        [*command, "-r", str(LOCK), "-d", str(wheels)], check=True, timeout=120, capture_output=True
    )
    for wheel in wheels.glob("*.whl"):
        with zipfile.ZipFile(wheel) as archive:
            archive.extractall(board / "site")


@pytest.fixture(scope="module")
def board() -> Iterator[Path]:
    """Lay out the emulated board's files, with what is locked and our own floors."""
    with tempfile.TemporaryDirectory(prefix="ovigil-arm64-") as work:
        board, wheels = Path(work, "board"), Path(work, "wheels")
        _unpack_system(board)
        _unpack_locked(board, wheels)
        for floor in FLOORS:
            shutil.copytree(
                ROOT / floor, board / "program" / floor, ignore=shutil.ignore_patterns("__pycache__")
            )
        (board / "proc").mkdir(exist_ok=True)
        shutil.copy(str(shutil.which(EMULATOR)), board / "usr/bin" / EMULATOR)
        (board / "usr/bin/python3").unlink()
        (board / "usr/bin/python3").write_text(LAUNCHER)
        (board / "usr/bin/python3").chmod(0o755)
        (board / "usr/lib/python3/dist-packages/ovigil.pth").write_text("/program\n/site\n")
        yield board


def _on(board: Path, *words: str, seconds: float) -> subprocess.CompletedProcess[str]:
    """Run the board's Python; mounts and processes are its own, and end with it."""
    apart = ["unshare", "--mount", "--pid", "--fork", "--kill-child"]
    environment = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/tmp", "LANG": "C.UTF-8"}
    return subprocess.run(
        [*apart, "sh", "-c", ENTER, str(board), *words],
        env=environment, capture_output=True, text=True, timeout=seconds, check=False,
    )  # fmt: skip


def _locked() -> dict[str, str]:
    """Give names and versions of the lock."""
    return dict(re.findall(r"^([\w.-]+)==(\S+)", LOCK.read_text(), re.MULTILINE))


def test_everything_imports(board: Path) -> None:
    """Each locked package has a wheel for the board and imports there, as does each module of ours."""
    told = _on(board, "-c", f"FLOORS = {FLOORS}\n{IMPORTS}", seconds=200)
    assert told.returncode == 0, told.stderr[-2_000:]
    machine, found, ours = json.loads(told.stdout)
    assert machine == "aarch64"
    assert {name.lower().replace("_", "-"): version for name, version in found.items()} == _locked()
    assert ours == sum(1 for floor in FLOORS for path in (ROOT / floor).rglob("*.py")) - _packages()


def _packages() -> int:
    """Count the floors themselves, which are entered and not walked to."""
    return sum((ROOT / floor / "__init__.py").exists() for floor in FLOORS)


def test_demo_tells_the_same_night(board: Path) -> None:
    """The demo's alerts and review are the same to the letter on both processors, and no courier ailed."""
    here = subprocess.run(
        [sys.executable, "-m", "daemon.cli", "demo"],
        cwd=ROOT, capture_output=True, text=True, timeout=100, check=True,
    )  # fmt: skip
    there = _on(board, "-m", "daemon.cli", "demo", seconds=180)
    assert there.returncode == 0, there.stderr[-2_000:]
    assert "high priority" in there.stdout, there.stderr[-2_000:]
    assert there.stdout == here.stdout, there.stderr[-2_000:]
