"""Is the 95 % interval honest? Hundreds of seeded decays with noise, rounding and a lagging sensor.

The decays are made here by numerical integration, not by the formula that the fit uses.
"""

import math
import statistics

import numpy as np
import pytest

from monitor.air.decay import Decay, air_changes, pool

NOISE_PPM, STEP_PPM, START_PPM, SETTLES_PPM = 1.0, 1.0, 30.0, 5.0  # a barn's electrochemical cell
LAG_S = 60.0


def synthetic_decays(seed, count, per_hour, minutes, lag_s=LAG_S, noise=NOISE_PPM):
    """Values of `count` decays every 30 s: exact room, sensor relaxing towards it in steps of 2 s, noise, rounding."""
    generator = np.random.default_rng(seed)
    times = [30.0 * i for i in range(int(minutes * 2) + 1)]
    shown, clean = START_PPM, []
    for t in times:
        clean.append(shown)
        for k in range(15):
            room = SETTLES_PPM + (START_PPM - SETTLES_PPM) * math.exp(-per_hour * (t + 2 * k + 1) / 3600.0)
            shown = room + (shown - room) * math.exp(-2.0 / lag_s) if lag_s else room
    noisy = np.array(clean) + generator.normal(0.0, noise, (count, len(clean)))
    return times, (np.round(noisy / STEP_PPM) * STEP_PPM).tolist()


@pytest.mark.parametrize(("per_hour", "minutes"), [(5.0, 30.0), (10.0, 20.0), (17.0, 15.0)])
def test_the_interval_covers_the_truth_as_often_as_it_says(per_hour, minutes):
    """91 to 97 % of 300 decays, and the figure unbiased within 2 %, with the lag of 60 s modelled.

    95 % of 300 has a standard deviation of 1.3 % by chance.
    """
    times, records = synthetic_decays(11, 300, per_hour, minutes)
    found = [air_changes(times, values, 0.0, LAG_S) for values in records]
    covered = sum(f.low <= per_hour <= f.high for f in found) / len(found)
    assert 0.91 <= covered <= 0.97
    assert statistics.median(f.fitted_per_hour for f in found) == pytest.approx(per_hour, rel=0.02)


@pytest.mark.parametrize("noise", [0.05, 0.3])
def test_rounding_coarser_than_the_noise_keeps_the_interval_honest(noise):
    """Steps of 1 ppm hide a noise below a third of a step; the interval must not shrink with it: 93 % or more."""
    generator = np.random.default_rng(4)
    covered = 0
    for _ in range(150):
        times, values = synthetic_decays(int(generator.integers(1 << 30)), 1, 10.0, 20.0, noise=noise)
        shift = float(generator.uniform(-0.5, 0.5))  # where the steps lie against the truth is chance
        found = air_changes(times, [round(v + shift) for v in values[0]], 0.0, LAG_S)
        covered += found.low <= 10.0 <= found.high
    assert covered / 150 >= 0.93


@pytest.mark.parametrize("true_lag_s", [0.0, 30.0, 90.0])
def test_with_the_lag_unknown_the_interval_still_covers_the_truth(true_lag_s):
    """At least 92 % of 120 decays whatever the sensor's lag, bias within 4 %: the interval pays, not the truth.

    Below some 95 % by chance only; above it the bound at no lag makes the interval a little too wide.
    """
    times, records = synthetic_decays(14, 120, 10.0, 20.0, lag_s=true_lag_s)
    found = [air_changes(times, values, 0.0) for values in records]
    assert sum(f.low <= 10.0 <= f.high for f in found) / len(found) >= 0.92
    assert statistics.median(f.fitted_per_hour for f in found) == pytest.approx(10.0, rel=0.04)


def test_a_lag_taken_as_none_reads_a_sixth_low_and_is_never_told_without_a_warning():
    """10 an hour, 60 s, 20 min: −17 % (an independent least-squares simulation gave −17 %), coverage gone.

    Every figure that is told nonetheless carries the warning.
    """
    times, records = synthetic_decays(12, 200, 10.0, 20.0)
    found = [air_changes(times, values, 0.0, lag_s=0.0) for values in records]
    assert statistics.median(f.fitted_per_hour for f in found) / 10.0 == pytest.approx(0.83, abs=0.03)
    assert sum(f.low <= 10.0 <= f.high for f in found) / len(found) < 0.5
    assert all("lag" in f.warning or "lag" in f.reason for f in found)


@pytest.mark.parametrize(
    ("per_hour", "minutes", "count", "share"),
    [(5.0, 20.0, 5, 0.85), (17.0, 15.0, 3, 0.92)],
)
def test_pooled_decays_come_within_a_tenth(per_hour, minutes, count, share):
    """Shares of 100 pools within ±10 %; an independent joint fit, without lag, reached .88 and .95."""
    times, records = synthetic_decays(13, 100 * count, per_hour, minutes)
    near = covered = 0
    for i in range(100):
        found = pool([Decay(times, values, 0.0, LAG_S) for values in records[i * count : (i + 1) * count]])
        near += abs(found.fitted_per_hour / per_hour - 1.0) <= 0.10
        covered += found.low <= per_hour <= found.high
    assert near / 100 >= share
    assert covered / 100 >= 0.90  # 95 % of 100 has a standard deviation of 2.2 % by chance
