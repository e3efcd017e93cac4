"""Listen to a broker for a while, list what is published, and draft settings from it.

It listens as a stranger: a client without a name and without a session, so it takes nothing away
from a running daemon.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from monitor.engine.connections import Broker
from monitor.engine.events import Json
from monitor.wire import own_topics
from monitor.wire.asking import DIAL_WITHIN_S, identify
from monitor.wire.drafting import Found, draft
from monitor.wire.guessing import Guess, Kind, look
from monitor.wire.reasons import in_words, refusal
from monitor.wire.strict import printable, sample

MOST_TOPICS: Final = 500
LONGEST_KEPT: Final = 64 * 1024  # bytes of a payload


class NotHeard(ConnectionError):  # noqa: N818 - said in words, like the rest of the house
    """The broker could not be listened to; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class HeardTopic:
    """What was published on one topic."""

    topic: str
    last: bytes
    count: int
    every_s: float | None  # mean seconds between messages; None when fewer than two came fresh
    retained: bool  # the last one came from the broker's memory
    kind: Kind
    guesses: tuple[Guess, ...]


@dataclass(frozen=True, slots=True)
class Heard:
    """Everything heard, by topic."""

    seconds: float
    filter: str
    topics: tuple[HeardTopic, ...]
    messages: int
    left_out: int  # messages of further topics, beyond the 500 that are kept


@dataclass(slots=True)
class _Kept:
    last: bytes
    retained: bool
    count: int = 0
    fresh: int = 0
    first_at: float = 0.0
    last_at: float = 0.0


@dataclass(slots=True)
class Collector:
    """Gathers messages; pure, so that what is heard can be tried without a broker."""

    kept: dict[str, _Kept] = field(default_factory=dict)
    messages: int = 0
    left_out: int = 0

    def add(self, topic: str, payload: bytes, retained: bool, at: float) -> None:
        """Take one message, `at` seconds of any steady clock."""
        self.messages += 1
        if topic not in self.kept and len(self.kept) >= MOST_TOPICS:
            self.left_out += 1
            return
        kept = self.kept.setdefault(topic, _Kept(b"", retained))
        kept.last, kept.retained = payload[:LONGEST_KEPT], retained
        kept.count += 1
        if not retained:
            kept.fresh += 1
            kept.last_at = at
            if kept.fresh == 1:
                kept.first_at = at

    def heard(self, seconds: float, topic: str) -> Heard:
        """What has been gathered, topics in order."""
        topics = []
        for name, kept in sorted(self.kept.items()):
            kind, guesses = look(name, kept.last)
            every_s = (kept.last_at - kept.first_at) / (kept.fresh - 1) if kept.fresh > 1 else None
            topics.append(HeardTopic(name, kept.last, kept.count, every_s, kept.retained, kind, tuple(guesses)))
        return Heard(seconds, topic, tuple(topics), self.messages, self.left_out)


def hear(
    broker: Broker,
    seconds: float,
    topic: str = "#",
    *,
    stopping: threading.Event | None = None,
    progress: Callable[[float, int], None] | None = None,
    monotonic: Callable[[], float] = time.monotonic,
) -> Heard:
    """Listen for a while.

    Args:
        broker: where and as whom; its client id and session are left alone.
        seconds: how long, from the moment the broker lets us listen.
        topic: a topic filter; "#" is everything but the broker's own `$SYS`.
        stopping: ends the listening early when set.
        progress: called about five times a second with (seconds listened, messages heard).
        monotonic: the clock.

    Raises:
        NotHeard: the broker cannot be reached, refuses us, or refuses the filter.
    """
    if "$SYS" in topic.split("/"):
        raise NotHeard("the broker's own topics ($SYS) hold no sensors: choose another topic")
    stopping = stopping or threading.Event()
    collector = Collector()
    ear = _Ear(collector, topic, monotonic)
    # MQTT 3.1.1: every broker speaks it, and listening needs no more.
    client = Client(CallbackAPIVersion.VERSION2, client_id="", protocol=MQTTProtocolVersion.MQTTv311, reconnect_on_failure=False)
    client.connect_timeout = DIAL_WITHIN_S
    client.on_connect, client.on_subscribe, client.on_message = ear.on_connect, ear.on_subscribe, ear.on_message
    try:
        identify(client, broker)
        client.connect(broker.host, broker.port, keepalive=broker.keepalive_s)
        end = monotonic() + DIAL_WITHIN_S
        while not stopping.is_set() and monotonic() < end:
            answer = client.loop(0.2)
            if ear.refused:
                raise NotHeard(ear.refused)
            if answer != MQTTErrorCode.MQTT_ERR_SUCCESS:
                raise NotHeard(f"the broker at {broker.host}:{broker.port} closed the connection")
            if ear.listening_since is not None:
                end = ear.listening_since + seconds
                if progress is not None:
                    progress(monotonic() - ear.listening_since, collector.messages)
        if ear.listening_since is None and not stopping.is_set():
            raise NotHeard(f"{broker.host}:{broker.port} does not answer as a broker does")
        client.disconnect()
        client.loop(0.1)
    except NotHeard:
        raise
    except Exception as error:  # of the network, or whatever a port that is no broker provokes in the library
        raise NotHeard(in_words(error, broker)) from error
    finally:
        client.on_connect = client.on_subscribe = client.on_message = None
    listened = 0.0 if ear.listening_since is None else monotonic() - ear.listening_since
    return collector.heard(listened, topic)


class _Ear:
    """The callbacks of one listening."""

    def __init__(self, collector: Collector, topic: str, monotonic: Callable[[], float]) -> None:
        self._collector = collector
        self._topic = topic
        self._monotonic = monotonic
        self.refused = ""
        self.listening_since: float | None = None

    def on_connect(self, client: Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self.refused = refusal(reason.getName())
            return
        try:
            client.subscribe(self._topic, 0)
        except ValueError:
            self.refused = f'"{printable(self._topic, 80)}" is no topic filter: write for example "barn/#"'

    def on_subscribe(self, _client: Client, _userdata: Any, _request: int, reasons: list[Any], _properties: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self.refused = f"{refusal('Not authorized')} to listen to {printable(self._topic, 80)}"
        self.listening_since = self._monotonic()

    def on_message(self, _client: Client, _userdata: Any, message: Any) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(a topic that is not UTF-8)"
        self._collector.add(topic, bytes(message.payload), bool(message.retain), self._monotonic())


def render(heard: Heard) -> str:
    """For the terminal: a line for each topic, then the draft. Nothing in it moves a cursor."""
    listened = f"Listened {heard.seconds:.0f} s to {printable(heard.filter, 80)}: "
    if not heard.topics:
        return listened + "nothing was published. Do the sensors send to this broker, and may this user read their topics?\n"
    lines = [listened + f"{heard.messages} messages on {len(heard.topics)} topics."]
    if heard.left_out:
        lines.append(f"{heard.left_out} messages on further topics are left out: listen to a narrower topic.")
    shown = [(printable(each.topic, 60), each) for each in heard.topics]
    width = max(len(topic) for topic, _ in shown)
    lines += ["", f"{'topic':<{width}}  {'count':>5}  {'every':>8}  {'kind':<7} last"]
    for topic, each in shown:
        every = "-" if each.every_s is None else f"{each.every_s:.3g} s"
        memory = " (the broker's memory)" if each.retained else ""
        lines.append(f"{topic:<{width}}  {each.count:>5}  {every:>8}  {each.kind:<7} {sample(each.last)}{memory}")
    return "\n".join(lines) + "\n\n" + draft(_found(heard))


def as_json(heard: Heard) -> dict[str, Json]:
    """The same as data. Payloads are shown as text samples of at most 80 characters."""
    return {
        "seconds": round(heard.seconds, 1),
        "filter": heard.filter,
        "messages": heard.messages,
        "left_out": heard.left_out,
        "topics": [
            {
                "topic": each.topic,
                "count": each.count,
                "every_s": None if each.every_s is None else round(each.every_s, 3),
                "retained": each.retained,
                "kind": str(each.kind),
                "last": sample(each.last),
                "guesses": [_guess_as_json(guess) for guess in each.guesses],
            }
            for each in heard.topics
        ],
        "draft": draft(_found(heard)),
    }


def _guess_as_json(guess: Guess) -> dict[str, Json]:
    return {
        "value": guess.value,
        "pointer": guess.pointer,
        "record": guess.record,
        "measures": None if guess.measures is None else str(guess.measures),
        "unit": guess.unit or None,
        "why": guess.why or None,
    }


def _found(heard: Heard) -> list[Found]:
    """What may be a sensor: all but what a daemon of ours says itself."""
    return [
        Found(each.topic, guess, each.every_s)
        for each in heard.topics
        if not own_topics.is_own(each.topic)
        for guess in each.guesses
    ]
