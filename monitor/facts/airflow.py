"""Airflow per bird, timers, static pressure, inlets, ducts and how tight a house is.

Published minimum rates may be off by a factor of two either way (University of Georgia): they start
the sum, readings settle it. Airflow is m³/h, pressure Pa, speed m/s.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.facts.sources import Fact, Sureness, facts

RATES: Mapping[str, Fact] = facts(
    Fact("minimum per kg^0.75", 0.54, "m3/h", "charles-1981", "seen", "1.5e-4 m³/s; 0.91 m³/h for a 2 kg hen; the default"),
    Fact("minimum per kg", 1.0, "m3/h", "uga-minimum", "seen", "and may be off by 100 % or more"),
    Fact("summer per kg", 5.1, "m3/h", "ventilation-course", "calculated", "3 cfm/kg; older advice 2.5–3.5 cfm/kg"),
    Fact("cold weather per kg", 0.37, "m3/h", "mwps-32", "memory", "0.1 cfm/lb; layers, and broilers over a week old"),
    Fact("mild weather per kg", 1.87, "m3/h", "mwps-32", "memory", "0.5 cfm/lb"),
    Fact("hot weather per kg", 3.75, "m3/h", "mwps-32", "memory", "1 cfm/lb; the newer 3 cfm/kg is taken for summer"),
    Fact("cold weather per chick to 7 d", 0.068, "m3/h", "mwps-32", "memory", "0.04 cfm"),
    Fact("unvented burner, times the minimum", 2.0, "times", "uga-minimum", "seen", "carbon dioxide, first four weeks or so"),
)


@dataclass(frozen=True, slots=True)
class AgeRate:
    """Minimum airflow of one broiler from `from_day` on, m³/h."""

    from_day: int
    per_bird_m3_h: float
    source: str = "ontario-broiler"
    sureness: Sureness = "calculated"  # printed in cfm: .094 .25 .35 .49 .55 .69 .79 .89


BROILER_MINIMUM: tuple[AgeRate, ...] = (
    AgeRate(0, 0.16),
    AgeRate(7, 0.42),
    AgeRate(14, 0.59),
    AgeRate(21, 0.83),
    AgeRate(28, 0.93),
    AgeRate(35, 1.17),
    AgeRate(42, 1.34),
    AgeRate(49, 1.51),
)

TIMER: Mapping[str, Fact] = facts(
    Fact("period", 300.0, "s", "uky-8", "seen", "5 min preferred; 10 min swings the house by 2–5 °F"),
    Fact("shortest on", 30.0, "s", "inference", "inference", "shorter bursts do not bring the inlet jet up or open a shutter"),
)

PRESSURE: Mapping[str, Fact] = facts(
    Fact("working, low", 12.0, "Pa", "uga-static", "seen", "0.05 in of water"),
    Fact("working, high", 30.0, "Pa", "uga-static", "seen", "0.12 in of water"),
    Fact("throw per Pa", 0.245, "m", "breeder-throw", "calculated", "about 2 ft per 0.01 in of water"),
    Fact("inlet speed, low", 3.0, "m/s", "uga-static", "seen", "600 ft/min, printed for 0.02 in of water"),
    Fact("inlet speed, high", 6.1, "m/s", "uga-static", "seen", "1200 ft/min, printed for 0.10 in of water"),
    Fact("inlet airflow per m2 at 24.9 Pa", 13700.0, "m3/h", "uga-tightness", "calculated", "750 cfm per ft² at 0.10 in"),
)

DISCHARGE: Mapping[str, Fact] = facts(
    Fact("sharp opening", 0.6, "1", "ashrae", "memory", "the default; Georgia's 750 cfm per ft² at 0.10 in is 0.59"),
    Fact("slot inlet, measured", 0.5, "1", "chastain-2020", "seen", "ceiling and wall; 0.80 had been published for wall slots"),
    Fact(
        "leak-area convention",
        1.0,
        "1",
        "uga-tightness",
        "calculated",
        "v = 4005·√(in of water): do not mix with the 0.6 of inlets",
    ),
)

# Absolute roughness of a duct's wall, m (ASHRAE roughness categories; values from memory).
ROUGHNESS: Mapping[str, Fact] = facts(
    Fact("galvanised steel", 0.00009, "m", "ashrae", "memory", "round, medium smooth"),
    Fact("smooth plastic", 0.00003, "m", "ashrae", "memory"),
    Fact("flexible", 0.0009, "m", "ashrae", "memory", "pulled to full length; 30 % slack costs two to four times as much"),
    Fact("flexible, loose", 0.003, "m", "ashrae", "memory"),
)

# Loss coefficients on velocity pressure (ASHRAE fittings; values from memory).
FITTINGS: Mapping[str, Fact] = facts(
    Fact("entry, flush", 0.5, "1", "ashrae", "memory"),
    Fact("entry, pipe end", 0.9, "1", "ashrae", "memory", "unflanged, 0.9–1.0"),
    Fact("entry, bell mouth", 0.03, "1", "ashrae", "memory"),
    Fact("elbow, smooth", 0.22, "1", "ashrae", "memory", "90°, radius 1.5 diameters, 0.15–0.22"),
    Fact("elbow, segmented", 0.33, "1", "ashrae", "memory", "90°, five pieces, 0.24–0.33"),
    Fact("elbow, mitred", 1.2, "1", "ashrae", "memory", "90°, no vanes"),
    Fact("discharge", 1.0, "1", "ashrae", "memory", "to free air, always"),
    Fact("discharge, hood or louvre", 2.5, "1", "ashrae", "memory", "discharge with hood or weather louvre, 2–3.5 in all"),
    Fact("shutter, open", 1.0, "1", "ashrae", "memory", "gravity shutter, 0.5–1.5; dust adds"),
    Fact("insect mesh, clean", 0.5, "1", "ashrae", "memory", "0.2–1; loaded with dust above 5"),
)


@dataclass(frozen=True, slots=True)
class Tightness:
    """What a leak test tells: all inlets shut, fans giving 18.3 m³/h per m² of floor (1 cfm/ft²)."""

    name: str
    pressure_from_pa: float
    leak_m2_per_m2: float  # leakage area per floor area that goes with it, at most; inf for the leakiest
    source: str = "uga-tightness"
    sureness: Sureness = "calculated"  # printed in inches of water and ft² per 1000 ft²


TIGHTNESS: tuple[Tightness, ...] = (
    Tightness("very poor", 0.0, float("inf")),
    Tightness("marginal", 14.9, 0.0012),
    Tightness("good", 34.9, 0.0006),
    Tightness("outstanding", 57.3, 0.0004),
)
