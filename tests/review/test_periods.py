"""Litter periods and nights at matched hours."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.litter import mg_m3_of_one_ppm
from monitor.engine.events import JournalEntry
from monitor.engine.ventilation import delivered
from monitor.review.airflow import HOUR_MS, FanRun
from monitor.review.periods import DAY_MS, Deed, Night, deeds, nights, stretches
from tests.engine.barns import pen

DUBLIN = "Europe/Dublin"
PEN = pen()  # no leakage area: with the fan at rest nothing is carried out


def at(day: int, hour: int, month: int = 9) -> int:
    return round(datetime(2026, month, day, hour, tzinfo=ZoneInfo(DUBLIN)).timestamp() * 1000)


def hours(first: int, count: int, ppm: float = 10.0) -> list[tuple[int, float]]:
    return [(first + n * HOUR_MS, ppm) for n in range(count)]


def wrote(what: str, time_ms: int | None, of: str = "brooder") -> JournalEntry:
    return JournalEntry(0.0, time_ms, of, what)


def test_a_night_is_ten_in_the_evening_to_eight_and_belongs_to_its_dawn() -> None:
    """Two whole days hold one whole night and two parts; the whole one has ten hours and the second day's date."""
    found = nights(PEN, DUBLIN, 0.0, hours(at(1, 0), 48), [], [], at(9, 0))
    assert [(n.day, n.hours) for n in found] == [(date(2026, 9, 1), 8), (date(2026, 9, 2), 10)]


@pytest.mark.parametrize(("month", "day", "hours_of_night"), [(10, 25, 11), (3, 29, 9)])
def test_the_nights_of_the_clock_changes_keep_local_hours(month: int, day: int, hours_of_night: int) -> None:
    """Europe/Dublin 2026: the night to 25 October has eleven hours between ten and eight, the one to 29 March nine."""
    found = nights(PEN, DUBLIN, 0.0, hours(at(day - 1, 12, month), 30), [], [], at(day, 23, month))
    assert [(n.day.day, n.hours) for n in found] == [(day, hours_of_night)]


def test_too_few_hours_are_no_night() -> None:
    """Four hours of a night say nothing; five do."""
    assert nights(PEN, DUBLIN, 0.0, hours(at(2, 0), 4), [], [], at(9, 0)) == []
    assert len(nights(PEN, DUBLIN, 0.0, hours(at(2, 0), 5), [], [], at(9, 0))) == 1


def test_the_day_after_litter_was_worked_is_left_out() -> None:
    """Worked at ten: that evening's night is the burst's, the next one counts."""
    found = nights(PEN, DUBLIN, 0.0, hours(at(1, 0), 96), [], [], at(9, 0), worked_ms=[at(2, 10)])
    assert [n.day.day for n in found] == [1, 2, 4]


def test_the_dawn_peak_is_the_highest_hour_from_three_to_nine() -> None:
    """A peak at six counts, a higher one at eleven at night does not; most ammonia came at six (Atapattu 2017)."""
    points = [(t, {at(2, 6): 25.0, at(1, 23): 40.0}.get(t, 10.0)) for t, _ in hours(at(1, 20), 16)]
    (night,) = nights(PEN, DUBLIN, 0.0, points, [], [], at(9, 0))
    assert night.dawn_ppm == 25.0


def test_what_the_litter_gave_off_is_what_the_air_carried_out() -> None:
    """Steady 10 ppm, 12 °C, the fan a tenth of each hour: E = c · Q · C, by hand from the operating point."""
    fan = [FanRun(t, t + HOUR_MS // 10) for t, _ in hours(at(1, 20), 16)]
    warm = hours(at(1, 20), 16, 12.0)
    (night,) = nights(PEN, DUBLIN, 0.0, hours(at(1, 20), 16), warm, fan, at(9, 0))
    point = delivered(PEN)
    assert point is not None
    assert night.emission_mg_h == pytest.approx(10.0 * mg_m3_of_one_ppm(12.0) * 0.1 * point.airflow_m3_s * 3600.0)
    assert night.fan_share == pytest.approx(0.1)


def test_before_the_first_command_the_fan_is_not_known() -> None:
    """Unknown is not "at rest": no share, no airflow, no emission."""
    (night,) = nights(PEN, DUBLIN, 0.0, hours(at(1, 20), 16), [], [FanRun(at(5, 0), at(5, 1))], at(9, 0))
    assert (night.fan_share, night.airflow_m3_h, night.emission_mg_h) == (None, None, None)


def test_the_litter_follows_the_room_slowly() -> None:
    """A room that turns 10 K warmer at midnight has litter less than half way by the night's middle."""
    warm = [(t, 10.0 if t < at(2, 0) else 20.0) for t, _ in hours(at(1, 0), 36)]
    night = nights(PEN, DUBLIN, 0.0, hours(at(1, 0), 36), warm, [], at(9, 0))[1]
    assert night.litter_c is not None
    assert night.temperature_c is not None
    assert 10.0 < night.litter_c < 15.0 < night.temperature_c


def test_the_journal_divides_the_season() -> None:
    """Two deeds make three periods; each night lies in the one its middle lies in; the last is open."""
    worked = [Deed(at(4, 10), "litter changed"), Deed(at(8, 10), "litter turned")]
    told = nights(PEN, DUBLIN, 0.0, hours(at(1, 0), 24 * 12), [], [], at(20, 0), worked_ms=[d.time_ms for d in worked])
    found = stretches(worked, told)
    assert [(s.what, s.nights[0].day.day, s.nights[-1].day.day, s.ended_ms) for s in found] == [
        ("first readings", 1, 4, at(4, 10)),
        ("litter changed", 6, 8, at(8, 10)),
        ("litter turned", 10, 12, None),
    ]


def test_only_dated_litter_work_of_this_pen_counts_and_a_double_tap_once() -> None:
    """A note, another pen's change, an undated one and a second tap within the hour are none."""
    journal = [
        wrote("note", at(1, 9)),
        wrote("litter changed", at(2, 9), "house"),
        wrote("litter changed", None),
        wrote("litter topped", at(4, 9)),
        wrote("litter changed", at(3, 9)),
        wrote("litter topped", at(4, 9) + 60_000),
    ]
    assert [(d.what, d.time_ms) for d in deeds(journal, "brooder")] == [
        ("litter changed", at(3, 9)),
        ("litter topped", at(4, 9)),
    ]


@given(
    st.lists(st.tuples(st.integers(at(1, 0), at(28, 0)), st.floats(-5.0, 2000.0)), max_size=120),
    st.lists(st.tuples(st.integers(at(1, 0), at(28, 0)), st.integers(1, DAY_MS)), max_size=10),
    st.lists(st.integers(at(1, 0), at(28, 0)), max_size=4),
)
def test_any_readings_give_nights_in_order(
    points: list[tuple[int, float]], runs: list[tuple[int, int]], worked: list[int]
) -> None:
    """Gaps, nonsense and overlaps never raise; nights come once each, in order, each in exactly one period."""
    fan = [FanRun(begin, begin + lasts) for begin, lasts in sorted(runs)]
    found: list[Night] = nights(PEN, DUBLIN, 0.0, sorted(points), [], fan, at(29, 0), worked_ms=worked)
    assert [n.day for n in found] == sorted({n.day for n in found})
    periods = stretches([Deed(t, "litter turned") for t in sorted(set(worked))], found)
    assert sum(len(s.nights) for s in periods) == len(found)
