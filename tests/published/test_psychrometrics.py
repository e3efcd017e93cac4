"""Moist air against CoolProp, the ASHRAE handbook and the trade's own worked figures."""

from __future__ import annotations

from math import exp, log, tanh

import pytest
from CoolProp.HumidAirProp import HAPropsSI

from monitor.air import psychrometrics as air

PRESSURE_PA = 101325.0
TEMPERATURES_C = [-20.0, -15.0, -10.0, -5.0, -1.0, 0.5, 2.5, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0]
HUMIDITIES_PCT = [5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 99.9]
GRID = [(t, rh) for t in TEMPERATURES_C for rh in HUMIDITIES_PCT]


def of_coolprop(quantity: str, t: float, rh: float) -> float:
    return float(HAPropsSI(quantity, "T", t + 273.15, "R", rh / 100.0, "P", PRESSURE_PA))


def test_humidity_ratio_agrees_with_coolprop() -> None:
    """CoolProp (real gas, ASHRAE RP-1485) holds up to 0.6 % more water than our ideal gas, never less by more than 0.1 %."""
    for t, rh in GRID:
        real = of_coolprop("W", t, rh)
        assert -0.006 < air.humidity_ratio(t, rh) / real - 1.0 < 0.001, (t, rh)


def test_dew_and_frost_point_agree_with_coolprop() -> None:
    """CoolProp, −20 to 45 °C and 5 to 99.9 %: within 0.02 K, frost point below 0 °C on both sides."""
    for t, rh in GRID:
        assert air.dew_point_c(t, rh) == pytest.approx(of_coolprop("D", t, rh) - 273.15, abs=0.02), (t, rh)


def test_wet_bulb_agrees_with_coolprop() -> None:
    """CoolProp: within 0.03 K; within 0.6 K where the bulb is about to freeze and the two choose ice or water differently."""
    for t, rh in GRID:
        theirs = of_coolprop("B", t, rh) - 273.15
        allowed = 0.6 if abs(theirs) < 0.6 else 0.03
        assert air.wet_bulb_c(t, rh) == pytest.approx(theirs, abs=allowed), (t, rh)


def test_enthalpy_agrees_with_coolprop() -> None:
    """CoolProp: within 0.5 kJ per kg of dry air up to 35 °C, 0.8 beyond (the water the ideal gas lacks)."""
    for t, rh in GRID:
        allowed = 500.0 if t <= 35.0 else 800.0
        assert air.enthalpy_j_kg(t, rh) == pytest.approx(of_coolprop("H", t, rh), abs=allowed), (t, rh)


def test_specific_volume_and_density_agree_with_coolprop() -> None:
    """CoolProp: volume per kg of dry air and mass per m³ of moist air within 0.15 %."""
    for t, rh in GRID:
        volume = of_coolprop("V", t, rh)
        assert air.specific_volume_m3_kg(t, rh) == pytest.approx(volume, rel=0.0015), (t, rh)
        assert air.density_kg_m3(t, rh) == pytest.approx((1.0 + of_coolprop("W", t, rh)) / volume, rel=0.0015), (t, rh)


def test_altitude_agrees_with_coolprop() -> None:
    """CoolProp at 1500 m (84.56 kPa): the same agreement as at sea level; 20 % more water per kg of air than there."""
    pressure_pa = air.pressure_at_altitude_pa(1500.0)
    theirs = float(HAPropsSI("W", "T", 298.15, "R", 0.5, "P", pressure_pa))
    assert air.humidity_ratio(25.0, 50.0, pressure_pa) == pytest.approx(theirs, rel=0.006)
    assert air.humidity_ratio(25.0, 50.0, pressure_pa) / air.humidity_ratio(25.0, 50.0) == pytest.approx(1.20, abs=0.01)
    assert air.density_kg_m3(25.0, 50.0, pressure_pa) / air.density_kg_m3(25.0, 50.0) == pytest.approx(0.83, abs=0.01)


@pytest.mark.parametrize(("altitude_m", "pressure_pa"), [(0, 101325), (500, 95461), (1000, 89875), (2000, 79495), (3000, 70108)])
def test_pressure_by_altitude_is_the_handbooks(altitude_m: float, pressure_pa: float) -> None:
    """ASHRAE Handbook, Fundamentals, ch. 1, table 1 (standard atmosphere; values from memory): within 10 Pa."""
    assert air.pressure_at_altitude_pa(altitude_m) == pytest.approx(pressure_pa, abs=10)


@pytest.mark.parametrize(
    ("t", "pressure_pa", "tolerance"),
    [(-20, 103.24, 0.0003), (-5, 401.74, 0.0001), (5, 872.6, 0.0003), (25, 3169.7, 0.0003), (50, 12351.3, 0.0003)],
)
def test_saturation_pressure_is_the_handbooks(t: float, pressure_pa: float, tolerance: float) -> None:
    """ASHRAE Handbook, Fundamentals (2017), ch. 1, table 3, as quoted in PsychroLib's tests, which allow 0.03 %."""
    assert air.saturation_pressure_pa(t) == pytest.approx(pressure_pa, rel=tolerance)


@pytest.mark.parametrize(
    ("t", "ratio", "tolerance"),
    [(-20, 0.0006373, 0.01), (-5, 0.0024863, 0.005), (5, 0.005425, 0.005), (25, 0.020173, 0.005), (50, 0.086863, 0.01)],
)
def test_saturated_humidity_ratio_is_the_handbooks(t: float, ratio: float, tolerance: float) -> None:
    """ASHRAE Handbook (2017), ch. 1, table 2, as quoted in PsychroLib's tests: real gas, so 0.5 to 1 % above the ideal one."""
    assert air.humidity_ratio(t, 100.0) == pytest.approx(ratio, rel=tolerance)


def test_the_handbooks_first_example() -> None:
    """ASHRAE Handbook, ch. 1, example 1, read off a chart: 40 °C dry and 20 °C wet → 0.0065 kg/kg, dew point 7 °C, 14 %,
    56.7 kJ/kg, 0.896 m³/kg. A chart is read to one unit of the last digit, half a degree, half a per cent."""
    low, high = 0.0, 100.0
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (middle, high) if air.wet_bulb_c(40.0, middle) < 20.0 else (low, middle)
    assert low == pytest.approx(14.0, abs=0.5)
    assert air.humidity_ratio(40.0, low) == pytest.approx(0.0065, abs=0.0001)
    assert air.dew_point_c(40.0, low) == pytest.approx(7.0, abs=0.5)
    assert air.enthalpy_j_kg(40.0, low) == pytest.approx(56_700, rel=0.005)
    assert air.specific_volume_m3_kg(40.0, low) == pytest.approx(0.896, abs=0.001)


@pytest.mark.parametrize(("t", "rh", "dew_point"), [(10, 75, 5.8), (15, 70, 9.6), (20, 60, 12.0), (-5, 85, -6.9)])
def test_dew_points_a_barn_meets(t: float, rh: float, dew_point: float) -> None:
    """Worked with CoolProp 8.0 and rounded to 0.1 °C; frost point below 0 °C."""
    assert air.dew_point_c(t, rh) == pytest.approx(dew_point, abs=0.06)


def test_warm_air_carries_the_water_the_trade_says() -> None:
    """University of Georgia: a 400 ft house's air holds 66 lb of vapour at 40 °F and 184 lb at 70 °F; ratio 2.79, whole
    pounds, so ±0.04."""

    def water_kg_m3(t: float) -> float:
        return air.humidity_ratio(t, 100.0) / air.specific_volume_m3_kg(t, 100.0)

    ratio = water_kg_m3((70 - 32) / 1.8) / water_kg_m3((40 - 32) / 1.8)
    assert ratio == pytest.approx(184 / 66, abs=0.04)


def murphy_koop_pa(t: float) -> tuple[float, float]:
    """Saturation over ice and over supercooled water: Murphy & Koop (2005), Q. J. R. Meteorol. Soc. 131, eq. 7 and 10
    (coefficients from memory)."""
    k = t + 273.15
    ice = exp(9.550426 - 5723.265 / k + 3.53068 * log(k) - 0.00728332 * k)
    water = exp(
        54.842763
        - 6763.22 / k
        - 4.210 * log(k)
        + 0.000367 * k
        + tanh(0.0415 * (k - 218.8)) * (53.878 - 1331.22 / k - 9.44523 * log(k) + 0.014025 * k)
    )
    return ice, water


@pytest.mark.parametrize("t", [-40.0, -30.0, -20.0, -15.0, -10.0, -5.0, -1.0])
def test_a_sensors_humidity_turns_into_humidity_over_ice(t: float) -> None:
    """Murphy & Koop (2005), a second formula: within 0.5 % down to −20 °C, 1 % at −40, where no pen is."""
    ice, water = murphy_koop_pa(t)
    assert air.over_ice_pct(t, 50.0) == pytest.approx(50.0 * water / ice, rel=0.005 if t >= -20 else 0.01)
    assert air.saturation_pressure_pa(t) == pytest.approx(ice, rel=0.001)


def test_the_wrong_convention_would_show() -> None:
    """At −15 °C a sensor's 80 % is 92.5 % over ice (e_ice/e_water 0.865, value from memory) and the frost point moves
    by over 1 K: the conversion is not decoration."""
    assert air.over_ice_pct(-15.0, 80.0) == pytest.approx(80.0 / 0.865, abs=0.6)
    assert air.dew_point_c(-15.0, air.over_ice_pct(-15.0, 80.0)) - air.dew_point_c(-15.0, 80.0) > 1.0
