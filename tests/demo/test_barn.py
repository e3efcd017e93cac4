"""The barn model obeys its balances: what goes in comes out or stays, and steady states match hand calculation."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo.barn import AIR_J_KG_K, AIR_KG_M3, Barn, Breath, Lamp, Shed
from demo.litter import Litter, moisture_effect
from demo.moist_air import EVAPORATION_J_KG, ammonia_mg_m3_per_ppm, humidity_ratio, relative_humidity_pct
from demo.weather import Sky

CFM = 4.719474e-4
FT = 0.3048
MILL_RISE = Shed(12 * FT, 10 * FT, 8 * FT, 5 / 5.678263)
HENS = Breath(total_w=380.6, latent_w=125.6, co2_m3_s=0.0704 / 3600, live_kg=50.0, ammonia_source_g_day=6.25)


def barn(**changes: object) -> Barn:
    litter = Litter(MILL_RISE.floor_m2, dry_kg=78.0, water_kg=26.0, age_days=1000.0, lively=1.0)
    room = Barn(MILL_RISE, Lamp(kind="none"), litter)
    for name, value in changes.items():
        setattr(room, name, value)
    return room


def run(room: Barn, hours: float, sky: Sky, breath: Breath = HENS, dt_s: float = 10.0) -> None:
    for _ in range(int(hours * 3600 / dt_s)):
        room.step(dt_s, sky, breath)


@given(
    outside_c=st.floats(-15, 35),
    humidity=st.floats(20, 100),
    wind=st.floats(0, 10),
    sun=st.floats(0, 900),
    fan=st.floats(0, 0.16),
    lamp=st.sampled_from(["none", "steady", "thermostat"]),
    door=st.booleans(),
    dt_s=st.sampled_from([1.0, 10.0, 30.0]),
)
def test_heat_and_water_are_neither_made_nor_lost(outside_c, humidity, wind, sun, fan, lamp, door, dt_s):
    """Whatever the weather and the levers, the books agree with what the room holds."""
    room = barn(fan_m3_s=fan, door_open=door, heater_w=1000.0)
    room.lamp.kind = lamp
    heat, vapour, litter_kg = room.heat_store_j(), room.vapour_kg(), room.litter.water_kg
    co2, ammonia = room.co2_ppm, room.ammonia_mg_m3
    run(room, 2.0, Sky(outside_c, humidity, wind, sun), dt_s=dt_s)
    books, volume = room.books, MILL_RISE.volume_m3
    gained = books.heat_in_j - books.heat_drying_j - books.heat_walls_j - books.heat_air_j
    assert room.heat_store_j() - heat == pytest.approx(gained, rel=1e-9, abs=1.0)
    kept = books.water_in_kg - books.water_air_kg - books.water_walls_kg
    assert room.vapour_kg() - vapour == pytest.approx(kept, rel=1e-9, abs=1e-9)
    # what left the litter is what the air was given beyond the birds' breath
    dried = books.heat_drying_j / EVAPORATION_J_KG
    through = (1 - room.direct_share) * HENS.latent_w / EVAPORATION_J_KG * 7200
    assert room.litter.water_kg - litter_kg == pytest.approx(through - dried, abs=1e-9)
    assert (room.co2_ppm - co2) * 1e-6 * volume == pytest.approx(books.co2_in_m3 - books.co2_out_m3, abs=1e-9)
    assert (room.ammonia_mg_m3 - ammonia) * volume == pytest.approx(books.ammonia_in_mg - books.ammonia_out_mg, abs=1e-6)


def test_the_room_settles_where_heat_in_is_heat_out():
    """Steady warmth is outside plus heat over conductance, worked by hand."""
    sky = Sky(-5.0, 80.0, 3.0, 0.0)
    room = barn(fan_m3_s=26.3 * CFM)
    room.litter.transfer_m_s = 0.0  # no drying: heat alone
    breath = Breath(total_w=380.6)
    run(room, 24 * 12, sky, breath, dt_s=30.0)
    walls = (2 * (12 + 10) * 8 + 120) * FT**2 / (5 / 5.678263)
    edge = 0.9 * 2 * (12 + 10) * FT
    leak = 150 * math.sqrt(0.000145 * (room.air_c + 5) + 0.000174 * 9) / 1000
    air = 1.2 * 1006 * math.hypot(leak, 26.3 * CFM)
    assert room.air_c == pytest.approx(-5.0 + 380.6 / (walls + edge + air), abs=0.02)


def test_twenty_five_hens_do_not_hold_ten_degrees_on_a_winter_night():
    """No barn of this size holds a set temperature on bird heat alone; the model does not pretend so."""
    room = barn(fan_m3_s=26.3 * CFM)
    run(room, 24 * 6, Sky(-5.0, 80.0, 3.0, 0.0), dt_s=30.0)
    assert -5.0 < room.air_c < 5.0


def test_carbon_dioxide_settles_at_source_over_airflow():
    """0.0704 m³/h of CO2 in 27.29 m³/h of air stands 2580 ppm over outside (worked by hand: 0.0704/27.29)."""
    room = barn()
    room.shed = Shed(12 * FT, 10 * FT, 8 * FT, 5 / 5.678263, leakage_cm2=0.0)
    room.fan_m3_s = 27.29 / 3600
    run(room, 24, Sky(5.0, 80.0, 0.0, 0.0), dt_s=30.0)
    assert room.co2_ppm == pytest.approx(420 + 0.0704 / 27.29 * 1e6, rel=0.002)


def test_water_settles_where_the_birds_give_what_the_air_takes():
    """Once litter is in balance, all the house's moisture leaves with the air: ṁ = water / ΔW."""
    room = barn()
    room.shed = Shed(12 * FT, 10 * FT, 8 * FT, 5 / 5.678263, leakage_cm2=0.0, coupling_w_k=1e5, mass_j_k=1e12)
    room.air_c = room.mass_c = 10.0  # a huge mass holds the room at 10 °C
    room.fan_m3_s = 60.0 / 3600
    run(room, 24 * 60, Sky(-5.0, 80.0, 0.0, 0.0), dt_s=30.0)
    difference = room.water_ratio - humidity_ratio(-5.0, 80.0)
    assert AIR_KG_M3 * room.fan_m3_s * difference == pytest.approx(HENS.latent_w / EVAPORATION_J_KG, rel=0.01)
    assert 15 < room.litter.moisture_pct < 45


# E in mg/h and ppm in clean-air-fed rooms, worked by hand from the equations in demo/README.md for 25 hens of
# 0.25 g a day each: (litter °C, moisture %, age d, mg/h, ppm at 10 cfm, ppm at 10 cfm held back at 100 ppm).
@pytest.mark.parametrize(
    ("warm_c", "moisture", "age", "mg_h", "ppm", "ppm_held"),
    [
        (20, 25, 1e6, 260.42, 21.65, 17.80),
        (10, 25, 1e6, 120.62, 9.69, 8.83),
        (10, 35, 1e6, 178.55, 14.34, 12.54),
        (10, 25, 7, 38.51, 3.09, 3.00),
        (25, 30, 60, 440.14, 37.21, 27.12),
        (0, 30, 120, 67.76, 5.25, 4.99),
    ],
)
def test_ammonia_follows_litter_age_warmth_and_wet(warm_c, moisture, age, mg_h, ppm, ppm_held):
    """Emission and the level it settles at are those of the stated equations."""
    litter = Litter(11.0, 80.0, 80.0 * moisture / (100 - moisture), age_days=age, warm_c=warm_c)
    litter.lively = moisture_effect(litter.moisture_pct)
    assert litter.ammonia_mg_h(6.25) == pytest.approx(mg_h, rel=1e-3)
    airflow_m3_h = 10 * CFM * 3600
    clean = mg_h / airflow_m3_h / ammonia_mg_m3_per_ppm(warm_c)
    assert clean == pytest.approx(ppm, rel=2e-3)
    room = barn(fan_m3_s=10 * CFM, air_c=warm_c, mass_c=warm_c)
    room.shed = Shed(12 * FT, 10 * FT, 8 * FT, 5 / 5.678263, leakage_cm2=0.0)
    room.litter = litter
    for _ in range(3000):
        room.air_c = warm_c
        litter.warm_c, litter.lively = warm_c, moisture_effect(moisture)
        room._gases(30.0, Breath(ammonia_source_g_day=6.25), 10 * CFM)
    assert room.ammonia_ppm == pytest.approx(ppm_held, rel=5e-3)


def test_the_fan_clears_ammonia_at_its_air_changes():
    """With no source the level falls as e^(−N·t), N = airflow / volume: 320 cfm in 960 ft³ is 20 an hour."""
    room = barn(fan_m3_s=320 * CFM, ammonia_mg_m3=21.0)
    room.shed = Shed(12 * FT, 10 * FT, 8 * FT, 5 / 5.678263, leakage_cm2=0.0)
    run(room, 10 / 60, Sky(5.0, 80.0, 0.0, 0.0), Breath())
    assert room.ammonia_mg_m3 == pytest.approx(21.0 * math.exp(-320 / 960 * 10), rel=1e-3)


def test_a_dead_lamp_cools_chick_height_with_its_time_constant():
    """One time constant after the lamp dies 37 % of its lift is left."""
    room = barn(lift_c=18.6)
    room.lamp = Lamp(kind="steady", lift_c=18.0, time_constant_s=1800.0, health=0.0)
    run(room, 0.5, Sky(5.0, 80.0, 2.0, 0.0), Breath())
    assert room.lift_c - room.bird_warmth_c == pytest.approx(18.0 * math.exp(-1), rel=1e-6)


def test_a_door_open_three_minutes_dips_chick_height_by_a_few_degrees():
    """Chores chill the chicks' place by up to some 8 °F on a cold day, and the lamp brings it back within two hours."""
    room = barn(air_c=14.0, mass_c=14.0, lift_c=18.6)
    room.lamp = Lamp(kind="steady", lift_c=18.0)
    sky = Sky(4.0, 80.0, 2.0, 0.0)
    before = room.bird_level_c
    room.door_open = True
    run(room, 3 / 60, sky, Breath())
    dip = before - room.bird_level_c
    assert 2.0 < dip < 5.0
    room.door_open = False
    lift = room.lift_c
    run(room, 2.0, sky, Breath())
    assert lift < room.lift_c == pytest.approx(18.6, abs=0.2)


def test_a_thermostat_keeps_chick_height_in_its_band():
    """A healthy thermostat lamp cycles within half a kelvin around its band."""
    room = barn(air_c=12.0, mass_c=12.0, lift_c=20.0)
    room.lamp = Lamp(kind="thermostat", lift_c=30.0, set_point_c=33.0, band_c=1.0)
    sky = Sky(8.0, 80.0, 2.0, 0.0)
    run(room, 2.0, sky, Breath())
    seen = []
    for _ in range(1000):
        room.step(10.0, sky, Breath())
        seen.append(room.bird_level_c)
    assert min(seen) > 31.5
    assert max(seen) < 34.5
    assert max(seen) - min(seen) > 1.5


def test_humid_rooms_wet_their_cold_walls():
    """Water that condenses leaves the air: a closed room of hens stays at or below saturation."""
    room = barn(air_c=8.0, mass_c=8.0)
    run(room, 48, Sky(-5.0, 90.0, 0.5, 0.0), dt_s=30.0)
    assert room.books.water_walls_kg > 0
    assert relative_humidity_pct(room.air_c, room.water_ratio) <= 101.0


def test_a_step_that_is_too_long_is_refused():
    """The step's limit is said in the sentence."""
    with pytest.raises(ValueError, match="allowed is above 0 to 30"):
        barn().step(31.0, Sky(0, 80, 0, 0), HENS)


def test_the_shed_loses_heat_as_its_walls_and_edge_say():
    """44 m² of R-5 and 13.4 m of floor edge: about 62 W/K."""
    assert MILL_RISE.loss_w_k == pytest.approx(43.85 / 0.8806 + 0.9 * 13.41, rel=1e-3)
    assert MILL_RISE.volume_m3 * AIR_KG_M3 * AIR_J_KG_K == pytest.approx(32_800, rel=0.01)
