"""The link to an MQTT broker: what it needs, a client for it, and its failures in words."""

import ipaddress
import re
import ssl
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from sensors.payload import LIMIT

LARGEST_PACKET = 1_048_576
"""The broker is asked to send nothing longer, bytes: a board has little memory."""

WILL_DELAY = 60
"""The broker waits so long before it tells of our death, s: a restart does not flap."""

_HOST = re.compile(r"(?!-)[A-Za-z0-9_-]{1,63}(?<!-)(\.(?!-)[A-Za-z0-9_-]{1,63}(?<!-))*\.?", re.ASCII)


@dataclass(frozen=True, slots=True)
class MqttLink:
    """How the broker is reached.

    Attributes:
        host: Name or address.
        port: TCP port; with TLS usually 8883.
        client_id: Fixed, and of this room only: two programs of one name put each other out.
        user: User name, or None.
        password: Its password, or None.
        window: Unacknowledged messages that the broker may send (its own limit counts too).
        ca: File with the authority that signed the broker's certificate: TLS; None: no TLS.
        keepalive: A dead link is noticed after one and a half of these, s.
        expiry: The broker keeps our session for so long while we are away, s.
        state: Topic of our own birth and will; "" is "ovigil/<client_id>/state".
        grace: A link that is down for less is not spoken of, ms.
        limit: Longest payload that is looked at, bytes.

    Raises:
        ValueError: The host is none, or a number is out of range. The settings are to blame.
    """

    host: str
    port: int = 1883
    client_id: str = "ovigil"
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    window: int = 20
    ca: Path | None = None
    keepalive: int = 20
    expiry: int = 7 * 24 * 3600
    state: str = ""
    grace: int = 5_000
    limit: int = LIMIT

    def __post_init__(self) -> None:
        """Refuse what would end the network thread later."""
        if not is_host(self.host):
            raise ValueError(f'host "{self.host}" is neither a name nor an address')
        if not 1 <= self.port <= 65_535:
            raise ValueError(f"port {self.port} is not in 1 to 65535")
        if not 1 <= self.window <= 65_535:
            raise ValueError(f"window {self.window} is not in 1 to 65535")
        if not self.client_id:
            raise ValueError("client_id is empty")

    @property
    def state_topic(self) -> str:
        """Topic on which the broker tells others whether we live."""
        return self.state or f"ovigil/{self.client_id}/state"


def is_host(text: str) -> bool:
    """Tell whether ``text`` is a host name or an IP address."""
    with suppress(ValueError):
        ipaddress.ip_address(text)
        return True
    try:
        ascii_name = text.encode("idna").decode("ascii")
    except UnicodeError:
        return False
    return len(ascii_name) <= 253 and _HOST.fullmatch(ascii_name) is not None


def new_client(link: MqttLink, tls: ssl.SSLContext | None = None) -> Client:
    """Make a client that is told where to connect; it opens nothing yet.

    Returns:
        A client of protocol 5 that acknowledges by hand, resumes its session, and
        whose will says "offline".
    """
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=link.client_id,
        protocol=MQTTProtocolVersion.MQTTv5,
        manual_ack=True,
    )
    if link.user is not None:
        client.username_pw_set(link.user, link.password)
    if tls is not None:
        client.tls_set_context(tls)
    will = _properties(PacketTypes.WILLMESSAGE, WillDelayInterval=WILL_DELAY)
    client.will_set(link.state_topic, b"offline", qos=1, retain=True, properties=will)
    client.connect_async(
        link.host,
        link.port,
        keepalive=link.keepalive,
        clean_start=False,
        properties=_properties(
            PacketTypes.CONNECT,
            SessionExpiryInterval=link.expiry,
            ReceiveMaximum=link.window,
            MaximumPacketSize=LARGEST_PACKET,
        ),
    )
    return client


def _properties(kind: int, **values: int) -> Properties:
    """Make the properties of a packet."""
    properties = Properties(kind)  # type: ignore[no-untyped-call]  # the library leaves it untyped
    for name, value in values.items():
        setattr(properties, name, value)
    return properties


def trust(ca: Path) -> ssl.SSLContext:
    """Trust the keeper's own authority and no other.

    Raises:
        ValueError: The file is missing or holds no certificate. The settings are to blame.
    """
    try:
        context = ssl.create_default_context(cafile=str(ca))
    except OSError as error:
        raise ValueError(f"certificate authority {ca}: {error.strerror or error}") from error
    # From Python 3.13 on a home-made authority without a key-usage extension would be refused:
    # an upgrade must not cut the link. Chain, dates and name are checked as before.
    context.verify_flags &= ~ssl.VERIFY_X509_STRICT
    return context


def failure(error: BaseException | None) -> str:
    """Put the cause of a failed try into words."""
    if isinstance(error, ssl.SSLCertVerificationError):
        clock = "; is this board's clock right?" if error.verify_code in {9, 10} else ""
        return f"TLS: the broker's certificate is not accepted ({error.verify_message}{clock})"
    if isinstance(error, ssl.SSLError):
        return f"TLS failed ({error.reason or error})"
    if isinstance(error, TimeoutError):
        return "no answer in time"
    if isinstance(error, OSError):
        return str(error.strerror or error).lower()
    return "no answer"
