"""A small Debian guest with a service manager of its own, booted in a second, without a network."""

import os
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.kit.store_receiver import until

PACKAGES = "systemd,dbus,python3,python3-venv,procps,mosquitto,util-linux,ca-certificates"
TOOLS = ("debootstrap", "systemd-nspawn", "nsenter", "script")


def missing() -> str:
    """Say what keeps a guest from being booted here, "" where nothing does."""
    if os.getuid() != 0:
        return "root"
    return ", ".join(tool for tool in TOOLS if shutil.which(tool) is None)


def base_system() -> Path:
    """Give the guest's files: made once (about a minute, from the system's own archive), then kept."""
    base = Path(tempfile.gettempdir()) / "ovigil-guest-bookworm"
    if not (base / "usr/sbin/mosquitto").exists():
        shutil.rmtree(base, ignore_errors=True)
        command = ["debootstrap", "--variant=minbase", f"--include={PACKAGES}", "bookworm", str(base)]
        subprocess.run(command, check=True, capture_output=True, timeout=600)
    return base


@dataclass
class Guest:
    """A running guest.

    Attributes:
        leader: Process number of its service manager, seen from outside.
        log: What its console says.
    """

    leader: int
    log: Path

    def call(
        self, *command: str, check: bool = True, seconds: float = 120, env: dict[str, str] | None = None
    ) -> subprocess.CompletedProcess[str]:
        """Run a command in the guest; an exit code other than 0 is an error where ``check`` says so."""
        inside = ["nsenter", "-t", str(self.leader), "-m", "-u", "-i", "-n", "-p"]
        words = ["env", "-i", "PATH=/usr/sbin:/usr/bin:/sbin:/bin:/usr/local/bin", "HOME=/root"]
        words += [f"{key}={value}" for key, value in (env or {}).items()]
        told = subprocess.run(
            [*inside, *words, *command], capture_output=True, text=True, timeout=seconds, check=False
        )
        if check:
            assert told.returncode == 0, (command, told.stdout[-2_000:], told.stderr[-2_000:])
        return told

    def show(self, unit: str, name: str) -> str:
        """Give a property of a unit."""
        return self.call("systemctl", "show", unit, "-p", name, "--value").stdout.strip()

    def write(self, path: str, text: str, mode: str = "644") -> None:
        """Write a file in the guest."""
        inside = ["nsenter", "-t", str(self.leader), "-m", "-p", "sh", "-c"]
        script = 'umask 077; cat >"$1" && chmod "$2" "$1"'
        subprocess.run([*inside, script, "write", path, mode], input=text, text=True, check=True, timeout=30)

    def said(self) -> str:
        """Give all that services and their manager said (units are not told apart in a guest)."""
        told = self.call("journalctl", "-q", "--no-pager", "-o", "cat", check=False).stdout
        return told + self.log.read_text(errors="replace")


@contextmanager
def booted(folder: Path, binds: Sequence[tuple[Path, str]] = ()) -> Iterator[Guest]:
    """Boot a guest for the time of the block; what it writes is gone afterwards.

    Args:
        folder: Where the console's log goes.
        binds: Folders of this machine and where the guest sees them, read only.
    """
    log = folder / "console.log"
    name = f"ovigil-{uuid.uuid4().hex[:12]}"
    command = ["systemd-nspawn", "-q", "-b", "-D", str(base_system()), "--volatile=overlay", "-M", name]
    command += ["--register=no", "--keep-unit", "--private-network", "--console=interactive"]
    command += [f"--bind-ro={here}:{there}" for here, there in binds]
    # The container manager itself forbids to ask the clock; a board does not.
    command += ["--system-call-filter=adjtimex", "--system-call-filter=clock_adjtime"]
    command += ["systemd.log_target=console"]
    console = subprocess.Popen(
        ["script", "-qfc", " ".join(command), str(log)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        assert until(lambda: bool(_leader(console.pid)), 20), log.read_text(errors="replace")[-2_000:]
        guest = Guest(_leader(console.pid), log)
        assert until(lambda: _is_up(guest), 30), log.read_text(errors="replace")[-2_000:]
        yield guest
        guest.call("systemctl", "poweroff", "--force", check=False)
        console.wait(20)
    finally:
        for process in reversed(_descendants(console.pid)):
            _kill(process)
        console.kill()
        console.wait()


def _is_up(guest: Guest) -> bool:
    told = guest.call("systemctl", "is-active", "multi-user.target", check=False, seconds=20)
    return told.stdout.strip() == "active"


def _children(parent: int) -> list[int]:
    path = Path(f"/proc/{parent}/task/{parent}/children")
    try:
        return [int(word) for word in path.read_text().split()]
    except OSError:
        return []


def _descendants(process: int) -> list[int]:
    """Give the container manager and the guest's first process, not what runs inside."""
    found: list[int] = []
    for child in _children(process):
        found += [child, *_children(child)]
    return found


def _leader(console: int) -> int:
    """Find the guest's first process below the container manager, 0 where there is none yet."""
    for manager in _children(console):
        for child in _children(manager):
            try:
                if Path(f"/proc/{child}/comm").read_text().strip() == "systemd":
                    return child
            except OSError:
                continue
    return 0


def _kill(process: int) -> None:
    try:
        os.kill(process, 9)
    except ProcessLookupError:
        return
