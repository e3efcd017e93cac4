"""Required airflow: it holds what it promises, says when it cannot, and refuses nonsense."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.air import balance, psychrometrics
from monitor.air.balance import CannotMeet, Reason
from monitor.air.ranges import OutOfRange

cool = st.floats(-20.0, 15.0)
rooms = st.floats(5.0, 30.0)
humidities = st.floats(30.0, 90.0)


def figure(answer: balance.Answer) -> float:
    assert isinstance(answer, float)
    return answer


@given(st.floats(1.0, 5000.0), rooms, humidities, cool, humidities)
def test_the_moisture_airflow_holds_the_room_where_it_should(
    water_g_h: float, inside_c: float, inside_pct: float, outside_c: float, outside_pct: float
) -> None:
    """Fed back into the balance, the airflow carries exactly the water given off, no more, no less."""
    answer = balance.moisture_m3_h(water_g_h, inside_c, inside_pct, outside_c, outside_pct)
    drying = psychrometrics.humidity_ratio(inside_c, inside_pct) - psychrometrics.humidity_ratio(outside_c, outside_pct)
    if isinstance(answer, CannotMeet):
        assert answer.reason is Reason.TOO_HUMID_OUTSIDE
        assert answer.difference == pytest.approx(drying)
        assert drying < balance.LEAST_DRYING
    else:
        dry_air_kg_h = answer / psychrometrics.specific_volume_m3_kg(inside_c, inside_pct)
        assert dry_air_kg_h * drying * 1000 == pytest.approx(water_g_h)


@given(rooms, st.floats(50.0, 80.0), st.floats(-20.0, 0.0), st.floats(0.1, 5.0))
def test_milder_wetter_air_must_flow_faster(inside_c: float, inside_pct: float, outside_c: float, milder: float) -> None:
    """The damper the air that comes in, the more of it is needed; colder air dries best."""
    dry = balance.moisture_m3_h(100.0, inside_c, inside_pct, outside_c, 80.0)
    damp = balance.moisture_m3_h(100.0, inside_c, inside_pct, outside_c + milder, 80.0)
    assume(isinstance(dry, float))
    assert isinstance(damp, CannotMeet) or damp > figure(dry)


def test_air_as_damp_as_the_room_cannot_dry_it() -> None:
    """A foggy thaw outside, a cool room inside: the reason, not a million cubic metres."""
    answer = balance.moisture_m3_h(200.0, 10.0, 70.0, 8.0, 100.0)
    assert isinstance(answer, CannotMeet)
    assert answer.reason is Reason.TOO_HUMID_OUTSIDE
    assert str(answer.reason) == "outside too humid to dry"
    assert answer.difference < 0.0
    assert answer.unit == "kg/kg"


def test_a_hot_day_cannot_be_cooled_by_air() -> None:
    """Outside as warm as the limit inside: the reason; half a degree cooler there is a figure, if a large one."""
    answer = balance.sensible_heat_m3_h(250.0, 28.0, 30.0)
    assert answer == CannotMeet(Reason.TOO_WARM_OUTSIDE, -2.0, "K")
    assert figure(balance.sensible_heat_m3_h(250.0, 30.0, 29.5)) > 1000.0


def test_no_heat_to_remove_needs_no_air() -> None:
    """Walls that lose more than birds make ask for no ventilation against heat, on any day."""
    assert balance.sensible_heat_m3_h(0.0, 25.0, 30.0) == 0.0
    assert balance.sensible_heat_m3_h(-50.0, 25.0, 10.0) == 0.0


def test_foul_outside_air_cannot_dilute() -> None:
    """A muck heap by the inlet: the limit is no higher than what comes in."""
    assert balance.ammonia_m3_h(300.0, 10.0, 10.0, outside_ppm=10.0) == CannotMeet(Reason.TOO_MUCH_AMMONIA_OUTSIDE, 0.0, "ppm")


@given(st.floats(0.0, 1e4), st.floats(2.0, 100.0), st.floats(-20.0, 45.0), st.floats(70_000.0, 105_000.0))
def test_the_ammonia_airflow_dilutes_to_the_limit(emission: float, limit: float, t: float, pressure_pa: float) -> None:
    """Emission over airflow is the concentration of the limit, at any altitude."""
    airflow = figure(balance.ammonia_m3_h(emission, limit, t, pressure_pa=pressure_pa))
    assert airflow * balance.ppm_to_mg_m3(limit, t, pressure_pa) == pytest.approx(emission, abs=1e-9)


@given(st.floats(0.0, 10.0), st.floats(1000.0, 5000.0))
def test_the_carbon_dioxide_airflow_dilutes_to_the_limit(given_off: float, limit: float) -> None:
    """What is given off leaves as the difference to the 420 ppm outside."""
    assert figure(balance.carbon_dioxide_m3_h(given_off, limit)) * (limit - 420.0) * 1e-6 == pytest.approx(given_off)


@given(st.floats(1.0, 500.0), rooms, st.floats(-20.0, 4.0), st.floats(0.0, 1000.0), st.floats(0.0, 200.0))
def test_the_heater_resolves_damp_against_cold(
    airflow: float, inside_c: float, outside_c: float, sensible_w: float, wall_w_k: float
) -> None:
    """With the heater's watts the room affords exactly the airflow asked for; with none needed, at least that."""
    heater = balance.heater_w(airflow, inside_c, outside_c, sensible_w, wall_w_k)
    affordable = balance.affordable_m3_h(sensible_w + heater, inside_c, outside_c, wall_w_k)
    assert affordable is not None
    assert affordable >= airflow * (1 - 1e-9)
    if heater > 0.0:
        assert affordable == pytest.approx(airflow)


def test_airflow_costs_no_warmth_on_a_warm_day() -> None:
    """Outside warmer than inside: no limit by heat, no heater."""
    assert balance.affordable_m3_h(100.0, 20.0, 25.0, 50.0) is None
    assert balance.heater_w(100.0, 20.0, 25.0, 100.0, 50.0) == 0.0


def test_the_largest_need_governs_and_the_unmeetable_stands_apart() -> None:
    """A figure for what air can do, a reason for what it cannot."""
    humid = CannotMeet(Reason.TOO_HUMID_OUTSIDE, -0.001, "kg/kg")
    requirement = balance.required_m3_h({"moisture": humid, "carbon dioxide": 27.0, "ammonia": 21.0, "heat": 0.0})
    assert requirement.governing == "carbon dioxide"
    assert requirement.airflow_m3_h == 27.0
    assert requirement.cannot_meet == {"moisture": humid}
    assert list(requirement.needs) == ["moisture", "carbon dioxide", "ammonia", "heat"]


def test_without_a_figure_nothing_governs() -> None:
    """No needs, or none that air can meet: None, never zero."""
    assert balance.required_m3_h({}).airflow_m3_h is None
    hot = CannotMeet(Reason.TOO_WARM_OUTSIDE, -3.0, "K")
    requirement = balance.required_m3_h({"heat": hot})
    assert requirement.governing is None
    assert requirement.airflow_m3_h is None
    assert requirement.cannot_meet == {"heat": hot}


def test_of_equal_needs_the_first_governs() -> None:
    """The same input gives the same word, day after day."""
    assert balance.required_m3_h({"minimum": 10.0, "ammonia": 10.0}).governing == "minimum"


@pytest.mark.parametrize("value", [-1.0, math.nan, math.inf])
def test_a_need_that_is_no_airflow_is_refused_by_name(value: float) -> None:
    """The refusal names the need."""
    with pytest.raises(OutOfRange, match=r"^moisture is"):
        balance.required_m3_h({"moisture": value})


def test_outside_their_ranges_all_refuse() -> None:
    """Grams for kilograms, hPa for Pa, a negative emission, NaN: each is named."""
    calls: dict[str, Callable[[], object]] = {
        "water_g_h": lambda: balance.moisture_m3_h(-1.0, 10.0, 70.0, -5.0, 80.0),
        "relative_humidity_pct": lambda: balance.moisture_m3_h(100.0, 10.0, 170.0, -5.0, 80.0),
        "carbon_dioxide_m3_h": lambda: balance.carbon_dioxide_m3_h(math.nan, 3000.0),
        "limit_ppm": lambda: balance.carbon_dioxide_m3_h(0.1, 3e6),
        "emission_mg_h": lambda: balance.ammonia_m3_h(-1.0, 20.0, 10.0),
        "outside_ppm": lambda: balance.ammonia_m3_h(1.0, 20.0, 10.0, -1.0),
        "heat_w": lambda: balance.sensible_heat_m3_h(math.nan, 30.0, 20.0),
        "outside_c": lambda: balance.sensible_heat_m3_h(100.0, 30.0, math.nan),
        "temperature_c": lambda: balance.sensible_heat_m3_h(100.0, 70.0, 20.0),
        "pressure_pa": lambda: balance.heat_capacity_j_m3_k(20.0, 1013.25),
        "count": lambda: balance.minimum_m3_h(2.0, -1, 0.54),
        "live_weight_kg": lambda: balance.minimum_m3_h(2000.0, 10, 0.54),
        "per_metabolic_kg_m3_h": lambda: balance.minimum_m3_h(2.0, 10, 0.0),
        "sensible_w": lambda: balance.affordable_m3_h(math.nan, 10.0, 0.0, 30.0),
        "wall_loss_w_k": lambda: balance.heater_w(10.0, 10.0, 0.0, 100.0, -1.0),
        "airflow_m3_h": lambda: balance.heater_w(-10.0, 10.0, 0.0, 100.0, 1.0),
        "ppm": lambda: balance.ppm_to_mg_m3(-1.0, 20.0),
        "molar_mass_g_mol": lambda: balance.ppm_to_mg_m3(1.0, 20.0, 101325.0, 0.017),
    }
    for name, call in calls.items():
        with pytest.raises(OutOfRange) as refusal:
            call()
        assert refusal.value.name == name
