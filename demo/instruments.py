"""What the sensors make of the barn: lag, noise, rounding, radio gaps, and their own troubles.

Rules of this file: a probe never sees the room, it sees a lagged copy; every probe draws from its own
seeded dice, so that a trouble of one leaves the others' noise as it was. Values are in the unit that
is published; the true value comes in SI.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field

from demo.barn import Barn
from demo.weather import Sky
from monitor.engine.specification import Measure, Place, Sensor

# What a usual small-barn sensor of each kind does: (noise σ, rounding step, lag s), in SI.
# Ammonia: electrochemical cell, t95 near 60 s, ±1 ppm of noise, whole ppm (t95 from a University of
# Illinois thesis of 2015 on barn cells; the rest is common practice without a source).
USUAL: dict[Measure, tuple[float, float, float]] = {
    Measure.TEMPERATURE: (0.12, 0.1, 60.0),
    Measure.HUMIDITY: (0.5, 0.1, 60.0),
    Measure.AMMONIA: (0.6, 1.0, 30.0),
    Measure.CARBON_DIOXIDE: (15.0, 1.0, 60.0),
    Measure.STATIC_PRESSURE: (0.6, 0.1, 5.0),
    Measure.LIGHT: (0.5, 1.0, 1.0),
    Measure.FAN_POWER: (0.3, 0.1, 1.0),
    Measure.FAN_SPEED: (0.5, 1.0, 1.0),
    Measure.BATTERY: (0.2, 1.0, 1.0),
    Measure.MAINS: (0.0, 1.0, 0.0),
}


@dataclass(slots=True)
class Trouble:
    """What is wrong with one probe now."""

    silent: bool = False
    stuck_at: float | None = None  # published unit
    offset: float = 0.0  # SI
    spike: float = 0.0  # chance of a wild value at each reading
    in_litter: bool = False


@dataclass(slots=True)
class Probe:
    """One sensor on the wall."""

    sensor: Sensor
    dice: random.Random
    noise: float
    rounding: float  # in the published unit
    lag_s: float
    bias: float = 0.0  # SI, fixed for this probe
    trouble: Trouble = field(default_factory=Trouble)
    seen: float | None = None
    next_s: float = 0.0  # its first reading
    true: Callable[[Barn, Sky, float], float] = lambda _barn, _sky, _power: 0.0
    _dt_s: float = 0.0
    _share: float = 1.0

    @classmethod
    def usual(cls, sensor: Sensor, seed: int, coarseness: float = 1.0) -> Probe:
        """A probe of the usual kind; `coarseness` scales the noise of a poorer make."""
        dice = random.Random(f"{sensor.key} {seed}")
        noise, rounding, lag = USUAL[sensor.measures]
        bias = {Measure.TEMPERATURE: 0.2, Measure.HUMIDITY: 1.5, Measure.AMMONIA: 0.5}.get(sensor.measures, 0.0)
        published_step = {"degF": 0.1}.get(sensor.unit, rounding)
        return cls(
            sensor=sensor,
            dice=dice,
            noise=noise * coarseness,
            rounding=published_step,
            lag_s=lag,
            bias=dice.gauss(0.0, bias) if bias else 0.0,
            next_s=dice.uniform(0.0, sensor.every_s),
            true=truth_of(sensor),
        )

    def follow(self, true: float, dt_s: float) -> None:
        """Let the probe's own warmth, cell or filter follow the true value, SI."""
        if self.seen is None or self.lag_s <= 0.0:
            self.seen = true
            return
        if dt_s != self._dt_s:
            self._dt_s, self._share = dt_s, 1.0 - math.exp(-dt_s / self.lag_s)
        self.seen += (true - self.seen) * (
            min(dt_s / 600.0, 1.0) if self.trouble.in_litter else self._share
        )  # wrapped in shavings

    def read(self) -> float | None:
        """The number it publishes now, in its own unit, or None when nothing is heard from it."""
        trouble, sensor, dice = self.trouble, self.sensor, self.dice
        noise = dice.gauss(0.0, self.noise) if self.noise else 0.0
        if trouble.silent or self.seen is None:
            return None
        if trouble.stuck_at is not None:
            return trouble.stuck_at
        value = self.seen + self.bias + trouble.offset + noise
        if trouble.spike and dice.random() < trouble.spike:
            value += dice.choice((-1.0, 1.0)) * dice.uniform(1.5, 4.0) * sensor.largest_step
        low, high = (0.0, 100.0) if sensor.measures is Measure.HUMIDITY else (sensor.lowest, sensor.highest)
        published = (min(max(value, low), high) - sensor.unit_offset) / sensor.unit_gain
        return round(round(published / self.rounding) * self.rounding, 4)


def truth_of(sensor: Sensor) -> Callable[[Barn, Sky, float], float]:
    """How to take a sensor's true value, SI, from barn, sky and the fan's power."""
    outside = sensor.place in (Place.OUTSIDE, Place.SUPPLY)
    match sensor.measures:
        case Measure.TEMPERATURE:
            if outside:
                return lambda _barn, sky, _power: sky.temperature_c
            if sensor.place is Place.BIRD_LEVEL:
                return lambda barn, _sky, _power: barn.bird_level_c
            return lambda barn, _sky, _power: barn.air_c
        case Measure.HUMIDITY:
            if outside:
                return lambda _barn, sky, _power: sky.relative_humidity_pct
            return lambda barn, _sky, _power: barn.humidity_pct
        case Measure.AMMONIA:
            return lambda barn, _sky, _power: barn.ammonia_ppm
        case Measure.CARBON_DIOXIDE:
            return lambda barn, _sky, _power: barn.co2_ppm
        case Measure.MAINS:
            return lambda barn, _sky, _power: 1.0 if barn.mains else 0.0
        case Measure.FAN_POWER:
            return lambda _barn, _sky, power: power
        case Measure.LIGHT:
            return lambda _barn, sky, _power: 0.2 * sky.sun_w_m2
        case _:
            return lambda _barn, _sky, _power: 95.0


def payload(sensor: Sensor, value: float) -> bytes:
    """The message a sensor sends: SenML when it has a record name, JSON when it has a pointer, else the bare number."""
    if sensor.record is not None:
        unit = {"degC": "Cel", "%": "%RH"}.get(sensor.unit, sensor.unit)
        return json.dumps([{"n": sensor.record, "u": unit, "v": value}]).encode()
    if sensor.pointer is not None:
        document: object = value
        for token in reversed(sensor.pointer.split("/")[1:]):
            document = {token: document}
        return json.dumps(document).encode()
    return f"{value:g}".encode()
