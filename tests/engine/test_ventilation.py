"""The minimum timer: from required and delivered airflow to seconds in each period."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.events import JournalEntry, Reading, Started
from monitor.engine.saving import load, save
from monitor.engine.state import State
from monitor.engine.step import step
from monitor.engine.ventilation import delivered, timer
from tests.engine.barns import START, START_MS, fan, pen, site


def test_one_minute_in_ten_of_a_large_fan() -> None:
    """A 36-inch fan of 10 000 cfm, 1 in 10 minutes, brings 1000 cfm on the mean; 2 in 10 bring 2000."""
    # University of Georgia, "minimum ventilation: 10/5 minute timers" (Czarick & Fairchild).
    assert timer(1000.0, 1000.0, 10_000.0, 600.0, 20.0, 60.0) == (60.0, 60.0, 600.0)
    assert timer(2000.0, 2000.0, 10_000.0, 600.0, 20.0, 60.0) == (120.0, 120.0, 600.0)


def test_a_duct_fan_of_two_hundred_cubic_feet() -> None:
    """22.7 m³/h wanted of a fan that moves 340: 20 s of every 300 (the ratio, worked by hand)."""
    on_s, least_s, period_s = timer(22.7, 22.7, 340.0, 300.0, 20.0, 60.0)
    assert (on_s, least_s, period_s) == (20.0, 20.0, 300.0)


def test_a_need_smaller_than_the_shortest_run_stretches_the_period() -> None:
    """Twenty seconds of air for day-old chicks every quarter of an hour, not every five minutes."""
    assert timer(1.5, 1.5, 540.0, 300.0, 20.0, 60.0) == (20.0, 20.0, 900.0)


def test_a_need_close_to_all_the_fan_can_do_runs_through() -> None:
    """A rest shorter than the fan's shortest is no rest."""
    assert timer(330.0, 100.0, 340.0, 300.0, 20.0, 60.0) == (300.0, pytest.approx(88.2), 300.0)


@given(st.floats(0, 2000), st.floats(0, 2000), st.floats(1, 2000))
def test_the_timer_brings_at_least_what_is_required(ordinary: float, least: float, full: float) -> None:
    """The mean airflow over a period is never below the need the fan can meet, and no run below the shortest."""
    on_s, least_s, period_s = timer(ordinary, least, full, 300.0, 20.0, 60.0)
    assert 20.0 <= least_s <= on_s <= period_s <= 900.0
    assert on_s / period_s * full >= min(full, max(ordinary, least)) * 0.99 - 0.1


def test_the_point_is_that_of_fan_duct_and_inlet() -> None:
    """The pen's fan works where its curve meets its duct; without a curve nothing is claimed."""
    point = delivered(pen())
    assert point is not None
    assert 0.05 < point.airflow_m3_s < 0.19
    assert delivered(replace(pen(), fan=fan(curve=()))) is None


def test_the_timer_stands_through_a_restart_and_follows_the_birds() -> None:
    """Killed within the hour, the same timer; fewer birds, less air."""
    spec = site(pen(count=3000))
    state, _ = step(State(), Started(START, START_MS, 0.0, True), spec)
    state, _ = step(state, Reading(START + 5, START_MS + 5000, "brooder/chick height", 31.0), spec)
    before = state.pens["brooder"].fan
    assert before.timer_on_s > 60.0
    again, _ = step(load(save(state)), Started(START + 30, START_MS + 30_000, 25.0, False), spec)
    assert again.pens["brooder"].fan.timer_on_s == before.timer_on_s
    fewer, _ = step(again, JournalEntry(START + 60, START_MS + 60_000, "brooder", "birds out", "keeper", "spring", 2000), spec)
    assert fewer.pens["brooder"].fan.timer_on_s < before.timer_on_s


def test_a_variable_fan_runs_gently_instead_of_in_bursts() -> None:
    """Where the need fits the fan's lowest speed it runs through at that speed or a little above."""
    spec = site(pen(count=3000, the_fan=fan(variable=True)))
    state, actions = step(State(), Started(START, START_MS, 0.0, True), spec)
    speed = state.pens["brooder"].fan.timer_speed_pct
    assert speed is not None
    assert 30.0 <= speed < 100.0
    assert [a.speed_pct for a in actions if hasattr(a, "speed_pct")] == [speed]


def test_a_pen_without_birds_rests() -> None:
    """Nobody breathes: no timer."""
    spec = site(pen(count=0))
    state, _ = step(State(), Started(START, START_MS, 0.0, True), spec)
    fan_state = state.pens["brooder"].fan
    assert (fan_state.timer_on_s, fan_state.running, fan_state.reason) == (0.0, False, "no birds")
