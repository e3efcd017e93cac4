"""Which messages have already been taken: so that one that comes again is stored once.

A broker sends a QoS 1 message again, under the same packet id, when the connection broke before
it got our acknowledgement. By then the reading may be in the store (killed between commit and
acknowledgement) or in the batch that waits for its commit (the network broke). What we remember
is, for each packet id, the topic and payload of the last message we took under it.

Rules of this file, each the answer to a trap:

* Within one connection nothing is ever a repeat: a broker may not send again on the same
  connection (MQTT 5.0 section 4.4), so two equal readings in a row are two readings.
* A packet id is free for another message only after our acknowledgement, so the *last* message
  under an id is the only one that can come again. Older ones are forgotten at once.
* The payload must be the same: ids start anew after 65,535, and after a broker's crash.
* A repeat is remembered further, under the new connection, for it can come yet again.
* Without the mark "duplicate" a message counts as a repeat only if the broker held it for us when
  we connected (`waited`): a broker that crashed and read an old file sends acknowledged messages
  again as if new, in its first burst. Later on, an equal value under a used id is a new reading.
* A broker that lost the session has nothing to send again, and counts ids from 1: forget all.

What remains: a message unlike any other that the broker held while we were away, published by
chance with the id, topic and payload of one already stored, is taken for that one. It would have
been stored a second time with the same value.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from monitor.engine.connections import Delivery

# (packet_id, digest, order): one row of the store's table, packet_id its key.
Row = tuple[int, bytes, int]


@dataclass(slots=True)
class _Taken:
    digest: bytes
    order: int
    connection: int  # 0 for one of an earlier run


class Remembered:
    """What has been taken under each packet id. Not thread-safe: used where the messages come in."""

    def __init__(self, capacity: int = 2000) -> None:
        """Begin with nothing.

        Args:
            capacity: how many packet ids to remember, at least as many as can be unacknowledged
                at a time; four times the receive maximum leaves room.
        """
        if capacity < 1:
            raise ValueError(f"capacity is {capacity}, expected 1 or more")
        self._capacity = capacity
        self._taken: dict[int, _Taken] = {}  # in the order of taking
        self._next_order = 1

    @classmethod
    def load(cls, rows: Iterable[Row], capacity: int = 2000) -> Remembered:
        """What an earlier run saved; all of it belongs to earlier connections."""
        remembered = cls(capacity)
        for packet_id, digest, order in sorted(rows, key=lambda row: row[2]):
            remembered._taken[packet_id] = _Taken(digest, order, connection=0)
            remembered._next_order = max(remembered._next_order, order + 1)
        remembered._shrink()
        return remembered

    def put_under(self, rows: Iterable[Row]) -> None:
        """What an earlier run saved, learnt late: it counts as older than all that has been taken here."""
        late = Remembered.load(rows, self._capacity)
        for packet_id, entry in self._taken.items():
            late._taken.pop(packet_id, None)
            entry.order, late._next_order = late._next_order, late._next_order + 1
            late._taken[packet_id] = entry
        self._taken, self._next_order = late._taken, late._next_order
        self._shrink()

    def __len__(self) -> int:
        return len(self._taken)

    @property
    def oldest_order(self) -> int:
        """Rows below this order are no longer needed; the store may drop them."""
        first = next(iter(self._taken.values()), None)
        return self._next_order if first is None else first.order

    def note(self, delivery: Delivery) -> Row:
        """Remember that this message has been taken into the batch.

        Call it when the message comes in, not when it is committed: the connection may break in
        between, and the repeat must find it. Save the row in the transaction that stores the
        reading (replacing the row of the same packet id), and acknowledge only after that.
        """
        self._taken.pop(delivery.packet_id, None)  # so that it moves to the end
        entry = _Taken(delivery.digest, self._next_order, delivery.connection)
        self._next_order += 1
        self._taken[delivery.packet_id] = entry
        self._shrink()
        return (delivery.packet_id, entry.digest, entry.order)

    def already_stored(self, delivery: Delivery, duplicate: bool = True, waited: bool = True) -> bool:
        """Whether this message is a repeat of one already taken: store nothing, acknowledge it with the next batch.

        Args:
            delivery: as the session gave it.
            duplicate: the broker marked it as sent before.
            waited: the broker held it when we connected.

        "Taken" is stored, or in a batch that will be: batches commit in order, so an
        acknowledgement that goes with the next batch comes after both.
        """
        entry = self._taken.get(delivery.packet_id)
        if entry is None or entry.connection >= delivery.connection or entry.digest != delivery.digest:
            return False
        if not (duplicate or waited):
            return False
        entry.connection = delivery.connection
        return True

    def forget(self, deliveries: Iterable[Delivery]) -> None:
        """These were given up, not stored: when they come again they are new."""
        for delivery in deliveries:
            entry = self._taken.get(delivery.packet_id)
            if entry is not None and entry.digest == delivery.digest:
                del self._taken[delivery.packet_id]

    def clear(self) -> None:
        """The broker has lost our session: whatever comes now is new."""
        self._taken.clear()

    def _shrink(self) -> None:
        while len(self._taken) > self._capacity:
            del self._taken[next(iter(self._taken))]
