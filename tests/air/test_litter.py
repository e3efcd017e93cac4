"""The ammonia balance: what must hold, whatever the numbers."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.litter import emission, emission_mg_h, mg_m3_to_ppm, ppm_to_mg_m3
from monitor.air.ranges import OutOfRange


@given(st.floats(0.0, 5000.0), st.floats(-30.0, 50.0), st.floats(60_000.0, 105_000.0))
def test_parts_per_million_and_mass_undo_one_another(ppm, temperature, pressure):
    """Into mass and back gives the ppm again."""
    assert mg_m3_to_ppm(ppm_to_mg_m3(ppm, temperature, pressure), temperature, pressure) == pytest.approx(ppm, rel=1e-9)


@given(st.floats(20.0, 500.0), st.floats(5.0, 400.0), st.floats(1.0, 60.0), st.floats(0.05, 6.0))
def test_the_litter_is_found_whatever_the_fan_does(emitted_mg_h, airflow, start_ppm, hours):
    """A room filling or clearing at any airflow gives the same litter: the point of the balance.

    Concentration and its rate are those of the exact solution of the mixed room, written out here.
    """
    volume, temperature, mg_m3 = 27.0, 15.0, ppm_to_mg_m3(1.0, 15.0)
    settled = emitted_mg_h / (airflow * mg_m3)
    fading = (start_ppm - settled) * math.exp(-airflow / volume * hours)
    found = emission_mg_h(max(0.0, settled + fading), -airflow / volume * fading, airflow, volume, temperature)
    assert found == pytest.approx(emitted_mg_h, rel=1e-6)


@given(st.floats(1.0, 60.0), st.floats(10.0, 500.0))
def test_more_air_at_the_same_reading_means_more_from_the_litter(ppm, airflow):
    """Same ammonia under a stronger fan: the litter gives off more."""
    assert emission_mg_h(ppm, 0.0, airflow * 1.1, 27.0, 15.0) > emission_mg_h(ppm, 0.0, airflow, 27.0, 15.0)


def test_with_the_fan_at_rest_only_the_rise_tells():
    """No airflow: emission is what builds up in the room."""
    found = emission(12.0, 3.0, 0.0, 30.0, 10.0)
    assert found.carried_out_mg_h == 0.0
    assert found.mg_h == pytest.approx(30.0 * ppm_to_mg_m3(3.0, 10.0))


def test_a_contradiction_shows_as_less_than_nothing():
    """Clearing faster than the airflow can: the airflow given is too small, and the figure says so."""
    assert emission_mg_h(20.0, -100.0, 50.0, 27.0, 10.0) < 0.0


def test_uncertainty_is_that_of_the_inputs():
    """±3 ppm on 15 and ±20 % on the airflow: √(0.2² + 0.2²) of the figure (GUM, section 5.1)."""
    found = emission(15.0, 0.0, 100.0, 27.0, 10.0, concentration_uncertainty_ppm=3.0, airflow_uncertainty_m3_h=20.0)
    assert found.standard_uncertainty_mg_h / found.mg_h == pytest.approx(math.hypot(0.2, 0.2), rel=1e-9)
    assert found.low_mg_h == pytest.approx(found.mg_h - 2.0 * found.standard_uncertainty_mg_h)
    assert found.high_mg_h == pytest.approx(found.mg_h + 2.0 * found.standard_uncertainty_mg_h)


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"concentration_ppm": -1.0}, "concentration_ppm"),
        ({"concentration_ppm": math.nan}, "concentration_ppm"),
        ({"rate_ppm_h": math.inf}, "rate_ppm_h"),
        ({"airflow_m3_h": -1.0}, "airflow_m3_h"),
        ({"volume_m3": 0.0}, "volume_m3"),
        ({"temperature_c": 80.0}, "temperature_c"),
        ({"supply_ppm": -1.0}, "supply_ppm"),
        ({"pressure_pa": 1000.0}, "pressure_pa"),
    ],
)
def test_a_number_outside_the_balance_is_refused_by_name(change, named):
    """No answer outside the range stated."""
    sound = {"concentration_ppm": 10.0, "rate_ppm_h": 0.0, "airflow_m3_h": 50.0, "volume_m3": 27.0, "temperature_c": 10.0}
    with pytest.raises(OutOfRange, match=named):
        emission_mg_h(**(sound | change))
