"""One batch is one transaction: all of it is there after a restart, or none of it, and never twice."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from monitor.engine.events import JournalEntry
from monitor.store.failures import StoreFailing, StoreHeld, StoreMissing
from monitor.store.keep import Store
from monitor.store.memory import REMEMBERED
from monitor.store.reader import Reader


def test_what_belongs_together_is_there_together_after_a_restart(tmp_path, say):
    """Readings, deliveries, decisions, journal, notices and state of one batch come back as they went in."""
    entry = JournalEntry(2.0, say.dawn_ms, "brooder", "litter changed", "keeper", None, None, "two bales, dry")
    batch = say.batch(
        say.keep("brooder/probe", 21.5),
        deliveries=(say.delivery(7, b"\x00\xffdigest"),),
        decisions=(say.fan("brooder", True), say.alarm("brooder/birds_cold", "unacknowledged")),
        journal=(entry,),
        notices=(say.notice("7/raised/keeper/0"),),
        state='{"pens": {"brooder": "°"}}',
        at=12.25,
        at_once=True,
    )
    with Store.open(tmp_path) as store:
        store.commit(batch)
    with Store.open(tmp_path) as store, Reader(tmp_path) as reader:
        saved = store.load()
        assert saved is not None
        assert (saved.state, saved.at, saved.segment, saved.boot_id, saved.clean) == (batch.state, 12.25, 1, "boot", False)
        assert [(r.packet_id, r.digest) for r in store.remembered()] == [(7, b"\x00\xffdigest")]
        assert [row.notice for row in store.outbox.due(5.0)] == list(batch.notices)
        assert reader.journal() == [entry]
        latest = reader.latest("brooder/probe")
        assert latest is not None
        assert (latest.time_ms, latest.value) == (say.dawn_ms, 21.5)
        fan, alarm = reader.decisions()
        assert (fan.kind, fan.what, fan.state, fan.reason, fan.evidence) == (
            "fan",
            "fan",
            "running",
            "damp",
            {"value": 81.5, "limit": 75.0},
        )
        assert (alarm.kind, alarm.what, alarm.state, alarm.priority) == ("alarm", "birds_cold", "unacknowledged", "urgent")


def test_a_batch_without_state_leaves_the_stored_one(store, say):
    """Only time goes on when the engine's state has not changed."""
    store.commit(say.batch(state="{}", at=1.0))
    store.commit(say.batch(at=2.0))
    saved = store.load()
    assert saved is not None
    assert (saved.state, saved.at) == ("{}", 2.0)


def test_the_clean_mark_is_gone_with_the_next_commit(store, say):
    """After a kill the mark cannot say that the stop was in good order."""
    store.commit(say.batch())
    store.mark_clean()
    assert store.load().clean
    store.commit(say.batch())
    assert not store.load().clean


def test_a_resent_command_is_no_decision(store, say):
    """Only changes are kept, not the repeats of a standing command."""
    assert store.commit(say.batch(decisions=(say.fan("a", True), say.fan("a", True, again=True)))).decisions == 1


def test_the_last_deliveries_are_remembered_in_order_and_no_more(store, say):
    """The memory of deliveries is a ring: bounded, oldest first out, and emptied on request."""
    for first in range(0, REMEMBERED + 500, 250):
        store.commit(say.batch(deliveries=[say.delivery(n % 65_535 + 1) for n in range(first, first + 250)]))
    rows = store.remembered()
    last = REMEMBERED + 500
    assert [row.packet_id for row in rows] == [
        n % 65_535 + 1 for n in range(last - last % 250 + 250 - REMEMBERED, last - last % 250 + 250)
    ]
    assert [row.order for row in rows] == sorted(row.order for row in rows)
    store.forget_deliveries()
    assert store.remembered() == []


def test_a_second_writer_is_refused_by_name(store):
    """Two daemons on one store: the second one says who has it and what to do."""
    with pytest.raises(StoreHeld, match=r"in use by process \d+\. .*stop that one first") as told:
        Store.open(store.folder)
    assert told.value.pid is not None


def test_the_folder_is_free_after_closing(tmp_path):
    """Closing gives the folder back, and closing twice does no harm."""
    store = Store.open(tmp_path)
    store.close()
    store.close()
    Store.open(tmp_path).close()


class FailingOnce:
    """Stands between store and SQLite, and reports a failure at COMMIT: before it took effect, or after."""

    def __init__(self, connection: sqlite3.Connection, after: bool) -> None:
        self._connection = connection
        self._after = after
        self._armed = True

    def __getattr__(self, name):
        return getattr(self._connection, name)

    def execute(self, statement, *rest):
        if statement == "COMMIT" and self._armed:
            self._armed = False
            if self._after:
                self._connection.execute(statement)
            raise sqlite3.OperationalError("disk I/O error")
        return self._connection.execute(statement, *rest)


@pytest.mark.parametrize("after", [False, True])
def test_a_batch_tried_again_after_a_failure_is_stored_once(tmp_path, say, after):
    """Whether the failed commit had reached the log or not, trying the same batch again stores it exactly once."""
    with Store.open(tmp_path) as store:
        store.commit(say.batch(say.keep("a/b", 1.0)))
        store._connection = FailingOnce(store._connection, after)
        batch = say.batch(say.keep("a/b", 2.0), decisions=(say.fan("a", True),), deliveries=(say.delivery(3),))
        with pytest.raises(StoreFailing, match="disk I/O error"):
            store.commit(batch)
        assert store.commit(batch).readings == 1
        store.commit(say.batch(say.keep("a/b", 3.0), deliveries=(say.delivery(4),)))
        with Reader(tmp_path) as reader:
            assert [r.value for r in reader.readings(None)] == [1.0, 2.0, 3.0]
            assert len(reader.decisions()) == 1
        assert [row.packet_id for row in store.remembered()] == [3, 4]


def test_a_failed_batch_leaves_nothing_behind(tmp_path, say):
    """A failure in the middle of a batch takes back the part that was written."""
    with Store.open(tmp_path) as store:
        spoilt = say.batch(say.keep("a/b", 1.0), journal=(JournalEntry(1.0, None, "a", None),))  # type: ignore[arg-type]  # wrong on purpose
        with pytest.raises(StoreFailing, match="NOT NULL"):
            store.commit(spoilt)
        store.commit(say.batch(say.keep("a/b", 5.0)))
        with Reader(tmp_path) as reader:
            assert [(r.time_ms, r.value) for r in reader.readings(None)] == [(say.dawn_ms, 5.0)]


def test_raw_readings_go_by_age_and_their_rollups_stay(tmp_path, say):
    """Old raw readings are dropped, a day an hour at most; a question about that time is answered from roll-ups."""
    day = 86_400_000
    with Store.open(tmp_path, raw_days=2) as store, Reader(tmp_path) as reader:
        store.commit(say.batch(*[say.keep("a/b", float(d), d * day) for d in range(5)]))
        store.tidy(None, move_from=1)
        assert reader.counts().readings == 5  # without a trusted time nothing is dropped
        assert store.tidy(say.dawn_ms + 4 * day, move_from=1).dropped == 1
        assert store.tidy(say.dawn_ms + 4 * day, move_from=1).dropped == 0  # a day of them waits for the next move
        store.commit(say.batch(say.keep("c/d", 7.0, 4 * day)))
        assert store.tidy(say.dawn_ms + 4 * day, move_from=2).dropped == 0
        done = store.tidy(say.dawn_ms + 4 * day, move_from=1)
        assert (done.moved, done.dropped) == (1, 1)
        assert [r.value for r in reader.readings("a/b")] == [2.0, 3.0, 4.0]
        assert reader.counts().readings == 4
        assert [b.mean for b in reader.series("a/b", say.dawn_ms, say.dawn_ms + 5 * day, 5)] == [0.0, 1.0, 2.0, 3.0, 4.0]
        fine = reader.series("a/b", say.dawn_ms, say.dawn_ms + 60_000, 500)
        assert [b.mean for b in fine] == [0.0]


def test_ahead_of_a_backup_every_arrival_goes_to_its_place(tmp_path, say):
    """Many more than one call moves: afterwards none waits, each is there once, and the log is in the file."""
    with Store.open(tmp_path) as store, Reader(tmp_path) as reader:
        for start in range(0, 45_000, 9_000):
            store.commit(say.batch(*[say.keep("a/b", float(n), n * 1000) for n in range(start, start + 9_000)]))
        store.move_all(say.dawn_ms + 86_400_000)
        assert store.commit(say.batch(say.keep("a/b", 1.0, 45_000_000))).unmoved == 1
        assert reader.counts().readings == 45_001
        assert [r.value for r in reader.readings("a/b")] == [*map(float, range(45_000)), 1.0]


def test_a_clock_years_ahead_costs_a_day_not_everything(tmp_path, say):
    """Even a trusted clock may be wrong: one call drops one day of raw readings at most."""
    day = 86_400_000
    with Store.open(tmp_path, raw_days=10) as store:
        store.commit(say.batch(*[say.keep("a/b", 1.0, d * day) for d in range(30)]))
        store.tidy(None, move_from=1)
        assert store.tidy(say.dawn_ms + 4000 * day, move_from=1).dropped <= 2


def test_a_spoilt_rollup_is_found_and_mended(tmp_path, say):
    """Roll-ups are compared with the raw readings and rewritten where they differ."""
    with Store.open(tmp_path) as store, Reader(tmp_path) as reader:
        store.commit(say.batch(*[say.keep("a/b", float(n), n * 60_000) for n in range(120)]))
        store.tidy(None, move_from=1)
        span = (say.dawn_ms, say.dawn_ms + 7_200_000)
        before = reader.series("a/b", *span, 12)
        assert store.mend_rollups(*span) == 0
        store._connection.execute("UPDATE ten_minutes SET high = 999 WHERE time_ms = ?", (say.dawn_ms,))
        store._connection.execute("DELETE FROM hour WHERE time_ms = ?", (say.dawn_ms + 3_600_000,))
        assert store.mend_rollups(*span) == 2
        assert reader.series("a/b", *span, 12) == before


def test_the_reader_says_when_there_is_no_store(tmp_path: Path):
    """A wrong folder is told as such."""
    with Reader(tmp_path / "elsewhere") as reader, pytest.raises(StoreMissing, match=r"There is no store in .*elsewhere"):
        reader.counts()
