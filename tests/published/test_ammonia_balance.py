"""Ammonia by mass and the room's balance against published figures."""

import pytest

from monitor.air.litter import emission_mg_h, ppm_to_mg_m3

CFM_M3_H = 0.3048**3 * 60.0  # m³/h, exact


def test_ammonia_by_mass_is_the_exposure_limits():
    """NIOSH prints 25 ppm = 18 mg/m³: whole mg at 25 °C, where the gas law gives 17.4, hence 4 %."""
    assert ppm_to_mg_m3(25.0, 25.0) == pytest.approx(18.0, rel=0.04)


@pytest.mark.parametrize(("temperature_c", "mg_m3"), [(-10, 0.78871), (0, 0.75984), (20, 0.70800), (25, 0.69613), (30, 0.68464)])
def test_one_ppm_by_the_ideal_gas_law(temperature_c, mg_m3):
    """M·p/(R·T) by hand with M 17.031, five digits."""
    assert ppm_to_mg_m3(1.0, temperature_c) == pytest.approx(mg_m3, rel=2e-5)


def test_the_dosed_chamber_gives_back_its_dose():
    """Hofstetter et al., Sensors 21 (2021) 6664: 50 ppm held in 0.06 m³/s takes 3.0e-6 m³/s of ammonia.

    3.0e-6 m³/s at 25 °C, 24.465 L/mol (ideal gas): 3.0e-3 / 24.465 · 17.031 = 2.088 mg/s = 7519 mg/h.
    """
    assert emission_mg_h(50.0, 0.0, 0.06 * 3600.0, 38.2, 25.0) == pytest.approx(7519.0, rel=1e-3)


def test_litter_of_25_hens_at_10_cfm():
    """An ammonia rate of 178.55 mg/h in 10 cfm at 10 °C settles at 14.34 ppm: C = E/(Q·c), by hand, 0.1 %."""
    assert emission_mg_h(14.34, 0.0, 10.0 * CFM_M3_H, 32.6, 10.0) == pytest.approx(178.55, rel=1e-3)


def test_a_meat_flock_at_the_published_rate():
    """CSIRO: 0.283 g of ammonia a bird and day; 25 birds, 22.7 m³/h, 20 °C: 13.0 mg/m³, by hand 18.3 ppm (0.5 %)."""
    assert emission_mg_h(18.3, 0.0, 22.7, 32.6, 20.0) == pytest.approx(25 * 283.0 / 24.0, rel=5e-3)
