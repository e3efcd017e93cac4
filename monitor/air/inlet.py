"""Air coming in: openings under the small negative pressure an exhaust fan makes.

Two conventions are in use and must not be mixed.

- An **inlet** is a hole somebody made. Its real, measured area times a discharge coefficient (about 0.6)
  times the ideal speed is its airflow.
- A **leakage area** is the answer of a tightness test: the area that would pass the measured airflow at
  the ideal speed, coefficient 1. It is no hole anybody could measure with a ruler; the coefficient is
  already in it. The poultry trade's tightness tables are of this kind [2].

Rules of this file: pressure differences are positive when the room is below the outside; densities are
those of the air that flows in.

Sources
    [1] Bernoulli: v = √(2 Δp/ρ); in trade units at 0.075 lb/ft³, 4005 fpm × √(in. w.c.).
    [2] M. Czarick, B. Fairchild, University of Georgia: tightness test and negative pressure,
        Poultry Housing Tips.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.air.duct import STANDARD_DENSITY_KG_M3
from monitor.air.ranges import within

# A sharp-edged opening: textbooks give 0.60 to 0.65. Slot inlets of poultry houses were measured at 0.50
# (Clemson University, 2020) and are published at up to 0.80.
SHARP_EDGED = 0.6

HIGHEST_PRESSURE_PA = 6000.0  # far above any room: 100 m/s, up to where air counts as incompressible


@dataclass(frozen=True, slots=True)
class Inlet:
    """All ways in for the air of one room, side by side.

    Attributes:
        area_m2: measured free area of the inlets, m², 0 to 100.
        discharge_coefficient: share of the ideal airflow those really pass, 0.2 to 1.
        leakage_area_m2: of cracks and gaps, m², from a tightness test (coefficient 1, see above), 0 to 100.
    """

    area_m2: float
    discharge_coefficient: float = SHARP_EDGED
    leakage_area_m2: float = 0.0

    def __post_init__(self) -> None:
        within("area_m2", self.area_m2, 0.0, 100.0)
        within("discharge_coefficient", self.discharge_coefficient, 0.2, 1.0)
        within("leakage_area_m2", self.leakage_area_m2, 0.0, 100.0)

    @property
    def effective_area_m2(self) -> float:
        """Area that passes the same air at the ideal speed, coefficient 1."""
        return self.area_m2 * self.discharge_coefficient + self.leakage_area_m2


def speed_m_s(pressure_pa: float, density_kg_m3: float = STANDARD_DENSITY_KG_M3) -> float:
    """Speed of the air jet through any opening, √(2Δp/ρ) [1]; it does not depend on the opening's size.

    Args:
        pressure_pa: how far the room is below the outside, Pa, 0 to 6000.
        density_kg_m3: density of the incoming air, kg/m³, 0.7 to 1.6.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    within("pressure_pa", pressure_pa, 0.0, HIGHEST_PRESSURE_PA)
    within("density_kg_m3", density_kg_m3, 0.7, 1.6)
    return math.sqrt(2.0 * pressure_pa / density_kg_m3)


def pressure_for_speed_pa(speed_m_s: float, density_kg_m3: float = STANDARD_DENSITY_KG_M3) -> float:
    """Negative pressure that drives air in at this speed, ρv²/2 [1]; the inverse of `speed_m_s`.

    Args:
        speed_m_s: wanted jet speed, m/s, 0 to 40.
        density_kg_m3: density of the incoming air, kg/m³, 0.7 to 1.6.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    within("speed_m_s", speed_m_s, 0.0, 40.0)
    within("density_kg_m3", density_kg_m3, 0.7, 1.6)
    return 0.5 * density_kg_m3 * speed_m_s * speed_m_s


def airflow_m3_s(pressure_pa: float, inlet: Inlet, density_kg_m3: float = STANDARD_DENSITY_KG_M3) -> float:
    """Airflow through inlets and leaks together at this negative pressure.

    Args:
        pressure_pa: how far the room is below the outside, Pa, 0 to 6000.
        inlet: the openings.
        density_kg_m3: density of the incoming air, kg/m³, 0.7 to 1.6.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    return inlet.effective_area_m2 * speed_m_s(pressure_pa, density_kg_m3)


def room_negative_pressure_pa(airflow_m3_s: float, inlet: Inlet, density_kg_m3: float = STANDARD_DENSITY_KG_M3) -> float:
    """Negative pressure this airflow builds up in the room behind these openings.

    Args:
        airflow_m3_s: airflow, m³/s, 0 to 100.
        inlet: the openings; an effective area of 0 with any airflow is refused.
        density_kg_m3: density of the incoming air, kg/m³, 0.7 to 1.6.

    Returns:
        Pa, rising with the square of the airflow.

    Raises:
        OutOfRange: an argument lies outside the range above, or the openings are shut.
    """
    within("airflow_m3_s", airflow_m3_s, 0.0, 100.0)
    within("density_kg_m3", density_kg_m3, 0.7, 1.6)
    if airflow_m3_s == 0.0:
        return 0.0
    within("effective_area_m2", inlet.effective_area_m2, 1e-6, 200.0)
    return 0.5 * density_kg_m3 * (airflow_m3_s / inlet.effective_area_m2) ** 2


def area_needed_m2(
    airflow_m3_s: float,
    pressure_pa: float,
    discharge_coefficient: float = SHARP_EDGED,
    leakage_area_m2: float = 0.0,
    density_kg_m3: float = STANDARD_DENSITY_KG_M3,
) -> float:
    """Free inlet area, as measured with a ruler, that passes this airflow at this negative pressure.

    Args:
        airflow_m3_s: airflow, m³/s, 0 to 100.
        pressure_pa: wanted negative pressure, Pa, 0.1 to 6000.
        discharge_coefficient: of the inlets, 0.2 to 1.
        leakage_area_m2: what leaks already pass, m² by the convention of the tightness test, 0 to 100.
        density_kg_m3: density of the incoming air, kg/m³, 0.7 to 1.6.

    Returns:
        m²; 0 when the leaks alone pass it, and then this pressure will not be reached.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    within("airflow_m3_s", airflow_m3_s, 0.0, 100.0)
    within("pressure_pa", pressure_pa, 0.1, HIGHEST_PRESSURE_PA)
    within("discharge_coefficient", discharge_coefficient, 0.2, 1.0)
    within("leakage_area_m2", leakage_area_m2, 0.0, 100.0)
    wanted_m2 = airflow_m3_s / speed_m_s(pressure_pa, density_kg_m3)
    return max(0.0, wanted_m2 - leakage_area_m2) / discharge_coefficient


def leakage_area_m2(airflow_m3_s: float, pressure_pa: float, density_kg_m3: float = STANDARD_DENSITY_KG_M3) -> float:
    """Leakage area from a tightness test: all inlets shut, one fan running, pressure read [2].

    The airflow must be the fan's at that very pressure, not its free air. Coefficient 1 by convention:
    do not compare the answer with an inlet's measured area before multiplying that by its coefficient.

    Args:
        airflow_m3_s: what the fan moves at that pressure, m³/s, 0 to 100.
        pressure_pa: negative pressure read, Pa, 1 to 6000; below 1 Pa a gauge cannot tell it from wind.
        density_kg_m3: density of the incoming air, kg/m³, 0.7 to 1.6.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    within("airflow_m3_s", airflow_m3_s, 0.0, 100.0)
    within("pressure_pa", pressure_pa, 1.0, HIGHEST_PRESSURE_PA)
    return airflow_m3_s / speed_m_s(pressure_pa, density_kg_m3)


def throw_m(pressure_pa: float) -> float:
    """How far the jet of a slot under the ceiling carries before it drops, roughly.

    About 2 ft for each 0.01 in. w.c. (a broiler breeder's advice to growers): a rule of thumb for smooth
    ceilings and slots of house size, not physics; a beam or a small round hole shortens it.

    Args:
        pressure_pa: negative pressure, Pa, 0 to 40; beyond that nobody has stated the rule.

    Raises:
        OutOfRange: the pressure lies outside the range above.
    """
    within("pressure_pa", pressure_pa, 0.0, 40.0)
    return 0.6096 * pressure_pa / 2.490889
