"""Two outboxes as one, on a real store: what was sent while nothing could be written is not sent again."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.daemon.outboxes import MOST_MOVED, BothOutboxes
from monitor.engine.connections import Notice
from monitor.engine.specification import Priority
from monitor.store.keep import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path) as opened:
        yield opened


def notice(number: int) -> Notice:
    return Notice(f"{number}/raised/Nora/0/1", number, "brooder/damp", "raised", "Nora", 0, Priority.URGENT, "t", "b", 1.0, 9e9)


def test_what_memory_sent_is_marked_sent_and_forgotten(store: Store) -> None:
    """Once the store writes again, the row of the late batch must not go out a second time."""
    both = BothOutboxes(lambda: store)
    both.memory.add([notice(1)])
    both.sending(notice(1).key, 2.0)
    both.sent(notice(1).key, 3.0, "accepted")
    store.outbox.add([notice(1)])  # the batch that failed is written after all
    assert list(both.due(4.0)) == []
    both.settle(5.0)
    row = store.outbox.find(notice(1).key)
    assert row is not None
    assert (row.status, row.answer) == ("sent", "accepted")
    assert both.memory.find(notice(1).key) is None
    assert list(both.due(1e9)) == []


def test_a_row_known_only_in_memory_is_kept_with_its_end(store: Store) -> None:
    """A substitute's success is needed after a restart: its person must hear the all clear."""
    both = BothOutboxes(lambda: store)
    both.memory.add([notice(1), notice(2)])
    both.sent(notice(1).key, 3.0, "accepted")
    both.gave_up(notice(2).key, 3.0, "no longer needed")
    both.settle(5.0)
    assert [(r.key, r.status) for s in ("sent", "given up") for r in store.outbox.rows(s)] == [
        (notice(1).key, "sent"),
        (notice(2).key, "given up"),
    ]
    assert [a.result for a in store.outbox.attempts(notice(1).key)] == ["sent"]


def test_a_waiting_row_moves_over_with_its_failed_attempts(store: Store) -> None:
    """The backing off goes on where it was; nothing is tried at once again."""
    both = BothOutboxes(lambda: store)
    both.memory.add([notice(1)])
    both.sending(notice(1).key, 2.0)
    both.failed(notice(1).key, 2.0, "refused", 300.0)
    both.settle(5.0)
    row = store.outbox.find(notice(1).key)
    assert row is not None
    assert (row.status, row.attempts, row.next_try_at, row.answer) == ("waiting", 1, 300.0, "refused")


def test_a_row_on_its_way_stays_until_its_answer_has_come(store: Store) -> None:
    """While a channel has it, the store's copy of it must not be handed out as well."""
    both = BothOutboxes(lambda: store)
    both.memory.add([notice(1)])
    both.sending(notice(1).key, 2.0)
    store.outbox.add([notice(1)])
    both.settle(3.0)
    assert list(both.due(1e9)) == []
    both.sent(notice(1).key, 4.0, "accepted")
    both.settle(5.0)
    row = store.outbox.find(notice(1).key)
    assert row is not None
    assert row.status == "sent"


def test_a_row_that_ended_in_the_store_keeps_its_end(store: Store) -> None:
    """Settling the same key late changes nothing that stands."""
    store.outbox.add([notice(1)])
    store.outbox.sent(notice(1).key, 2.0, "first")
    store.outbox.settled(notice(1), "given up", 3.0, "later")
    row = store.outbox.find(notice(1).key)
    assert row is not None
    assert (row.status, row.answer, row.attempts) == ("sent", "first", 1)


def test_memory_is_empty_after_enough_commits(store: Store) -> None:
    """Days of a failing disk leave no rows behind, and no commit moves more than a bounded number."""
    both = BothOutboxes(lambda: store)
    both.memory.add([notice(number) for number in range(1, 251)])
    for number in range(1, 126):
        both.sent(notice(number).key, 2.0, "accepted")
    rounds = 0
    while both.memory.due(float("inf")) or both.memory.finished():
        both.settle(3.0)
        rounds += 1
        assert rounds <= 250 // MOST_MOVED + 1
    assert (len(store.outbox.rows("sent")), len(store.outbox.rows("waiting"))) == (125, 125)


@pytest.fixture
def stuck(store: Store) -> Iterator[Store]:
    """The same store, which can be read but not written; `free` it to let it write again."""
    store.outbox.add([notice(1), notice(2)])
    store.outbox.sending(notice(2).key, 2.0)
    store._connection.execute("PRAGMA query_only = ON")
    yield store
    free(store)


def free(store: Store) -> None:
    store._connection.execute("PRAGMA query_only = OFF")


def test_a_row_in_a_store_that_cannot_be_written_goes_out_all_the_same(stuck: Store) -> None:
    """The disk fails between the commit of an alarm and its message: the phone must not wait for the disk."""
    both = BothOutboxes(lambda: stuck)
    both.sending(notice(1).key, 3.0)
    assert list(both.due(1e9)) == []
    both.sent(notice(1).key, 4.0, "accepted")
    free(stuck)
    both.settle(5.0)
    row = stuck.outbox.find(notice(1).key)
    assert row is not None
    assert (row.status, row.answer) == ("sent", "accepted")


def test_an_answer_that_cannot_be_written_is_not_forgotten(stuck: Store) -> None:
    """A refusal noted in memory is tried again when due, not at the next start; what is sent is not sent again."""
    both = BothOutboxes(lambda: stuck)
    both.failed(notice(2).key, 3.0, "refused", 10.0)
    assert [row.notice for row in both.due(11.0) if row.attempts] == [notice(2)]
    free(stuck)
    both.settle(12.0)
    row = stuck.outbox.find(notice(2).key)
    assert row is not None
    assert (row.status, row.attempts, row.next_try_at) == ("waiting", 1, 10.0)


def test_a_summary_that_cannot_be_written_is_told_once(stuck: Store) -> None:
    """Late messages of a failing store are folded in memory, and stay folded when it writes again."""
    both = BothOutboxes(lambda: stuck)
    both.fold([notice(1).key], notice(3), 3.0)
    assert [row.notice for row in both.due(1e9)] == [notice(3)]
    free(stuck)
    both.settle(4.0)
    row = stuck.outbox.find(notice(1).key)
    assert row is not None
    assert row.status == "folded"
    assert [row.notice for row in both.due(1e9)] == [notice(3)]


def test_worker_and_writer_never_send_one_row_twice(store: Store) -> None:
    """One thread hands out while the other settles: each row is handed out exactly once."""
    both = BothOutboxes(lambda: store)
    both.memory.add([notice(number) for number in range(1, 121)])
    handed: list[str] = []

    def work() -> None:
        while len(handed) < 120:
            for row in both.due(10.0):
                both.sending(row.notice.key, 2.0)
                handed.append(row.notice.key)
                both.sent(row.notice.key, 2.0, "accepted")

    worker = threading.Thread(target=work, daemon=True)
    worker.start()
    while worker.is_alive():
        both.settle(3.0)
    worker.join(10)
    assert sorted(handed) == sorted(notice(number).key for number in range(1, 121))
