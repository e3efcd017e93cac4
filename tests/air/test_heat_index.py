"""The keeper's heat index: branches, order and refusals. The chart itself is checked in tests/published."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.heat_index import band, heat_index_c, regression_f
from monitor.air.ranges import OutOfRange
from monitor.facts.climate import HEAT_STRESS

BANDS = HEAT_STRESS["heat_index_f"]


def c(temperature_f: float) -> float:
    return (temperature_f - 32.0) / 1.8


@given(st.floats(30.0, 43.0), st.floats(40.0, 85.0), st.floats(0.1, 2.0))
def test_heat_and_humidity_only_make_it_worse(t: float, rh: float, step: float) -> None:
    """Between 86 and 110 °F and 40 and 87 % the index rises with both."""
    index = heat_index_c(t, rh)
    assert heat_index_c(t + step / 10, rh) > index
    assert heat_index_c(t, rh + step) > index


@given(st.floats(-40.0, 4.4), st.floats(0.0, 100.0))
def test_in_the_cold_it_is_the_temperature(t: float, rh: float) -> None:
    """Up to 40 °F nobody feels humid heat; the simple form would invent a chill."""
    assert heat_index_c(t, rh) == pytest.approx(t, abs=1e-9)


@given(st.floats(-40.0, 50.0), st.floats(0.0, 100.0))
def test_it_always_answers_with_a_number_in_range(t: float, rh: float) -> None:
    """No gap between the branches: any air gives a finite index, never below the air by more than 4 K."""
    index = heat_index_c(t, rh)
    assert math.isfinite(index)
    assert index > t - 8.0


@pytest.mark.parametrize(
    ("t_f", "name"), [(79.9, "comfort"), (85, "caution"), (95, "extreme caution"), (110, "danger"), (126, "extreme danger")]
)
def test_the_keepers_bands(t_f: float, name: str) -> None:
    """National Weather Service bands: 80, 90, 103 and 125 °F."""
    assert band(c(t_f), BANDS) == name


@pytest.mark.parametrize(("t", "rh"), [(50.1, 50), (-40.1, 50), (30, 100.1), (30, -1), (math.nan, 50), (30, math.nan)])
def test_outside_its_range_it_refuses(t: float, rh: float) -> None:
    """Beyond 50 °C the regression is a guess nobody made."""
    with pytest.raises(OutOfRange):
        heat_index_c(t, rh)


def test_the_regression_alone_refuses_cool_air() -> None:
    """At 60 °F the regression gives nonsense; only the whole procedure may be asked."""
    with pytest.raises(OutOfRange, match="temperature_f is 60"):
        regression_f(60.0, 50.0)
