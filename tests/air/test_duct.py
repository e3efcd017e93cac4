"""What must hold of every duct, whatever the numbers."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.duct import DuctRun, compression_multiplier, friction_factor, pressure_drop_pa, velocity_pressure_pa
from monitor.air.ranges import OutOfRange

RUNS = st.builds(
    lambda diameter, length, share, loss: DuctRun(diameter, length, share * diameter, loss),
    st.floats(0.08, 0.6),
    st.floats(0.5, 50.0),
    st.floats(0.0, 0.04),
    st.floats(0.0, 20.0),
)


@given(RUNS, st.floats(1e-3, 0.4), st.floats(1.001, 2.0))
def test_more_airflow_always_costs_more_pressure(run, airflow, factor):
    """Also across the transition band, where the line between the two formulas is our own."""
    assert pressure_drop_pa(airflow * factor, run) > pressure_drop_pa(airflow, run)


@given(RUNS, st.floats(1e-3, 0.3))
def test_a_longer_rougher_narrower_or_more_bent_duct_costs_more(run, airflow):
    """Each resistance on its own raises the loss."""
    before = pressure_drop_pa(airflow, run)
    longer = DuctRun(run.diameter_m, run.length_m * 1.5, run.roughness_m, run.loss_coefficient)
    bent = DuctRun(run.diameter_m, run.length_m, run.roughness_m, run.loss_coefficient + 1.0)
    narrower = DuctRun(run.diameter_m * 0.8, run.length_m, run.roughness_m, run.loss_coefficient)
    rougher = DuctRun(run.diameter_m, run.length_m, min(run.roughness_m * 1.2, 0.05 * run.diameter_m), run.loss_coefficient)
    assert pressure_drop_pa(airflow, longer) > before
    assert pressure_drop_pa(airflow, bent) > before
    assert pressure_drop_pa(airflow, narrower) > before
    assert pressure_drop_pa(airflow, rougher) >= before


@given(st.floats(4000.0, 1e8), st.floats(0.0, 0.05))
def test_the_friction_factor_solves_colebrooks_equation(reynolds, roughness):
    """Iterated to the end: the equation closes to nine digits."""
    f = friction_factor(reynolds, roughness)
    assert 1.0 / math.sqrt(f) == pytest.approx(-2.0 * math.log10(roughness / 3.7 + 2.51 / (reynolds * math.sqrt(f))), rel=1e-9)


def test_laminar_flow_follows_hagen_and_poiseuille():
    """f = 64/Re below Re 2000."""
    assert friction_factor(1000.0, 0.03) == 64.0 / 1000.0


@pytest.mark.parametrize("edge", [2000.0, 4000.0])
def test_the_transition_joins_both_formulas_without_a_step(edge):
    """A step would let the solver find two operating points."""
    assert friction_factor(edge - 1e-6, 0.006) == pytest.approx(friction_factor(edge + 1e-6, 0.006), rel=1e-6)


def test_no_airflow_costs_nothing():
    """A resting fan leaves no pressure in the duct."""
    assert pressure_drop_pa(0.0, DuctRun(0.15, 6.0, 9e-5, 2.0)) == 0.0


def test_fittings_alone_take_their_share_of_velocity_pressure():
    """A run without length is its loss coefficient times ρv²/2."""
    run = DuctRun(0.2, 0.0, 0.0, 1.5)
    assert pressure_drop_pa(0.1, run) == pytest.approx(1.5 * velocity_pressure_pa(0.1 / run.area_m2), rel=1e-12)


def test_a_stretched_flexible_duct_needs_no_correction():
    """The multiplier starts at one and rises with compression."""
    assert compression_multiplier(0.15, 0.0) == 1.0
    assert compression_multiplier(0.15, 0.1) < compression_multiplier(0.15, 0.2)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: friction_factor(0.0, 0.0), "reynolds"),
        (lambda: friction_factor(math.nan, 0.0), "reynolds"),
        (lambda: friction_factor(1e5, 0.06), "relative_roughness"),
        (lambda: DuctRun(0.0, 1.0, 0.0, 1.0), "diameter_m"),
        (lambda: DuctRun(0.1, 1.0, 0.006, 1.0), "roughness_m"),
        (lambda: DuctRun(0.1, -1.0, 0.0, 1.0), "length_m"),
        (lambda: pressure_drop_pa(-0.1, DuctRun(0.1, 1.0, 0.0, 1.0)), "airflow_m3_s"),
        (lambda: pressure_drop_pa(0.01, DuctRun(0.1, 1.0, 0.0, 1.0), density_kg_m3=5.0), "density_kg_m3"),
        (lambda: pressure_drop_pa(0.01, DuctRun(0.1, 1.0, 0.0, 1.0), viscosity_pa_s=1.0), "viscosity_pa_s"),
        (lambda: velocity_pressure_pa(-1.0), "speed_m_s"),
        (lambda: compression_multiplier(0.15, 0.5), "compression"),
        (lambda: compression_multiplier(0.5, 0.1), "diameter_m"),
    ],
)
def test_a_number_outside_the_formula_is_refused_by_name(call, named):
    """No answer outside the range that its source covers."""
    with pytest.raises(OutOfRange, match=named):
        call()
