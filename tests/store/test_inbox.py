"""Readings: each is stored once, under a time of its own, and none is lost on the way to its place."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.events import Keep
from monitor.store.keep import Store
from monitor.store.reader import Reader


def all_readings(store: Store) -> list[tuple[str, int, float]]:
    with Reader(store.folder) as reader:
        return [(r.sensor, r.time_ms, r.value) for r in reader.readings(None)]


def test_a_burst_in_one_millisecond_stays_a_burst(store, say):
    """Readings without a time of their own that come in one millisecond, of equal value even, are different readings."""
    store.commit(say.batch(*[say.keep("brooder/probe", 30.0) for _ in range(5)]))
    assert all_readings(store) == [("brooder/probe", say.dawn_ms + n, 30.0) for n in range(5)]


def test_a_burst_takes_the_next_free_milliseconds_across_batches_moves_and_restarts(tmp_path, say):
    """The free millisecond is looked for in the inbox, in what was moved, and after a restart."""
    with Store.open(tmp_path) as store:
        store.commit(say.batch(say.keep("a/b", 1.0), say.keep("a/b", 2.0)))
        store.commit(say.batch(say.keep("a/b", 3.0)))
        store.tidy(None, move_from=1)
        store.commit(say.batch(say.keep("a/b", 4.0)))
    with Store.open(tmp_path) as store:
        store.commit(say.batch(say.keep("a/b", 5.0)))
        store.tidy(None, move_from=1)
        assert all_readings(store) == [("a/b", say.dawn_ms + n, n + 1.0) for n in range(5)]


def test_a_flood_faster_than_the_clock_is_placed_without_searching(store, say, monkeypatch):
    """Five a millisecond for a second, in batches: all stored in order, and no more than two places looked at for each."""
    looked: list[int] = []
    real = store._inbox._held
    monkeypatch.setattr(store._inbox, "_held", lambda *place: looked.append(1) or real(*place))
    for first in range(0, 5000, 100):
        store.commit(say.batch(*[say.keep("a/b", float(n), n // 5) for n in range(first, first + 100)]))
    assert len(looked) <= 10_000
    assert all_readings(store) == [("a/b", say.dawn_ms + n, float(n)) for n in range(5000)]


def test_a_reading_that_tells_its_time_is_stored_once(store, say):
    """The same sensor, time and value is the same reading, whether it comes again in the batch, later, or after the move."""
    told = say.keep("a/b", 7.25, own_time=True)
    assert store.commit(say.batch(told, told)).same == 1
    assert store.commit(say.batch(told)).readings == 0
    store.tidy(None, move_from=1)
    assert store.commit(say.batch(told)).same == 1
    assert all_readings(store) == [("a/b", say.dawn_ms, 7.25)]


def test_another_value_at_a_told_time_is_another_reading(store, say):
    """A sensor that says two things of one millisecond has said two things; each is known again when it comes again."""
    one, other = say.keep("a/b", 1.0, own_time=True), say.keep("a/b", 2.0, own_time=True)
    store.commit(say.batch(one, other))
    store.commit(say.batch(other, one))
    assert all_readings(store) == [("a/b", say.dawn_ms, 1.0), ("a/b", say.dawn_ms + 1, 2.0)]


def test_what_is_no_number_is_refused_and_the_rest_is_stored(store, say):
    """One bad value never costs a batch."""
    done = store.commit(say.batch(say.keep("a/b", float("nan")), say.keep("a/b", 1.0), say.keep("a/b", float("inf"))))
    assert (done.readings, done.refused) == (1, 2)


def test_readings_before_the_clock_is_trusted_wait_and_then_stand_in_their_place(store, say):
    """Nothing is stored under a wrong day: undated readings wait, then elapsed time and the offset date them."""
    store.commit(
        say.batch(say.keep("a/b", 1.0, None, at=3.0), say.keep("a/b", 2.0, None, at=3.0), say.keep("a/b", 3.0, None, at=4.5))
    )
    with Reader(store.folder) as reader:
        assert list(reader.readings(None)) == []
        assert reader.counts().undated == 3
        assert store.place(1, say.dawn_ms) == 3
        assert reader.counts().undated == 0
    store.tidy(None, move_from=1)
    stood = [("a/b", say.dawn_ms + 3000, 1.0), ("a/b", say.dawn_ms + 3001, 2.0), ("a/b", say.dawn_ms + 4500, 3.0)]
    assert all_readings(store) == stood


def test_placing_one_segment_leaves_another_waiting(store, say):
    """A run whose clock never became known keeps its readings, undated; no later clock is guessed on it."""
    store.commit(say.batch(say.keep("a/b", 1.0, None, at=3.0), segment=1))
    store.commit(say.batch(say.keep("a/b", 2.0, None, at=900.0), segment=2))
    store.place(2, say.dawn_ms)
    assert all_readings(store) == [("a/b", say.dawn_ms + 900_000, 2.0)]
    with Reader(store.folder) as reader:
        assert [(r.segment, r.at, r.value) for r in reader.undated()] == [(1, 3.0, 1.0)]


def test_readings_that_come_undated_after_a_placing_wait_for_the_next(store, say):
    """A clock that was trusted, then not, dates the two stretches each by its own offset."""
    store.commit(say.batch(say.keep("a/b", 1.0, None, at=1.0)))
    store.place(1, say.dawn_ms)
    store.commit(say.batch(say.keep("a/b", 2.0, None, at=2.0)))
    store.tidy(None, move_from=1)
    assert [value for *_, value in all_readings(store)] == [1.0]
    store.place(1, say.dawn_ms + 500)
    assert all_readings(store) == [("a/b", say.dawn_ms + 1000, 1.0), ("a/b", say.dawn_ms + 2500, 2.0)]


def test_a_long_wait_is_dated_in_parts_that_survive_a_restart(tmp_path, say):
    """A month of undated readings is dated by and by; a stop in the middle loses and doubles none."""
    with Store.open(tmp_path) as store:
        store.commit(say.batch(*[say.keep("a/b", float(n), None, at=float(n)) for n in range(12_000)]))
        assert store.place(1, say.dawn_ms) == 5_000
    with Store.open(tmp_path) as store:
        while store.tidy(None, move_from=1, rows=3_000).more:
            pass
        assert [value for *_, value in all_readings(store)] == [float(n) for n in range(12_000)]


def test_an_offset_that_cannot_be_is_refused(store):
    """A placing outside any sensible year is a fault of the caller, told as such."""
    with pytest.raises(ValueError, match="before the year 2100"):
        store.place(1, 9_999_999_999_999)


SENSORS = st.sampled_from(["a/x", "a/y", "b/x"])
KEEPS = st.builds(
    lambda sensor, value, after, own, dated: Keep(sensor, value, after / 1000, 1_777_615_200_000 + after if dated else None, own),
    SENSORS,
    st.integers(0, 3).map(float),
    st.integers(0, 6),
    st.booleans(),
    st.booleans(),
)
STEPS = st.lists(st.one_of(st.lists(KEEPS, max_size=6), st.sampled_from(["tidy", "place", "reopen"])), max_size=12)


@settings(max_examples=30)
@given(steps=STEPS)
def test_whatever_the_order_each_reading_is_stored_exactly_once(tmp_path_factory, say, steps):
    """Batches, moves, placings and restarts in any order: what is stored is what came, without those told twice."""
    folder: Path = tmp_path_factory.mktemp("store")
    store = Store.open(folder)
    stored, came = 0, 0
    for step in steps:
        if step == "tidy":
            store.tidy(None, move_from=1, rows=4)
        elif step == "place":
            store.place(1, say.dawn_ms)
        elif step == "reopen":
            store.close()
            store = Store.open(folder)
        else:
            done = store.commit(say.batch(*step))
            assert done.readings + done.same == len(step)
            came += sum(1 for keep in step if not keep.own_time)
            stored += done.readings
    waiting_own = sum(1 for step in steps if isinstance(step, list) for keep in step if keep.own_time and keep.wall_ms is None)
    with Reader(folder) as reader:
        found = [(r.sensor, r.time_ms) for r in reader.readings(None)]
        counts = reader.counts()
        assert len(set(found)) == len(found) == counts.readings
        # Those that told their own elapsed time may still prove to be doubles when they are dated.
        assert stored - waiting_own <= counts.readings + counts.undated <= stored
        assert counts.readings + counts.undated >= came
        by_rollup = sum(
            b.n for name in reader.sensors() for b in reader.series(name, say.dawn_ms - 3_600_000, say.dawn_ms + 3_600_000, 2)
        )
        assert by_rollup == counts.readings
    store.close()
