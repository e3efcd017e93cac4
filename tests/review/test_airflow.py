"""Air through the pen, hour by hour, looking back."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.specification import Inlet
from monitor.engine.ventilation import delivered
from monitor.review.airflow import HOUR_MS, Blowing, FanRun, blowing_by_hour, leakage_m3_h, through
from tests.engine.barns import pen

LEAKY = replace(pen(), inlet=Inlet(0.0387, 0.6, 0.0100))  # 100 cm² of cracks


@given(st.lists(st.tuples(st.integers(0, 20 * HOUR_MS), st.integers(1, 3 * HOUR_MS)), max_size=20))
def test_hours_add_up_to_what_the_fan_ran(spans: list[tuple[int, int]]) -> None:
    """However runs lie across the hours, the shares sum to the time run."""
    runs, at = [], 0
    for wait, lasts in spans:
        runs.append(FanRun(at + wait, at + wait + lasts))
        at += wait + lasts
    ran = sum(run.end_ms - run.begin_ms for run in runs)
    assert sum(blow.share for blow in blowing_by_hour(LEAKY, runs).values()) * HOUR_MS == pytest.approx(ran)


def test_leakage_follows_the_effective_leakage_area_model() -> None:
    """100 cm², 6 K, 2 m/s: 100 · √(0.00087 + 0.000696) = 3.957 l/s, by hand; coefficients are values from memory."""
    assert leakage_m3_h(LEAKY, 6.0) == pytest.approx(100 * math.sqrt(0.000145 * 6 + 0.000174 * 4) * 3.6)
    assert leakage_m3_h(LEAKY, 6.0) == pytest.approx(3.957 * 3.6, rel=1e-3)
    assert leakage_m3_h(replace(LEAKY, inlet=None), 6.0) == 0.0


def test_a_running_fan_and_leaks_add_in_squares() -> None:
    """A quarter of the hour with the fan: fan and leak in squares for that quarter, the leak alone for the rest."""
    point = delivered(LEAKY)
    assert point is not None
    full, leak = point.airflow_m3_s * 3600.0, leakage_m3_h(LEAKY, 6.0)
    air = through(LEAKY, Blowing(0.25, full), 12.0, 6.0)
    assert air is not None
    assert air.airflow_m3_h == pytest.approx(0.25 * math.hypot(full, leak) + 0.75 * leak)
    assert air.leakage_m3_h == pytest.approx(0.75 * leak)


def test_a_fan_nobody_has_measured_gives_no_airflow() -> None:
    """Without a curve the airflow is not known while it runs; at rest the leakage still is."""
    assert LEAKY.fan is not None
    unknown = replace(LEAKY, fan=replace(LEAKY.fan, curve=()))
    (blow,) = blowing_by_hour(unknown, [FanRun(0, HOUR_MS // 2)]).values()
    assert through(unknown, blow, 12.0, 6.0) is None
    assert through(unknown, Blowing(0.0, None), 12.0, 6.0) is not None


def test_half_speed_counts_with_its_own_airflow() -> None:
    """A variable fan at half speed moves what its operating point there says, not half of full by decree."""
    (blow,) = blowing_by_hour(LEAKY, [FanRun(0, HOUR_MS, 50.0)]).values()
    point = delivered(LEAKY, 50.0)
    assert point is not None
    assert blow.airflow_m3_h == pytest.approx(point.airflow_m3_s * 3600.0)
