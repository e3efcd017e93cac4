"""The few properties of air the barn model needs, fast and apart from the product's own physics.

Rules of this file: SI units; sea-level pressure; saturation over liquid water at every temperature,
because that is what humidity sensors report below freezing too. The model keeps its own formulas on
purpose: a slip in the product's psychrometrics must not cancel out in the barn.
"""

from __future__ import annotations

import math

PRESSURE_PA = 101_325.0
AIR_J_KG_K = 1_006.0  # specific heat of dry air
EVAPORATION_J_KG = 2.45e6  # latent heat of water near 20 °C
VAPOUR_GAS_CONSTANT = 461.5  # J/(kg K)
DRY_AIR_GAS_CONSTANT = 287.055  # J/(kg K)


def saturation_pressure_pa(temperature_c: float) -> float:
    """Vapour pressure of saturated air over liquid water, −45 to 60 °C, within 0.4 % (the WMO enhancement factor left out).

    Source: Magnus formula with the coefficients of WMO-No. 8, Guide to Meteorological Instruments, annex 4.B.
    """
    return 611.2 * math.exp(17.62 * temperature_c / (243.12 + temperature_c))


def humidity_ratio(temperature_c: float, relative_humidity_pct: float) -> float:
    """Mass of vapour per mass of dry air, kg/kg."""
    vapour_pa = relative_humidity_pct / 100.0 * saturation_pressure_pa(temperature_c)
    return 0.621945 * vapour_pa / (PRESSURE_PA - vapour_pa)


def relative_humidity_pct(temperature_c: float, ratio: float) -> float:
    """Relative humidity over liquid water, %, not clipped at 100."""
    vapour_pa = PRESSURE_PA * ratio / (0.621945 + ratio)
    return 100.0 * vapour_pa / saturation_pressure_pa(temperature_c)


def dry_air_kg_m3(temperature_c: float) -> float:
    """Density of dry air at sea level, kg/m³."""
    return PRESSURE_PA / (DRY_AIR_GAS_CONSTANT * (273.15 + temperature_c))


def vapour_kg_m3(temperature_c: float, vapour_pa: float) -> float:
    """Vapour density at a vapour pressure, kg/m³."""
    return vapour_pa / (VAPOUR_GAS_CONSTANT * (273.15 + temperature_c))


def ammonia_mg_m3_per_ppm(temperature_c: float) -> float:
    """Mass concentration of 1 ppm ammonia, ideal gas, molar mass 17.031 g/mol."""
    return 17.031 * PRESSURE_PA / (8.314462 * (273.15 + temperature_c)) * 1e-3
