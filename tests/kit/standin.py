"""A stand-in for the watch: the smallest program that keeps the service's promises.

It lets the service files and the installer be proved apart from the watch. Built into
a wheel of its own with the distribution's name and any version.
"""

import base64
import hashlib
import zipfile
from pathlib import Path

DAEMON = Path(__file__).parents[2] / "daemon"

PROGRAM = '''"""The stand-in."""
import ctypes, os, signal, sys, time
from pathlib import Path

VERSION = "{version}"
BROKEN = {broken}


def main():
    words = sys.argv[1:]
    if words == ["--help"] or not words:
        return 0
    if words[0] == "whoami":
        print(os.getuid(), os.environ.get("STATE_DIRECTORY", "own"))
        return 0
    if words[0] in ("page", "uplink"):
        signal.pause()
    if BROKEN:
        Path(os.environ["STATE_DIRECTORY"], "logbook").write_text("changed by " + VERSION)
        time.sleep(99)
    return watch(Path(words[1]))


def watch(config):
    from standin_notify import ServiceManager, watchdog_period
    from standin_clock import SystemClock, kernel_synchronised

    manager = ServiceManager()
    state = {{"asked": False, "ending": False}}
    signal.signal(signal.SIGHUP, lambda *_: state.update(asked=True))
    signal.signal(signal.SIGTERM, lambda *_: state.update(ending=True))
    if "wrong" in config.read_text():
        print("<3>" + str(config) + ":1: wrong", file=sys.stderr)
        return 78
    folder = Path(os.environ["STATE_DIRECTORY"])
    secrets = Path(os.environ["CREDENTIALS_DIRECTORY"])
    report = {{
        "version": VERSION,
        "uid": os.getuid(),
        "secrets": sorted(path.name for path in secrets.iterdir()),
        "plain_secrets": _readable(Path("/etc/ovigil/credentials")),
        "boot": SystemClock().boot(),
        "kernel": kernel_synchronised(),
        "trusted": SystemClock().trusted(),
        "sysfs": len(list(Path("/sys/class").iterdir())),
        "hwmon": Path("/sys/class/net/lo/mtu").read_text().strip(),
    }}
    import json
    (folder / "report.json").write_text(json.dumps(report))
    if not (folder / "logbook").exists():
        (folder / "logbook").write_text("made by " + VERSION)
    manager.ready("good, version " + VERSION)
    period = min(watchdog_period() or 1, 1)
    while not state["ending"]:
        if (folder / "freeze").exists():
            (folder / "freeze").unlink()
            time.sleep(9999)
        if state["asked"]:
            state["asked"] = False
            manager.reloading()
            good = "wrong" not in config.read_text()
            manager.ready("reloaded" if good else "kept the old settings")
        manager.watchdog()
        time.sleep(period / 4)
    manager.stopping()
    return 0


def _readable(folder):
    try:
        return [path.read_text() for path in folder.iterdir()]
    except OSError:
        return None
'''


def wheel(folder: Path, version: str, *, broken: bool = False) -> Path:
    """Make a wheel "ovigil" of the given version in ``folder``."""
    info = f"ovigil-{version}.dist-info"
    files = {
        "standin.py": PROGRAM.format(version=version, broken=broken),
        "standin_notify.py": (DAEMON / "notify.py").read_text("utf-8"),
        "standin_clock.py": (DAEMON / "clock.py")
        .read_text("utf-8")
        .replace("from daemon.record import Json", "Json = object"),
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: ovigil\nVersion: {version}\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: by hand\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        f"{info}/entry_points.txt": "[console_scripts]\novigil = standin:main\n",
    }
    record = [_recorded(name, text) for name, text in files.items()] + [f"{info}/RECORD,,"]
    files[f"{info}/RECORD"] = "\n".join(record) + "\n"
    path = folder / f"ovigil-{version}-py3-none-any.whl"
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in files.items():
            archive.writestr(name, text)
    return path


def _recorded(name: str, text: str) -> str:
    digest = base64.urlsafe_b64encode(hashlib.sha256(text.encode()).digest()).rstrip(b"=").decode()
    return f"{name},sha256={digest},{len(text.encode())}"
