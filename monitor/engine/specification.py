"""What the keeper's settings resolve to: pens, sensors, flocks, limits and fan, as frozen data.

Rules of this file: SI units throughout (°C, %, ppm, Pa, m, m², m³/s, s); the unit stands in the
name; nothing is computed here beyond look-ups; every limit carries its source in words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from types import MappingProxyType


class Measure(StrEnum):
    """The one quantity a sensor measures."""

    TEMPERATURE = "temperature"
    HUMIDITY = "humidity"
    AMMONIA = "ammonia"
    CARBON_DIOXIDE = "carbon_dioxide"
    STATIC_PRESSURE = "static_pressure"
    LIGHT = "light"
    FAN_POWER = "fan_power"
    FAN_SPEED = "fan_speed"
    BATTERY = "battery"
    MAINS = "mains"


# The unit each measure is kept in, everywhere inside.
SI_UNIT: Mapping[Measure, str] = MappingProxyType(
    {
        Measure.TEMPERATURE: "degC",
        Measure.HUMIDITY: "%",
        Measure.AMMONIA: "ppm",
        Measure.CARBON_DIOXIDE: "ppm",
        Measure.STATIC_PRESSURE: "Pa",
        Measure.LIGHT: "lx",
        Measure.FAN_POWER: "W",
        Measure.FAN_SPEED: "%",
        Measure.BATTERY: "%",
        Measure.MAINS: "1",
    }
)


class Place(StrEnum):
    """Where in or around the pen a sensor hangs."""

    BIRD_LEVEL = "bird level"
    ROOM = "room"
    SUPPLY = "supply"
    OUTSIDE = "outside"


class BirdClass(StrEnum):
    """What the birds are kept for; it decides growth, heat and comfort."""

    LAYER = "layer"
    MEAT = "meat"
    DUAL_PURPOSE = "dual-purpose"


class Priority(StrEnum):
    """How soon a person must act. Urgent means: birds die tonight, wake me."""

    URGENT = "urgent"
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


@dataclass(frozen=True, slots=True)
class Calibration:
    """true = gain · measured + offset, in the measure's SI unit."""

    gain: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Sensor:
    """One sensor as the engine and the wire see it.

    `unit_gain` and `unit_offset` turn the published number into SI:
    si = unit_gain · raw + unit_offset; then `calibration` is applied.
    """

    key: str  # "pen/sensor name", the name used in CSV, series and state
    pen: str
    name: str
    measures: Measure
    place: Place
    topic: str  # may hold the MQTT wildcards + and #
    pointer: str | None  # RFC 6901 into a JSON payload
    record: str | None  # SenML record name
    unit: str  # as the keeper wrote it
    unit_gain: float
    unit_offset: float
    every_s: float
    calibration: Calibration
    lowest: float  # SI; below this no such air, or no such sensor, exists
    highest: float
    largest_step: float  # SI; a larger difference between two neighbouring readings is a jump
    silent_after_s: float
    stuck_after_s: float
    lag_s: float = 0.0


def is_forecast(sensor: Sensor) -> bool:
    """A temperature outside whose name begins with "forecast": the coming night's low as somebody foretells it."""
    outside = sensor.measures is Measure.TEMPERATURE and sensor.place is Place.OUTSIDE
    return outside and sensor.name.lower().startswith("forecast")


@dataclass(frozen=True, slots=True)
class Fan:
    """The exhaust fan: how it is spoken to, what it can move, what it must not be asked."""

    command_topic: str
    report_topic: str | None
    report_pointer: str | None
    on_word: str
    off_word: str
    variable: bool  # True: commands are a speed, 0 to 100 %
    lowest_speed_pct: float  # of a variable fan, below which it stalls
    shortest_on_s: float
    shortest_off_s: float
    timer_period_s: float  # of the minimum-ventilation timer
    report_within_s: float  # resend when no matching report came within this
    curve: tuple[tuple[float, float], ...]  # (airflow m³/s, static pressure Pa), falling; two points for free air and shut-off
    curve_source: str


@dataclass(frozen=True, slots=True)
class Duct:
    diameter_m: float
    length_m: float
    elbows: int
    elbow_loss: float  # loss coefficient K of one elbow on velocity pressure
    entry_loss: float
    discharge_loss: float
    roughness_m: float
    compression: float  # of a flexible duct, 0 stretched to 1
    material: str


@dataclass(frozen=True, slots=True)
class Inlet:
    area_m2: float
    discharge_coefficient: float
    leakage_area_m2: float


@dataclass(frozen=True, slots=True)
class Flock:
    """Birds of one hatch and class; the count here is the starting one, the journal changes it."""

    name: str
    bird_class: BirdClass
    hatched: date
    count: int
    processing_age_days: int | None = None
    start_of_lay_days: int | None = None
    end_of_lay_days: int | None = None


@dataclass(frozen=True, slots=True)
class Limit:
    """One alarm's threshold. For a limit from above `off` < `on`; from below `off` > `on`."""

    on: float
    off: float
    on_delay_s: float
    off_delay_s: float
    priority: Priority
    source: str


@dataclass(frozen=True, slots=True)
class WarmthBand:
    """What birds of one class want from `from_day` on, at bird level, °C."""

    from_day: int
    target_low_c: float
    target_high_c: float
    cold_c: float  # too cold at or below
    vent_c: float  # the fan helps against heat from here
    hot_c: float  # too hot at or above
    needs_heat: bool  # birds of this age depend on a heat source
    source: str


@dataclass(frozen=True, slots=True)
class Limits:
    """Every limit of one pen. `alarms` is keyed by alarm name; `ammonia_danger` moves only the fan."""

    warmth: Mapping[BirdClass, tuple[WarmthBand, ...]]
    alarms: Mapping[str, Limit]
    ammonia_danger: Limit
    warmth_deadband_c: float  # birds_cold / birds_hot clear this far inside
    fresh_for_s: float  # a reading older than this (and than its sensor's silence) is not believed
    minimum_airflow_m3_h_kg: float  # per kg of live weight to the power 0.75
    minimum_airflow_source: str
    carbon_dioxide_ppm: float
    humidity_target_pct: float
    ammonia_target_ppm: float


@dataclass(frozen=True, slots=True)
class HeatSource:
    """The lamp or brooder plate: `steady` burns all the time, `thermostat` cycles, `none` has been taken away."""

    kind: str  # "steady" | "thermostat" | "none"
    watts: float | None = None
    set_point_c: float | None = None


@dataclass(frozen=True, slots=True)
class Pen:
    name: str
    length_m: float
    width_m: float
    height_m: float
    insulation_m2k_w: float  # R of walls and ceiling
    sensors: tuple[Sensor, ...]
    fan: Fan | None
    duct: Duct | None
    inlet: Inlet | None
    flocks: tuple[Flock, ...]
    limits: Limits
    heat: HeatSource = field(default_factory=lambda: HeatSource("steady"))

    @property
    def floor_m2(self) -> float:
        return self.length_m * self.width_m

    @property
    def volume_m3(self) -> float:
        return self.length_m * self.width_m * self.height_m


@dataclass(frozen=True, slots=True)
class Specification:
    """Everything the engine is told before the first event."""

    site: str
    timezone: str
    units: str  # how people are spoken to: "us" or "metric"
    altitude_m: float
    pens: Mapping[str, Pen]
    sensors: Mapping[str, Sensor]  # by key
    site_limits: Mapping[str, Limit]  # broker_lost, clock_not_trusted, store_failing …
    winter_night: tuple[float, float] = (-5.0, 80.0)  # outside °C and % for the sizing sheet
    summer_day: tuple[float, float] = (30.0, 50.0)
