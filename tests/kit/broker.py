"""A real mosquitto on a free port of 127.0.0.1, its publishers, and certificates for TLS."""

import os
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"


def free_port() -> int:
    """Give a TCP port that is free on 127.0.0.1 now."""
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        return int(door.getsockname()[1])


@dataclass(frozen=True, slots=True)
class Certificates:
    """An authority of our own and a server certificate of its making."""

    authority: Path
    certificate: Path
    key: Path


def certificates(folder: Path, name: str = "127.0.0.1") -> Certificates:
    """Make an authority and a certificate for ``name`` (an address) with openssl."""
    folder.mkdir(parents=True, exist_ok=True)
    ca, cakey, cert, key, request = (
        folder / n for n in ("ca.pem", "ca.key", "srv.pem", "srv.key", "srv.csr")
    )
    extension = folder / "san.cnf"
    extension.write_text(
        f"subjectAltName=IP:{name},DNS:localhost\nauthorityKeyIdentifier=keyid\nsubjectKeyIdentifier=hash\n"
    )
    subject, usage = "/CN=test-authority", "-addext keyUsage=critical,keyCertSign,cRLSign"
    for words in (
        f"req -x509 -newkey rsa:2048 -nodes -days 2 -subj {subject} {usage} -keyout {cakey} -out {ca}",
        f"req -newkey rsa:2048 -nodes -subj /CN={name} -keyout {key} -out {request}",
        f"x509 -req -in {request} -CA {ca} -CAkey {cakey} -CAcreateserial -extfile {extension} -out {cert}",
    ):
        subprocess.run(["openssl", *words.split()], check=True, capture_output=True, timeout=20)
    return Certificates(ca, cert, key)


@dataclass(slots=True)
class Broker:
    """A mosquitto process; ``with Broker(folder) as broker:`` starts and ends it.

    Attributes:
        folder: Where its config, state and log go.
        port: Its port.
        persistence: It keeps sessions on disk, saved at each change.
        users: Name → password; empty: anonymous.
        tls: Certificates; None: plain TCP.
        extra: More lines of its config.
    """

    folder: Path
    port: int = field(default_factory=free_port)
    persistence: bool = True
    users: Mapping[str, str] = field(default_factory=dict)
    tls: Certificates | None = None
    extra: Iterable[str] = ()
    process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        """Start it."""
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        """End it."""
        self.stop()

    def start(self) -> None:
        """Write the config, start the process and wait until it listens."""
        self.folder.mkdir(parents=True, exist_ok=True)
        config = self.folder / "mosquitto.conf"
        config.write_text("\n".join(self._lines()) + "\n")
        with (self.folder / "mosquitto.log").open("ab") as log:
            self.process = subprocess.Popen([MOSQUITTO, "-c", str(config)], stdout=log, stderr=log)
        deadline = time.monotonic() + 10
        while time.monotonic() < deadline:
            if self.process.poll() is not None:
                break
            with socket.socket() as door:
                if door.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.02)
        raise AssertionError((self.folder / "mosquitto.log").read_text())

    def _lines(self) -> list[str]:
        """Compose the config."""
        lines = [f"listener {self.port} 127.0.0.1", "log_type error", "log_type warning"]
        if os.geteuid() == 0:
            lines.insert(0, "user root")
        if self.persistence:
            lines += [
                "persistence true",
                f"persistence_location {self.folder}/",
                "autosave_on_changes true",
                "autosave_interval 1",
                "max_queued_messages 100000",
            ]
        if self.users:
            lines += [f"password_file {self._password_file()}", "allow_anonymous false"]
        else:
            lines.append("allow_anonymous true")
        if self.tls:
            lines += [f"certfile {self.tls.certificate}", f"keyfile {self.tls.key}"]
        return [*lines, *self.extra]

    def _password_file(self) -> Path:
        """Write and hash the passwords."""
        file = self.folder / "passwords"
        file.write_text("".join(f"{name}:{word}\n" for name, word in self.users.items()))
        file.chmod(0o600)
        subprocess.run(["mosquitto_passwd", "-U", str(file)], check=True, capture_output=True, timeout=20)
        return file

    def stop(self) -> None:
        """End it gracefully (it saves its state)."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """Kill it as a power cut would."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        """Stop it from running: it answers nothing, but its socket stays."""
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it run on."""
        assert self.process is not None
        self.process.send_signal(signal.SIGCONT)

    def _end(self, how: signal.Signals) -> None:
        if self.process is None:
            return
        self.process.send_signal(how)
        try:
            self.process.wait(5)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(5)
        self.process = None

    def publish(
        self,
        messages: Iterable[tuple[str, bytes | str]],
        *,
        qos: int = 1,
        retain: bool = False,
        user: str = "",
    ) -> None:
        """Publish all, and return when the broker has acknowledged them."""
        client = self.client(user)
        infos = [client.publish(topic, payload, qos=qos, retain=retain) for topic, payload in messages]
        for info in infos:
            info.wait_for_publish(20)
            assert info.is_published(), "the broker did not acknowledge"
        self.dismiss(client)

    def client(self, user: str = "", client_id: str = "", *, inflight: int = 20) -> Client:
        """Connect a bare client with a network thread; end it with :meth:`dismiss`."""
        client = Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5)
        client.max_inflight_messages_set(inflight)
        if user:
            client.username_pw_set(user, self.users[user])
        if self.tls:
            client.tls_set(ca_certs=str(self.tls.authority))
        client.connect("127.0.0.1", self.port, keepalive=20)
        client.loop_start()
        until(client.is_connected, "a bare client connects")
        return client

    @staticmethod
    def dismiss(client: Client) -> None:
        """Disconnect a bare client and end its thread."""
        client.disconnect()
        client.loop_stop()

    def kept(self, topic: str, seconds: float = 5) -> bytes | None:
        """Give the retained message of ``topic``, or None when none comes."""
        client = self.client()
        heard: list[bytes] = []
        client.on_message = lambda _c, _u, message: heard.append(bytes(message.payload))
        client.subscribe(topic, qos=1)
        deadline = time.monotonic() + seconds
        while not heard and time.monotonic() < deadline:
            time.sleep(0.02)
        self.dismiss(client)
        return heard[0] if heard else None

    def forget(self, client_id: str) -> None:
        """Make the broker drop the session of ``client_id`` (and put that client out)."""
        client = Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5)
        ends = Properties(PacketTypes.CONNECT)
        ends.SessionExpiryInterval = 0
        client.connect("127.0.0.1", self.port, clean_start=True, properties=ends)
        client.loop_start()
        until(client.is_connected, "the session is taken over")
        self.dismiss(client)


def until(true: Callable[[], object], what: str, seconds: float = 15) -> None:
    """Wait until ``true()`` is; fail with ``what`` after ``seconds``."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if true():
            return
        time.sleep(0.02)
    raise AssertionError(f"not within {seconds} s: {what}")


def refusing_broker(codes: bytes) -> tuple[int, threading.Event]:
    """Serve one client that is let in and whose first subscription is answered with ``codes``.

    mosquitto with an access file grants every subscription and then delivers nothing,
    so a broker that refuses has to be made: the few packets of MQTT 5 that it takes.

    Returns:
        The port, and the event that ends it.
    """
    door = socket.create_server(("127.0.0.1", 0))
    door.settimeout(10)
    end = threading.Event()
    threading.Thread(target=_serve_refusals, args=(door, codes, end), daemon=True).start()
    return int(door.getsockname()[1]), end


def _serve_refusals(door: socket.socket, codes: bytes, end: threading.Event) -> None:
    """Answer CONNECT, SUBSCRIBE and PUBLISH as MQTT 5.0 lays them out."""
    with door:
        link, _ = door.accept()
        with link:
            link.settimeout(0.1)
            data = b""
            while not end.is_set():
                try:
                    data += link.recv(4096)
                except TimeoutError:
                    continue
                while len(data) > 2 and len(data) >= 2 + data[1]:  # remaining length in one byte
                    kind, body, data = data[0] >> 4, data[2 : 2 + data[1]], data[2 + data[1] :]
                    if kind == 1:
                        link.sendall(b"\x20\x03\x00\x00\x00")
                    elif kind == 8:
                        link.sendall(bytes([0x90, 3 + len(codes)]) + body[:2] + b"\x00" + codes)
                    elif kind == 3:
                        mid = 2 + int.from_bytes(body[:2], "big")
                        link.sendall(b"\x40\x02" + body[mid : mid + 2])
