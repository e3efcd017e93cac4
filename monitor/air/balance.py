"""How much air the birds need, need by need, and which need governs.

Rules of this file: airflow is m³/h of inside air, as the exhaust fan sees it. A need that airflow
cannot meet is answered by a `CannotMeet` with its reason, never by a huge number. Steady state:
what the birds give off now leaves now.

Sources:
  [1] Balance of mass and heat over a ventilated room: ASHRAE Handbook, Fundamentals; also Albright,
      Environment control for animals and plants (1990).
  [2] Charles, Scragg & Binstead (1981), British Poultry Science 22, 493: minimum 1.5e-4 m³/s per kg^0.75.
  [3] Pedersen et al. on three balance methods: a carbon dioxide difference below 200 ppm tells nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from monitor.air import psychrometrics
from monitor.air.birds import metabolic_weight
from monitor.air.psychrometrics import HIGHEST_PA, LOWEST_PA, STANDARD_PRESSURE_PA
from monitor.air.ranges import within

AIR_J_KG_K = 1006.0  # specific heat of dry air; moist air of a pen is up to 2 % higher
DRY_AIR_J_KG_K = 287.055  # gas constant
GAS_J_MOL_K = 8.314462618
AMMONIA_G_MOL = 17.031
OUTSIDE_CARBON_DIOXIDE_PPM = 420.0

# Smallest differences between inside and outside that airflow can work with.
LEAST_DRYING = 0.0002  # kg/kg; a humidity sensor good to ±3 % cannot tell less at 10 °C. Inference
LEAST_COOLING_K = 0.5  # inference: two probes agree no better
LEAST_CARBON_DIOXIDE_PPM = 200.0  # [3]
LEAST_AMMONIA_PPM = 1.0  # inference: below any barn sensor's resolution


class Reason(StrEnum):
    """Why no airflow meets a need."""

    TOO_HUMID_OUTSIDE = "outside too humid to dry"
    TOO_WARM_OUTSIDE = "outside too warm to cool"
    TOO_MUCH_CARBON_DIOXIDE_OUTSIDE = "outside air has too much carbon dioxide to dilute with"
    TOO_MUCH_AMMONIA_OUTSIDE = "outside air has too much ammonia to dilute with"


@dataclass(frozen=True, slots=True)
class CannotMeet:
    """The named reason why ventilation cannot meet a need, and the difference that was left to work with."""

    reason: Reason
    difference: float  # inside less outside, in `unit`
    unit: str


Answer = float | CannotMeet


@dataclass(frozen=True, slots=True)
class Requirement:
    """Airflow by need. `governing` is the need asking most; None when no need has a figure."""

    needs: Mapping[str, Answer]
    governing: str | None
    airflow_m3_h: float | None
    cannot_meet: Mapping[str, CannotMeet]


def required_m3_h(needs: Mapping[str, Answer]) -> Requirement:
    """Joins the needs: the largest airflow governs, what no airflow can meet stands apart.

    Args:
        needs: name of the need → m³/h, at least 0, or CannotMeet, as the functions below answer.
            Of equal needs the first named governs.

    Raises:
        OutOfRange: an airflow is negative, not a number or infinite.
    """
    cannot_meet: dict[str, CannotMeet] = {}
    governing, most = None, -1.0
    for name, need in needs.items():
        if isinstance(need, CannotMeet):
            cannot_meet[name] = need
        elif within(name, need, 0.0, 1e7) > most:
            governing, most = name, need
    return Requirement(dict(needs), governing, None if governing is None else most, cannot_meet)


def moisture_m3_h(
    water_g_h: float,
    inside_c: float,
    inside_pct: float,
    outside_c: float,
    outside_pct: float,
    pressure_pa: float = STANDARD_PRESSURE_PA,
) -> Answer:
    """Airflow that carries the water out at the inside state wanted.

    Args:
        water_g_h: given off in the room, 0 to 1e6 g/h.
        inside_c, inside_pct: the state to hold, °C and % (ranges of `psychrometrics`).
        outside_c, outside_pct: of the air coming in; below 0 °C over ice.
        pressure_pa: Pa.

    Returns:
        m³/h, or CannotMeet where outside air holds nearly as much water as inside air (0.2 g/kg).

    Raises:
        OutOfRange: an argument lies outside its range.

    Source: [1]: water = dry air · (inside ratio − outside ratio).
    """
    within("water_g_h", water_g_h, 0.0, 1e6)
    inside = psychrometrics.humidity_ratio(inside_c, inside_pct, pressure_pa)
    drying = inside - psychrometrics.humidity_ratio(outside_c, outside_pct, pressure_pa)
    if drying < LEAST_DRYING:
        return CannotMeet(Reason.TOO_HUMID_OUTSIDE, drying, "kg/kg")
    dry_air_kg_h = water_g_h / 1000.0 / drying
    return dry_air_kg_h * psychrometrics.specific_volume_m3_kg(inside_c, inside_pct, pressure_pa)


def carbon_dioxide_m3_h(carbon_dioxide_m3_h: float, limit_ppm: float, outside_ppm: float = OUTSIDE_CARBON_DIOXIDE_PPM) -> Answer:
    """Airflow that holds carbon dioxide at a limit.

    Args:
        carbon_dioxide_m3_h: given off in the room, 0 to 1000 m³/h.
        limit_ppm: to hold inside, 0 to 50 000 ppm by volume.
        outside_ppm: of the air coming in, 0 to 50 000 ppm.

    Returns:
        m³/h, or CannotMeet where the limit lies less than 200 ppm above outside [3].

    Raises:
        OutOfRange: an argument lies outside the range above.

    Source: [1].
    """
    within("carbon_dioxide_m3_h", carbon_dioxide_m3_h, 0.0, 1000.0)
    difference = within("limit_ppm", limit_ppm, 0.0, 50_000.0) - within("outside_ppm", outside_ppm, 0.0, 50_000.0)
    if difference < LEAST_CARBON_DIOXIDE_PPM:
        return CannotMeet(Reason.TOO_MUCH_CARBON_DIOXIDE_OUTSIDE, difference, "ppm")
    return carbon_dioxide_m3_h / (difference * 1e-6)


def ammonia_m3_h(
    emission_mg_h: float,
    limit_ppm: float,
    inside_c: float,
    outside_ppm: float = 0.0,
    pressure_pa: float = STANDARD_PRESSURE_PA,
) -> Answer:
    """Airflow that holds ammonia at a limit. What the litter gives off is the least known number of all.

    Args:
        emission_mg_h: given off by litter and droppings, 0 to 1e7 mg/h.
        limit_ppm: to hold at bird level, 0 to 1000 ppm by volume.
        inside_c: °C, −40 to 60.
        outside_ppm: of the air coming in, 0 to 1000 ppm.
        pressure_pa: Pa.

    Returns:
        m³/h, or CannotMeet where the limit lies less than 1 ppm above outside.

    Raises:
        OutOfRange: an argument lies outside the range above.

    Source: [1].
    """
    within("emission_mg_h", emission_mg_h, 0.0, 1e7)
    difference = within("limit_ppm", limit_ppm, 0.0, 1000.0) - within("outside_ppm", outside_ppm, 0.0, 1000.0)
    if difference < LEAST_AMMONIA_PPM:
        return CannotMeet(Reason.TOO_MUCH_AMMONIA_OUTSIDE, difference, "ppm")
    return emission_mg_h / ppm_to_mg_m3(difference, inside_c, pressure_pa)


def sensible_heat_m3_h(heat_w: float, inside_c: float, outside_c: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> Answer:
    """Airflow that carries sensible heat out at the inside temperature wanted.

    Args:
        heat_w: birds', sun's and lamps' heat less what walls lose, −1e6 to 1e6 W; none left gives 0.
        inside_c, outside_c: °C, −40 to 60.
        pressure_pa: Pa.

    Returns:
        m³/h, or CannotMeet where outside is less than 0.5 K cooler.

    Raises:
        OutOfRange: an argument lies outside the range above.

    Source: [1]: heat = airflow · heat capacity of air · (inside − outside).
    """
    within("heat_w", heat_w, -1e6, 1e6)
    capacity = heat_capacity_j_m3_k(inside_c, pressure_pa)
    difference = inside_c - within("outside_c", outside_c, -40.0, 60.0)
    if heat_w <= 0.0:
        return 0.0
    if difference < LEAST_COOLING_K:
        return CannotMeet(Reason.TOO_WARM_OUTSIDE, difference, "K")
    return heat_w * 3600.0 / (capacity * difference)


def minimum_m3_h(live_weight_kg: float, count: int, per_metabolic_kg_m3_h: float) -> float:
    """The trade's minimum ventilation by live weight; published figures are good to a factor of two.

    Args:
        live_weight_kg: of one bird, 0.025 to 8 kg.
        count: birds, 0 to 100 000.
        per_metabolic_kg_m3_h: per kg^0.75, 0.05 to 10 m³/h; [2] says 0.54.

    Returns:
        m³/h of the flock.

    Raises:
        OutOfRange: an argument lies outside the range above.

    Source: [2].
    """
    within("count", count, 0, 100_000)
    within("per_metabolic_kg_m3_h", per_metabolic_kg_m3_h, 0.05, 10.0)
    return count * metabolic_weight(live_weight_kg) * per_metabolic_kg_m3_h


def heat_capacity_j_m3_k(temperature_c: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Heat that warms one cubic metre of dry air by one kelvin, J (about 1200).

    Raises:
        OutOfRange: temperature_c lies outside −40 to 60, or pressure_pa outside 60 000 to 110 000.
    """
    kelvin = within("temperature_c", temperature_c, -40.0, 60.0) + 273.15
    return AIR_J_KG_K * within("pressure_pa", pressure_pa, LOWEST_PA, HIGHEST_PA) / (DRY_AIR_J_KG_K * kelvin)


def affordable_m3_h(
    sensible_w: float,
    inside_c: float,
    outside_c: float,
    wall_loss_w_k: float,
    pressure_pa: float = STANDARD_PRESSURE_PA,
) -> float | None:
    """Most airflow the room's own heat can warm up: beyond it the room falls below inside_c.

    Args:
        sensible_w: birds and lamps, −1e6 to 1e6 W.
        inside_c, outside_c: °C, −40 to 60.
        wall_loss_w_k: of walls, ceiling and floor together, 0 to 1e5 W per K.
        pressure_pa: Pa.

    Returns:
        m³/h, 0 when the walls alone lose more; None when outside is no colder than inside, where
        airflow costs no warmth.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    within("sensible_w", sensible_w, -1e6, 1e6)
    within("wall_loss_w_k", wall_loss_w_k, 0.0, 1e5)
    capacity = heat_capacity_j_m3_k(inside_c, pressure_pa)
    difference = inside_c - within("outside_c", outside_c, -40.0, 60.0)
    if difference <= 0.0:
        return None
    return max(0.0, (sensible_w - wall_loss_w_k * difference) * 3600.0 / (capacity * difference))


def heater_w(
    airflow_m3_h: float,
    inside_c: float,
    outside_c: float,
    sensible_w: float,
    wall_loss_w_k: float,
    pressure_pa: float = STANDARD_PRESSURE_PA,
) -> float:
    """Heat to add so that the room holds inside_c under this airflow: what resolves damp against cold.

    A figure for the heat balance, no advice on a heater: heaters and lamps near litter start fires.
    Use one made for livestock buildings, fixed clear of bedding, wired by a licensed electrician.

    Args:
        airflow_m3_h: 0 to 1e6 m³/h of inside air.
        inside_c, outside_c: °C, −40 to 60.
        sensible_w: birds and lamps already there, −1e6 to 1e6 W.
        wall_loss_w_k: 0 to 1e5 W per K.
        pressure_pa: Pa.

    Returns:
        W; 0 when the heat at hand is enough.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    within("airflow_m3_h", airflow_m3_h, 0.0, 1e6)
    within("sensible_w", sensible_w, -1e6, 1e6)
    within("wall_loss_w_k", wall_loss_w_k, 0.0, 1e5)
    carried_w_k = airflow_m3_h / 3600.0 * heat_capacity_j_m3_k(inside_c, pressure_pa)
    difference = inside_c - within("outside_c", outside_c, -40.0, 60.0)
    return max(0.0, (carried_w_k + wall_loss_w_k) * difference - sensible_w)


def ppm_to_mg_m3(
    ppm: float, temperature_c: float, pressure_pa: float = STANDARD_PRESSURE_PA, molar_mass_g_mol: float = AMMONIA_G_MOL
) -> float:
    """Parts per million by volume as milligrams in a cubic metre of this air.

    Args:
        ppm: 0 to 1e6.
        temperature_c: °C, −40 to 60.
        pressure_pa: Pa, 60 000 to 110 000.
        molar_mass_g_mol: of the gas, 1 to 500 g/mol; ammonia 17.031.

    Raises:
        OutOfRange: an argument lies outside the range above.

    Source: the ideal gas law.
    """
    within("ppm", ppm, 0.0, 1e6)
    kelvin = within("temperature_c", temperature_c, -40.0, 60.0) + 273.15
    within("pressure_pa", pressure_pa, LOWEST_PA, HIGHEST_PA)
    within("molar_mass_g_mol", molar_mass_g_mol, 1.0, 500.0)
    return ppm * pressure_pa * molar_mass_g_mol / (GAS_J_MOL_K * kelvin) * 1e-3
