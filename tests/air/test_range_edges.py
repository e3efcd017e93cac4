"""Every stated range is the enforced one: both ends answer, a hair beyond is refused by name."""

from __future__ import annotations

from collections.abc import Callable
from math import inf, nextafter

import pytest

from monitor.air import balance, birds, heat_index, poultry, psychrometrics
from monitor.air.ranges import OutOfRange

Call = Callable[[float], object]

EDGES: list[tuple[str, float, float, Call]] = [
    ("temperature_c", -40.0, 60.0, lambda x: psychrometrics.humidity_ratio(x, 50.0)),
    ("temperature_c", -40.0, 60.0, psychrometrics.saturation_pressure_pa),
    ("relative_humidity_pct", 0.0, 100.0, lambda x: psychrometrics.wet_bulb_c(20.0, x)),
    ("relative_humidity_pct", 0.1, 100.0, lambda x: psychrometrics.dew_point_c(20.0, x)),
    ("pressure_pa", 60_000.0, 110_000.0, lambda x: psychrometrics.enthalpy_j_kg(20.0, 50.0, x)),
    ("altitude_m", -400.0, 4200.0, psychrometrics.pressure_at_altitude_pa),
    ("temperature_c", -40.0, 50.0, lambda x: heat_index.heat_index_c(x, 50.0)),
    ("relative_humidity_pct", 0.0, 100.0, lambda x: heat_index.heat_index_c(30.0, x)),
    ("temperature_c", -40.0, 60.0, lambda x: poultry.thi_c("layer", x, -40.0)),
    ("wet_bulb_c", -45.0, 30.01, lambda x: poultry.thi_c("layer", 30.0, x)),
    ("air_speed_m_s", 0.2, 1.2, lambda x: poultry.thi_c("meat", 30.0, 20.0, x)),
    ("temperature_c", 14.5, 45.0, lambda x: poultry.chart_f(x, 50.0)),
    ("relative_humidity_pct", 0.0, 100.0, lambda x: poultry.chart_f(30.0, x)),
    ("elapsed_s", 600.0, 7200.0, lambda x: poultry.rise_k_h(20.0, 24.0, x)),
    ("live_weight_kg", 0.025, 8.0, birds.metabolic_weight),
    ("temperature_c", -20.0, 45.0, lambda x: birds.heat("layer", 2.0, x)),
    ("egg_kg_day", 0.0, 0.1, lambda x: birds.heat("layer", 2.0, 20.0, x)),
    ("per_kw_m3_h", 0.1, 0.3, lambda x: birds.carbon_dioxide_m3_h("layer", 2.0, 20.0, per_kw_m3_h=x)),
    ("age_days", 0.0, 5000.0, lambda x: birds.live_weight_kg(x, ((0, 0.04), (100, 2.0)))),
    ("water_g_h", 0.0, 1e6, lambda x: balance.moisture_m3_h(x, 10.0, 70.0, -5.0, 80.0)),
    ("carbon_dioxide_m3_h", 0.0, 1000.0, lambda x: balance.carbon_dioxide_m3_h(x, 3000.0)),
    ("limit_ppm", 0.0, 50_000.0, lambda x: balance.carbon_dioxide_m3_h(1.0, x)),
    ("outside_ppm", 0.0, 50_000.0, lambda x: balance.carbon_dioxide_m3_h(1.0, 3000.0, x)),
    ("emission_mg_h", 0.0, 1e7, lambda x: balance.ammonia_m3_h(x, 20.0, 10.0)),
    ("limit_ppm", 0.0, 1000.0, lambda x: balance.ammonia_m3_h(300.0, x, 10.0)),
    ("outside_ppm", 0.0, 1000.0, lambda x: balance.ammonia_m3_h(300.0, 20.0, 10.0, x)),
    ("heat_w", -1e6, 1e6, lambda x: balance.sensible_heat_m3_h(x, 30.0, 20.0)),
    ("outside_c", -40.0, 60.0, lambda x: balance.sensible_heat_m3_h(100.0, 30.0, x)),
    ("count", 0, 100_000, lambda x: balance.minimum_m3_h(2.0, x, 0.54)),  # type: ignore[arg-type]  # birds by halves
    ("per_metabolic_kg_m3_h", 0.05, 10.0, lambda x: balance.minimum_m3_h(2.0, 10, x)),
    ("temperature_c", -40.0, 60.0, balance.heat_capacity_j_m3_k),
    ("outside_c", -40.0, 60.0, lambda x: balance.affordable_m3_h(100.0, 10.0, x, 1.0)),
    ("wall_loss_w_k", 0.0, 1e5, lambda x: balance.affordable_m3_h(100.0, 10.0, 0.0, x)),
    ("airflow_m3_h", 0.0, 1e6, lambda x: balance.heater_w(x, 10.0, 0.0, 100.0, 1.0)),
    ("outside_c", -40.0, 60.0, lambda x: balance.heater_w(10.0, 10.0, x, 100.0, 1.0)),
    ("ppm", 0.0, 1e6, lambda x: balance.ppm_to_mg_m3(x, 20.0)),
    ("temperature_c", -40.0, 60.0, lambda x: balance.ppm_to_mg_m3(20.0, x)),
    ("molar_mass_g_mol", 1.0, 500.0, lambda x: balance.ppm_to_mg_m3(20.0, 20.0, 101325.0, x)),
]


@pytest.mark.parametrize(("name", "low", "high", "call"), EDGES)
def test_a_range_holds_exactly_where_it_is_stated(name: str, low: float, high: float, call: Call) -> None:
    """The docstring's range is the code's range, ends included."""
    call(low)
    call(high)
    for beyond in (nextafter(low, -inf), nextafter(high, inf)):
        with pytest.raises(OutOfRange) as refusal:
            call(beyond)
        assert refusal.value.name == name
        assert refusal.value.value == beyond
