"""What litter work did: by hand where it can be, and on a few seasons of known truth (many: tests/bench/bedding_truth.py)."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.review.effects import Effect, Verdict, around, effect
from monitor.review.periods import DAY_MS, Night
from tests.bench.bedding_truth import KINDS, judge

DEED_MS = 100 * DAY_MS


def night(
    day: float, ppm: float, share: float | None = 0.1, airflow: float | None = 70.0, litter_c: float | None = 15.0
) -> Night:
    """A night so many days from the deed; the litter gives what 70 m³/h carry out at this level."""
    emission = None if airflow is None else ppm * airflow * 0.72
    leak = None if airflow is None else 5.0
    when = DEED_MS + round(day * DAY_MS)
    dawn = date(2026, 9, 1) + timedelta(days=round(day))
    return Night(dawn, when, 10, ppm, ppm, 15.0, 15.0, share, airflow, leak, emission, emission)


def steady(ppm_before: float, ppm_after: float, **changed: float | None) -> Effect:
    """Ten level nights before (with a wobble of half a ppm), five after."""
    before = [night(-10.4 + n, ppm_before + (0.5 if n % 2 else -0.5)) for n in range(10)]
    after = [replace(night(1.6 + n, ppm_after), **changed) for n in range(5)]  # type: ignore[arg-type]  # plain numbers
    return effect(before, after)


def test_a_plain_fall_is_said_as_what_it_is() -> None:
    """12 ppm for ten nights, 5 ppm for five: helped by about 7, surely between 5 and 9."""
    found = steady(12.0, 5.0)
    assert found.verdict is Verdict.HELPED
    assert found.helped_ppm is not None
    assert found.helped_ppm.best == pytest.approx(7.0, abs=0.6)
    assert 5.0 < found.helped_ppm.low < found.helped_ppm.high < 9.0
    assert [found.before_ppm, found.after_ppm] == pytest.approx([12.0, 5.0])


def test_a_rise_is_made_worse() -> None:
    """12 ppm before, 19 after."""
    assert steady(12.0, 19.0).verdict is Verdict.WORSE


def test_nothing_is_cannot_tell() -> None:
    """12 ppm before and after: the interval holds 0."""
    found = steady(12.0, 12.0)
    assert found.verdict is Verdict.CANNOT_TELL
    assert found.helped_ppm is not None
    assert found.helped_ppm.low < 0.0 < found.helped_ppm.high


def test_a_fall_that_the_fan_made_is_not_the_litters() -> None:
    """Twice the airflow, half the ammonia: the litter gave off what it gave before."""
    found = steady(12.0, 6.0, fan_share=0.2, airflow_m3_h=140.0, emission_mg_h=12.0 * 70.0 * 0.72)
    assert found.verdict is Verdict.CANNOT_TELL


def test_a_mild_spell_is_not_the_litters() -> None:
    """10 K colder nights give off exp(−0.8) of before at 8 % a kelvin: no effect is seen in that fall."""
    colder = 12.0 * 2.718281828 ** (-0.8)
    found = steady(12.0, colder, litter_c=5.0, emission_mg_h=colder * 70.0 * 0.72)
    assert found.verdict is Verdict.CANNOT_TELL


def test_where_the_fan_is_not_known_nobody_can_tell() -> None:
    """The same plain fall, but how the fan ran is not stored: it may have been the fan."""
    before = [night(-10.4 + n, 12.0 + n % 2, None, None) for n in range(10)]
    found = effect(before, [night(1.6 + n, 5.0, None, None) for n in range(5)])
    assert (found.verdict, found.helped_ppm) == (Verdict.CANNOT_TELL, None)


def test_without_airflow_only_nights_with_the_fan_alike_are_compared() -> None:
    """The fan's curve unknown: nights at 10 % and 11 % of the time compare; those at 40 % are left out."""
    before = [night(-10.4 + n, 12.0 + n % 2, 0.1 if n < 6 else 0.4, None) for n in range(10)]
    after = [night(1.6 + n, 5.0, 0.11, None) for n in range(5)]
    found = effect(before, after)
    assert (found.verdict, found.nights_before, found.emission_known) == (Verdict.HELPED, 6, False)


@pytest.mark.parametrize(
    ("nights_before", "nights_after", "still_open", "verdict"),
    [
        (3, 5, True, Verdict.CANNOT_TELL),
        (10, 2, True, Verdict.TOO_SOON),
        (10, 2, False, Verdict.CANNOT_TELL),
        (0, 0, True, Verdict.CANNOT_TELL),
    ],
)
def test_too_few_nights_are_said(nights_before: int, nights_after: int, still_open: bool, verdict: Verdict) -> None:
    """Below four nights before or three after there is no figure; it is too soon only while more are to come."""
    before = [night(-nights_before - 0.4 + n, 12.0) for n in range(nights_before)]
    found = effect(before, [night(1.6 + n, 5.0) for n in range(nights_after)], still_open=still_open)
    assert (found.verdict, found.helped_ppm) == (verdict, None)


def test_the_windows_end_at_the_neighbouring_deeds() -> None:
    """Nights beyond the former deed, the next one or the windows' ends are not looked at."""
    told = [night(-20.4 + n, 10.0) for n in range(40)]
    before, after = around(told, DEED_MS, DEED_MS - 5 * DAY_MS, DEED_MS + 3 * DAY_MS)
    assert [round((n.time_ms - DEED_MS) / DAY_MS, 1) for n in before] == [-4.4, -3.4, -2.4, -1.4, -0.4]
    assert [round((n.time_ms - DEED_MS) / DAY_MS, 1) for n in after] == [0.6, 1.6, 2.6]
    assert len(around(told, DEED_MS, 0, 2**62)[0]) == 14


@given(
    st.lists(st.floats(0.0, 300.0), min_size=4, max_size=14),
    st.lists(st.floats(0.0, 300.0), min_size=3, max_size=6),
    st.floats(0.0, 0.9),
)
def test_any_nights_give_an_interval_around_the_figure(before: list[float], after: list[float], share: float) -> None:
    """Zeros, leaps and spikes never raise; the verdict is the interval's; the same nights give the same answer."""
    past = [night(n - len(before) - 0.4, ppm, share) for n, ppm in enumerate(before)]
    came = [night(1.6 + n, ppm, share) for n, ppm in enumerate(after)]
    found = effect(past, came, seed=3)
    assert found.helped_ppm is not None
    assert found.helped_ppm.low <= found.helped_ppm.high
    assert (found.verdict is Verdict.CANNOT_TELL) == (found.helped_ppm.low <= 0.0 <= found.helped_ppm.high)
    assert effect(past, came, seed=3) == found


def test_seasons_of_known_truth() -> None:
    """Five kinds, six seasons each: at least 26 of 30 intervals cover the truth (at 95 % fewer is 1 in 60), fresh
    litter is seen to help each time, and at most one of twelve deeds that did nothing is given a verdict."""
    found = {kind: [judge(kind, 500 + seed) for seed in range(6)] for kind in KINDS}
    assert sum(one.covered for each in found.values() for one in each) >= 26
    assert all(one.verdict is Verdict.HELPED for one in found["litter changed"])
    idle = [*found["litter turned"], *found["nothing done"]]
    assert sum(one.verdict is not Verdict.CANNOT_TELL for one in idle) <= 1
