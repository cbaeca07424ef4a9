"""A distribution's kernel with its own drivers, booted in an emulated machine for one program.

Nothing is installed: kernel, shell and Python are unpacked from the system's own archive
into a folder of their own, and only what is needed goes into the machine's first files.
The processor is emulated in software, so no rights and no virtual hardware are asked for.
"""

import json
import os
import platform
import re
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
EMULATOR = "qemu-system-x86_64"
TOOLS = (EMULATOR, "apt-get", "apt-cache", "dpkg", "cpio")
LEFT_OUT = ("idlelib", "lib2to3", "ensurepip", "distutils", "pydoc_data", "unittest", "__pycache__")

INIT = """#!/bin/busybox sh
/bin/busybox mount -t devtmpfs dev /dev
/bin/busybox mount -t proc proc /proc
/bin/busybox mount -t sysfs sys /sys
/bin/busybox modprobe i2c-stub chip_addr={chips} || echo "i2c-stub does not load"
for module in {modules}; do /bin/busybox modprobe $module || echo "$module does not load"; done
export PYTHONPATH=/program PYTHONDONTWRITEBYTECODE=1 PATH=/usr/bin:/bin
python3 -S /program/inside.py >/dev/ttyS1
/bin/busybox poweroff -f
"""
"""First process of the machine; what the program prints goes out by the second serial line."""


class CannotBeHadError(Exception):
    """The archive does not give what the machine is made of."""


def missing() -> str:
    """Say what keeps such a machine from being booted here, "" where nothing does."""
    if platform.machine() != "x86_64":
        return "a machine of kind x86_64"
    return ", ".join(tool for tool in TOOLS if shutil.which(tool) is None)


def _needs(package: str, pattern: str) -> str:
    """Give the first package on which another stands and whose name matches."""
    told = subprocess.run(
        ["apt-cache", "depends", package], capture_output=True, text=True, timeout=30, check=False
    )
    found = re.search(rf"Depends: ({pattern})$", told.stdout, re.MULTILINE)
    if found is None:
        raise CannotBeHadError(f"the archive's lists name no {package}")
    return found[1]


def _packages() -> list[str]:
    """Name the kernel's package, and those of a shell and a Python that need nothing else."""
    python = _needs("python3-minimal", r"python3\.\d+-minimal")
    library = f"lib{python.removesuffix('-minimal')}"
    kernel = _needs("linux-image-amd64", r"linux-image-\d\S*")
    needed = ["libc6", "libexpat1", "zlib1g", "busybox-static"]
    return [kernel, python, f"{library}-minimal", f"{library}-stdlib", *needed]


def unpacked() -> Path:
    """Give the unpacked packages: fetched once (80 MB), then kept.

    Raises:
        CannotBeHadError: The archive does not give them.
    """
    packages = _packages()
    kept = Path(tempfile.gettempdir()) / f"ovigil-{packages[0]}-{os.getuid()}"
    if kept.exists():
        return kept
    with tempfile.TemporaryDirectory(dir=tempfile.gettempdir(), prefix="ovigil-unpack-") as work:
        folder, files = Path(work), Path(work) / "files"
        told = subprocess.run(
            ["apt-get", "download", "-q", *packages],
            cwd=folder, capture_output=True, text=True, timeout=90, check=False,
        )  # fmt: skip
        if told.returncode:
            raise CannotBeHadError(f"{packages[0]} cannot be fetched: {told.stderr.strip()[-200:]}")
        for package in sorted(folder.glob("*.deb")):
            subprocess.run(["dpkg", "-x", str(package), str(files)], check=True, timeout=60)
        (version,) = (path.name for path in (files / "lib/modules").iterdir())
        depmod = [str(files / "bin/busybox"), "depmod", "-b", str(files), version]
        subprocess.run(depmod, check=True, capture_output=True, timeout=60)
        files.rename(kept)
    return kept


def _modules(files: Path, names: Sequence[str]) -> list[Path]:
    """Give the files of modules and of all on which they stand, below ``files``."""
    (home,) = (files / "lib/modules").iterdir()
    stands_on: dict[str, list[str]] = {}
    for line in (home / "modules.dep").read_text().splitlines():
        path, _, others = line.partition(":")
        stands_on[path] = others.split()
    found: list[str] = []
    wanted = [path for path in stands_on if re.sub(r"\.ko.*", "", Path(path).name) in names]
    assert len(wanted) == len(names), (names, wanted)
    while wanted:
        path = wanted.pop()
        if path not in found:
            found.append(path)
            wanted += stands_on[path]
    return [home / path for path in found] + [home / "modules.dep"]


def _first_files(target: Path, program: str, modules: Sequence[str], chips: Sequence[int]) -> None:
    """Lay out the machine's first files: shell, Python, modules, our own floors, the program."""
    files = unpacked()
    for name in ("dev", "proc", "sys", "program"):
        (target / name).mkdir(parents=True)
    for name in ("bin", "lib/x86_64-linux-gnu", "lib64", "usr/bin", "usr/lib"):
        if (files / name).is_dir():
            shutil.copytree(
                files / name, target / name, symlinks=True, ignore=shutil.ignore_patterns(*LEFT_OUT)
            )
    for path in _modules(files, ["i2c-stub", *modules]):
        there = target / path.relative_to(files)
        there.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(path, there)
    (python,) = (files / "usr/bin").glob("python3.*[0-9]")
    (target / "usr/bin/python3").symlink_to(python.name)
    (target / "bin/sh").unlink(missing_ok=True)
    (target / "bin/sh").symlink_to("busybox")
    for floor in ("rules", "sensors"):
        shutil.copytree(
            ROOT / floor, target / "program" / floor, ignore=shutil.ignore_patterns("__pycache__")
        )
    (target / "program/inside.py").write_text(program)
    shown = ",".join(f"{chip:#x}" for chip in chips)
    (target / "init").write_text(INIT.format(chips=shown, modules=" ".join(modules)))
    (target / "init").chmod(0o755)


def run_inside(
    folder: Path, program: str, modules: Sequence[str], chips: Sequence[int], seconds: float = 90
) -> Any:
    """Boot the kernel, load drivers over a bus of made-up chips, run a program there.

    Args:
        folder: Where the machine's files and its console go.
        program: Python source; it sees ``rules`` and ``sensors`` and the standard library,
            and prints one line of JSON.
        modules: Kernel modules to load besides the bus.
        chips: Addresses on the bus, whose registers are all zero at first.
        seconds: So long the machine may run.

    Returns:
        What the program printed.

    Raises:
        CannotBeHadError: The archive does not give a kernel.
    """
    _first_files(folder / "first", program, modules, chips)
    names = subprocess.run(["find", "."], cwd=folder / "first", capture_output=True, check=True).stdout
    with (folder / "first.cpio").open("wb") as archive:
        pack = ["cpio", "-o", "-H", "newc", "--quiet", "-R", "0:0"]
        subprocess.run(pack, cwd=folder / "first", input=names, stdout=archive, check=True, timeout=30)
    (kernel,) = (unpacked() / "boot").glob("vmlinuz-*")
    console, answer = folder / "console.log", folder / "answer.json"
    command = [EMULATOR, "-accel", "tcg", "-m", "512", "-nodefaults", "-display", "none", "-no-reboot"]
    command += ["-serial", f"file:{console}", "-serial", f"file:{answer}"]
    command += ["-kernel", str(kernel), "-initrd", str(folder / "first.cpio")]
    command += ["-append", "console=ttyS0 quiet panic=-1"]
    try:
        subprocess.run(command, capture_output=True, check=True, timeout=seconds)
        return json.loads(answer.read_text())
    except (subprocess.SubprocessError, ValueError) as error:
        said = console.read_text(errors="replace")[-3_000:] if console.exists() else ""
        raise AssertionError(f"the machine gave no answer: {error}\n{said}") from error
