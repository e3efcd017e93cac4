"""What the page and the commands ask: the same figures from raw readings, roll-ups and the inbox."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.events import JournalEntry
from monitor.store.keep import Store
from monitor.store.reader import Reader

HOUR = 3_600_000


def test_a_day_is_drawn_from_raw_readings_a_week_from_ten_minutes_a_season_from_hours(store, say):
    """At most the points asked for, whole roll-ups each, and no reading left out."""
    store.commit(say.batch(*[say.keep("a/b", float(n % 7), n * 300_000) for n in range(30 * 288)]))
    while store.tidy(None, move_from=1).more:
        pass
    with Reader(store.folder) as reader:
        for days, points in ((1, 288), (7, 500), (30, 500), (30, 7)):
            found = reader.series("a/b", say.dawn_ms, say.dawn_ms + days * 24 * HOUR, points)
            assert len(found) <= points
            assert sum(bucket.n for bucket in found) == days * 288
            assert min(b.low for b in found) == 0.0
            assert max(b.high for b in found) == 6.0


def test_readings_that_have_just_come_are_in_every_answer(store, say):
    """Roll-ups are never behind: what is still in the inbox is folded in."""
    store.commit(say.batch(say.keep("a/b", 1.0)))
    store.tidy(None, move_from=1)
    store.commit(say.batch(say.keep("a/b", 3.0, 1000)))
    with Reader(store.folder) as reader:
        (bucket,) = reader.series("a/b", say.dawn_ms, say.dawn_ms + 24 * HOUR, 1)
        assert (bucket.n, bucket.low, bucket.mean, bucket.high) == (2, 1.0, 2.0, 3.0)
        assert reader.latest("a/b").value == 3.0


def test_unknown_sensors_have_no_readings(store):
    """A sensor that was never heard is no error; an impossible span is."""
    with Reader(store.folder) as reader:
        assert reader.latest("a/b") is None
        assert reader.series("a/b", 0, 1000, 5) == []
        with pytest.raises(ValueError, match="longer than 0"):
            reader.series("a/b", 1000, 1000, 5)


@settings(max_examples=30)
@given(
    values=st.lists(st.tuples(st.integers(0, 6 * HOUR), st.floats(-40, 60)), max_size=40, unique_by=lambda pair: pair[0]),
    start=st.integers(0, 5 * HOUR),
    span=st.integers(1, 6 * HOUR),
    points=st.integers(1, 40),
    moved=st.integers(0, 40),
)
def test_any_span_in_any_number_of_points_agrees_with_the_readings(tmp_path_factory, say, values, start, span, points, moved):
    """Count, low, mean and high of every stretch are those of the readings in it, moved or just arrived."""
    with Store.open(tmp_path_factory.mktemp("store")) as store, Reader(store.folder) as reader:
        store.commit(say.batch(*[say.keep("a/b", value, after) for after, value in values[:moved]]))
        store.tidy(None, move_from=1)
        store.commit(say.batch(*[say.keep("a/b", value, after) for after, value in values[moved:]]))
        found = reader.series("a/b", say.dawn_ms + start, say.dawn_ms + start + span, points)
        base = HOUR if span / points >= HOUR else 600_000 if span / points >= 600_000 else 1
        first, last = start // base * base, -(-(start + span) // base) * base
        # Counts, lows and highs of the stretches together are those of all readings in whole roll-ups of the span.
        covered = sorted((after, value) for after, value in values if first <= after < last)
        assert sum(bucket.n for bucket in found) == len(covered)
        for bucket in found:
            inside = [covered.pop(0)[1] for _ in range(bucket.n)]
            assert (bucket.low, bucket.high) == (min(inside), max(inside))
            assert math.isclose(bucket.mean, sum(inside) / len(inside), rel_tol=1e-9, abs_tol=1e-9)
        assert len(found) <= points


def test_readings_come_in_order_of_time_across_sensors_and_long_gaps(store, say):
    """Years without a reading cost nothing, and two sensors are merged by time, for rehearsal reads them so."""
    year = 365 * 24 * HOUR
    store.commit(say.batch(*[say.keep(f"a/{n % 3}", float(n), n * HOUR + n // 10 * year // 4) for n in range(40)]))
    store.tidy(None, move_from=1, rows=25)
    with Reader(store.folder) as reader:
        assert [r.value for r in reader.readings(None)] == [float(n) for n in range(40)]
        assert [r.value for r in reader.readings("a/1")] == [float(n) for n in range(1, 40, 3)]
        assert [r.value for r in reader.readings(None, say.dawn_ms + HOUR, say.dawn_ms + 3 * HOUR)] == [1.0, 2.0]


def test_fan_hours_count_from_and_to_the_ends_of_the_span(store, say):
    """A run that began before the span counts from its start, one that goes on counts to its end."""
    minute = 60_000
    store.commit(say.batch(decisions=[say.fan("a", n % 2 == 0, n * 10 * minute) for n in range(5)] + [say.fan("b", True, 0)]))
    with Reader(store.folder) as reader:
        assert reader.fan_seconds("a", say.dawn_ms, say.dawn_ms + 60 * minute) == (10 + 10 + 20) * 60
        assert reader.fan_seconds("a", say.dawn_ms + 5 * minute, say.dawn_ms + 25 * minute) == (5 + 5) * 60
        assert reader.fan_seconds("a", say.dawn_ms + 45 * minute, say.dawn_ms + 50 * minute) == 5 * 60
        assert reader.fan_seconds("a", say.dawn_ms - 50 * minute, say.dawn_ms) == 0
        assert reader.fan_seconds("nowhere", say.dawn_ms, say.dawn_ms + minute) == 0


def test_decisions_are_asked_by_pen_kind_and_time(store, say):
    """The site's own alarms stand under the empty pen; the newest are kept when there are too many."""
    store.commit(
        say.batch(
            decisions=[
                say.fan("a", True, 0),
                say.alarm("a/damp", "unacknowledged", after_ms=1000),
                say.fan("b", True, 2000),
                say.alarm("/broker_lost", "unacknowledged", after_ms=3000),
                say.alarm("/broker_lost", "returned", after_ms=4000),
            ]
        )
    )
    with Reader(store.folder) as reader:
        assert [d.pen for d in reader.decisions()] == ["a", "a", "b", "", ""]
        assert [d.what for d in reader.decisions("a")] == ["fan", "damp"]
        assert [d.state for d in reader.decisions("")] == ["unacknowledged", "returned"]
        assert [d.pen for d in reader.decisions(kinds=("fan",))] == ["a", "b"]
        assert [d.time_ms - say.dawn_ms for d in reader.decisions(None, say.dawn_ms + 1000, say.dawn_ms + 3000)] == [1000, 2000]
        assert [d.state for d in reader.decisions(limit=1)] == ["returned"]
        assert [d.state for d in reader.alarm_history("/broker_lost")] == ["unacknowledged", "returned"]
        assert len(reader.alarm_history()) == 3


def test_decisions_and_journal_before_the_clock_are_dated_with_the_readings(store, say):
    """An alarm raised before the clock was trusted is in the history at once, and gets its time later."""
    entry = JournalEntry(7.0, None, "a", "note", note="power was off")
    store.commit(say.batch(decisions=[say.alarm("a/damp", "unacknowledged", after_ms=None, at=5.0)], journal=[entry]))
    with Reader(store.folder) as reader:
        assert reader.decisions() == []
        assert [d.time_ms for d in reader.alarm_history("a/damp")] == [None]
        assert reader.journal() == [entry]
        store.place(1, say.dawn_ms)
        assert [d.time_ms for d in reader.decisions()] == [say.dawn_ms + 5000]
        assert [e.wall_ms for e in reader.journal("a", say.dawn_ms, say.dawn_ms + 8000)] == [say.dawn_ms + 7000]


def test_the_reader_cannot_write(store):
    """One writer: whoever reads cannot spoil the store, even by mistake."""
    with Reader(store.folder) as reader, reader.asking() as ask, pytest.raises(Exception, match="readonly database"):
        ask.execute("DELETE FROM reading")


def test_counts_agree_with_what_went_in(store, say):
    """Figures for the page, without counting millions of rows."""
    store.commit(
        say.batch(say.keep("a/b", 1.0), say.keep("a/c", 1.0, None), notices=[say.notice("k")], decisions=[say.fan("a", True)])
    )
    store.tidy(None, move_from=1)
    store.commit(say.batch(say.keep("a/b", 2.0, 5)))
    with Reader(store.folder) as reader:
        counts = reader.counts()
    assert (counts.readings, counts.undated, counts.series, counts.decisions, counts.journal) == (2, 1, 2, 1, 0)
    assert counts.notices == {"waiting": 1}
    assert counts.file_bytes > 0
