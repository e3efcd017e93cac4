"""The demo's barn tells its fan's strength from carbon dioxide: half a blocked duct is found, a sound one is left alone.

Here the fan runs on a plain timer and the world takes half-minute steps, so that many days are quick; the bank's
scenario "duct-half-blocked" plays the same with the engine in charge of the fan. tests/bench/foresight.py plays sixty days.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from demo.closed_loop import si
from demo.litter import DAY_S
from demo.scenarios import BANK_DAY, SCENARIOS
from demo.settings_text import specification
from demo.world import World
from monitor.engine import foresee_fan
from monitor.engine.events import Json
from monitor.engine.fan_share import share_of
from monitor.engine.foresee_fan import BLOCK, OUTSIDE_CO2_PPM, is_weak, strength
from monitor.engine.specification import Measure, Pen
from monitor.engine.ventilation import SECONDS_AN_HOUR, delivered

PERIOD_S, ON_S = 600.0, 120.0  # a plain timer
STEP_S = 30.0
CALLED_BELOW, CLEARS_AT = 0.75, 0.85  # as shipped, facts/alarms.py
LAG_S = 60.0 + 30.0  # usual for the sensor, and that what is heard each minute is on average half of one old


def barn(seed: int, days: float) -> tuple[Pen, World]:
    """A grown flock's quiet barn; only carbon dioxide is listened to."""
    scenario = replace(next(s for s in SCENARIOS if s.name == "quiet-grown"), days=days)
    told = specification(scenario.heat, date(*BANK_DAY) - timedelta(days=scenario.age_days))
    pen = next(iter(told.pens.values()))
    world = scenario.build(pen, scenario, seed).world
    world.step_s = STEP_S
    for post in world.posts:
        post.probes = [p for p in post.probes if p.sensor.measures is Measure.CARBON_DIOXIDE]
    world.posts = [post for post in world.posts if post.probes]
    return pen, world


def days_until_weak(seed: int, days: float, blocked_after_days: float | None = None) -> float | None:
    """Days from the block (or from the start) until the fan is called weaker; None when it is not."""
    pen, world = barn(seed, days)
    point = delivered(pen)
    assert point is not None
    changes_h = point.airflow_m3_s * SECONDS_AN_HOUR / pen.volume_m3
    kept: dict[str, Json] = {}
    values: list[float] = []
    parts: list[float] = []
    heard: float | None = None
    ran_s = 0.0
    begins_s = DAY_S * (blocked_after_days or 0.0)
    while world.time_s < days * DAY_S:
        running = world.time_s % PERIOD_S < ON_S
        world.command(running, None)
        if blocked_after_days is not None and world.exhaust is not None and world.time_s >= begins_s:
            world.exhaust.blocked = 0.5
        for one in world.step():
            heard = si(one.sensor, one.value)
        ran_s += STEP_S if running else 0.0
        if world.time_s % 60.0 != 0.0 or heard is None:
            continue
        values.append(heard)
        parts.append(ran_s / 60.0)
        ran_s = 0.0
        if len(values) == BLOCK:
            answer = share_of(values, parts, OUTSIDE_CO2_PPM, changes_h, LAG_S)
            if answer is not None:
                foresee_fan.note_hour(kept, world.time_s, *answer)
            values, parts = [], []
            for last_day in (False, True):
                found = strength({"fan": kept}, last_day)
                if found is not None and is_weak(found, CALLED_BELOW, CLEARS_AT):
                    return (world.time_s - begins_s) / DAY_S
    return None


def test_half_a_blocked_duct_is_found_within_two_days():
    """From carbon dioxide alone, without a power meter, after five days of learning."""
    found = days_until_weak(1, 7.0, blocked_after_days=5.0)
    assert found is not None
    assert found > 0.0, "called before there was anything wrong"


def test_a_sound_fan_is_left_alone_for_a_fortnight():
    """Weather, chores and doors change the air; none of them is a weaker fan."""
    assert days_until_weak(2, 14.0) is None
