"""Elapsed time never runs backwards, and a wall clock is believed only with reason."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.timeline import BUILT_S, Glance, LastSeen, Timeline, begin, look

NOW = BUILT_S + 100 * 86400.0
YEAR = 365 * 86400.0


def glance(wall_s: float, boottime_s: float = 100.0, boot: str = "a", synchronised: bool = False, keeps: bool = False) -> Glance:
    return Glance(boottime_s, boot, wall_s, synchronised, keeps)


def seen(wall_s: float | None = NOW, at: float = NOW, boot: str = "a", boottime_s: float = 50.0) -> LastSeen:
    return LastSeen(at, None if wall_s is None else round(wall_s * 1000), 1, boot, boottime_s)


@pytest.mark.parametrize(
    ("story", "last", "first_look", "believed", "dark_s"),
    [
        # story                                   last run            the first look                              wall?  dark
        ("the very first start", None, glance(NOW), True, 0.0),
        ("first start, clock in 1970", None, glance(5000.0), False, 0.0),
        ("restart, same boot", seen(), glance(NOW + 50), True, 50.0),
        ("restart, same boot, clock moved", seen(), glance(NOW + YEAR), False, 50.0),
        ("same boot, moved but synchronised", seen(), glance(NOW + YEAR, synchronised=True), True, 50.0),
        ("new boot, battery clock", seen(), glance(NOW + 3600, 10, "b", keeps=True), True, 3600.0),
        ("new boot, no battery, not yet set", seen(), glance(NOW - 30, 10, "b"), False, None),
        ("new boot, synchronised", seen(), glance(NOW + 3600, 10, "b", synchronised=True), True, 3600.0),
        ("new boot, battery clock in the past", seen(), glance(NOW - YEAR, 10, "b", keeps=True), False, None),
        ("new boot, battery clock two years ahead", seen(), glance(NOW + 2 * YEAR, 10, "b", keeps=True), False, None),
        (
            "new boot after a run without a clock",
            seen(wall_s=None, at=500.0),
            glance(NOW, 10, "b", synchronised=True),
            True,
            None,
        ),
    ],
)
def test_a_start_believes_the_clock_with_reason(
    story: str, last: LastSeen | None, first_look: Glance, believed: bool, dark_s: float | None
) -> None:
    """A board without a battery clock boots in the past; one that jumped is not followed."""
    timeline, dark = begin(last, first_look)
    assert (timeline.offset_ms is not None and not timeline.doubt) == believed, story
    assert dark == pytest.approx(dark_s) if dark_s is not None else dark is None, story
    if believed:
        at = timeline.at(first_look.boottime_s)
        assert timeline.wall_ms(at) == round(first_look.wall_s * 1000)


def test_elapsed_time_goes_on_across_a_restart() -> None:
    """Delays run through a restart: the dark counts where it is known, and is left out where it is not."""
    same, _ = begin(seen(), glance(NOW + 50))
    assert same.at(100.0) == pytest.approx(NOW + 50)
    other, _ = begin(seen(), glance(NOW + 3600, 10.0, "b", synchronised=True))
    assert other.at(10.0) == pytest.approx(NOW + 3600)
    unknown, _ = begin(seen(), glance(NOW - 30, 10.0, "b"))
    assert unknown.at(10.0) == pytest.approx(NOW)
    assert unknown.segment == 2


def test_a_clock_that_comes_late_dates_what_waited() -> None:
    """Booted in the past, set by the network ten minutes later: the offset fits the present moment."""
    timeline, _ = begin(seen(), glance(NOW - 30, 10.0, "b"))
    timeline = look(timeline, glance(NOW - 30 + 300, 310.0, "b"))
    assert timeline.wall_ms(timeline.at(310.0)) is None
    timeline = look(timeline, glance(NOW + 7200, 610.0, "b", synchronised=True))
    at = timeline.at(610.0)
    assert timeline.wall_ms(at) == round((NOW + 7200) * 1000)
    assert not timeline.doubt


@pytest.mark.parametrize("years", [-3, 3])
def test_a_jump_without_the_network_moves_nothing(years: int) -> None:
    """The machine's clock leaps by years: our time goes on, the doubt is said; when it leaps back, all is well."""
    timeline, _ = begin(None, glance(NOW))
    timeline = look(timeline, glance(NOW + 10 + years * YEAR, 110.0))
    assert timeline.wall_ms(timeline.at(110.0)) == round((NOW + 10) * 1000)
    assert "jumped" in timeline.doubt
    timeline = look(timeline, glance(NOW + 20, 120.0))
    assert timeline.wall_ms(timeline.at(120.0)) == round((NOW + 20) * 1000)
    assert not timeline.doubt


def test_a_step_the_network_vouches_for_is_followed() -> None:
    """Synchronised after a wrong start: the right time is taken."""
    timeline, _ = begin(None, glance(NOW))
    timeline = look(timeline, glance(NOW + YEAR, 110.0, synchronised=True))
    assert timeline.wall_ms(timeline.at(110.0)) == round((NOW + YEAR) * 1000)


def test_a_clock_set_by_hand_is_followed_once_it_stands() -> None:
    """Where something keeps the time, a keeper who sets it right by an hour is believed after ten minutes."""
    timeline, _ = begin(None, glance(NOW, keeps=True))
    for passed in range(10, 590, 20):
        timeline = look(timeline, glance(NOW + 3600 + passed, 100.0 + passed, keeps=True))
        assert timeline.doubt
    timeline = look(timeline, glance(NOW + 3600 + 620, 720.0, keeps=True))
    assert timeline.wall_ms(timeline.at(720.0)) == round((NOW + 3600 + 620) * 1000)
    assert not timeline.doubt


def test_a_battery_clock_that_jumps_by_weeks_ages_no_chick() -> None:
    """By it chicks of three days would be eight weeks old and 15 C warm enough: the network's word, or a start, is waited for."""
    jump_s = 51 * 86400.0
    timeline, _ = begin(None, glance(NOW, keeps=True))
    for passed in range(10, 4 * 3600, 600):
        timeline = look(timeline, glance(NOW + jump_s + passed, 100.0 + passed, keeps=True))
        assert "or the board restarts" in timeline.doubt
        assert timeline.wall_ms(timeline.at(100.0 + passed)) == round((NOW + passed) * 1000)
    told = glance(NOW + jump_s + 4 * 3600, 100.0 + 4 * 3600, keeps=True)
    by_network = look(timeline, replace(told, synchronised=True))
    assert by_network.wall_ms(by_network.at(told.boottime_s)) == round(told.wall_s * 1000)
    restarted, _ = begin(LastSeen(timeline.at(told.boottime_s), round((NOW + 4 * 3600) * 1000), 1, "a", told.boottime_s),
                         glance(NOW + jump_s + 4 * 3600 + 60, 20.0, "b", keeps=True))  # fmt: skip
    assert restarted.wall_ms(restarted.at(20.0)) == round((NOW + jump_s + 4 * 3600 + 60) * 1000)


def test_a_slow_drift_is_followed() -> None:
    """A second here and there is the network's daily work, no jump."""
    timeline, _ = begin(None, glance(NOW))
    timeline = look(timeline, glance(NOW + 10.6, 110.0))
    assert timeline.wall_ms(timeline.at(110.0)) == round((NOW + 10.6) * 1000)
    assert not timeline.doubt


looks = st.lists(
    st.tuples(st.floats(0.0, 5000.0), st.one_of(st.just(0.0), st.floats(-1e9, 1e9)), st.booleans(), st.booleans()), max_size=30
)


@given(looks)
def test_elapsed_time_never_runs_backwards_and_dates_never_jump_unvouched(drawn: list[tuple[float, float, bool, bool]]) -> None:
    """Whatever the machine's clock does."""
    timeline, _ = begin(None, glance(NOW))
    boottime, at, former = 100.0, timeline.at(100.0), timeline
    for passed, step, synchronised, keeps in drawn:
        boottime += passed
        now = glance(NOW + boottime - 100.0 + step, boottime, "a", synchronised, keeps)
        timeline = look(former, now)
        assert timeline.at(boottime) >= at
        at = timeline.at(boottime)
        assert timeline.offset_ms is not None
        assert former.offset_ms is not None
        moved = abs(timeline.offset_ms - former.offset_ms)
        assert moved <= 60_000 or synchronised or keeps
        former = timeline


def test_milliseconds_survive_the_sum() -> None:
    """A stored time is exactly elapsed milliseconds and offset."""
    timeline = Timeline(1000.0, 50.0, 1, 1_700_000_000_000)
    assert timeline.at(51.2345) == 1001.234 or timeline.at(51.2345) == 1001.235
    assert timeline.wall_ms(1001.234) == 1_700_001_001_234
