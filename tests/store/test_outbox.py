"""Notices: written once however often the alarm is judged, and never lost or handed over unrecorded."""

from __future__ import annotations

import threading

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.specification import Priority
from monitor.store import outbox
from monitor.store.keep import Store


def test_the_same_key_is_one_notice(store, say):
    """An alarm judged again after a restart does not tell anybody twice."""
    store.commit(say.batch(notices=[say.notice("k"), say.notice("k", title="again")]))
    store.outbox.sending("k", 5.0)
    store.outbox.sent("k", 5.1, "202")
    store.commit(say.batch(notices=[say.notice("k", title="and again")]))
    assert store.outbox.due(100.0) == []
    row = store.outbox.find("k")
    assert (row.status, row.notice.title, row.answer) == ("sent", "Brooder 70 °F", "202")


def test_urgent_ones_come_first_then_the_longest_due(store, say):
    """A hundred reports never stand before the call that wakes."""
    notices = [say.notice(f"low {n}", priority=Priority.LOW, due_at=0.0) for n in range(100)]
    store.commit(say.batch(notices=[*notices, say.notice("second", due_at=4.0), say.notice("first", due_at=3.0)]))
    assert [row.key for row in store.outbox.due(5.0, 3)] == ["first", "second", "low 0"]
    assert store.outbox.due(-1.0) == []
    assert store.outbox.next_due_at() == 0.0


def test_a_failed_attempt_waits_and_each_is_on_record(store, say):
    """The record shows every try by channel, and what the provider said."""
    store.commit(say.batch(notices=[say.notice("k")]))
    store.outbox.sending("k", 5.0)
    assert store.outbox.due(6.0) == []
    store.outbox.failed("k", 6.0, "timed out", next_try_at=20.0)
    assert store.outbox.due(19.0) == []
    (row,) = store.outbox.due(20.0)
    assert (row.status, row.attempts, row.answer) == ("waiting", 1, "timed out")
    store.outbox.sending("k", 20.0)
    store.outbox.gave_up("k", 21.0, "no such number")
    assert [(a.at, a.result, a.answer) for a in store.outbox.attempts("k")] == [
        (6.0, "failed", "timed out"),
        (21.0, "given up", "no such number"),
    ]
    assert store.outbox.next_due_at() is None


def test_what_was_being_sent_at_a_kill_is_known_at_the_start(tmp_path, say):
    """`sending` is on the disk before anything leaves, so that after a kill the doubtful ones are known."""
    with Store.open(tmp_path) as store:
        store.commit(say.batch(notices=[say.notice("sure"), say.notice("doubtful")]))
        store.outbox.sending("doubtful", 5.0)
    with Store.open(tmp_path) as store:
        assert [row.key for row in store.outbox.interrupted()] == ["doubtful"]
        assert [row.key for row in store.outbox.due(5.0)] == ["sure"]


def test_stale_ones_are_folded_into_one_summary(store, say):
    """After days without a network the phone gets one message, not a hundred."""
    store.commit(say.batch(notices=[say.notice(f"n{n}") for n in range(5)]))
    store.outbox.sending("n0", 9.0)
    store.outbox.fold([f"n{n}" for n in range(5)], say.notice("summary", due_at=10.0), 10.0)
    assert [row.key for row in store.outbox.due(10.0)] == ["summary"]
    assert {row.key: row.answer for row in store.outbox.rows("folded")} == {f"n{n}": "told in summary" for n in range(1, 5)}
    assert [row.key for row in store.outbox.interrupted()] == ["n0"]


def test_finished_notices_are_bounded_and_waiting_ones_kept(store, say):
    """Years of notices do not fill the card; one that still waits is never dropped."""
    store.commit(say.batch(notices=[say.notice(f"n{n}") for n in range(60)]))
    for n in range(1, 60):
        store.outbox.sent(f"n{n}", 6.0, "")
    outbox.tidy(store._connection, keep=10)
    assert len(store.outbox.rows("sent")) == 10
    assert [row.key for row in store.outbox.rows("waiting")] == ["n0"]


def test_the_worker_and_the_writer_take_turns(store, say):
    """The worker's thread and the committing thread use one connection without disturbing each other."""
    store.commit(say.batch(notices=[say.notice(f"n{n}", due_at=0.0) for n in range(100)]))
    failures: list[BaseException] = []

    def work() -> None:
        try:
            for row in store.outbox.due(1.0, 100):
                store.outbox.sending(row.key, 1.0)
                store.outbox.sent(row.key, 1.0, "ok")
        except BaseException as error:  # told below, in the test's own thread
            failures.append(error)

    worker = threading.Thread(target=work)
    worker.start()
    for n in range(200):
        store.commit(say.batch(say.keep("a/b", float(n), n)))
    worker.join(30)
    assert failures == []
    assert len(store.outbox.rows("sent")) == 100
    assert store._inbox.unmoved == 200


ACTS = st.lists(
    st.tuples(st.sampled_from(["add", "sending", "sent", "failed", "gave up", "reopen"]), st.integers(0, 3)), max_size=25
)


@settings(max_examples=25)
@given(acts=ACTS)
def test_no_order_of_acts_brings_a_finished_notice_back(tmp_path_factory, say, acts):
    """Whatever the worker does and however often the key is written, what was sent or given up is never due again."""
    folder = tmp_path_factory.mktemp("store")
    store = Store.open(folder)
    finished: set[str] = set()
    for act, n in acts:
        key = f"n{n}"
        if act == "reopen":
            store.close()
            store = Store.open(folder)
        elif act == "add":
            store.commit(say.batch(notices=[say.notice(key)]))
        elif store.outbox.find(key) is not None and key not in finished:
            if act == "sending":
                store.outbox.sending(key, 5.0)
            elif act == "failed":
                store.outbox.failed(key, 5.0, "", 5.0)
            elif act == "sent":
                store.outbox.sent(key, 5.0, "")
                finished.add(key)
            else:
                store.outbox.gave_up(key, 5.0, "")
                finished.add(key)
        assert not finished & {row.key for row in store.outbox.due(1e9)}
    store.close()
