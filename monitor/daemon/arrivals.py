"""What comes in from the broker: known again when it comes twice, read, and handed to the judging.

A run that begins without its store (a disk that is ready late) does not know what the last run had stored and not yet
acknowledged: such messages come again, are judged and gathered like new ones. Once the store is there, what it remembers says
which they were, and their readings are taken back before the first commit.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.daemon.core import Core
from monitor.engine.connections import Delivery
from monitor.engine.events import Keep, Unreadable
from monitor.store.keep import Store
from monitor.wire.other_sites import OtherSites
from monitor.wire.payloads import PayloadReader
from monitor.wire.redelivery import Remembered, Row
from monitor.wire.session import Arrival

log = logging.getLogger(__name__)

MOST_COMPLAINTS = 500
MOST_PERHAPS = 2_000  # a broker sends again first, and at most what it had unacknowledged: its receive maximum, 200 as shipped


@dataclass(frozen=True, slots=True)
class _Perhaps:
    """The first message under a packet id in a run whose store is not open yet."""

    delivery: Delivery
    duplicate: bool
    waited: bool
    keeps: Sequence[Keep]


class Arrivals:
    """Called on the network thread; `store_found` on the writer's."""

    def __init__(self, payloads: PayloadReader, core: Core, store: Store | None, other_sites: OtherSites | None) -> None:
        self._payloads = payloads
        self._core = core
        self._other_sites = other_sites
        self._remembered = Remembered.load([] if store is None else _rows(store))
        self._perhaps: dict[int, _Perhaps] | None = {} if store is None else None  # by packet id
        self._has_lost_session = False
        self._complained: set[tuple[str, str]] = set()
        self._lock = threading.Lock()

    def take(self, arrival: Arrival) -> None:
        """One message, as the session gives it."""
        with self._lock:
            delivery = arrival.delivery
            if delivery is not None:
                if self._remembered.already_stored(delivery, arrival.duplicate, arrival.waited):
                    self._core.arrived((), delivery)
                    return
                self._remembered.note(delivery)
            keeps = self._judge(arrival)
            if delivery is not None:
                self._note_perhaps(_Perhaps(delivery, arrival.duplicate, arrival.waited, tuple(keeps)))

    def _note_perhaps(self, one: _Perhaps) -> None:
        perhaps = self._perhaps
        if perhaps is not None and len(perhaps) < MOST_PERHAPS and not self._has_lost_session:
            perhaps.setdefault(one.delivery.packet_id, one)

    def _judge(self, arrival: Arrival) -> Sequence[Keep]:
        at, wall_ms = self._core.now()
        if self._other_sites is not None and self._other_sites.hear(arrival.topic, arrival.payload, arrival.retained, at):
            return self._core.arrived((), arrival.delivery)
        events = self._payloads.read(arrival.topic, arrival.payload, arrival.retained, at, wall_ms)
        for event in events:
            if isinstance(event, Unreadable):
                self._complain(event)
        return self._core.arrived(events, arrival.delivery)

    def _complain(self, event: Unreadable) -> None:
        """Once per topic and cause, and not for ever: the counts are on the API."""
        known = (event.topic, event.cause)
        if known in self._complained or len(self._complained) > MOST_COMPLAINTS:
            return
        self._complained.add(known)
        log.warning("%r on topic %r is no reading: %s", event.sample, event.topic, event.cause)

    def session_found(self, present: bool) -> None:
        """A connection begins; without a session the broker has nothing to send again."""
        if present:
            return
        with self._lock:
            self._remembered.clear()
            self._has_lost_session = True
            self._core.forget_deliveries()

    def store_found(self, store: Store) -> None:
        """The store that could not be opened at the start now is; nothing of this run has been committed yet.

        Raises:
            StoreFailing: it cannot say what it remembers; call again.
        """
        if self._perhaps is None:
            return
        rows = _rows(store)
        with self._lock:
            earlier = Remembered.load(rows)
            again = [one for one in self._perhaps.values() if earlier.already_stored(one.delivery, one.duplicate, one.waited)]
            self._core.take_back([keep for one in again for keep in one.keeps])
            if not self._has_lost_session:
                self._remembered.put_under(rows)
            self._perhaps = None
        if again:
            log.info("%d of the messages that came before the store was open had been stored already", len(again))


def _rows(store: Store) -> list[Row]:
    return [(row.packet_id, row.digest, row.order) for row in store.remembered()]
