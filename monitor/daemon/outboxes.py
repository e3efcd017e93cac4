"""The lasting outbox and the one in memory as one: people are told even while nothing can be written."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from monitor.engine.connections import Notice
from monitor.notify.outbox import MemoryOutbox, Outbox, Row
from monitor.store.failures import StoreFailing
from monitor.store.keep import Store
from monitor.store.outbox import Outbox as StoredOutbox

MOST_MOVED = 100  # at one commit, so that the writer is not held up


class BothOutboxes:
    """Rows live in the store; while it fails, new ones live in memory, and a row known there is not taken twice.

    A row of the store whose change cannot be written goes on in memory: the phone is not kept waiting for a disk. What
    memory alone knows, a kill forgets: such a row may then go out again.

    A row's change and its moving from one to the other exclude each other: the worker's thread and the writer's
    would otherwise send it twice between them.
    """

    def __init__(self, store: Callable[[], Store | None]) -> None:
        self._store = store
        self._turns = threading.RLock()
        self.memory = MemoryOutbox()

    def _of(self, key: str) -> Outbox:
        lasting = self._lasting()
        return self.memory if lasting is None or self.memory.find(key) is not None else lasting

    def _lasting(self) -> StoredOutbox | None:
        store = self._store()
        return None if store is None else store.outbox

    def due(self, at: float, limit: int = 1_000) -> Sequence[Row]:
        held: list[Row] = list(self.memory.due(at, limit))
        lasting = self._lasting()
        if lasting is not None:
            try:
                held += [row for row in lasting.due(at, limit) if self.memory.find(row.notice.key) is None]
            except StoreFailing:
                if not held:
                    raise
        return held

    def next_due_at(self) -> float | None:
        lasting = self._lasting()
        times = [self.memory.next_due_at(), lasting.next_due_at() if lasting is not None else None]
        return min((at for at in times if at is not None), default=None)

    def interrupted(self) -> Sequence[Row]:
        lasting = self._lasting()
        return lasting.interrupted() if lasting is not None else []

    def find(self, key: str) -> Row | None:
        found: Row | None = self.memory.find(key)
        lasting = self._lasting()
        return found if found is not None or lasting is None else lasting.find(key)

    def add(self, notices: Sequence[Notice]) -> None:
        with self._turns:
            lasting = self._lasting()
            try:
                if lasting is None:
                    self.memory.add(notices)
                else:
                    lasting.add(notices)
            except StoreFailing:
                self.memory.add(notices)

    def sending(self, key: str, at: float) -> None:
        self._change(key, lambda outbox: outbox.sending(key, at))

    def sent(self, key: str, at: float, answer: str) -> None:
        self._change(key, lambda outbox: outbox.sent(key, at, answer))

    def failed(self, key: str, at: float, answer: str, next_try_at: float) -> None:
        self._change(key, lambda outbox: outbox.failed(key, at, answer, next_try_at))

    def gave_up(self, key: str, at: float, answer: str) -> None:
        self._change(key, lambda outbox: outbox.gave_up(key, at, answer))

    def _change(self, key: str, change: Callable[[Outbox], None]) -> None:
        with self._turns:
            outbox = self._of(key)
            try:
                change(outbox)
            except StoreFailing:
                row = outbox.find(key)
                if row is None:
                    raise
                self.memory.take(row)
                change(self.memory)

    def fold(self, keys: Sequence[str], summary: Notice, at: float) -> None:
        with self._turns:
            lasting = self._lasting()
            kept = [] if lasting is None else [key for key in keys if self.memory.find(key) is None]
            if lasting is not None and kept:
                try:
                    lasting.fold(kept, summary, at)
                except StoreFailing:
                    for row in filter(None, map(lasting.find, kept)):
                        self.memory.take(row)
                else:
                    for key in set(keys).difference(kept):
                        self.memory.gave_up(key, at, f"told in {summary.key}")
                    return
            self.memory.fold(keys, summary, at)

    def settle(self, at: float) -> None:
        """The store writes again: what memory holds goes there, with what became of it, and memory forgets it.

        A row on its way to a channel stays in memory until its answer has come.

        Raises:
            StoreFailing: it does not write after all; what has not moved is still in memory.
        """
        with self._turns:
            lasting = self._lasting()
            if lasting is None:
                return
            for row in self.memory.due(float("inf"), limit=MOST_MOVED):
                lasting.add([row.notice])
                stored = lasting.find(row.notice.key)
                if row.attempts and stored is not None and stored.status in ("waiting", "sending"):
                    lasting.failed(row.notice.key, at, row.answer, row.next_try_at)
                self.memory.forget(row.notice.key)
            for row in self.memory.finished()[:MOST_MOVED]:
                lasting.settled(row.notice, row.status, at, row.answer or "while the store failed")
                self.memory.forget(row.notice.key)
