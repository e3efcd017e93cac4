"""Heat, moisture and carbon dioxide of birds against measured birds, with the deviation stated.

The model's coefficients (CIGR 2002) are from memory, so a range here says how far the model lies from
the measurement, in both directions: a changed coefficient falls out of it.
"""

from __future__ import annotations

import pytest

from monitor.air import birds
from monitor.facts.growth import GROWTH

WHITE_HEN_KG = 1.5  # W-36 in lay, value from memory
EGG_KG_DAY = 0.05


def per_kg(bird_class: str, kg: float, temperature_c: float, egg_kg_day: float = 0.0) -> tuple[float, float, float]:
    heat = birds.heat(bird_class, kg, temperature_c, egg_kg_day)
    return heat.total_w / kg, heat.sensible_w / kg, heat.latent_w / kg


def test_hens_between_24_and_27_c_agree_with_the_calorimeter() -> None:
    """Heat and moisture production of W-36 laying hens at 24 to 27 °C (HAL hal-01607256): 6.1 ± 0.3, 3.8 ± 0.1 and
    2.3 ± 0.2 W/kg. At 25.5 °C the model lies +2, +4 and −3 % from it: within 6 %."""
    total, sensible, latent = per_kg("layer", WHITE_HEN_KG, 25.5, EGG_KG_DAY)
    assert total == pytest.approx(6.1, rel=0.06)
    assert sensible == pytest.approx(3.8, rel=0.06)
    assert latent == pytest.approx(2.3, rel=0.06)


@pytest.mark.parametrize(
    ("temperature_c", "total", "sensible", "latent", "excess_total", "excess_sensible"),
    [
        (24, (6.4, 6.6), (2.8, 3.1), (3.5, 3.7), (-0.2, 0.1), (1.0, 1.5)),
        (32, (5.6, 6.1), (0.7, 1.0), (4.9, 5.2), (-0.8, -0.2), (1.8, 2.2)),
        (35, (5.4, 5.7), (-1.0, -0.4), (5.9, 6.5), (-0.9, -0.4), (2.3, 3.1)),
    ],
)
def test_hens_in_heat_lose_less_sensible_heat_than_the_model_says(
    temperature_c: float,
    total: tuple[float, float],
    sensible: tuple[float, float],
    latent: tuple[float, float],
    excess_total: tuple[float, float],
    excess_sensible: tuple[float, float],
) -> None:
    """Green & Xin (2009), W/kg of a room with its manure, hens of about 1.5 kg. Total heat is within 15 %; sensible heat
    is 1 to 1.5 W/kg too high at 24 °C, 2 at 32 and 3 at 35, where the measured birds took heat from the air. The model
    is wrong there, and this test says by how much."""
    modelled = per_kg("layer", WHITE_HEN_KG, temperature_c, EGG_KG_DAY)
    middle = sum(total) / 2
    assert modelled[0] == pytest.approx(middle, rel=0.15)
    assert excess_total[0] <= modelled[0] - middle <= excess_total[1]
    assert excess_sensible[0] <= modelled[1] - sum(sensible) / 2 <= excess_sensible[1]
    assert modelled[2] < latent[0]


@pytest.mark.parametrize("kg", [0.1, 0.5, 1.0, 2.0, 3.0])
def test_broilers_agree_with_the_literature_review(kg: float) -> None:
    """Chepete & Xin (2001), review: 10.60·M^0.74 W for broilers measured from 1982 to 2000. Within 2.5 %."""
    assert birds.heat("meat", kg, 20.0).total_w == pytest.approx(10.60 * kg**0.74, rel=0.025)


@pytest.mark.parametrize("kg", [0.5, 1.0, 1.5, 2.0])
def test_floor_hens_lie_above_the_literature_review(kg: float) -> None:
    """Chepete & Xin (2001): 6.20·M^0.71 W for pullets and layers, mostly caged. Floor birds are reckoned 6 to 13 % above."""
    assert 1.06 < birds.heat("layer", kg, 20.0).total_w / (6.20 * kg**0.71) < 1.13


@pytest.mark.parametrize(("temperature_c", "least_w_kg", "most_w_kg"), [(30.8, 7.8, 9.6), (38.8, 9.9, 12.3)])
def test_chicks_of_a_few_days_make_less_than_the_model_says(temperature_c: float, least_w_kg: float, most_w_kg: float) -> None:
    """Van der Hel et al., neonatal chicks: 34.6 falling to 28.2 kJ/kg/h at 30.8 °C, 44.1 to 35.5 at 38.8 °C. The model for
    a 40 g meat chick is 1.2 to 2.4 times that: safe for airflow, not for a heater, and never below the measurement."""
    modelled = per_kg("meat", 0.040, temperature_c)[0]
    assert modelled / most_w_kg > 1.2
    assert modelled / least_w_kg < 2.4


@pytest.mark.parametrize("temperature_c", [18, 22, 25, 28, 32])
def test_hens_moisture_lies_in_the_range_of_real_houses(temperature_c: float) -> None:
    """Li, Xin & Liang (2005): 1.57 to 11.74 g/h per kg of hen in houses of 18 to 32 °C. A wide range; we lie low in it."""
    per_kg_g_h = birds.moisture_g_h("layer", 2.0, temperature_c, EGG_KG_DAY) / 2.0
    assert 1.57 < per_kg_g_h < 11.74
    assert per_kg_g_h < 5.4  # Green & Xin (2009), 24 °C: 5.1 to 5.4 with manure


def test_broilers_moisture_is_below_the_old_rule() -> None:
    """Auburn University newsletter 28 (2004): 0.01 lb of water an hour per lb of broiler, spilt water included (10 g/h/kg).
    The model gives 0.55 to 0.75 of it at 20 °C and 2 kg: leaking drinkers are not in it."""
    assert 0.55 < birds.moisture_g_h("meat", 2.0, 20.0) / 2.0 / 10.0 < 0.75


def test_deep_litter_takes_17_percent_of_sensible_heat() -> None:
    """Pedersen & Thomsen (2000), straw 50 to 100 mm: sensible heat 17 % lower, total heat the same. In their broilers the
    model's own curve already lies 22 % below that of hens, so it stays as it is."""
    bare, littered = birds.heat("layer", 2.0, 15.0), birds.heat("layer", 2.0, 15.0, deep_litter=True)
    assert littered.sensible_w == pytest.approx(0.83 * bare.sensible_w)
    assert littered.total_w == bare.total_w
    assert birds.heat("meat", 2.0, 15.0, deep_litter=True) == birds.heat("meat", 2.0, 15.0)
    meat, hen = birds.heat("meat", 2.0, 20.0), birds.heat("layer", 2.0, 20.0)
    assert (meat.sensible_w / meat.total_w) / (hen.sensible_w / hen.total_w) == pytest.approx(0.78, abs=0.01)


def test_carbon_dioxide_of_a_hen_meets_the_trades_minimum() -> None:
    """Pedersen et al., CIGR Journal 1205: 0.185 m³/h per 1000 W. 25 hens of 2 kg at 20 °C give 0.0587 m³/h; held at
    3000 ppm against 420 that is 0.91 m³/h a hen, the very figure Charles et al. (1981) ask for 2 kg (0.908)."""
    flock = 25 * birds.carbon_dioxide_m3_h("layer", 2.0, 20.0, EGG_KG_DAY)
    assert flock == pytest.approx(0.0587, abs=0.0001)
    assert flock / ((3000 - 420) * 1e-6) / 25 == pytest.approx(0.908, abs=0.01)


def test_sensible_heat_vanishes_near_body_temperature() -> None:
    """A bird of 41 °C cannot warm air of 40 °C: both curves of CIGR 2002 end within 1 % of total heat there. The check
    on coefficients known from memory."""
    for bird_class in ("layer", "meat"):
        heat = birds.heat(bird_class, 2.0, 40.0)
        assert abs(heat.sensible_w) < 0.01 * heat.total_w


def test_a_broiler_outgrows_a_delaware_as_measured() -> None:
    """McCrea et al. (2014): a Delaware needs 15 weeks for the weight a broiler has at 6. Our tables (from memory) agree
    within a fifth, which is what a breed makes."""
    broiler_at_6_weeks = birds.live_weight_kg(42, GROWTH["meat"])
    assert birds.live_weight_kg(105, GROWTH["dual-purpose"]) == pytest.approx(broiler_at_6_weeks, rel=0.20)
