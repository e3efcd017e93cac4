"""Moist air: what must hold everywhere in range, and what is refused outside."""

from __future__ import annotations

import math
from collections.abc import Callable

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air import psychrometrics as air
from monitor.air.ranges import OutOfRange

temperatures = st.floats(-40.0, 60.0)
humidities = st.floats(0.1, 100.0)
pressures = st.floats(60_000.0, 110_000.0)

Refused = Callable[[], float]
OF_AIR: list[Callable[..., float]] = [
    air.wet_bulb_c,
    air.dew_point_c,
    air.humidity_ratio,
    air.vapour_pressure_deficit_pa,
    air.enthalpy_j_kg,
    air.specific_volume_m3_kg,
    air.density_kg_m3,
]


@given(temperatures, humidities, pressures)
def test_dew_point_wet_bulb_and_dry_bulb_stand_in_order(t: float, rh: float, pressure_pa: float) -> None:
    """Dew point ≤ wet bulb ≤ dry bulb, to the 0.001 K both are iterated to; beside 0 °C an iced bulb may stand 0.5 K off."""
    wet = air.wet_bulb_c(t, rh, pressure_pa)
    slack = 0.6 if -0.7 < wet < 0.7 else 0.002
    assert air.dew_point_c(t, rh, pressure_pa) <= wet + slack
    assert wet <= t + 0.002


@given(temperatures, st.floats(0.1, 99.0), st.floats(0.01, 1.0), pressures)
def test_more_humidity_is_more_water(t: float, rh: float, more: float, pressure_pa: float) -> None:
    """Water, enthalpy and dew point rise with humidity; the drying power of the air falls."""
    wetter = rh + more
    assert air.humidity_ratio(t, wetter, pressure_pa) >= air.humidity_ratio(t, rh, pressure_pa)
    assert air.enthalpy_j_kg(t, wetter, pressure_pa) >= air.enthalpy_j_kg(t, rh, pressure_pa)
    assert air.dew_point_c(t, wetter) >= air.dew_point_c(t, rh) - 0.002
    assert air.vapour_pressure_deficit_pa(t, wetter) < air.vapour_pressure_deficit_pa(t, rh)


@given(st.floats(-40.0, 59.9), st.floats(0.01, 0.1))
def test_warmer_air_can_hold_more(t: float, warmer: float) -> None:
    """Saturation pressure rises with temperature, across the triple point too."""
    assert air.saturation_pressure_pa(t + warmer) > air.saturation_pressure_pa(t)


@given(temperatures, humidities, pressures)
def test_humidity_survives_the_round_trip(t: float, rh: float, pressure_pa: float) -> None:
    """Relative humidity → water → relative humidity, in frost and at altitude. The library holds 1e-7 kg/kg at least."""
    ratio = air.humidity_ratio(t, rh, pressure_pa)
    if ratio > 1e-7:
        assert air.relative_humidity_pct(t, ratio, pressure_pa) == pytest.approx(rh, rel=1e-9)


@given(temperatures, humidities)
def test_air_at_its_dew_point_is_saturated(t: float, rh: float) -> None:
    """Cooled to its dew point, the same water is 100 %: the condensation sum rests on it. 0.001 K is 0.02 % at −40 °C."""
    dew = air.dew_point_c(t, rh)
    if dew > -40.0:
        assert air.saturation_pressure_pa(dew) == pytest.approx(air.saturation_pressure_pa(t) * rh / 100.0, rel=3e-4)


def test_saturated_air_has_no_drying_power() -> None:
    """At 100 % dew point, wet bulb and dry bulb are one, and the deficit is nil."""
    for t in (-10.0, 0.0, 20.0):
        assert air.dew_point_c(t, 100.0) == pytest.approx(t, abs=0.002)
        assert air.wet_bulb_c(t, 100.0) == pytest.approx(t, abs=0.002)
        assert air.vapour_pressure_deficit_pa(t, 100.0) == 0.0


def test_the_deficit_is_the_gap_to_saturation() -> None:
    """25 °C and 50 %: half of 3169 Pa (ASHRAE Handbook, saturation pressure at 25 °C 3169.7 Pa)."""
    assert air.vapour_pressure_deficit_pa(25.0, 50.0) == pytest.approx(3169.7 / 2, rel=3e-4)


@given(st.floats(-40.0, 0.0), st.floats(0.0, 100.0))
def test_humidity_over_ice_is_never_below_the_sensors(t: float, rh: float) -> None:
    """Ice is saturated before water is: the figure grows, and stops at 100."""
    assert rh <= air.over_ice_pct(t, rh) <= 100.0


@given(st.floats(0.0, 60.0), st.floats(0.0, 100.0))
def test_above_freezing_the_sensors_humidity_stands(t: float, rh: float) -> None:
    """Over liquid water both conventions are one."""
    assert air.over_ice_pct(t, rh) == rh


@pytest.mark.parametrize("function", OF_AIR)
@pytest.mark.parametrize(
    ("t", "rh", "pressure_pa", "name"),
    [
        (-40.1, 50.0, 101325.0, "temperature_c"),
        (60.1, 50.0, 101325.0, "temperature_c"),
        (math.nan, 50.0, 101325.0, "temperature_c"),
        (20.0, -0.1, 101325.0, "relative_humidity_pct"),
        (20.0, 100.1, 101325.0, "relative_humidity_pct"),
        (20.0, math.nan, 101325.0, "relative_humidity_pct"),
        (20.0, 50.0, 1013.25, "pressure_pa"),
        (20.0, 50.0, 120_000.0, "pressure_pa"),
    ],
)
def test_outside_its_range_it_refuses(function: Callable[..., float], t: float, rh: float, pressure_pa: float, name: str) -> None:
    """No answer where the formulas do not hold; the refusal names the argument (hPa given for Pa, for one)."""
    with pytest.raises(OutOfRange) as refusal:
        function(t, rh, pressure_pa)
    assert refusal.value.name == name


def test_the_other_functions_refuse_too() -> None:
    """Dry air has no dew point; water beyond saturation has no humidity; no pen stands on a mountain top."""
    calls: tuple[Refused, ...] = (
        lambda: air.dew_point_c(20.0, 0.0),
        lambda: air.relative_humidity_pct(20.0, 0.02),
        lambda: air.relative_humidity_pct(20.0, -0.001),
        lambda: air.pressure_at_altitude_pa(9000.0),
        lambda: air.saturation_pressure_pa(100.0),
        lambda: air.over_ice_pct(-5.0, 101.0),
    )
    for call in calls:
        with pytest.raises(OutOfRange):
            call()


def test_the_library_is_in_si_and_not_compiled() -> None:
    """The unit system is one for the process; a just-in-time compiler beside it costs 90 MB and 0.3 s at start."""
    assert psychrolib.GetUnitSystem() is psychrolib.SI
    assert not psychrolib.has_numba
