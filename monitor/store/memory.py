"""The last deliveries committed, so that one that comes again is known.

Rules of this file: bounded, in order of committing, in the transaction of the readings. A batch's deliveries
stand packed with its last reading in the inbox, which is written anyway: a page less in every commit. Readings
that were moved stay in the inbox as long as their deliveries are among the last; those of a batch without a
dated reading go into a ring.
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from monitor.engine.connections import Delivery

# A broker hands out packet ids up to 65,535 before one comes again, and has no more than the receive maximum
# (200 as shipped) unacknowledged: ten times that is ample.
REMEMBERED = 2_048

_NUMBER = struct.Struct("<Q")
_ONE = struct.Struct("<HB")
_LARGEST = 2**62  # SQLite's integers end at 2**63


class Remembered(NamedTuple):
    """One delivery; `order` rises."""

    packet_id: int
    digest: bytes
    order: int


class Memory:
    """The writer's side; lives on its connection, inside its transactions."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self.load()

    def load(self) -> None:
        """Read where the numbering stands."""
        rows = self.rows()
        self._last = rows[-1].order if rows else 0

    def rows(self) -> list[Remembered]:
        """The last deliveries, oldest first."""
        return last_rows(self._connection)

    def write(self, deliveries: Sequence[Delivery], seq: int | None) -> None:
        """Remember these, beside the reading with this `seq` when there is one. In a transaction."""
        if not deliveries:
            return
        last = deliveries[-REMEMBERED:]
        rows = [Remembered(d.packet_id, d.digest, n) for n, d in enumerate(last, self._last + len(deliveries) - len(last) + 1)]
        if seq is None:
            _into_ring(self._connection, rows)
        else:
            self._connection.execute("UPDATE inbox SET deliveries = ? WHERE seq = ?", (_pack(rows), seq))

    def accept(self, deliveries: Sequence[Delivery]) -> None:
        """The transaction stands."""
        self._last += len(deliveries)

    def forget(self) -> None:
        """All of them. In a transaction."""
        self._connection.execute("DELETE FROM delivery")
        self._connection.execute("UPDATE inbox SET deliveries = NULL WHERE deliveries IS NOT NULL")


def last_rows(connection: sqlite3.Connection) -> list[Remembered]:
    """The last deliveries in a store, oldest first."""
    ring = [Remembered(*row) for row in connection.execute("SELECT packet_id, digest, number FROM delivery")]
    return the_last(
        ring, [packed for (packed,) in connection.execute("SELECT deliveries FROM inbox WHERE deliveries IS NOT NULL")]
    )


def the_last(ring: Iterable[Remembered], beside: Iterable[bytes]) -> list[Remembered]:
    """The last of those in the ring and of those packed beside readings, oldest first."""
    found = [*ring, *(row for packed in beside for row in _unpack(packed))]
    found.sort(key=lambda row: row.order)
    return found[-REMEMBERED:]


def take_in(connection: sqlite3.Connection, rows: Sequence[Remembered]) -> None:
    """What another store remembered, newer than what is here. In a transaction; load anew after it."""
    _into_ring(connection, rows)


def first_needed(connection: sqlite3.Connection) -> int | None:
    """`seq` of the first reading in the inbox whose deliveries are among the last; None when none are."""
    count, first = 0, None
    for seq, packed in connection.execute("SELECT seq, deliveries FROM inbox WHERE deliveries IS NOT NULL ORDER BY seq DESC"):
        if count >= REMEMBERED:
            break
        count, first = count + _count(packed), seq
    return first


def keep(connection: sqlite3.Connection, upto_seq: int) -> None:
    """Before these readings leave the inbox: what stands with them goes into the ring. In a transaction."""
    asked = "SELECT deliveries FROM inbox WHERE seq <= ? AND deliveries IS NOT NULL ORDER BY seq"
    rows = [row for (packed,) in connection.execute(asked, (upto_seq,)) for row in _unpack(packed)]
    _into_ring(connection, rows[-REMEMBERED:])


def _into_ring(connection: sqlite3.Connection, rows: Sequence[Remembered]) -> None:
    connection.executemany(
        "INSERT OR REPLACE INTO delivery (slot, number, packet_id, digest) VALUES (?, ?, ?, ?)",
        [(row.order % REMEMBERED, row.order, row.packet_id, row.digest) for row in rows],
    )


def _pack(rows: Sequence[Remembered]) -> bytes:
    return _NUMBER.pack(rows[0].order) + b"".join(_ONE.pack(row.packet_id, len(row.digest)) + row.digest for row in rows)


def _count(packed: bytes) -> int:
    """How many are in it, without taking them out."""
    place, count = _NUMBER.size, 0
    while place + _ONE.size <= len(packed):
        place += _ONE.size + _ONE.unpack_from(packed, place)[1]
        count += 1
    return count


def _unpack(packed: bytes) -> list[Remembered]:
    """What was packed; nothing where a spoilt page left noise in its place: a repeat stored twice costs less than the store."""
    if len(packed) < _NUMBER.size:
        return []
    (number,) = _NUMBER.unpack_from(packed)
    place, found = _NUMBER.size, []
    while place < len(packed):
        if place + _ONE.size > len(packed):
            return []
        packet_id, length = _ONE.unpack_from(packed, place)
        place += _ONE.size
        if place + length > len(packed) or number > _LARGEST:
            return []
        found.append(Remembered(packet_id, packed[place : place + length], number))
        place += length
        number += 1
    return found
