"""What a sensor can believably say, when the keeper does not set it: one row for each measure.

Rules of this file: SI; wide enough that a sound, coarse sensor is never accused, for an alarm that
cries wolf is switched off. None of these bounds is published: common practice, with the reason beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from monitor.air.units import Kind
from monitor.engine.specification import Measure

HOUR_S = 3600.0
SILENT_AT_LEAST_S = 180.0
SILENT_INTERVALS = 4  # three readings lost in a row is bad radio, four is silence


@dataclass(frozen=True, slots=True)
class Plausible:
    """Bounds of one measure. `usual_unit` is None where a guess could be wrong; 0 s means never stuck."""

    kind: Kind
    difference: Kind
    usual_unit: str | None
    lowest: float
    highest: float
    largest_step: float  # between neighbouring readings; 0 means any
    stuck_after_s: float
    reason: str


PLAUSIBLE: Mapping[Measure, Plausible] = MappingProxyType(
    {
        Measure.TEMPERATURE: Plausible(
            Kind.TEMPERATURE, Kind.TEMPERATURE_DIFFERENCE, None, -40.0, 60.0, 10.0, 6 * HOUR_S,
            "beyond −40 or 60 °C no birds live and probes report faults (−127 and 85 °C are usual fault codes); "
            "a thermostat's room can hold one whole degree for hours, six of them are too many",
        ),
        Measure.HUMIDITY: Plausible(
            Kind.PERCENTAGE, Kind.PERCENTAGE, "%", 0.0, 100.0, 40.0, 12 * HOUR_S,
            "an opened door dries a room fast, but not by 40 points; whole-percent sensors stand still for hours, not half a day",
        ),
        Measure.AMMONIA: Plausible(
            Kind.CONCENTRATION, Kind.CONCENTRATION, "ppm", 0.0, 1000.0, 100.0, 24 * HOUR_S,
            "turned litter gives off tens of ppm at once; no pen with birds alive stands at 1000 ppm",
        ),
        Measure.CARBON_DIOXIDE: Plausible(
            Kind.CONCENTRATION, Kind.CONCENTRATION, "ppm", 250.0, 40_000.0, 5000.0, 12 * HOUR_S,
            "outside air has over 400 ppm, a drifted sensor a little less; 40,000 ppm is the end of usual sensors",
        ),
        Measure.STATIC_PRESSURE: Plausible(
            Kind.PRESSURE, Kind.PRESSURE, None, -250.0, 250.0, 0.0, 24 * HOUR_S,
            "1 in. of water either way; gusts make any step possible",
        ),
        Measure.LIGHT: Plausible(
            Kind.LIGHT, Kind.LIGHT, "lx", 0.0, 150_000.0, 0.0, 0.0,
            "full sun is about 120,000 lx; lamps switch, and a windowless pen is dark or lit for days",
        ),
        Measure.FAN_POWER: Plausible(
            Kind.POWER, Kind.POWER, "W", 0.0, 5000.0, 0.0, 0.0,
            "a fan switches at once, and one at rest draws 0 W for as long as it rests",
        ),
        Measure.FAN_SPEED: Plausible(
            Kind.PERCENTAGE, Kind.PERCENTAGE, "%", 0.0, 110.0, 0.0, 0.0, "a fan holds one speed as long as it is told to",
        ),
        Measure.BATTERY: Plausible(
            Kind.PERCENTAGE, Kind.PERCENTAGE, "%", 0.0, 100.0, 0.0, 0.0, "a battery stands at one percent for weeks",
        ),
        Measure.MAINS: Plausible(
            Kind.STATE, Kind.STATE, "1/0", 0.0, 1.0, 0.0, 0.0, "the mains is there for months on end, and goes at once",
        ),
    }
)  # fmt: skip


def silent_after_s(every_s: float) -> float:
    """When a sensor that promised a reading every so often is called silent."""
    return max(SILENT_INTERVALS * every_s, SILENT_AT_LEAST_S)
