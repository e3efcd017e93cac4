"""A small model of a broker's side of one QoS 1 session (MQTT 5.0, sections 4.3.2 and 4.4) and of what breaks it.

Messages go out in order under packet ids, at most `WINDOW` unacknowledged. After a reconnection the unacknowledged ones
come again under their ids, marked as sent before. A killed broker comes back with the session as last saved, whose messages
it sends as if new, or with none at all.
"""

from __future__ import annotations

import copy
from collections import OrderedDict, deque
from dataclasses import dataclass, field

WINDOW = 200
SAVED_EVERY_S = 1800.0  # mosquitto's autosave_interval


@dataclass(eq=False, slots=True)
class Message:
    """One publication, and what the test knows of it."""

    number: int
    topic: str
    payload: str
    sensor: str = ""  # "" for what is no reading
    value: float = 0.0
    is_lost: bool = False  # died with a broker, or with the session it forgot: nobody can know of it
    went_with_page: bool = False  # newer than the backup that took a damaged store's place, and not read out of it
    is_acknowledged: bool = False
    copies: int = 1  # publications of it, and deliveries that nothing can tell from new ones


@dataclass(slots=True)
class _Kept:
    """One session as the broker holds it."""

    queue: deque[Message] = field(default_factory=deque)
    in_flight: OrderedDict[int, tuple[Message, bool]] = field(default_factory=OrderedDict)  # and whether it was sent before
    next_id: int = 1

    def copied(self) -> _Kept:
        return _Kept(copy.copy(self.queue), copy.copy(self.in_flight), self.next_id)


@dataclass(frozen=True, slots=True)
class Sent:
    packet_id: int
    message: Message
    is_duplicate: bool
    waited: bool  # it was held when the daemon connected: the session's own mark stands behind it in the queue


class SimulatedBroker:
    def __init__(self, keeps_file: bool) -> None:
        self.keeps_file = keeps_file
        self.is_up = True
        self.is_hung = False
        self._session: _Kept | None = None
        self._saved: _Kept | None = None
        self._saved_at = 0.0
        self._to_send: deque[tuple[int, Message, bool]] = deque()
        self._before_mark = 0

    @property
    def takes(self) -> bool:
        return self.is_up and not self.is_hung

    def publish(self, message: Message) -> bool:
        """From a sensor; False when nobody answers it."""
        if not self.takes:
            return False
        if self._session is None:
            message.is_lost = True  # nobody has subscribed
        else:
            self._session.queue.append(message)
        return True

    def pass_time(self, now: float) -> None:
        if self.takes and self.keeps_file and now - self._saved_at >= SAVED_EVERY_S:
            self.save(now)

    def save(self, now: float) -> None:
        """What a killed one comes back with."""
        self._saved, self._saved_at = None if self._session is None else self._session.copied(), now

    def kill(self) -> None:
        held = _everything(self._session)
        self.is_up = False
        kept = self._saved if self.keeps_file else None
        self._session = None if kept is None else kept.copied()
        for message in held.difference(_everything(self._session)):
            message.is_lost = True
        if self._session is not None:
            for packet_id, (message, _) in self._session.in_flight.items():
                self._session.in_flight[packet_id] = (message, False)  # as if new

    def start(self) -> None:
        self.is_up = True

    def connect(self) -> bool:
        """Whether there was a session."""
        was_there = self._session is not None
        self._session = session = self._session or _Kept()
        self._to_send = deque((packet_id, message, before) for packet_id, (message, before) in session.in_flight.items())
        for packet_id, (message, _) in session.in_flight.items():
            session.in_flight[packet_id] = (message, True)
        return was_there

    def mark(self) -> None:
        """The daemon has sent its mark to itself: however many windows what is held now fills, the mark comes back after it."""
        self._before_mark = len(_everything(self._session))

    def next_sent(self) -> Sent | None:
        """The next message on its way to the daemon."""
        session = self._session
        if session is None or not self.takes:
            return None
        if self._to_send:
            return self._sent(*self._to_send.popleft())
        if not session.queue or len(session.in_flight) >= WINDOW:
            return None
        message = session.queue.popleft()
        while session.next_id in session.in_flight:
            session.next_id = session.next_id % 65_535 + 1
        packet_id, session.next_id = session.next_id, session.next_id % 65_535 + 1
        session.in_flight[packet_id] = (message, True)
        return self._sent(packet_id, message, False)

    def _sent(self, packet_id: int, message: Message, is_duplicate: bool) -> Sent:
        waited, self._before_mark = self._before_mark > 0, max(0, self._before_mark - 1)
        return Sent(packet_id, message, is_duplicate, waited)

    def acknowledged(self, packet_id: int) -> Message | None:
        """An acknowledgement has arrived."""
        if self._session is None or not self.takes:
            return None
        held = self._session.in_flight.pop(packet_id, None)
        return None if held is None else held[0]

    @property
    def waiting(self) -> set[Message]:
        """What it has handed to nobody yet."""
        return set() if self._session is None else set(self._session.queue)


def _everything(kept: _Kept | None) -> set[Message]:
    return set() if kept is None else {*kept.queue, *(message for message, _ in kept.in_flight.values())}
