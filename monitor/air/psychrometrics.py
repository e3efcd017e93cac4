"""Moist air: what a temperature and a relative humidity say about water, heat and density.

Rules of this file: relative humidity is over liquid water at and above 0 °C (strictly, above the
triple point) and **over ice below**, as in the ASHRAE handbook. Most sensors report over liquid
water even in frost: pass their number through `over_ice_pct` first, or a dew point at −15 °C comes
out up to 1.5 K too warm. Dew point below 0 °C is the frost point; wet bulb below 0 °C is an iced
bulb's. The formulas are those of ASHRAE Handbook, Fundamentals (2017), ch. 1, through PsychroLib.
Air is an ideal gas here; real moist air holds up to 0.6 % more water (45 °C, saturated).
"""

from __future__ import annotations

from functools import lru_cache
from math import exp

import psychrolib

from monitor.air.ranges import within

# PsychroLib keeps its unit system for the whole process: SI, set here once and nowhere else.
psychrolib.SetUnitSystem(psychrolib.SI)

STANDARD_PRESSURE_PA = 101325.0
LOWEST_C, HIGHEST_C = -40.0, 60.0
LOWEST_PA, HIGHEST_PA = 60_000.0, 110_000.0
DRIEST_PCT = 0.1  # below, dew point and frost point leave the formulas' range


def _checked(temperature_c: float, relative_humidity_pct: float, pressure_pa: float, driest_pct: float = 0.0) -> float:
    """Relative humidity as a fraction, all three arguments within range."""
    within("temperature_c", temperature_c, LOWEST_C, HIGHEST_C)
    within("pressure_pa", pressure_pa, LOWEST_PA, HIGHEST_PA)
    return within("relative_humidity_pct", relative_humidity_pct, driest_pct, 100.0) / 100.0


def saturation_pressure_pa(temperature_c: float) -> float:
    """Pressure of water vapour in saturated air, Pa; over ice below the triple point (0.01 °C).

    Args:
        temperature_c: °C, −40 to 60.

    Raises:
        OutOfRange: temperature_c lies outside.

    Source: ASHRAE Handbook, Fundamentals (2017), ch. 1, eq. 5 and 6.
    """
    return float(psychrolib.GetSatVapPres(within("temperature_c", temperature_c, LOWEST_C, HIGHEST_C)))


def over_ice_pct(temperature_c: float, relative_humidity_over_water_pct: float) -> float:
    """Turns a sensor's relative humidity over liquid water into the convention of this file.

    Above 0 °C nothing changes. In frost the same vapour is a larger share of what ice allows; what
    goes beyond saturation over ice is returned as 100.

    Args:
        temperature_c: °C, −40 to 60.
        relative_humidity_over_water_pct: %, 0 to 100.

    Returns:
        Relative humidity, %, 0 to 100.

    Raises:
        OutOfRange: an argument lies outside the range above.

    Source: the Magnus formula over water and over ice (WMO-No. 8, coefficients 17.62, 243.12 and
    22.46, 272.62; values from memory, checked against the ASHRAE formulas in the tests).
    """
    within("temperature_c", temperature_c, LOWEST_C, HIGHEST_C)
    humidity_pct = within("relative_humidity_over_water_pct", relative_humidity_over_water_pct, 0.0, 100.0)
    if temperature_c >= 0.0:
        return humidity_pct
    over_water = exp(17.62 * temperature_c / (243.12 + temperature_c))
    over_ice = exp(22.46 * temperature_c / (272.62 + temperature_c))
    return min(humidity_pct * over_water / over_ice, 100.0)


def wet_bulb_c(temperature_c: float, relative_humidity_pct: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Thermodynamic wet-bulb temperature, °C. Iterates: tens of microseconds, not for every reading.

    Where the answer lies within about half a degree of 0 °C it may be off by 0.5 K: the bulb may be
    wet or iced, and the formula jumps.

    Args:
        temperature_c: dry bulb, °C, −40 to 60.
        relative_humidity_pct: %, 0 to 100.
        pressure_pa: Pa, 60 000 to 110 000.

    Raises:
        OutOfRange: an argument lies outside the range above.

    Source: ASHRAE Handbook, Fundamentals (2017), ch. 1, eq. 33 and 35.
    """
    fraction = _checked(temperature_c, relative_humidity_pct, pressure_pa)
    return float(psychrolib.GetTWetBulbFromRelHum(temperature_c, fraction, pressure_pa))


def dew_point_c(temperature_c: float, relative_humidity_pct: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Temperature at which this air would start to wet, or frost, a surface; at most temperature_c.

    Args:
        temperature_c: dry bulb, °C, −40 to 60.
        relative_humidity_pct: %, 0.1 to 100.
        pressure_pa: Pa, 60 000 to 110 000; the dew point does not depend on it (taken so that all
            functions of this file are called alike).

    Raises:
        OutOfRange: an argument lies outside the range above.

    Source: ASHRAE Handbook, Fundamentals (2017), ch. 1, eq. 5 and 6 solved for temperature.
    """
    fraction = _checked(temperature_c, relative_humidity_pct, pressure_pa, DRIEST_PCT)
    return float(psychrolib.GetTDewPointFromRelHum(temperature_c, fraction))


def humidity_ratio(temperature_c: float, relative_humidity_pct: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Kilograms of water vapour in the air that holds one kilogram of dry air.

    Args:
        temperature_c: dry bulb, °C, −40 to 60.
        relative_humidity_pct: %, 0 to 100.
        pressure_pa: Pa, 60 000 to 110 000.

    Raises:
        OutOfRange: an argument lies outside the range above.

    Source: ASHRAE Handbook, Fundamentals (2017), ch. 1, eq. 20. Below 1e-7 kg/kg the library holds 1e-7.
    """
    return _humidity_ratio(temperature_c, relative_humidity_pct, pressure_pa)


@lru_cache(maxsize=256)  # wanted and outside air are asked about over and over
def _humidity_ratio(temperature_c: float, relative_humidity_pct: float, pressure_pa: float) -> float:
    fraction = _checked(temperature_c, relative_humidity_pct, pressure_pa)
    return float(psychrolib.GetHumRatioFromRelHum(temperature_c, fraction, pressure_pa))


def relative_humidity_pct(temperature_c: float, humidity_ratio: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Relative humidity of air that holds this much water; the way back from `humidity_ratio`.

    Args:
        temperature_c: dry bulb, °C, −40 to 60.
        humidity_ratio: kg water per kg dry air, 0 to saturation at temperature_c.
        pressure_pa: Pa, 60 000 to 110 000.

    Returns:
        %, 0 to 100.

    Raises:
        OutOfRange: an argument lies outside the range above; more water than air can hold has no answer.

    Source: ASHRAE Handbook, Fundamentals (2017), ch. 1, eq. 20 and 22.
    """
    within("temperature_c", temperature_c, LOWEST_C, HIGHEST_C)
    within("pressure_pa", pressure_pa, LOWEST_PA, HIGHEST_PA)
    saturated = float(psychrolib.GetSatHumRatio(temperature_c, pressure_pa))
    within("humidity_ratio", humidity_ratio, 0.0, saturated * (1.0 + 1e-9))  # round trips end at 100 %, not above
    vapour_pa = pressure_pa * humidity_ratio / (0.621945 + humidity_ratio)
    return min(100.0 * vapour_pa / float(psychrolib.GetSatVapPres(temperature_c)), 100.0)


def vapour_pressure_deficit_pa(
    temperature_c: float, relative_humidity_pct: float, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Pa of vapour pressure still missing to saturation: how strongly the air dries.

    Args:
        temperature_c: dry bulb, °C, −40 to 60.
        relative_humidity_pct: %, 0 to 100.
        pressure_pa: Pa, 60 000 to 110 000; without influence, taken so that all are called alike.

    Raises:
        OutOfRange: an argument lies outside the range above.

    Source: ASHRAE Handbook, Fundamentals (2017), ch. 1, eq. 5, 6 and 22.
    """
    fraction = _checked(temperature_c, relative_humidity_pct, pressure_pa)
    return float(psychrolib.GetSatVapPres(temperature_c)) * (1.0 - fraction)


def enthalpy_j_kg(temperature_c: float, relative_humidity_pct: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Heat content, J per kg of dry air, counted from dry air and liquid water at 0 °C.

    Args:
        temperature_c: dry bulb, °C, −40 to 60.
        relative_humidity_pct: %, 0 to 100.
        pressure_pa: Pa, 60 000 to 110 000.

    Raises:
        OutOfRange: an argument lies outside the range above.

    Source: ASHRAE Handbook, Fundamentals (2017), ch. 1, eq. 30.
    """
    ratio = humidity_ratio(temperature_c, relative_humidity_pct, pressure_pa)
    return float(psychrolib.GetMoistAirEnthalpy(temperature_c, ratio))


def specific_volume_m3_kg(temperature_c: float, relative_humidity_pct: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Volume of the air that holds one kilogram of dry air, m³.

    Args:
        temperature_c: dry bulb, °C, −40 to 60.
        relative_humidity_pct: %, 0 to 100.
        pressure_pa: Pa, 60 000 to 110 000.

    Raises:
        OutOfRange: an argument lies outside the range above.

    Source: ASHRAE Handbook, Fundamentals (2017), ch. 1, eq. 26.
    """
    ratio = humidity_ratio(temperature_c, relative_humidity_pct, pressure_pa)
    return float(psychrolib.GetMoistAirVolume(temperature_c, ratio, pressure_pa))


def density_kg_m3(temperature_c: float, relative_humidity_pct: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
    """Mass of moist air, water included, in one cubic metre, kg.

    Args:
        temperature_c: dry bulb, °C, −40 to 60.
        relative_humidity_pct: %, 0 to 100.
        pressure_pa: Pa, 60 000 to 110 000.

    Raises:
        OutOfRange: an argument lies outside the range above.

    Source: ASHRAE Handbook, Fundamentals (2017), ch. 1, eq. 11.
    """
    ratio = humidity_ratio(temperature_c, relative_humidity_pct, pressure_pa)
    return float(psychrolib.GetMoistAirDensity(temperature_c, ratio, pressure_pa))


@lru_cache(maxsize=64)
def pressure_at_altitude_pa(altitude_m: float) -> float:
    """Usual air pressure at a height above sea level, Pa; weather moves it by about ±3 %.

    Args:
        altitude_m: m, −400 to 4200.

    Raises:
        OutOfRange: altitude_m lies outside.

    Source: ASHRAE Handbook, Fundamentals (2017), ch. 1, eq. 3 (standard atmosphere).
    """
    return float(psychrolib.GetStandardAtmPressure(within("altitude_m", altitude_m, -400.0, 4200.0)))
