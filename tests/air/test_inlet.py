"""What must hold of every opening, whatever the numbers."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.inlet import (
    Inlet,
    airflow_m3_s,
    area_needed_m2,
    leakage_area_m2,
    pressure_for_speed_pa,
    room_negative_pressure_pa,
    speed_m_s,
    throw_m,
)
from monitor.air.ranges import OutOfRange

INLETS = st.builds(Inlet, st.floats(1e-3, 2.0), st.floats(0.4, 0.9), st.floats(0.0, 1.0))
PRESSURES = st.floats(0.5, 200.0)


@given(INLETS, PRESSURES, st.floats(0.9, 1.4))
def test_pressure_and_airflow_undo_one_another(inlet, pressure, density):
    """Into airflow and back gives the pressure again."""
    airflow = airflow_m3_s(pressure, inlet, density)
    assert room_negative_pressure_pa(airflow, inlet, density) == pytest.approx(pressure, rel=1e-9)


@given(st.floats(0.1, 30.0))
def test_speed_and_pressure_undo_one_another(speed):
    """Into pressure and back gives the speed again."""
    assert speed_m_s(pressure_for_speed_pa(speed)) == pytest.approx(speed, rel=1e-9)


@given(INLETS, PRESSURES)
def test_the_area_asked_for_passes_the_airflow(inlet, pressure):
    """Sizing an inlet and using it agree, leaks included."""
    airflow = airflow_m3_s(pressure, inlet)
    needed = area_needed_m2(airflow, pressure, inlet.discharge_coefficient, inlet.leakage_area_m2)
    assert needed == pytest.approx(inlet.area_m2, rel=1e-6, abs=1e-9)


@given(INLETS, st.floats(0.01, 2.0))
def test_a_wider_opening_lowers_the_negative_pressure(inlet, airflow):
    """Air finds the easier way in."""
    wider = Inlet(inlet.area_m2 * 1.2, inlet.discharge_coefficient, inlet.leakage_area_m2)
    assert room_negative_pressure_pa(airflow, wider) < room_negative_pressure_pa(airflow, inlet)


def test_leaks_that_pass_all_the_air_leave_nothing_to_open():
    """In a leaky barn no inlet area brings the pressure back: the answer is 0, not a negative hole."""
    assert area_needed_m2(0.1, 10.0, leakage_area_m2=0.5) == 0.0


def test_a_tightness_area_is_not_a_measured_area():
    """The test's convention has coefficient 1: the same air needs a hole 1/0.6 as large by the ruler."""
    assert area_needed_m2(1.0, 25.0, 0.6) == pytest.approx(leakage_area_m2(1.0, 25.0) / 0.6)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: speed_m_s(-1.0), "pressure_pa"),
        (lambda: speed_m_s(math.nan), "pressure_pa"),
        (lambda: room_negative_pressure_pa(0.1, Inlet(0.0)), "effective_area_m2"),
        (lambda: Inlet(0.1, discharge_coefficient=1.2), "discharge_coefficient"),
        (lambda: Inlet(-0.1), "area_m2"),
        (lambda: area_needed_m2(0.1, 0.0), "pressure_pa"),
        (lambda: leakage_area_m2(0.1, 0.5), "pressure_pa"),
        (lambda: throw_m(60.0), "pressure_pa"),
        (lambda: pressure_for_speed_pa(60.0), "speed_m_s"),
        (lambda: speed_m_s(10.0, density_kg_m3=0.1), "density_kg_m3"),
    ],
)
def test_a_number_outside_the_formula_is_refused_by_name(call, named):
    """No answer outside the range that its source covers."""
    with pytest.raises(OutOfRange, match=named):
        call()
