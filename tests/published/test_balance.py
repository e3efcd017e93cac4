"""Required airflow against worked examples of the trade and a second reckoning with real-gas air.

"Worked a second time" means: by another program from the same balance, with PsychroLib's air; the animal
figures in those examples are inputs here, so nothing rests on coefficients known from memory.
"""

from __future__ import annotations

import pytest
from CoolProp.HumidAirProp import HAPropsSI

from monitor.air import balance
from monitor.air.balance import CannotMeet, Reason
from monitor.facts.airflow import RATES

M3_H_PER_CFM = 1.69901


def figure(answer: balance.Answer) -> float:
    assert isinstance(answer, float)
    return answer


def test_winter_moisture_of_the_canada_plan_service() -> None:
    """Canada Plan Service 9700: outside −25 °C saturated, inside 15 °C and 75 %, 70 g/h of water → 9.21 kg of air an hour,
    2.10 L/s at 820 L/kg. Read off a chart (0.4, 8.0 g/kg, 820 L/kg; exactly 0.39, 7.95, 827): within 3 %."""
    airflow = figure(balance.moisture_m3_h(70.0, 15.0, 75.0, -25.0, 100.0))
    assert airflow / 3.6 == pytest.approx(2.10, rel=0.03)


def test_moisture_of_a_pig_house_worked_in_class() -> None:
    """A ventilation class's exercise: inside 50 °F 70 %, outside 30 °F 20 %, 12 US gallons of water an hour → about
    4,670 cfm (worked a second time): within 1 %."""
    airflow = figure(balance.moisture_m3_h(12 * 3785.4, 10.0, 70.0, (30 - 32) / 1.8, 20.0))
    assert airflow / M3_H_PER_CFM == pytest.approx(4670, rel=0.01)


@pytest.mark.parametrize(
    ("water_g_h", "inside", "outside", "cfm"),
    [
        (100.0, (10.0, 70.0), (-5.0, 80.0), 14.25),
        (150.0, (10.0, 70.0), (-5.0, 80.0), 21.37),
        (184.6, (10.0, 70.0), (-5.0, 80.0), 26.30),
        (250.0, (10.0, 70.0), (-5.0, 80.0), 35.62),
        (184.6, (10.0, 80.0), (-5.0, 80.0), 21.43),
        (200.1, (5.0, 80.0), (-5.0, 80.0), 40.02),
        (184.6, (10.0, 70.0), (-15.0, 80.0), 19.51),
        (184.6, (10.0, 70.0), (5.0, 90.0), 189.6),
    ],
)
def test_winter_moisture_of_a_small_flock(
    water_g_h: float, inside: tuple[float, float], outside: tuple[float, float], cfm: float
) -> None:
    """Worked a second time: 25 hens, exhaust airflow; printed to 0.01 cfm from rounded water: within 0.3 %."""
    assert figure(balance.moisture_m3_h(water_g_h, *inside, *outside)) / M3_H_PER_CFM == pytest.approx(cfm, rel=0.003)


@pytest.mark.parametrize(
    ("inside", "outside"), [((10.0, 70.0), (-5.0, 80.0)), ((20.0, 60.0), (5.0, 90.0)), ((25.0, 65.0), (15.0, 50.0))]
)
def test_moisture_airflow_agrees_with_real_gas_air(inside: tuple[float, float], outside: tuple[float, float]) -> None:
    """CoolProp's humid air (real gas): the same balance within 0.6 %, the water the ideal gas lacks."""

    def real(quantity: str, t: float, rh: float) -> float:
        return float(HAPropsSI(quantity, "T", t + 273.15, "R", rh / 100, "P", 101325.0))

    theirs = 0.1 / (real("W", *inside) - real("W", *outside)) * real("V", *inside)
    assert figure(balance.moisture_m3_h(100.0, *inside, *outside)) == pytest.approx(theirs, rel=0.006)


@pytest.mark.parametrize(
    ("limit_ppm", "per_kw", "cfm"), [(3000, 0.185, 16.06), (2000, 0.185, 26.23), (3000, 0.163, 14.15), (2000, 0.163, 23.11)]
)
def test_carbon_dioxide_of_a_small_flock(limit_ppm: float, per_kw: float, cfm: float) -> None:
    """Pedersen et al., CIGR Journal 1205 (0.185 m³/h per 1000 W) and CIGR 1984 (0.163, value from memory): 380.6 W of hens,
    420 ppm outside; worked a second time."""
    assert figure(balance.carbon_dioxide_m3_h(0.3806 * per_kw, limit_ppm)) / M3_H_PER_CFM == pytest.approx(cfm, abs=0.01)


def test_ammonia_of_a_flock_on_litter() -> None:
    """CSIRO AN15561: 11.9 g of ammonia a bird in 42 days. 25 birds, 295 mg/h: at 22.7 m³/h 13.0 mg/m³, 18.3 ppm at 20 °C."""
    emission_mg_h = 25 * 11.9 / 42 * 1000 / 24
    assert emission_mg_h == pytest.approx(295, abs=0.5)
    assert figure(balance.ammonia_m3_h(295.0, 18.3, 20.0)) == pytest.approx(22.7, abs=0.1)


@pytest.mark.parametrize(
    ("emission_mg_h", "limit_ppm", "cfm"), [(312.5, 10, 25.09), (312.5, 20, 12.55), (312.5, 25, 10.04), (937.5, 25, 30.11)]
)
def test_ammonia_airflow_at_10_c(emission_mg_h: float, limit_ppm: float, cfm: float) -> None:
    """Worked a second time: 25 hens at 0.3 and 0.9 g a day, clean air outside, 10 °C."""
    assert figure(balance.ammonia_m3_h(emission_mg_h, limit_ppm, 10.0)) / M3_H_PER_CFM == pytest.approx(cfm, abs=0.02)


@pytest.mark.parametrize(("temperature_c", "mg_m3"), [(25, 0.696), (20, 0.708), (10, 0.733), (0, 0.760)])
def test_a_ppm_of_ammonia_weighs_what_the_gas_law_says(temperature_c: float, mg_m3: float) -> None:
    """NIOSH Pocket Guide: 1 ppm of ammonia is 0.70 mg/m³ at 25 °C; the rest from the ideal gas law, three digits."""
    assert balance.ppm_to_mg_m3(1.0, temperature_c) == pytest.approx(mg_m3, abs=0.0006)


def test_ammonia_fed_to_the_penn_state_chamber() -> None:
    """Hofstetter et al. (2021), Sensors 21, 6664: 50 ppm in 0.06 m³/s take 3.0e-6 m³/s of ammonia, 2.12 mg/s at 20 °C."""
    assert balance.ppm_to_mg_m3(50.0, 20.0) * 0.06 == pytest.approx(2.12, abs=0.01)
    assert figure(balance.ammonia_m3_h(2.12 * 3600, 50.0, 20.0)) / 3600 == pytest.approx(0.06, abs=0.0005)


@pytest.mark.parametrize(
    ("heat_w", "inside_c", "outside_c", "cfm"),
    [(170.7, 27, 25, 152.9), (128.1, 32, 30, 116.6), (250.0, 30, 28, 226.1), (853 * 0.29307, 21.1, 19.1, 219.4)],
)
def test_summer_airflow_for_heat(heat_w: float, inside_c: float, outside_c: float, cfm: float) -> None:
    """Worked a second time; the last is the trade's 1.08 BTU per hour, cfm and °F with its air of 0.075 lb/ft³ (21 °C).
    Specific heat 1006 J/kg/K: within 0.5 %."""
    assert figure(balance.sensible_heat_m3_h(heat_w, inside_c, outside_c)) / M3_H_PER_CFM == pytest.approx(cfm, rel=0.005)


def test_minimum_by_live_weight() -> None:
    """Charles, Scragg & Binstead (1981): 1.5e-4 m³/s per kg^0.75, so 0.91 m³/h for a 2 kg hen."""
    per = RATES["minimum per kg^0.75"].value
    assert per == pytest.approx(1.5e-4 * 3600)
    assert balance.minimum_m3_h(2.0, 1, per) == pytest.approx(0.908, abs=0.001)


def test_a_winter_night_leaves_nothing_for_the_walls() -> None:
    """Worked a second time: 26.32 cfm from −5 to 10 °C carry 232.5 W of the birds' 255.0; 22.4 W are left, walls of
    1.50 W/K. A real shed's walls take 30 W/K and more, so drying it without a heater is a wish."""
    airflow = 26.32 * M3_H_PER_CFM
    without_walls = balance.heater_w(airflow, 10.0, -5.0, 0.0, 0.0)
    assert without_walls == pytest.approx(232.5, rel=0.01)
    assert balance.heater_w(airflow, 10.0, -5.0, 255.0, 1.4) == 0.0
    assert balance.heater_w(airflow, 10.0, -5.0, 255.0, 30.0) == pytest.approx(30 * 15 - 22.4, abs=3)
    assert balance.affordable_m3_h(255.0, 10.0, -5.0, 30.0) == 0.0


def test_moisture_governs_the_winter_night() -> None:
    """Worked a second time: moisture 26 > carbon dioxide 16 > ammonia 12.5 cfm for 25 hens at −5 °C."""
    needs = {
        "ammonia": balance.ammonia_m3_h(312.5, 20.0, 10.0),
        "moisture": balance.moisture_m3_h(184.6, 10.0, 70.0, -5.0, 80.0),
        "carbon dioxide": balance.carbon_dioxide_m3_h(0.0704, 3000.0),
    }
    requirement = balance.required_m3_h(needs)
    assert requirement.governing == "moisture"
    assert requirement.airflow_m3_h == needs["moisture"]
    order = sorted(needs, key=lambda name: -figure(needs[name]))
    assert order == ["moisture", "carbon dioxide", "ammonia"]


def test_a_balance_that_cannot_tell_says_so() -> None:
    """Pedersen et al., comparison of three balance methods: less than 200 ppm of carbon dioxide difference tells nothing."""
    assert balance.carbon_dioxide_m3_h(0.07, 600.0, 420.0) == CannotMeet(Reason.TOO_MUCH_CARBON_DIOXIDE_OUTSIDE, 180.0, "ppm")
    assert isinstance(balance.carbon_dioxide_m3_h(0.07, 620.0, 420.0), float)
