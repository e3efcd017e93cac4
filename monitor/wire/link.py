"""One connection to the broker from its acceptance to its end: what is owed to it, and what it still held for us.

Rules of this file: acknowledgements go out in the order in which the messages came (MQTT 5.0
section 4.6), ours and those of others alike. A link is never reused: an id that belongs to an
earlier one can acknowledge nothing on this.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable

from monitor.engine.connections import Delivery


class Link:
    """What one accepted connection owes and is owed. Thread-safe."""

    def __init__(self, number: int, acknowledge: Callable[[int, int], object], mark: bytes | None) -> None:
        """Begin.

        Args:
            number: counts connections from 1.
            acknowledge: sends the acknowledgement of (packet id, QoS).
            mark: the payload we have sent to ourselves; until it comes back, what arrives was held
                for us by the broker. None when it held nothing.
        """
        self.number = number
        self._acknowledge = acknowledge
        self._mark = mark
        self._lock = threading.Lock()
        self._came = 0
        self._sent = 0
        self._ours: deque[tuple[int, Delivery]] = deque()

    @property
    def is_catching_up(self) -> bool:
        """Whether what arrives now was held by the broker while we were away."""
        return self._mark is not None

    @property
    def owed(self) -> int:
        """Messages that came on this link and have not been acknowledged."""
        return self._came - self._sent

    def came(self) -> None:
        """A message that wants an acknowledgement has come in."""
        with self._lock:
            self._came += 1

    def caught_up(self, mark: bytes | None = None) -> bool:
        """Note the end of what the broker held: our mark has come back, or (None) we wait no longer. False for another mark."""
        if mark is not None and mark != self._mark:
            return False
        self._mark = None
        return True

    def settle(self, delivery: Delivery) -> None:
        """Acknowledge a message nobody else will, as soon as those before it have been."""
        with self._lock:
            self._ours.append((self._came, delivery))
            self._send_ours()

    def acknowledge(self, delivery: Delivery) -> bool:
        """Acknowledge a message of this link; False, and nothing sent, when it came on another."""
        if delivery.connection != self.number or delivery.qos == 0:
            return False
        with self._lock:
            self._acknowledge(delivery.packet_id, delivery.qos)
            self._sent += 1
            self._send_ours()
        return True

    def _send_ours(self) -> None:
        while self._ours and self._ours[0][0] <= self._sent + 1:
            _, delivery = self._ours.popleft()
            self._acknowledge(delivery.packet_id, delivery.qos)
            self._sent += 1
