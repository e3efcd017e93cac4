"""The standing session with the broker: one thread, one connection at a time, begun anew whenever it ends.

Rules of this file:

* Every connection has a client object of its own. Nothing that was queued for a dead connection
  can go out on the next: no stale fan command, no acknowledgement of the wrong message.
* Nothing a callback or the library raises ends the thread; it ends at most the connection.
* A publish while offline is refused, not kept.
* A change of the link is told once, in words without a secret.
* Messages come in on the network thread, one after another, and are acknowledged only by
  `acknowledge`, after the commit.

The alive topic carries "here", retained, while the daemon is connected; "gone", retained, is its
last will and its goodbye; a "gone" heard while connected is put right. Under it, `…/mark`, the
session sends itself one message after each reconnection: when that comes back, all that the broker
had held has come (access control must let it write and read there; else the end of the holding is
taken to be a minute after connecting).
"""

from __future__ import annotations

import logging
import random
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from paho.mqtt.enums import MQTTProtocolVersion

from monitor.engine.connections import Broker, Delivery
from monitor.wire.asking import refuses_v5
from monitor.wire.connection import GONE, HERE, V5, V311, Arrival, Connection, Ended, Identity
from monitor.wire.reasons import refusal
from monitor.wire.strict import printable
from monitor.wire.subscriptions import Subscriptions

__all__ = ["GONE", "HERE", "Arrival", "Counts", "Session", "pause_s"]

FIRST_PAUSE_S: Final = 1.0
LONGEST_PAUSE_S: Final = 60.0
STEADY_S: Final = 30.0  # a connection that held so long starts the pauses anew
UNANSWERED: Final = 2  # so many MQTT 5 attempts in a row without a word, and the older one is tried
SHORT_LIVES: Final = 3  # so many connections in a row ended soon and without a reason
CLOSED: Final = "the broker closed the connection"
SHARED_ID: Final = f"{CLOSED} again and again: does another program use the same client_id?"
WINDOW_OF_OLD: Final = 20  # unacknowledged messages mosquitto allows a 3.1.1 client unless told otherwise
MISHAPS_LOGGED: Final = 10  # whole tracebacks; after that the count tells the rest

_log = logging.getLogger(__name__)


@dataclass(slots=True)
class Counts:
    """Since the start, for the status page and the metrics."""

    connects: int = 0
    failures: int = 0  # connections that ended or never began
    received: int = 0
    acknowledged: int = 0
    published: int = 0
    publish_refused: int = 0
    strangers: int = 0  # second copies, and topics that are not ours
    mishaps: int = 0  # exceptions in what was called with a message


class Session:
    """Keeps one MQTT session alive for years. `start`; then calls come in on its thread until `stop`."""

    def __init__(
        self,
        broker: Broker,
        subscriptions: Sequence[tuple[str, int]],
        alive_topic: str,
        on_arrival: Callable[[Arrival], None],
        on_link: Callable[[bool, str], None],
        on_session: Callable[[bool], None] | None = None,
        *,
        monotonic: Callable[[], float] = time.monotonic,
        chance: Callable[[], float] = random.random,
    ) -> None:
        """Prepare; nothing is dialled until `start`.

        Args:
            broker: where, as whom, and how long it keeps the session.
            subscriptions: (topic filter, QoS) pairs, QoS 0 or 1; a 2 is taken as 1.
            alive_topic: see the top of this file.
            on_arrival: called with each message, on the network thread. If it raises, the message
                is acknowledged and counted as a mishap: one bad message never stops the rest.
            on_link: called with (up, why) when the link changes, and with each new reason it is down.
            on_session: called at each connection, before its first message, with whether the broker
                still had our session.
            monotonic, chance: the clock, and a number from 0 to 1 for the jitter.
        """
        self._identity = Identity(broker, Subscriptions([(pattern, min(qos, 1)) for pattern, qos in subscriptions]), alive_topic)
        self._on_arrival = on_arrival
        self._on_link = on_link
        self._on_session = on_session
        self._monotonic = monotonic
        self._chance = chance

        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()
        self._current: Connection | None = None  # the accepted one; replaced whole, so readers need no lock
        self._turned_at = monotonic()
        self._resting_until = monotonic()
        self._told: set[str] = set()  # reasons of this outage, each told once
        self._protocol = V5
        self.connection = 0  # counts attempts that were accepted; what deliveries carry
        self.session_present = False
        self.last_error = ""
        self.refused_subscriptions: tuple[str, ...] = ()
        self.counts = Counts()

    # ------------------------------------------------------ from any thread

    def start(self) -> None:
        """Begin to connect, on a thread of its own. Returns at once."""
        if self._thread is not None:
            raise RuntimeError("this session has been started already")
        self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)
        self._thread.start()

    def stop(self, within_s: float = 10.0) -> None:
        """Send what is queued, say goodbye, and leave in good order; the broker keeps the session."""
        current = self._current
        if current is not None:
            current.say_goodbye()  # which also wakes the network thread
        self._stopping.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(within_s)

    def publish(self, topic: str, payload: bytes | str, qos: int = 0, retain: bool = False) -> bool:
        """Hand a message to the connection; False when there is none, and then it is not sent later either.

        True is no receipt: the connection may be dead and nobody has noticed yet. What must take
        effect (a fan command) is sent again until its effect is reported.
        """
        current = self._current
        is_taken = False
        if current is not None and not self._stopping.is_set():
            try:
                is_taken = current.publish(topic, payload, qos, retain)
            except ValueError as error:  # a topic with a wildcard, say
                self.last_error = f"cannot publish to {printable(topic, 120)}: {error}"
        if is_taken:
            self.counts.published += 1
        else:
            self.counts.publish_refused += 1
        return is_taken

    def acknowledge(self, deliveries: Iterable[Delivery]) -> int:
        """Tell the broker that these are safe, in the order in which they came.

        Those of an earlier connection are passed over: the broker sends them again. Returns how
        many were acknowledged.
        """
        current = self._current
        link = None if current is None else current.link
        if link is None:
            return 0
        acknowledged = sum(link.acknowledge(delivery) for delivery in deliveries)
        self.counts.acknowledged += acknowledged
        return acknowledged

    @property
    def connected(self) -> bool:
        return self._current is not None

    @property
    def subscribed(self) -> bool:
        """Connected, and the broker has answered every subscription: what is published now comes here."""
        current = self._current
        return current is not None and current.is_subscribed

    @property
    def protocol(self) -> str:
        """The MQTT version of the present or last connection: "5" or "3.1.1"."""
        return "5" if self._protocol == V5 else "3.1.1"

    @property
    def window(self) -> int:
        """How many messages may be unacknowledged before the broker waits: commit well before that."""
        most = self._identity.broker.receive_maximum
        return most if self._protocol == V5 else min(most, WINDOW_OF_OLD)

    @property
    def owed(self) -> int:
        """Messages of the present connection that have not been acknowledged yet."""
        current = self._current
        return 0 if current is None or current.link is None else current.link.owed

    def is_turning(self, within_s: float = 60.0) -> bool:
        """Whether the network thread lives and goes round its loop; if not, something in it hangs.

        Args:
            within_s: dialling may take 10 s, a name look-up longer.
        """
        if self._thread is None or not self._thread.is_alive():
            return False
        now = self._monotonic()
        return now - self._turned_at <= within_s or now <= self._resting_until + within_s

    # --------------------------------------------------- the network thread

    def _run(self) -> None:
        attempts = unanswered = short_lives = 0
        while not self._stopping.is_set():
            is_refused = unanswered > 0 and refuses_v5(self._identity.broker, self._stopping, self._monotonic)
            if not is_refused:  # MQTT 5 is tried each time: the broker may have been renewed
                ended = self._hold(V5)
                is_refused = ended.is_version_refused
                unanswered = unanswered + 1 if ended.is_unanswered else 0
                if unanswered == 1 and not self._stopping.is_set():
                    continue  # ask at once
            if is_refused or unanswered >= UNANSWERED:
                ended = self._hold(V311)
                unanswered = max(unanswered, 1)  # next time, ask before trying MQTT 5
            if self._stopping.is_set():
                return
            # mosquitto 2.0 throws out the former client of an id without saying why
            short_lives = short_lives + 1 if 0.0 < ended.held_s < STEADY_S and not ended.reason else 0
            self._went_down(ended.reason or (SHARED_ID if short_lives >= SHORT_LIVES else CLOSED), ended.unexpected)
            attempts = 0 if ended.held_s >= STEADY_S else attempts + 1
            pause = pause_s(attempts, self._chance())
            self._resting_until = self._monotonic() + pause
            self._stopping.wait(pause)

    def _hold(self, protocol: MQTTProtocolVersion) -> Ended:
        self.turned()
        ended = Connection(self._identity, protocol, self.connection + 1, self, self._monotonic).run(self._stopping)
        self._current = None
        return ended

    def _went_down(self, reason: str, unexpected: Exception | None) -> None:
        self.counts.failures += 1
        self.last_error = reason
        if reason not in self._told:
            self._told.add(reason)
            _log.warning("not connected to the broker: %s", reason, exc_info=unexpected)
            self._call(self._on_link, False, reason)

    def accepted(self, connection: Connection, session_present: bool) -> None:
        """The broker has accepted this connection; its first message comes after this."""
        self.connection += 1
        self.counts.connects += 1
        self.session_present = session_present
        self.last_error = ""
        self.refused_subscriptions = ()
        self._told.clear()
        self._protocol = connection.protocol
        if self._on_session is not None:
            self._call(self._on_session, session_present)
        self._current = connection
        kept = "our session was kept" if session_present else "with a new session"
        why = f"connected by MQTT {self.protocol}, {kept}"
        _log.info("%s", why)
        self._call(self._on_link, True, why)

    def arrived(self, arrival: Arrival) -> bool:
        """Pass a message on; False when that failed and nobody will acknowledge it."""
        self.counts.received += 1
        return self._call(self._on_arrival, arrival)

    def stranger(self) -> None:
        """A second copy, or a topic that is not ours."""
        self.counts.strangers += 1

    def refused_subscription(self, pattern: str) -> None:
        """The broker will not let us listen to this."""
        self.refused_subscriptions += (pattern,)
        self.last_error = f"{refusal('Not authorized')} to listen to {printable(pattern, 120)}"
        _log.warning("%s", self.last_error)

    def turned(self) -> None:
        """The network thread has gone round once more."""
        self._turned_at = self._monotonic()

    def _call(self, what: Callable[..., None], *arguments: object) -> bool:
        """Call one of the daemon's functions; what it raises is counted, logged, and ends here."""
        try:
            what(*arguments)
        except Exception:
            self.counts.mishaps += 1
            if self.counts.mishaps <= MISHAPS_LOGGED:
                _log.exception("an error in what was called by the MQTT session, which goes on")
            return False
        return True


def pause_s(attempts: int, chance: float) -> float:
    """Seconds until the next attempt: 1, 2, 4 … 60, less up to half of it by chance, so that many clients spread.

    Args:
        attempts: failed in a row; 0 and 1 give the first pause.
        chance: from 0 to 1.
    """
    longest = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2.0 ** min(max(attempts - 1, 0), 10))
    return longest * (0.5 + 0.5 * chance)
