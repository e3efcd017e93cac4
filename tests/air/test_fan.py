"""What must hold of every fan in every room, whatever the numbers."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.duct import STANDARD_DENSITY_KG_M3, DuctRun
from monitor.air.fan import Curve, Verdict, operating_point, speed_for_airflow_pct, system_pressure_pa
from monitor.air.inlet import Inlet
from monitor.air.ranges import OutOfRange

FANS = st.builds(Curve.from_free_air_and_shut_off, st.floats(0.05, 1.0), st.floats(50.0, 800.0))
DUCTS = st.builds(
    lambda diameter, length, loss: DuctRun(diameter, length, 9e-5, loss),
    st.floats(0.1, 0.4),
    st.floats(0.5, 20.0),
    st.floats(0.5, 6.0),
)
INLETS = st.builds(Inlet, st.floats(5e-3, 0.3), st.floats(0.5, 0.8), st.floats(0.0, 0.1))
FALLING_POINTS = st.lists(st.tuples(st.floats(0.01, 0.2), st.floats(5.0, 90.0)), min_size=2, max_size=9).map(
    lambda steps: [(sum(step[0] for step in steps[: i + 1]), sum(step[1] for step in steps[i:]) - 4.0) for i in range(len(steps))]
)


@given(FANS, DUCTS, INLETS)
def test_at_the_operating_point_the_fan_gives_what_the_system_takes(fan, duct, inlet):
    """The pressures balance and the air that leaves has come in."""
    point = operating_point(fan, duct, inlet)
    assert point.verdict is Verdict.ON_CURVE
    assert point.fan_pressure_pa == pytest.approx(system_pressure_pa(point.airflow_m3_s, duct, inlet), rel=1e-6)
    assert point.fan_pressure_pa == pytest.approx(point.duct_pressure_pa + point.room_negative_pressure_pa, rel=1e-6)
    assert point.inlet_airflow_m3_s + point.leakage_airflow_m3_s == pytest.approx(point.airflow_m3_s)


@given(FANS, DUCTS, INLETS)
def test_any_more_resistance_lowers_the_airflow(fan, duct, inlet):
    """Longer, narrower, more bends, a smaller inlet, wind on the outlet: each costs air."""
    before = operating_point(fan, duct, inlet).airflow_m3_s
    for worse in (
        DuctRun(duct.diameter_m, duct.length_m * 1.3, duct.roughness_m, duct.loss_coefficient),
        DuctRun(duct.diameter_m * 0.9, duct.length_m, duct.roughness_m, duct.loss_coefficient),
        DuctRun(duct.diameter_m, duct.length_m, duct.roughness_m, duct.loss_coefficient + 0.5),
    ):
        assert operating_point(fan, worse, inlet).airflow_m3_s < before
    smaller = Inlet(inlet.area_m2 * 0.7, inlet.discharge_coefficient, inlet.leakage_area_m2)
    assert operating_point(fan, duct, smaller).airflow_m3_s < before
    assert operating_point(fan, duct, inlet, opposing_pressure_pa=20.0).airflow_m3_s < before


@given(FANS, DUCTS, INLETS, st.floats(20.0, 90.0))
def test_a_faster_fan_moves_more_and_pulls_harder(fan, duct, inlet, speed):
    """Airflow and negative pressure both rise with speed."""
    slow, fast = (operating_point(fan.at_speed(s), duct, inlet) for s in (speed, speed * 1.1))
    assert fast.airflow_m3_s > slow.airflow_m3_s
    assert fast.room_negative_pressure_pa > slow.room_negative_pressure_pa


@given(FANS, DUCTS, INLETS, st.floats(20.0, 99.0))
def test_the_speed_for_an_airflow_gives_that_airflow(fan, duct, inlet, speed):
    """Asking for the airflow of a speed answers with that speed."""
    airflow = operating_point(fan.at_speed(speed), duct, inlet).airflow_m3_s
    assert speed_for_airflow_pct(fan, airflow, duct, inlet) == pytest.approx(speed, rel=1e-5)


@given(FALLING_POINTS, st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_the_line_through_points_passes_them_and_never_rises(points, one, other):
    """No bump between two of the maker's points that the maker has not drawn."""
    curve = Curve.from_points(points)
    for airflow, pressure in points:
        assert curve.pressure_pa(airflow) == pytest.approx(pressure, rel=1e-9)
    span = curve.largest_airflow_m3_s - points[0][0]
    low, high = sorted(min(points[0][0] + share * span, curve.largest_airflow_m3_s) for share in (one, other))
    assert curve.pressure_pa(low) >= curve.pressure_pa(high) - 1e-9 * curve.shut_off_pa


def test_free_air_and_shut_off_make_the_parabola():
    """Exactly p = p0·(1 − (Q/Q0)²), also when given as two points."""
    for curve in (Curve.from_free_air_and_shut_off(0.2, 400.0), Curve.from_points([(0.2, 0.0), (0.0, 400.0)])):
        for share in (0.0, 0.3, 0.7, 1.0):
            assert curve.pressure_pa(0.2 * share) == pytest.approx(400.0 * (1.0 - share**2), abs=1e-9)


def test_speed_carries_the_whole_curve():
    """Half the speed: half the airflow, a quarter of the pressure, at every point."""
    curve = Curve.from_points([(0.0, 400.0), (0.1, 330.0), (0.2, 0.0)])
    half = curve.at_speed(50.0)
    for airflow in (0.0, 0.05, 0.13, 0.2):
        assert half.pressure_pa(airflow / 2.0) == pytest.approx(curve.pressure_pa(airflow) / 4.0, abs=1e-9)


def test_thin_air_moves_the_same_volume_at_less_pressure():
    """Fan and resistances scale with density alike: at 1500 m the volume stays, the pressure falls."""
    fan, duct, inlet = Curve.from_free_air_and_shut_off(0.19, 400.0), DuctRun(0.15, 6.7, 9e-5, 1.94), Inlet(0.0387)
    low, high = operating_point(fan, duct, inlet), operating_point(fan, duct, inlet, density_kg_m3=1.0)
    assert high.airflow_m3_s == pytest.approx(low.airflow_m3_s, rel=0.01)
    assert high.fan_pressure_pa / low.fan_pressure_pa == pytest.approx(1.0 / STANDARD_DENSITY_KG_M3, rel=0.02)


def test_nothing_in_the_way_gives_free_air():
    """Without duct and openings the fan moves its free air."""
    point = operating_point(Curve.from_free_air_and_shut_off(0.2, 400.0))
    assert (point.airflow_m3_s, point.fan_pressure_pa, point.verdict) == (0.2, 0.0, Verdict.ON_CURVE)


def test_wind_stronger_than_the_fan_stalls_it():
    """More pressure against it than the fan can make: no airflow is promised."""
    point = operating_point(Curve.from_free_air_and_shut_off(0.2, 60.0), opposing_pressure_pa=80.0)
    assert (point.airflow_m3_s, point.verdict) == (0.0, Verdict.STALLED)


def test_a_sealed_room_stalls_the_fan_and_takes_all_its_pressure():
    """Every inlet shut and no leak: no airflow, the whole of shut-off as negative pressure."""
    point = operating_point(Curve.from_free_air_and_shut_off(0.2, 300.0), inlet=Inlet(0.0))
    assert (point.airflow_m3_s, point.verdict) == (0.0, Verdict.STALLED)
    assert point.room_negative_pressure_pa == pytest.approx(300.0)
    assert point.inlet_speed_m_s == 0.0


def test_resistance_left_of_the_curve_is_stalled():
    """A curve given only from 0.1 m³/s on says nothing of less: the fan counts as moving nothing."""
    fan = Curve.from_points([(0.1, 200.0), (0.2, 0.0)])
    assert operating_point(fan, DuctRun(0.1, 20.0, 9e-5, 10.0)).verdict is Verdict.STALLED


def test_less_resistance_than_the_curve_covers_says_at_least():
    """A curve that ends at 50 Pa gives its last airflow as a lower bound."""
    fan = Curve.from_points([(0.0, 200.0), (0.1, 150.0), (0.15, 50.0)])
    point = operating_point(fan, DuctRun(0.4, 1.0, 9e-5, 1.0))
    assert (point.airflow_m3_s, point.verdict) == (0.15, Verdict.BEYOND)


def test_a_large_fan_on_a_narrow_duct_still_gets_an_answer():
    """The search stays inside the speeds for which the duct's physics holds."""
    point = operating_point(Curve.from_free_air_and_shut_off(3.0, 500.0), DuctRun(0.1, 10.0, 9e-5, 2.0))
    assert point.verdict is Verdict.ON_CURVE
    assert point.airflow_m3_s / DuctRun(0.1, 10.0, 9e-5, 2.0).area_m2 < 40.0


def test_an_airflow_beyond_the_fan_has_no_speed():
    """None, rather than a speed above what the fan has."""
    assert speed_for_airflow_pct(Curve.from_free_air_and_shut_off(0.2, 300.0), 0.21) is None
    assert speed_for_airflow_pct(Curve.from_free_air_and_shut_off(0.2, 300.0), 0.0) == 1.0


@pytest.mark.parametrize("points", [[(0.0, 100.0), (0.1, 120.0)], [(0.0, 100.0), (0.0, 90.0)], [(0.1, 50.0), (0.2, 50.0)]])
def test_a_curve_that_does_not_fall_is_refused_with_its_points(points):
    """The sentence names the two points, so that the keeper finds the typing error."""
    with pytest.raises(ValueError, match=r"must fall: .* m³/s at .* Pa is followed by"):
        Curve.from_points(points)


def test_one_point_is_no_curve():
    """The sentence says how many are needed."""
    with pytest.raises(ValueError, match="needs 2 to 100 points, got 1"):
        Curve.from_points([(0.1, 10.0)])


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: Curve.from_free_air_and_shut_off(0.0, 100.0), "free_air_m3_s"),
        (lambda: Curve.from_points([(-0.1, 100.0), (0.1, 10.0)]), "airflow_m3_s"),
        (lambda: Curve.from_free_air_and_shut_off(0.2, 100.0).pressure_pa(0.3), "airflow_m3_s"),
        (lambda: Curve.from_free_air_and_shut_off(0.2, 100.0).at_speed(0.0), "speed_pct"),
        (lambda: operating_point(Curve.from_free_air_and_shut_off(0.2, 100.0), density_kg_m3=2.0), "density_kg_m3"),
    ],
)
def test_a_number_outside_the_formula_is_refused_by_name(call, named):
    """No answer outside the range that its source covers."""
    with pytest.raises(OutOfRange, match=named):
        call()
