"""Small specifications for tests of the engine, spelled out so that a scenario can be checked by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date

from monitor.engine.specification import (
    BirdClass,
    Calibration,
    Duct,
    Fan,
    Flock,
    HeatSource,
    Inlet,
    Limit,
    Limits,
    Measure,
    Pen,
    Place,
    Priority,
    Sensor,
    Specification,
    WarmthBand,
)

START_MS = 1_775_390_400_000  # 2026-04-05 12:00 UTC, three days after the hatch
START = START_MS / 1000.0
HATCHED = date(2026, 4, 2)

U, H, M, L = Priority.URGENT, Priority.HIGH, Priority.MEDIUM, Priority.LOW


def limit(on: float, off: float, on_delay_s: float = 0.0, off_delay_s: float = 0.0, priority: Priority = M) -> Limit:
    return Limit(on, off, on_delay_s, off_delay_s, priority, "test")


ALARMS: Mapping[str, Limit] = {
    "birds_cold": limit(1, 0, 600, 300, U),
    "birds_hot": limit(1, 0, 300, 300, U),
    "ammonia_birds": limit(20, 17, 900, 600, H),
    "ammonia_people": limit(35, 30, 300, 600, U),
    "damp": limit(75, 70, 1800, 900, M),
    "dry": limit(30, 35, 3600, 1800, L),
    "fan_not_obeying": limit(1, 0, 60, 60, H),
    "mains_lost": limit(1, 0, 60, 60, U),
    "sensor_silent": limit(1, 0, 0, 60, H),
    "sensor_stuck": limit(1, 0, 0, 300, M),
    "sensor_implausible": limit(1, 0, 120, 300, M),
    "sensors_disagree": limit(1, 0, 600, 600, H),
}
SITE_LIMITS: Mapping[str, Limit] = {
    "broker_lost": limit(1, 0, 60, 30, H),
    "clock_not_trusted": limit(1, 0, 900, 0, L),
    "store_failing": limit(1, 0, 60, 60, H),
    "notice_not_delivered": limit(1, 0, 0, 0, H),
    "mirror_behind": limit(1, 0, 3600, 300, L),
}
# target 30–33 °C, cold at 25, vent at 35, hot at 37: round numbers for the tests' tables
CHICK = WarmthBand(0, 30.0, 33.0, 25.0, 35.0, 37.0, True, "test band, chicks")
FEATHERED = WarmthBand(42, 12.0, 24.0, -1.0, 26.0, 32.0, False, "test band, feathered")


def sensor(name: str, measures: Measure, place: Place, pen: str = "brooder", every_s: float = 30.0) -> Sensor:
    low, high, step = {
        Measure.TEMPERATURE: (-40.0, 60.0, 8.0),
        Measure.HUMIDITY: (0.0, 100.0, 25.0),
        Measure.AMMONIA: (0.0, 1000.0, 60.0),
        Measure.MAINS: (0.0, 1.0, 0.0),
        Measure.CARBON_DIOXIDE: (250.0, 40000.0, 0.0),
    }.get(measures, (-1e6, 1e6, 0.0))
    return Sensor(
        f"{pen}/{name}",
        pen,
        name,
        measures,
        place,
        f"test/{pen}/{name}",
        None,
        None,
        "degC",
        1.0,
        0.0,
        every_s,
        Calibration(),
        low,
        high,
        step,
        max(4 * every_s, 180.0),
        0.0 if measures is Measure.MAINS else 6 * 3600.0,
    )


def fan(**changed: object) -> Fan:
    base = Fan(
        command_topic="test/fan/set",
        report_topic="test/fan/state",
        report_pointer=None,
        on_word="on",
        off_word="off",
        variable=False,
        lowest_speed_pct=30.0,
        shortest_on_s=20.0,
        shortest_off_s=60.0,
        timer_period_s=300.0,
        report_within_s=10.0,
        curve=((0.0, 400.0), (0.19, 0.0)),
        curve_source="test",
    )
    return replace(base, **changed)  # type: ignore[arg-type]  # any field of a pen


def limits(alarms: Mapping[str, Limit] = ALARMS) -> Limits:
    return Limits(
        warmth=dict.fromkeys(BirdClass, (CHICK, FEATHERED)),
        alarms=alarms,
        ammonia_danger=limit(50, 40, priority=U),
        warmth_deadband_c=1.0,
        fresh_for_s=600.0,
        minimum_airflow_m3_h_kg=0.54,
        minimum_airflow_source="test",
        carbon_dioxide_ppm=3000.0,
        humidity_target_pct=70.0,
        ammonia_target_ppm=15.0,
    )


def pen(name: str = "brooder", *, sensors: tuple[Sensor, ...] | None = None, the_fan: Fan | None = None, count: int = 30) -> Pen:
    if sensors is None:
        sensors = (
            sensor("chick height", Measure.TEMPERATURE, Place.BIRD_LEVEL, name),
            sensor("chick height two", Measure.TEMPERATURE, Place.BIRD_LEVEL, name),
            sensor("damp", Measure.HUMIDITY, Place.ROOM, name),
            sensor("ammonia", Measure.AMMONIA, Place.BIRD_LEVEL, name),
        )
    return Pen(
        name,
        3.66,
        3.05,
        2.44,
        0.88,
        sensors,
        the_fan if the_fan is not None else fan(command_topic=f"test/{name}/fan/set"),
        Duct(0.152, 6.7, 2, 0.22, 0.5, 1.0, 0.00009, 0.0, "galvanised steel"),
        Inlet(0.0387, 0.6, 0.0),
        (Flock("spring", BirdClass.LAYER, HATCHED, count),),
        limits(),
        HeatSource("steady"),
    )


def site(*pens: Pen) -> Specification:
    chosen = pens or (pen(),)
    return Specification(
        "Mill Rise",
        "Europe/Dublin",
        "us",
        0.0,
        {p.name: p for p in chosen},
        {s.key: s for p in chosen for s in p.sensors},
        SITE_LIMITS,
    )
