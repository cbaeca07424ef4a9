"""Readings from an MQTT 5 broker, acknowledged only when they are on the card.

How it holds together:

1. paho's network thread calls ``_on_message``; the payload is parsed there (a
   hand-over to another thread costs more than the parsing) and arrivals are put
   into the inbox. Nothing else happens in callbacks.
2. The judge calls ``settled`` after the commit; that sends the acknowledgement if
   the connection that brought the message still stands. After a loss the broker
   sends it again, so the session persists and the client's name is fixed.
3. An arrival that the full inbox refuses is held here and offered again: the
   broker sends an unacknowledged message anew only after a reconnect.
4. A supervisor thread looks at the network thread (an exception would end it
   while the client still calls itself connected), replaces a dead one, and says
   what ails the link when that changes.
"""

import random
import sys
from collections import deque
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from threading import Event, Lock, Thread, current_thread
from typing import Any

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from rules.reading import HOUR, MINUTE
from sensors.link import MqttLink, failure, new_client, trust
from sensors.payload import PayloadError, decode
from sensors.reader import Arrival, Boottime, Inbox, Reject, Settled, says
from sensors.topics import MqttSensor, Route, Topics

SUBSCRIBE_AT_ONCE = 50
"""Topics in one subscription packet."""

TICK = 0.25
"""Pace of the supervisor, s."""

LAST_WORD = 1.3
"""At the end the broker has so long to take our last acknowledgements, s."""

LONGEST_WAIT = 5
"""Longest pause between two tries to connect, s: a broker that is back is heard at once."""

LONGEST_REVIVAL = 60
"""Longest pause before a network thread that ends again and again is replaced, s."""

SUBACK_WAIT = 30_000
"""A broker that has not answered a subscription for so long ails, ms."""

MOST_UNKNOWN = 1_000
"""So many unknown topics are counted one by one."""

TAKEN_OVER = 142
"""MQTT 5 reason code: another client came with our name. Not every broker sends it."""

SHORT = 10_000
"""A connection that lasts less does not count as one that works, ms."""

MOST_SHORT = 3
"""So many short connections in five minutes look like another client of our name."""


@dataclass(slots=True)
class _Share:
    """A message that became several arrivals: acknowledged when all are settled."""

    settled: Settled
    left: int
    lock: Lock = field(default_factory=Lock)

    def settle(self) -> None:
        """Count one part; the last one acknowledges."""
        with self.lock:
            self.left -= 1
            last = self.left == 0
        if last:
            self.settled()


@dataclass(slots=True)
class _State:
    """What is known of the link. Written by the network thread, read by the supervisor.

    Attributes:
        up: Connected now.
        link: How often it had connected.
        since: Boot-time clock of the last change of ``up``, ms.
        reason: Why it is down.
        fails: Tries in a row that failed.
        refused: Topics that the broker refused, with its words.
        asked: Subscriptions not answered yet: message id → (topics, since).
        forgotten: The broker had lost our session; how long the link was down, ms, or None.
        short: When the latest connections ended that were short (boot-time clock, ms).
        rival: Boot-time clock when another client of our name showed, or None.
    """

    up: bool = False
    link: int = 0
    since: int = 0
    reason: str = "no answer yet"
    fails: int = 0
    refused: dict[str, str] = field(default_factory=dict)
    asked: dict[int | None, tuple[tuple[str, ...], int]] = field(default_factory=dict)
    forgotten: int | None = None
    short: deque[int] = field(default_factory=lambda: deque(maxlen=MOST_SHORT))
    rival: int | None = None


class MqttReader:
    """Reads all sensors of one broker; see the module for the threads."""

    name = "mqtt"

    def __init__(
        self,
        link: MqttLink,
        sensors: Iterable[MqttSensor],
        boottime: Boottime,
        taken: frozenset[str] = frozenset(),
    ) -> None:
        """Prepare; nothing is opened but the authority's file.

        Args:
            link: How the broker is reached.
            sensors: What is read.
            boottime: The boot-time clock.
            taken: Names of sensors of other readers, which no wildcard may give.

        Raises:
            ValueError: The authority's file is missing or no certificate.
        """
        self._link = link
        self._topics = Topics(sensors, taken)
        self._boottime = boottime
        self._tls = trust(link.ca) if link.ca else None
        self._inbox: Inbox | None = None
        self._state = _State()
        self._gate = Lock()  # [1] no acknowledgement may slip into the next connection
        self._held: deque[Arrival | Reject] = deque()
        self._unknown: dict[str, tuple[int, int]] = {}
        self._client: Client | None = None
        self._network: Thread | None = None
        self._born = 0
        self._deaths = 0
        self._said: str | None = None
        self._ending = Event()
        self._supervisor: Thread | None = None

    # --- life -----------------------------------------------------------------

    def start(self, inbox: Inbox) -> None:
        """Begin; returns at once. Faults go into the inbox."""
        self._inbox = inbox
        self._state.since = self._boottime()
        self._supervisor = Thread(target=self._supervise, name="mqtt-supervisor", daemon=True)
        self._supervisor.start()

    def stop(self) -> None:
        """End within 2 s: says "offline" to the broker and keeps the session there."""
        self._ending.set()
        if self._supervisor is not None:
            self._supervisor.join(2)
            self._supervisor = None

    def _supervise(self) -> None:
        """Look after the network thread until the end."""
        self._open()
        while not self._ending.wait(TICK):
            self._revive()
            self._offer_held()
            self._speak()
        self._close()

    def _open(self) -> None:
        """Make a client and let its network thread run."""
        self._network = None
        self._born = self._boottime()
        client = new_client(self._link, self._tls)
        client.on_pre_connect = self._on_pre_connect
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        self._client = client
        client.loop_start()

    def _close(self) -> None:
        """Tell the broker and end the network thread."""
        client = self._client
        if client is None:
            return
        if self._state.up:
            info = client.publish(self._link.state_topic, b"offline", qos=1, retain=True)
            # Its acknowledgement also tells that the broker has taken all of ours: closing with
            # something unread would throw them away. The link may be lost in this moment; then the
            # will speaks for us.
            with suppress(RuntimeError, ValueError):
                info.wait_for_publish(LAST_WORD)
        client.disconnect()
        client.loop_stop()
        with self._gate:
            self._state.up = False

    def _revive(self) -> None:
        """Replace a network thread that has ended."""
        now = self._boottime()
        alive = self._network.is_alive() if self._network is not None else now - self._born < 5_000
        if alive:
            return
        if now - self._born < 1_000 * min(LONGEST_REVIVAL, 2**self._deaths):
            return
        with self._gate:
            self._state.up = False
        self._deaths += 1
        self._tell(well=False, note="the network thread had ended; a new one was started")
        self._said = None
        self._open()

    def _offer_held(self) -> None:
        """Offer again what the full inbox had refused."""
        while self._held and self._inbox is not None and self._inbox.put(self._held[0]):
            self._held.popleft()

    # --- what it says of itself -------------------------------------------------

    def _speak(self) -> None:
        """Say what ails the link when that has changed."""
        note = self._ailment(self._boottime())
        if note is None:
            return
        forgotten, self._state.forgotten = self._state.forgotten, None
        if forgotten is not None:
            lost = "the broker had forgotten the session: readings may be missing"
            self._tell(well=True, note=f"{lost} (the link was down for {forgotten // 1000} s)")
        if note != self._said:
            self._said = note
            self._tell(well=not note, note=note)

    def _tell(self, *, well: bool, note: str) -> None:
        """Put the organ's own arrival into the inbox."""
        if self._inbox is not None:
            self._inbox.put(says("reader", self.name, well=well, arrived=self._boottime(), note=note))

    def _ailment(self, now: int) -> str | None:
        """Say what ails the link: "" nothing; None: too early to tell."""
        state = self._state
        if state.rival is not None and now - state.rival < 5 * MINUTE:
            name = self._link.client_id
            return f'the link ends again and again: does another program use the name "{name}" at the broker?'
        if not state.up:
            where = f"{self._link.host}:{self._link.port}"
            return (
                f"not connected to {where}: {state.reason}" if now - state.since >= self._link.grace else None
            )
        if state.refused:
            topic, words = next(iter(state.refused.items()))
            more = f" and {len(state.refused) - 1} more" if len(state.refused) > 1 else ""
            return f'the broker refuses "{topic}"{more}: {words}'
        if state.asked:
            oldest = min(since for _, since in state.asked.values())
            return "the broker does not answer the subscription" if now - oldest > SUBACK_WAIT else None
        return ""

    # --- paho's callbacks (network thread) ----------------------------------------

    def _on_pre_connect(self, _client: Client, _userdata: Any) -> None:
        """Note the network thread, and that nothing is connected."""
        self._network = current_thread()
        self._down("")

    def _on_connect(
        self, client: Client, _userdata: Any, flags: ConnectFlags, code: ReasonCode, _properties: Any
    ) -> None:
        """Subscribe anew each time: the broker may have lost it."""
        state = self._state
        if code.is_failure:
            state.reason = f"the broker says: {code.getName()}"
            return
        now = self._boottime()
        if state.link > 0 and not flags.session_present:
            state.forgotten = now - state.since
        with self._gate:
            state.link += 1
            state.up = True
            state.since = now
        state.refused = {}
        state.asked = {}
        client.publish(self._link.state_topic, b"online", qos=1, retain=True)
        self._subscribe(client, now)

    def _subscribe(self, client: Client, now: int) -> None:
        """Ask for every filter; retained messages only where the subscription is new."""
        options = SubscribeOptions(qos=1, noLocal=True, retainHandling=1)
        filters = self._topics.filters
        for first in range(0, len(filters), SUBSCRIBE_AT_ONCE):
            part = filters[first : first + SUBSCRIBE_AT_ONCE]
            _, mid = client.subscribe([(topic, options) for topic in part])
            self._state.asked[mid] = (part, now)

    def _on_subscribe(
        self, _client: Client, _userdata: Any, mid: int, codes: list[ReasonCode], _properties: Any
    ) -> None:
        """Keep what was refused."""
        topics, _ = self._state.asked.pop(mid, ((), 0))
        refused = {
            topic: code.getName() for topic, code in zip(topics, codes, strict=False) if code.value >= 128
        }
        self._state.refused = {**self._state.refused, **refused}

    def _on_connect_fail(self, client: Client, _userdata: Any) -> None:
        """Keep why, and wait longer before the next try."""
        self._state.reason = failure(sys.exc_info()[1])
        self._wait_longer(client)

    def _on_disconnect(
        self, client: Client, _userdata: Any, _flags: DisconnectFlags, code: ReasonCode, _properties: Any
    ) -> None:
        """Note the loss; no acknowledgement goes out any more."""
        if self._state.up:
            self._note_length(self._boottime(), taken_over=code.value == TAKEN_OVER)
            self._down(f"the connection ended ({code.getName()})")
        self._wait_longer(client)

    def _note_length(self, now: int, *, taken_over: bool) -> None:
        """Tell a working connection that broke from one that is put out at once."""
        state = self._state
        if now - state.since > SHORT:
            state.fails = 0
        else:
            state.short.append(now)
        often = len(state.short) == MOST_SHORT and now - state.short[0] < 5 * MINUTE
        if taken_over or often:
            state.rival = now

    def _down(self, reason: str) -> None:
        """Mark the link as down."""
        with self._gate:
            if self._state.up:
                self._state.up = False
                self._state.since = self._boottime()
        if reason:
            self._state.reason = reason

    def _wait_longer(self, client: Client) -> None:
        """Set the pause before the next try: 1 to 5 s, doubled each time, with jitter."""
        longest = min(LONGEST_WAIT, 2 ** min(self._state.fails, 10))
        self._state.fails += 1
        pause = random.randint((longest + 1) // 2, longest)  # noqa: S311 - spreads tries, no secret
        client.reconnect_delay_set(pause, pause)

    def _on_message(self, client: Client, _userdata: Any, message: MQTTMessage) -> None:
        """Turn one message into arrivals; nothing gets out of here."""
        settled = partial(self._acknowledge, message.mid, self._state.link) if message.qos else None
        arrived = self._boottime()
        try:
            self._take(client, message, settled, arrived)
        except Exception as error:  # noqa: BLE001 - last resort: it would end the network thread, and
            # the broker would send the message again for ever; so it is counted and acknowledged.
            reason = f"could not be read: {type(error).__name__}"
            self._hand(Reject("mqtt", reason, _start(message.payload), arrived, settled))

    # --- messages -----------------------------------------------------------------

    def _take(self, client: Client, message: MQTTMessage, settled: Settled | None, arrived: int) -> None:
        """Look the topic up, parse the payload once, and hand over what is in it."""
        topic = message.topic
        routes = self._topics.find(topic)
        if not routes:
            self._count_unknown(client, message, settled, arrived)
            return
        if isinstance(routes, str):
            self._hand(Reject(topic, routes, _start(message.payload), arrived, settled))
            return
        try:
            document = decode(message.payload, self._link.limit)
        except PayloadError as error:
            self._hand(Reject(topic, error.reason, _start(message.payload), arrived, settled))
            return
        if len(routes) > 1 and settled is not None:
            settled = _Share(settled, len(routes)).settle
        for route in routes:
            self._deliver(route, document, message, (settled, arrived))

    def _deliver(
        self, route: Route, document: Any, message: MQTTMessage, token: tuple[Settled | None, int]
    ) -> None:
        """Hand over what one sensor finds in the document."""
        settled, arrived = token
        try:
            measured = route.pick.take(document)
        except PayloadError as error:
            self._hand(Reject(message.topic, error.reason, _start(message.payload), arrived, settled))
            return
        self._hand(
            Arrival(
                sensor=route.sensor,
                values=measured.values,
                arrived=arrived,
                stamp=measured.stamp,
                counter=measured.counter,
                retained=message.retain,
                link=self._state.link,
                template=route.template,
                settled=settled,
            )
        )
        for problem in measured.problems:
            self._hand(Reject(message.topic, problem, _start(message.payload), arrived))

    def _hand(self, item: Arrival | Reject) -> None:
        """Put it into the inbox, or hold it where the broker waits for its acknowledgement."""
        if self._inbox is None:
            return
        # What is held goes first; what nobody acknowledges cannot be held: the inbox counts it.
        waits = bool(self._held) and item.settled is not None
        if (waits or not self._inbox.put(item)) and item.settled is not None:
            self._held.append(item)

    def _count_unknown(
        self, client: Client, message: MQTTMessage, settled: Settled | None, arrived: int
    ) -> None:
        """Say of a topic that nobody reads once an hour how often it came."""
        topic = message.topic
        if topic == self._link.state_topic:
            if settled is not None:
                settled()
            return
        if topic not in self._unknown and len(self._unknown) >= MOST_UNKNOWN:
            topic = "other topics"
        since, count = self._unknown.get(topic, (arrived - HOUR, 0))
        if arrived - since < HOUR:
            self._unknown[topic] = (since, count + 1)
            if settled is not None:
                settled()
            return
        more = f" ({count} more since it was last said)" if count else ""
        self._unknown[topic] = (arrived, 0)
        self._hand(
            Reject(topic, f"no sensor reads this topic{more}", _start(message.payload), arrived, settled)
        )
        # An old session may still hold the subscription of a sensor that is gone from the config.
        client.unsubscribe(message.topic)

    def _acknowledge(self, mid: int, link: int) -> None:
        """Acknowledge a message, unless its connection is gone. Any thread, see [1]."""
        with self._gate:
            if self._state.up and self._state.link == link and self._client is not None:
                self._client.ack(mid, 1)


def _start(payload: bytes | bytearray) -> str:
    """Give the first bytes in a form that can be shown."""
    text = payload[:40].decode("utf-8", "replace")
    return "".join(sign if sign.isprintable() else "?" for sign in text)
