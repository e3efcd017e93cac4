"""How much air went through a pen, hour by hour, looking back: the fan's share of the hour, and what leaks. Pure.

Rules of this file: while the fan runs, its airflow and the leakage add in squares; while it rests, only the
leakage counts. Wind is not measured, so leakage is good to about half of itself, and says so.

Sources
    [1] Effective-leakage-area model of Sherman and Grimsrud, as in the ASHRAE Handbook, Fundamentals; the
        coefficients for one storey with some shelter are values from memory.
    [2] M. Sherman (1992): an exhaust fan and infiltration add in squares; from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from monitor.engine.specification import Pen
from monitor.engine.ventilation import delivered

HOUR_MS = 3_600_000
STACK = 0.000145  # (L/s)² / (cm⁴ K) [1]
WIND = 0.000174  # (L/s)² / (cm⁴ (m/s)²) [1]
WIND_M_S = 2.0  # taken for the wind nobody measured: a light breeze; our own assumption
WARMER_INSIDE_K = 6.0  # taken where the outside is not measured; our own assumption
LEAKAGE_SHARE_UNSURE = 0.5
FAN_SHARE_UNSURE = 0.15  # of a data sheet's curve through a reckoned duct; our own assumption


@dataclass(frozen=True, slots=True)
class FanRun:
    """One stretch during which the fan was told to run; `speed_pct` None means full speed."""

    begin_ms: int
    end_ms: int
    speed_pct: float | None = None


@dataclass(frozen=True, slots=True)
class Blowing:
    """The fan within one hour: its share of the time, and what it moved while it ran (None: curve not known)."""

    share: float
    airflow_m3_h: float | None


@dataclass(frozen=True, slots=True)
class Through:
    """Air through the pen in one hour, m³/h, with one standard uncertainty; and what of it leaks while the fan rests."""

    airflow_m3_h: float
    uncertainty_m3_h: float
    leakage_m3_h: float


def blowing_by_hour(pen: Pen, runs: Iterable[FanRun]) -> dict[int, Blowing]:
    """By the hour's first millisecond; an hour that is not named had the fan at rest throughout."""
    ran_ms: dict[int, float] = {}
    moved: dict[int, float] = {}
    known = True
    at_speed: dict[float | None, float | None] = {}  # a year has a hundred thousand runs and a handful of speeds
    for run in runs:
        if run.speed_pct not in at_speed:
            point = delivered(pen, 100.0 if run.speed_pct is None else max(run.speed_pct, 1.0))
            at_speed[run.speed_pct] = None if point is None else point.airflow_m3_s * 3600.0
        full = at_speed[run.speed_pct]
        known = known and full is not None
        hour = run.begin_ms // HOUR_MS * HOUR_MS
        while hour < run.end_ms:
            within = min(run.end_ms, hour + HOUR_MS) - max(run.begin_ms, hour)
            ran_ms[hour] = ran_ms.get(hour, 0.0) + within
            moved[hour] = moved.get(hour, 0.0) + within * (full or 0.0)
            hour += HOUR_MS
    return {
        hour: Blowing(min(1.0, ran / HOUR_MS), moved[hour] / ran if known and ran > 0.0 else None) for hour, ran in ran_ms.items()
    }


def leakage_m3_h(pen: Pen, warmer_inside_k: float) -> float:
    """Air through cracks in a light breeze, m³/h [1]; 0 where the settings name no leakage area."""
    if pen.inlet is None or pen.inlet.leakage_area_m2 <= 0.0:
        return 0.0
    push = STACK * abs(warmer_inside_k) + WIND * WIND_M_S**2
    return pen.inlet.leakage_area_m2 * 1e4 * math.sqrt(push) * 3.6


def through(pen: Pen, blowing: Blowing, inside_c: float | None, outside_c: float | None) -> Through | None:
    """Air through the pen in this hour; None where the fan ran and nobody knows what it moves."""
    warmer = WARMER_INSIDE_K if inside_c is None or outside_c is None else inside_c - outside_c
    leak = leakage_m3_h(pen, warmer)
    if blowing.share <= 0.0:
        return Through(leak, LEAKAGE_SHARE_UNSURE * leak, leak)
    if blowing.airflow_m3_h is None:
        return None
    fan = blowing.airflow_m3_h
    mean = blowing.share * math.hypot(fan, leak) + (1.0 - blowing.share) * leak
    unsure = math.hypot(FAN_SHARE_UNSURE * blowing.share * fan, LEAKAGE_SHARE_UNSURE * (1.0 - blowing.share) * leak)
    return Through(mean, unsure, (1.0 - blowing.share) * leak)


def known_from_ms(runs: Sequence[FanRun]) -> int | None:
    """From when on the fan's doings are known: the first time it was told to run."""
    return min((run.begin_ms for run in runs), default=None)
