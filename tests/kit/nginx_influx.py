"""Debian's own time-series store (1.6) behind a web server that maps the newer write path onto it."""

import json
import shutil
import signal
import subprocess
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.kit.store_receiver import free_port, until

STORE = """reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
dir = "{folder}/meta"
[data]
dir = "{folder}/data"
wal-dir = "{folder}/wal"
query-log-enabled = false
[http]
bind-address = "127.0.0.1:{port}"
log-enabled = false
[logging]
level = "error"
[monitor]
store-enabled = false
"""

FRONT = """daemon off;
master_process off;
pid {folder}/nginx.pid;
error_log {folder}/nginx.log;
events {{}}
http {{
  access_log off;
  client_body_temp_path {folder}/body;
  proxy_temp_path {folder}/proxy;
  fastcgi_temp_path {folder}/fastcgi;
  uwsgi_temp_path {folder}/uwsgi;
  scgi_temp_path {folder}/scgi;
  map $arg_precision $old_precision {{ default $arg_precision; us u; }}
  server {{
    listen 127.0.0.1:{front};
    location = /api/v2/write {{
      rewrite ^ "/write?db=$arg_bucket&precision=$old_precision?" break;
      proxy_set_header Authorization "";
      proxy_pass http://127.0.0.1:{port};
    }}
  }}
}}
"""


def missing() -> str:
    """Say which of the two programs is not on this machine, "" where both are."""
    return ", ".join(name for name in ("influxd", "nginx") if shutil.which(name) is None)


@dataclass
class RealStore:
    """The running pair.

    Attributes:
        folder: Where they keep their files.
        port: The store's own port.
        front: The port with the newer write path.
    """

    folder: Path
    port: int = field(default_factory=free_port)
    front: int = field(default_factory=free_port)
    rpc: int = field(default_factory=free_port)
    _store: subprocess.Popen[bytes] | None = None
    _front: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Where a client of the newer kind finds it."""
        return f"http://127.0.0.1:{self.front}"

    def start(self) -> None:
        """Start the store (again), and the front where it does not run."""
        (self.folder / "store.conf").write_text(STORE.format(**self._names()))
        command = ["influxd", "run", "-config", str(self.folder / "store.conf")]
        self._store = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        assert until(self._answers), "the store does not start"
        if self._front is None:
            (self.folder / "front.conf").write_text(FRONT.format(**self._names()))
            command = ["nginx", "-e", str(self.folder / "nginx.log"), "-c", str(self.folder / "front.conf")]
            self._front = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def kill(self) -> None:
        """End the store in the middle of whatever it does."""
        assert self._store is not None
        self._store.send_signal(signal.SIGKILL)
        self._store.wait()
        self._store = None

    def stop(self) -> None:
        """End both."""
        for process in (self._store, self._front):
            if process is not None:
                process.kill()
                process.wait()

    def ask(self, query: str, database: str = "ovigil") -> list[list[object]]:
        """Ask in the store's own language; give the rows of the first answer, times in ms."""
        words = urllib.parse.urlencode({"db": database, "q": query, "epoch": "ms"})
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}/query", data=words.encode())
        with urllib.request.urlopen(request, timeout=20) as answer:
            result = json.load(answer)["results"][0]
        assert "error" not in result, result
        series = result.get("series", [])
        return [row for one in series for row in one["values"]]

    def _names(self) -> dict[str, object]:
        return {"folder": self.folder, "port": self.port, "front": self.front, "rpc": self.rpc}

    def _answers(self) -> bool:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/ping", timeout=2):
                return True
        except (urllib.error.URLError, OSError):
            return False


@contextmanager
def real_store(folder: Path) -> Iterator[RealStore]:
    """Run the pair with an empty database "ovigil" for the time of the block."""
    store = RealStore(folder)
    try:
        store.start()
        store.ask("CREATE DATABASE ovigil")
        yield store
    finally:
        store.stop()
