"""One connection to the broker, from dialling to its end, on the thread that calls `run`.

The client library's own thread and its reconnecting are not used: an exception in a callback
would kill that thread while it still called itself connected, and its queue would carry old
commands into the next connection.

What comes in is judged outside of the library's callbacks, message by message, and what that makes us publish (the
fan's command) goes out at once: in a callback it would wait for the library's next turn, and behind the
messages that came meanwhile.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import os
import socket
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Protocol

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage, MQTTMessageInfo
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.engine.connections import Broker, Delivery
from monitor.wire.asking import ANSWER_WITHIN_S, DIAL_WITHIN_S, identify
from monitor.wire.link import Link
from monitor.wire.reasons import UNSUPPORTED_VERSION, in_words, refusal
from monitor.wire.strict import LONGEST_PAYLOAD
from monitor.wire.subscriptions import Subscriptions, identifier

HERE: Final = b"here"  # retained on the alive topic while the daemon is connected
GONE: Final = b"gone"  # retained: its last will, and its goodbye

ACCEPT_WITHIN_S: Final = 15.0
CATCH_UP_WITHIN_S: Final = 60.0  # where access control keeps our mark from coming back
GOODBYE_WITHIN_S: Final = 3.0
TURN_S: Final = 1.0
MOST_IN_A_ROW: Final = 50  # messages read without a turn of the library's loop, which keeps the connection alive
MOST_QUEUED: Final = 1000  # our own publishes that may wait for the broker's receipt; more are refused
LARGEST_PACKET: Final = 4 * LONGEST_PAYLOAD  # an MQTT 5 broker drops larger ones for us

V5: Final = MQTTProtocolVersion.MQTTv5
V311: Final = MQTTProtocolVersion.MQTTv311

SILENT: Final = "the broker took the connection and then said nothing"

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Arrival:
    """One message as it came in."""

    topic: str
    payload: bytes
    retained: bool  # the broker's memory, of unknown age
    duplicate: bool  # marked as sent before
    delivery: Delivery | None  # None for QoS 0: nothing to acknowledge
    waited: bool = False  # the broker held it while we were away


@dataclass(frozen=True, slots=True)
class Identity:
    """What stays the same from connection to connection."""

    broker: Broker
    subscriptions: Subscriptions
    alive_topic: str

    @property
    def mark_topic(self) -> str:
        """Where the end of what the broker held is marked, by ourselves to ourselves."""
        return f"{self.alive_topic}/mark"


@dataclass(frozen=True, slots=True)
class Ended:
    """How a connection ended."""

    reason: str  # "" when nobody gave one
    held_s: float  # from acceptance; 0 when there was none
    is_version_refused: bool
    unexpected: Exception | None  # an error that is none of the network's: a mistake of ours or the library's
    is_unanswered: bool  # silent, or closed by the other side, before it said anything


class Listener(Protocol):
    """What the session does with what a connection tells it, all on the network thread."""

    def accepted(self, connection: Connection, session_present: bool) -> None: ...
    def arrived(self, arrival: Arrival) -> bool:
        """False: nobody will acknowledge this one."""

    def stranger(self) -> None: ...
    def refused_subscription(self, pattern: str) -> None: ...
    def turned(self) -> None: ...


class Connection:
    """One connection; made, run once, thrown away."""

    def __init__(
        self, identity: Identity, protocol: MQTTProtocolVersion, number: int, listener: Listener, monotonic: Callable[[], float]
    ) -> None:
        """Prepare to dial. `number` is what the deliveries of this connection will carry."""
        self._identity = identity
        self.protocol = protocol
        self._number = number
        self._listener = listener
        self._monotonic = monotonic
        self._client: Client | None = None
        self.link: Link | None = None  # from acceptance on
        self._accepted_at = 0.0
        self._reason = ""
        self._is_version_refused = False
        self._is_silent = False
        self._unexpected: Exception | None = None
        self._came_in: deque[MQTTMessage] = deque()
        self._taking_in_on: int | None = None  # the network thread while it may write: not within the library's callbacks
        self._asked: dict[int, tuple[str, ...]] = {}  # filters by the id of their request
        self._has_asked = False
        self._goodbye: MQTTMessageInfo | None = None
        self._is_leaving = False

    # ------------------------------------------------------ from any thread

    def publish(self, topic: str, payload: bytes | str, qos: int, retain: bool) -> bool:
        """Queue a message and wake the network thread; what a message makes us say goes out before this returns.

        False when the library will not have it.

        Raises:
            ValueError: the topic cannot be published to.
        """
        client = self._client
        if client is None or self.link is None:
            return False
        is_taken = client.publish(topic, payload, qos=qos, retain=retain).rc == MQTTErrorCode.MQTT_ERR_SUCCESS
        if self._taking_in_on == threading.get_ident():
            client.loop_write()
        return is_taken

    def say_goodbye(self) -> None:
        """Publish "gone" ourselves, for a goodbye in good order withdraws the last will."""
        client = self._client
        if client is not None and self.link is not None and not self._is_leaving:
            # Before the publish: its echo may come back before that call returns, and must not be put right.
            self._is_leaving = True
            self._goodbye = client.publish(self._identity.alive_topic, GONE, qos=1, retain=True)

    # --------------------------------------------------- the network thread

    def run(self, stopping: threading.Event) -> Ended:
        """Dial and stay connected until it ends or `stopping` is set; never raises an Exception."""
        is_dialled = False
        try:
            self._client = client = self._make_client()
            self._dial(client)
            is_dialled = True
            self._turn_until(client, stopping)
            if stopping.is_set() and self.link is not None:
                self._leave(client)
        except OSError as error:
            self._reason = in_words(error, self._identity.broker)
        except Exception as error:
            self._unexpected = error
            self._reason = in_words(error, self._identity.broker)
        finally:
            self._close()
        return Ended(
            reason=self._reason,
            held_s=self._monotonic() - self._accepted_at if self.link is not None else 0.0,
            is_version_refused=self._is_version_refused,
            unexpected=self._unexpected,
            is_unanswered=self._is_silent or (is_dialled and self.link is None and not self._reason),
        )

    def _make_client(self) -> Client:
        broker = self._identity.broker
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            protocol=self.protocol,
            clean_session=None if self.protocol == V5 else False,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        client.connect_timeout = DIAL_WITHIN_S
        client.max_queued_messages_set(MOST_QUEUED)
        client.will_set(self._identity.alive_topic, GONE, qos=1, retain=True)
        identify(client, broker)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_socket_open = _send_at_once
        # With this set, a publish from another thread only queues and wakes us: one thread writes to the socket.
        client.on_socket_register_write = lambda *_: None
        return client

    def _dial(self, client: Client) -> None:
        broker = self._identity.broker
        if self.protocol != V5:
            client.connect(broker.host, broker.port, keepalive=broker.keepalive_s)
            return
        properties = _properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = broker.session_expiry_s
        properties.ReceiveMaximum = broker.receive_maximum
        properties.MaximumPacketSize = LARGEST_PACKET
        client.connect(broker.host, broker.port, keepalive=broker.keepalive_s, clean_start=False, properties=properties)

    def _turn_until(self, client: Client, stopping: threading.Event) -> None:
        dialled_at = self._monotonic()
        within_s = ANSWER_WITHIN_S if self.protocol == V5 else ACCEPT_WITHIN_S
        while not stopping.is_set():
            self._listener.turned()
            if self._turn(client, TURN_S) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return
            now = self._monotonic()
            if self.link is None:
                if now - dialled_at > within_s:
                    self._is_silent = True
                    self._reason = SILENT
                    return
            elif self.link.is_catching_up and now - self._accepted_at > CATCH_UP_WITHIN_S:
                self.link.caught_up()

    def _turn(self, client: Client, within_s: float) -> MQTTErrorCode:
        """Wait for something to come or to be sent; take in what came, each message before the next is read."""
        result = client.loop(within_s)
        for _ in range(MOST_IN_A_ROW):
            if not self._came_in:
                return result
            self._take_in_all(client)
            result = client.loop_read()
        self._take_in_all(client)
        return result

    def _take_in_all(self, client: Client) -> None:
        self._taking_in_on = threading.get_ident()
        try:
            while self._came_in:
                self._take_in(client, self._came_in.popleft())
        finally:
            self._taking_in_on = None
        if client.want_write():
            client.loop_write()

    def _leave(self, client: Client) -> None:
        self.say_goodbye()
        assert self._goodbye is not None
        end = self._monotonic() + GOODBYE_WITHIN_S
        while (not self._goodbye.is_published() or client.want_write()) and self._monotonic() < end:
            if self._turn(client, 0.1) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return
        client.disconnect()
        while client.socket() is not None and self._monotonic() < end:
            if self._turn(client, 0.1) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return

    def _close(self) -> None:
        client, self._client = self._client, None
        if client is None:
            return
        client.on_connect = client.on_disconnect = client.on_subscribe = client.on_message = None
        left_open = client.socket()
        if left_open is not None:
            # Without an MQTT goodbye, so that the broker publishes our last will.
            with contextlib.suppress(OSError):
                left_open.close()

    # ------------------------------------------------------------ callbacks

    def _on_connect(
        self, client: Client, _userdata: Any, flags: ConnectFlags, reason: ReasonCode, properties: Properties | None
    ) -> None:
        if reason.is_failure:
            self._is_version_refused = reason.getName() == UNSUPPORTED_VERSION
            self._reason = refusal(reason.getName())
            return
        mark = os.urandom(8).hex().encode() if flags.session_present else None
        self._accepted_at = self._monotonic()
        self.link = Link(self._number, client.ack, mark)
        self._listener.accepted(self, flags.session_present)
        client.publish(self._identity.alive_topic, HERE, qos=1, retain=True)
        self._subscribe(client, properties, with_mark=mark is not None)
        if mark is not None:
            client.publish(self._identity.mark_topic, mark, qos=1)

    def _subscribe(self, client: Client, properties: Properties | None, with_mark: bool) -> None:
        wanted = {**self._identity.subscriptions.wanted, self._identity.alive_topic: 0}
        if with_mark:
            wanted[self._identity.mark_topic] = 1
        requests: list[tuple[list[tuple[str, int]], int | None]]
        if self.protocol != V5:
            requests = [(list(wanted.items()), None)]
        elif getattr(properties, "SubscriptionIdentifierAvailable", 1):
            requests = [([item], identifier(item[0])) for item in wanted.items()]
        else:
            requests = [([item], None) for item in wanted.items()]
        for items, number in requests:
            if self.protocol == V5:
                asked = _properties(PacketTypes.SUBSCRIBE)
                if number is not None:
                    asked.SubscriptionIdentifier = number
                options = [(pattern, SubscribeOptions(qos=qos)) for pattern, qos in items]
                _, request = client.subscribe(options, properties=asked)
            else:
                _, request = client.subscribe(items)
            if request is not None:
                self._asked[request] = tuple(pattern for pattern, _ in items)
        self._has_asked = True

    @property
    def is_subscribed(self) -> bool:
        """Whether the broker has answered each request: from here on nothing published goes past us."""
        return self._has_asked and not self._asked

    def _on_subscribe(
        self, _client: Client, _userdata: Any, request: int, reasons: list[ReasonCode], _properties: Properties | None
    ) -> None:
        for pattern, reason in zip(self._asked.pop(request, ()), reasons, strict=False):
            if reason.is_failure:
                self._listener.refused_subscription(pattern)

    def _on_disconnect(
        self, _client: Client, _userdata: Any, flags: DisconnectFlags, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        if flags.is_disconnect_packet_from_server:
            self._reason = refusal(reason.getName())
        elif reason.getName() == "Keep alive timeout":
            self._reason = "the broker has stopped answering"

    def _on_message(self, _client: Client, _userdata: Any, message: MQTTMessage) -> None:
        self._came_in.append(message)

    def _take_in(self, client: Client, message: MQTTMessage) -> None:
        link = self.link
        if link is None:
            return  # a broker that sends before it accepts; what it sends will come again
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = ""
        delivery = None
        if message.qos > 0:
            digest = hashlib.blake2b(topic.encode("utf-8", "surrogatepass") + b"\0" + message.payload, digest_size=16).digest()
            delivery = Delivery(self._number, message.mid, message.qos, digest)
            link.came()
        if self._take(client, link, topic, message, delivery) or delivery is None:
            return
        link.settle(delivery)

    def _take(self, client: Client, link: Link, topic: str, message: MQTTMessage, delivery: Delivery | None) -> bool:
        """Whether somebody has taken this message and will acknowledge it."""
        if topic == self._identity.mark_topic:
            link.caught_up(bytes(message.payload))
            return False
        if topic == self._identity.alive_topic:
            if message.payload == GONE and not self._is_leaving:
                # The will of our own former connection, come late, or somebody's mistake: a relay must not believe it.
                client.publish(topic, HERE, qos=1, retain=True)
            return False
        waited = link.is_catching_up and not message.retain
        identifiers = getattr(message.properties, "SubscriptionIdentifier", ())
        if not topic or not self._identity.subscriptions.is_ours(topic, identifiers, waited):
            self._listener.stranger()
            return False
        return self._listener.arrived(Arrival(topic, bytes(message.payload), message.retain, message.dup, delivery, waited))


def _send_at_once(_client: Client, _userdata: Any, opened: Any) -> None:
    """A fan command must not wait for the peer's receipt of the packet before it (Nagle's algorithm: 40 ms)."""
    with contextlib.suppress(OSError):
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _properties(kind: int) -> Any:
    make: Callable[[int], Any] = Properties  # the library gives its constructor no types
    return make(kind)
