"""Heat of birds: figures as printed, order and refusals. Measured birds stand in tests/published."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air import birds
from monitor.air.ranges import OutOfRange
from monitor.facts.growth import DUAL_PURPOSE, DUAL_PURPOSE_MALE, GROWTH, LAYER

classes = st.sampled_from(["layer", "meat", "dual-purpose"])
weights = st.floats(0.03, 7.0)
temperatures = st.floats(-20.0, 45.0)


@pytest.mark.parametrize(
    ("temperature_c", "total_w", "sensible_w", "latent_w", "water_g_h"),
    [
        (0, 444.0, 297.5, 146.5, 215.5),
        (5, 412.3, 276.2, 136.1, 200.1),
        (10, 380.6, 255.0, 125.6, 184.7),
        (15, 348.9, 233.4, 115.5, 169.8),
        (20, 317.2, 210.5, 106.7, 156.8),
        (25, 285.4, 183.7, 101.8, 149.7),
        (30, 253.7, 147.3, 106.4, 156.5),
    ],
)
def test_25_floor_hens_as_a_second_program_reckons_them(
    temperature_c: float, total_w: float, sensible_w: float, latent_w: float, water_g_h: float
) -> None:
    """CIGR 2002 equations (coefficients from memory) typed a second time elsewhere: 25 hens of 2 kg, 0.05 kg of egg a day.
    Guards against a slip of the pen, not against the source. Printed to 0.1."""
    heat = birds.heat("layer", 2.0, temperature_c, 0.05)
    assert 25 * heat.total_w == pytest.approx(total_w, abs=0.1)
    assert 25 * heat.sensible_w == pytest.approx(sensible_w, abs=0.1)
    assert 25 * heat.latent_w == pytest.approx(latent_w, abs=0.1)
    assert 25 * birds.moisture_g_h("layer", 2.0, temperature_c, 0.05) == pytest.approx(water_g_h, abs=0.1)


def test_25_day_olds_of_a_meat_breed() -> None:
    """The same second program: 25 chicks of 40 g at 20 °C, 24 W and 0.0044 m³/h of carbon dioxide."""
    assert 25 * birds.heat("meat", 0.040, 20.0).total_w == pytest.approx(24, abs=0.5)
    assert 25 * birds.carbon_dioxide_m3_h("meat", 0.040, 20.0) == pytest.approx(0.0044, abs=0.0001)


@given(classes, weights, temperatures, st.floats(0.0, 0.1), st.booleans())
def test_heat_adds_up(bird_class: str, kg: float, t: float, egg: float, deep_litter: bool) -> None:
    """Total is sensible plus latent; total and latent are always given off, sensible may turn round in great heat."""
    heat = birds.heat(bird_class, kg, t, egg, deep_litter)
    assert heat.total_w == pytest.approx(heat.sensible_w + heat.latent_w)
    assert heat.total_w > 0.0
    assert heat.latent_w > 0.0
    assert heat.sensible_w > 0.0 or t > 39.5


@given(classes, weights, st.floats(0.01, 0.5), temperatures)
def test_heavier_birds_give_off_more_each_and_less_per_kilogram(bird_class: str, kg: float, more: float, t: float) -> None:
    """The law of metabolic weight."""
    light, heavy = birds.heat(bird_class, kg, t).total_w, birds.heat(bird_class, kg + more, t).total_w
    assert heavy > light
    assert heavy / (kg + more) < light / kg


@given(classes, weights, st.floats(-20.0, 44.0), st.floats(0.1, 1.0))
def test_warmth_turns_heat_into_water(bird_class: str, kg: float, t: float, warmer: float) -> None:
    """Total and sensible heat fall with temperature, the share leaving as water never shrinks above freezing."""
    cool, warm = birds.heat(bird_class, kg, t), birds.heat(bird_class, kg, t + warmer)
    assert warm.total_w < cool.total_w
    assert warm.sensible_w < cool.sensible_w
    if t > 0.0:
        assert warm.latent_w / warm.total_w >= cool.latent_w / cool.total_w - 1e-12


def test_above_body_temperature_the_bird_takes_heat_from_the_air() -> None:
    """At 44 °C sensible heat is negative and said to be so, and more leaves as water than the bird makes."""
    for bird_class in ("layer", "meat"):
        heat = birds.heat(bird_class, 2.0, 44.0)
        assert heat.sensible_w < 0.0
        assert heat.latent_w > heat.total_w


def test_deep_litter_never_makes_a_heat_sink_smaller() -> None:
    """The 17 % are of heat given off; above body temperature there is none to take."""
    assert birds.heat("layer", 2.0, 44.0, deep_litter=True) == birds.heat("layer", 2.0, 44.0)


def test_eggs_cost_heat() -> None:
    """50 g of egg a day add 1.25 W at 20 °C to a hen; the source counts none of meat birds."""
    assert birds.heat("meat", 2.0, 20.0, 0.05) == birds.heat("meat", 2.0, 20.0)
    assert birds.heat("layer", 2.0, 20.0, 0.05).total_w - birds.heat("layer", 2.0, 20.0).total_w == pytest.approx(1.25)


def test_dual_purpose_birds_are_reckoned_as_floor_hens() -> None:
    """A choice, said in the docstring: up to a third low for cockerels growing like broilers."""
    assert birds.heat("dual-purpose", 2.5, 15.0) == birds.heat("layer", 2.5, 15.0)
    assert 0.64 < birds.heat("dual-purpose", 2.5, 15.0).total_w / birds.heat("meat", 2.5, 15.0).total_w < 1.0


@pytest.mark.parametrize(
    ("kg", "t", "egg", "name"),
    [
        (0.01, 20.0, 0.0, "live_weight_kg"),
        (9.0, 20.0, 0.0, "live_weight_kg"),
        (2.0, -21.0, 0.0, "temperature_c"),
        (2.0, 46.0, 0.0, "temperature_c"),
        (2.0, 20.0, 50.0, "egg_kg_day"),
        (math.nan, 20.0, 0.0, "live_weight_kg"),
        (2.0, math.nan, 0.0, "temperature_c"),
    ],
)
def test_outside_its_range_it_refuses(kg: float, t: float, egg: float, name: str) -> None:
    """A hen of 2000 (grams for kilograms) or an egg of 50 kg is a slip, not a bird."""
    for call in (birds.heat, birds.moisture_g_h, birds.carbon_dioxide_m3_h):
        with pytest.raises(OutOfRange) as refusal:
            call("layer", kg, t, egg)
        assert refusal.value.name == name


def test_an_unknown_class_is_refused() -> None:
    """No quiet default."""
    with pytest.raises(ValueError, match="bird class is 'duck'"):
        birds.heat("duck", 2.0, 20.0)


@given(st.sampled_from(sorted(GROWTH)), st.floats(0.0, 700.0), st.floats(0.1, 30.0))
def test_weight_by_age_never_falls(bird_class: str, age: float, later: float) -> None:
    """Birds grow or are grown."""
    table = GROWTH[bird_class]
    assert birds.live_weight_kg(age + later, table) >= birds.live_weight_kg(age, table)
    assert table[0][1] <= birds.live_weight_kg(age, table) <= table[-1][1]


def test_weight_by_age_meets_the_rows_and_the_lines_between() -> None:
    """At a row its weight, halfway the mean, past the last the last."""
    for day, weight in LAYER:
        assert birds.live_weight_kg(day, LAYER) == weight
    assert birds.live_weight_kg(24.5, LAYER) == pytest.approx((0.190 + 0.265) / 2)
    assert birds.live_weight_kg(2000, LAYER) == LAYER[-1][1]
    assert birds.live_weight_kg(3, ((5, 0.1), (9, 0.2))) == 0.1


def test_males_outweigh_the_mixed_flock() -> None:
    """The cockerels' table stands above the mixed one at every age after hatch."""
    for day in range(1, 366, 7):
        assert birds.live_weight_kg(day, DUAL_PURPOSE_MALE) > birds.live_weight_kg(day, DUAL_PURPOSE)


def test_weight_of_no_age_or_no_table_is_refused() -> None:
    """Before hatch there is no bird; an empty table is a mistake in the settings."""
    for age in (-1.0, math.nan, 6000.0):
        with pytest.raises(OutOfRange, match="age_days"):
            birds.live_weight_kg(age, LAYER)
    with pytest.raises(ValueError, match="growth table is empty"):
        birds.live_weight_kg(10.0, ())
