"""Ammonia given off by the litter, told apart from the ventilation that carries it away.

Concentration alone cannot say whether the litter got worse or the fan moves less. The mass balance of the
room can: what the litter gives off is what the air carries out plus what builds up in the room.

    E = c · (Q · (C − C supply) + V · dC/dt)

Rules of this file: one well-mixed air space; ammonia that walls take up or give back counts as the
litter's. Concentrations are by volume, ppm.

Sources
    [1] Ideal gas: 1 ppm = M·p/(R·T); M 17.031 g/mol (IUPAC atomic weights), R 8.314462618 J/(mol·K).
    [2] JCGM 100:2008 (GUM), section 5.1: uncertainty carried through a formula, uncorrelated inputs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.air.ranges import within

AMMONIA_G_MOL = 17.031
GAS_CONSTANT_J_MOL_K = 8.314462618
HIGHEST_PPM = 10_000.0  # far above what any bird or barn sensor survives


@dataclass(frozen=True, slots=True)
class Emission:
    """Ammonia given off, and how surely.

    Attributes:
        mg_h: best figure, mg/h; below 0 when the readings or the airflow contradict the balance.
        standard_uncertainty_mg_h: one standard uncertainty.
        low_mg_h, high_mg_h: two of them either side, about 95 %.
        carried_out_mg_h: of it, with the air.
        building_up_mg_h: of it, staying in the room; below 0 while the room clears.
    """

    mg_h: float
    standard_uncertainty_mg_h: float
    low_mg_h: float
    high_mg_h: float
    carried_out_mg_h: float
    building_up_mg_h: float


def mg_m3_of_one_ppm(temperature_c: float, pressure_pa: float = 101325.0) -> float:
    """Mass of ammonia in a cubic metre of air that holds 1 ppm of it [1].

    Args:
        temperature_c: of the air, °C, −40 to 60.
        pressure_pa: of the air, Pa, 50,000 to 110,000.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    within("temperature_c", temperature_c, -40.0, 60.0)
    within("pressure_pa", pressure_pa, 50_000.0, 110_000.0)
    return AMMONIA_G_MOL * pressure_pa / (GAS_CONSTANT_J_MOL_K * (temperature_c + 273.15)) * 1e-3


def ppm_to_mg_m3(concentration_ppm: float, temperature_c: float, pressure_pa: float = 101325.0) -> float:
    """Ammonia by mass from ammonia by volume, mg/m³.

    Args:
        concentration_ppm: 0 to 10,000 ppm.
        temperature_c, pressure_pa: as in `mg_m3_of_one_ppm`.

    Raises:
        OutOfRange: an argument lies outside its range.
    """
    within("concentration_ppm", concentration_ppm, 0.0, HIGHEST_PPM)
    return concentration_ppm * mg_m3_of_one_ppm(temperature_c, pressure_pa)


def mg_m3_to_ppm(concentration_mg_m3: float, temperature_c: float, pressure_pa: float = 101325.0) -> float:
    """Ammonia by volume from ammonia by mass, ppm; the inverse of `ppm_to_mg_m3`.

    Args:
        concentration_mg_m3: 0 to 10,000 mg/m³.
        temperature_c, pressure_pa: as in `mg_m3_of_one_ppm`.

    Raises:
        OutOfRange: an argument lies outside its range.
    """
    within("concentration_mg_m3", concentration_mg_m3, 0.0, 10_000.0)
    return concentration_mg_m3 / mg_m3_of_one_ppm(temperature_c, pressure_pa)


def emission_mg_h(
    concentration_ppm: float,
    rate_ppm_h: float,
    airflow_m3_h: float,
    volume_m3: float,
    temperature_c: float,
    supply_ppm: float = 0.0,
    pressure_pa: float = 101325.0,
) -> float:
    """Ammonia given off by the litter now, mg/h, by the balance above.

    Args:
        concentration_ppm: in the room, 0 to 10,000 ppm.
        rate_ppm_h: how fast it changes, ppm/h, −1e5 to 1e5.
        airflow_m3_h: leaving the room, m³/h, 0 to 360,000; with the fan at rest, its leakage.
        volume_m3: of the room's air, m³, 0.1 to 100,000.
        temperature_c: of the room, °C, −40 to 60.
        supply_ppm: in the air coming in, 0 to 10,000 ppm.
        pressure_pa: of the air, Pa, 50,000 to 110,000.

    Returns:
        mg/h. Below 0 means that readings and airflow contradict one another: it is not clipped, so that a
        wrong airflow shows.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    return emission(
        concentration_ppm, rate_ppm_h, airflow_m3_h, volume_m3, temperature_c, supply_ppm=supply_ppm, pressure_pa=pressure_pa
    ).mg_h


def emission(
    concentration_ppm: float,
    rate_ppm_h: float,
    airflow_m3_h: float,
    volume_m3: float,
    temperature_c: float,
    *,
    supply_ppm: float = 0.0,
    pressure_pa: float = 101325.0,
    concentration_uncertainty_ppm: float = 0.0,
    rate_uncertainty_ppm_h: float = 0.0,
    airflow_uncertainty_m3_h: float = 0.0,
) -> Emission:
    """As `emission_mg_h`, with its two parts and what the inputs' uncertainty makes of it [2].

    Args:
        concentration_ppm … pressure_pa: as in `emission_mg_h`.
        concentration_uncertainty_ppm: one standard uncertainty of C − C supply, ppm, 0 to 10,000.
        rate_uncertainty_ppm_h: of the rate, ppm/h, 0 to 1e5.
        airflow_uncertainty_m3_h: of the airflow, m³/h, 0 to 360,000.

    Raises:
        OutOfRange: an argument lies outside its range.
    """
    within("concentration_ppm", concentration_ppm, 0.0, HIGHEST_PPM)
    within("rate_ppm_h", rate_ppm_h, -1e5, 1e5)
    within("airflow_m3_h", airflow_m3_h, 0.0, 360_000.0)
    within("volume_m3", volume_m3, 0.1, 100_000.0)
    within("supply_ppm", supply_ppm, 0.0, HIGHEST_PPM)
    within("concentration_uncertainty_ppm", concentration_uncertainty_ppm, 0.0, HIGHEST_PPM)
    within("rate_uncertainty_ppm_h", rate_uncertainty_ppm_h, 0.0, 1e5)
    within("airflow_uncertainty_m3_h", airflow_uncertainty_m3_h, 0.0, 360_000.0)
    mg_m3 = mg_m3_of_one_ppm(temperature_c, pressure_pa)
    rise_ppm = concentration_ppm - supply_ppm
    carried_out = mg_m3 * airflow_m3_h * rise_ppm
    building_up = mg_m3 * volume_m3 * rate_ppm_h
    best = carried_out + building_up
    uncertainty = mg_m3 * math.hypot(
        airflow_m3_h * concentration_uncertainty_ppm,
        rise_ppm * airflow_uncertainty_m3_h,
        volume_m3 * rate_uncertainty_ppm_h,
    )
    return Emission(best, uncertainty, best - 2.0 * uncertainty, best + 2.0 * uncertainty, carried_out, building_up)
