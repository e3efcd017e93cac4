"""The figures for a scraper, as OpenMetrics text. Names are our own, in base units where the standard has one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from monitor.api.answer import fan_disobeys, is_believed
from monitor.api.barn import Barn
from monitor.engine.alarm_states import OPEN
from monitor.engine.specification import Measure, Sensor
from monitor.engine.state import PenState, SensorState, State

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"

# measure → (name, unit of OpenMetrics or "", gain from our SI unit)
_MEASURES: dict[Measure, tuple[str, str, float]] = {
    Measure.TEMPERATURE: ("temperature", "celsius", 1.0),
    Measure.HUMIDITY: ("humidity", "ratio", 0.01),
    Measure.AMMONIA: ("ammonia", "ppm", 1.0),
    Measure.CARBON_DIOXIDE: ("carbon_dioxide", "ppm", 1.0),
    Measure.STATIC_PRESSURE: ("static_pressure", "pascals", 1.0),
    Measure.LIGHT: ("light", "lux", 1.0),
    Measure.FAN_POWER: ("fan_power", "watts", 1.0),
    Measure.FAN_SPEED: ("fan_speed", "ratio", 0.01),
    Measure.BATTERY: ("battery", "ratio", 0.01),
    Measure.MAINS: ("mains_present", "", 1.0),
}


@dataclass(slots=True)
class Family:
    """One metric family and its samples."""

    name: str  # without "warmstraw_" and without "_total"
    kind: str  # "gauge" or "counter"
    explanation: str
    unit: str = ""
    samples: list[tuple[tuple[tuple[str, str], ...], float]] = field(default_factory=list)

    def add(self, value: float, **labels: str) -> None:
        self.samples.append((tuple(labels.items()), value))

    def lines(self) -> Iterable[str]:
        name = f"warmstraw_{self.name}"
        yield f"# TYPE {name} {self.kind}"
        if self.unit:
            yield f"# UNIT {name} {self.unit}"
        yield f"# HELP {name} {_escaped(self.explanation)}"
        suffix = "_total" if self.kind == "counter" else ""
        for labels, value in self.samples:
            told = ",".join(f'{key}="{_escaped(text)}"' for key, text in labels)
            yield f"{name}{suffix}{{{told}}} {_number(value)}" if told else f"{name}{suffix} {_number(value)}"


def metrics(barn: Barn) -> str:
    """All families, ended by the line the standard demands."""
    state, (at, wall_ms) = barn.state(), barn.now()
    families = [*_sensors(barn, state, at), *_fans(state, at), *_alarms(barn, state), *_site(state, wall_ms), *_figures(barn)]
    lines = [line for family in families if family.samples for line in family.lines()]
    return "\n".join([*lines, "# EOF"]) + "\n"


def _sensors(barn: Barn, state: State, at: float) -> list[Family]:
    values = {
        measure: Family(f"{name}_{unit}" if unit else name, "gauge", f"last believable {measure.replace('_', ' ')}", unit)
        for measure, (name, unit, _) in _MEASURES.items()
    }
    ages = Family("reading_age_seconds", "gauge", "time since the sensor's last number", "seconds")
    healths = Family("sensor_believed", "gauge", "1 when the sensor's number may be believed, with its health")
    unreadable = Family("sensor_unreadable_payloads", "counter", "payloads of this sensor that were no reading")
    for sensor in barn.specification.sensors.values():
        known = _known(state, sensor)
        labels = {"pen": sensor.pen, "sensor": sensor.name, "place": str(sensor.place)}
        fresh = is_believed(sensor, known, at)
        if fresh and known.value is not None:
            values[sensor.measures].add(known.value * _MEASURES[sensor.measures][2], **labels)
        if known.value_at is not None:
            ages.add(max(0.0, at - known.value_at), **labels)
        healths.add(float(fresh), **labels, health=str(known.health))
        unreadable.add(known.unreadable, **labels)
    return [*values.values(), ages, healths, unreadable]


def _known(state: State, sensor: Sensor) -> SensorState:
    pen = state.pens.get(sensor.pen)
    return (pen.sensors.get(sensor.key) if pen is not None else None) or SensorState()


def _fans(state: State, at: float) -> list[Family]:
    running = Family("fan_running", "gauge", "1 while the fan is told to run, with the rung of the rule that decides")
    speed = Family("fan_commanded_speed_ratio", "gauge", "speed a variable fan is told to keep", "ratio")
    ran = Family("fan_run_seconds", "counter", "time the fan was told to run", "seconds")
    obeys = Family("fan_obeys", "gauge", "0 while the relay's report contradicts the command")
    for name, pen in state.pens.items():
        fan = pen.fan
        if fan.since is None:
            continue
        running.add(float(fan.running), pen=name, reason=fan.reason)
        if fan.speed_pct is not None:
            speed.add(fan.speed_pct / 100, pen=name)
        ran.add(fan.ran_s + (at - fan.since if fan.running else 0.0), pen=name)
        obeys.add(float(fan_disobeys(pen) is None), pen=name)
    return [running, speed, ran, obeys]


def _alarms(barn: Barn, state: State) -> list[Family]:
    family = Family("alarm_open", "gauge", "1 for each open alarm, in its state")
    open_count = Family("alarms_open", "gauge", "how many alarms are open in this pen")
    for name in ("", *barn.specification.pens):
        pen = state.pens.get(name) or PenState(name)
        records = [record for record in (pen.alarms if name else state.alarms).values() if record.state in OPEN]
        open_count.add(len(records), pen=name)
        for record in records:
            family.add(
                1.0,
                pen=name,
                alarm=record.name,
                subject=record.subject,
                priority=str(record.priority),
                state=str(record.state),
            )
    return [family, open_count]


def _site(state: State, wall_ms: int | None) -> list[Family]:
    links = Family("link_up", "gauge", "1 while this neighbour of the daemon answers")
    for what, up in state.links.items():
        links.add(float(up), link=what)
    clock = Family("clock_trusted", "gauge", "1 while the wall clock is trusted")
    clock.add(float(wall_ms is not None))
    return [links, clock]


def _figures(barn: Barn) -> list[Family]:
    families = []
    for name, value in sorted(barn.figures().items()):
        bare = name.removesuffix("_total")
        unit = next((u for u in ("seconds", "bytes", "ratio") if bare.endswith(f"_{u}")), "")
        family = Family(bare, "counter" if bare != name else "gauge", bare.replace("_", " "), unit)
        family.add(value)
        families.append(family)
    return families


def _number(value: float) -> str:
    return f"{value:.10g}"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
