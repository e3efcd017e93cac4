"""Air changes against an independent fit and against the standard's own arithmetic."""

import math

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.stats import chi2, t

from monitor.air.decay import Decay, air_changes, pool
from monitor.air.profile import chi_square_95, student_975


def noisy_decay(seed, per_hour, minutes, start=30.0, settles=5.0, noise=0.6):
    seconds = np.arange(0.0, minutes * 60.0 + 1.0, 30.0)
    clean = settles + (start - settles) * np.exp(-per_hour * seconds / 3600.0)
    return seconds, clean + np.random.default_rng(seed).normal(0.0, noise, seconds.size)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("per_hour", "minutes"), [(4.0, 40.0), (10.0, 20.0), (17.0, 15.0)])
def test_the_fit_is_that_of_an_independent_least_squares(seed, per_hour, minutes):
    """scipy's Levenberg-Marquardt on the same readings: same minimum, so four digits; interval ends within 12 % of
    its linearised width, which ours, following the real curve, may leave."""
    seconds, values = noisy_decay(seed, per_hour, minutes)
    best, covariance = curve_fit(
        lambda s, n, c0, css: css + (c0 - css) * np.exp(-n * s / 3600.0), seconds, values, p0=(per_hour, 30.0, 5.0)
    )
    found = air_changes(seconds.tolist(), values.tolist(), lag_s=0.0)
    assert found.fitted_per_hour == pytest.approx(best[0], rel=1e-4)
    assert (found.starts_at, found.settles_at) == pytest.approx((best[1], best[2]), rel=1e-3)
    half_width = t.ppf(0.975, seconds.size - 3) * math.sqrt(covariance[0, 0])
    # likeness of neighbours, where chance made some, widens ours further
    assert half_width * 0.88 <= (found.high - found.low) / 2.0 <= half_width * 1.8


def test_an_empty_room_gives_the_two_point_figure_of_the_standard():
    """ASTM E741: no source, N = ln(C1/C2)/t. 100 to 20 ppm above background in 12 min is 8.047 an hour, by hand."""
    per_hour = math.log(100.0 / 20.0) / (12.0 / 60.0)
    assert per_hour == pytest.approx(8.047, abs=5e-4)
    seconds = [30.0 * i for i in range(41)]
    readings = [400.0 + 100.0 * math.exp(-per_hour * s / 3600.0) for s in seconds]
    assert readings[24] - 400.0 == pytest.approx(20.0)
    assert air_changes(seconds, readings, outside=400.0, lag_s=0.0).per_hour == pytest.approx(8.047, abs=1e-3)


def test_a_dosed_chamber_gives_its_air_changes():
    """Hofstetter et al., Sensors 21 (2021) 6664: 38.2 m³ under 130 cfm is 5.8 changes an hour, time constant 10.4 min."""
    per_hour = 130.0 * 0.3048**3 * 60.0 / 38.2
    assert per_hour == pytest.approx(5.8, abs=0.05)
    assert 60.0 / per_hour == pytest.approx(10.4, abs=0.1)
    seconds, values = noisy_decay(3, per_hour, 40.0, start=50.0, settles=0.0, noise=1.0)
    found = pool([Decay(seconds.tolist(), (values + d).tolist(), 0.0, 0.0) for d in (0.0, 0.5, 1.0)])
    assert found.low <= per_hour <= found.high


@pytest.mark.parametrize("freedom", [5, 8, 17, 38, 117])
def test_quantiles_are_those_of_the_tables(freedom):
    """Student's t and χ² against scipy; the series used are good to 0.3 % and 1 % from here on."""
    assert student_975(freedom) == pytest.approx(t.ppf(0.975, freedom), rel=3e-3)
    assert chi_square_95(freedom) == pytest.approx(chi2.ppf(0.95, freedom), rel=0.01)


def test_chi_square_of_one_degree():
    """3.841 in every table; the approximation is within 4 % there."""
    assert chi_square_95(1) == pytest.approx(3.841, rel=0.04)
