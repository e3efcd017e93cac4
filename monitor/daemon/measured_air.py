"""What faded while the fan ran: from the store's readings to the review room's measured air changes, for the API."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from monitor.air.balance import OUTSIDE_CARBON_DIOXIDE_PPM
from monitor.air.decay import Decay
from monitor.air.psychrometrics import humidity_ratio, pressure_at_altitude_pa
from monitor.daemon.look_back import fan_runs, of
from monitor.engine.events import Json
from monitor.engine.specification import Measure, Pen, Place, Sensor, Specification
from monitor.review.airflow import FanRun
from monitor.review.measured_air import WEEKS, Faded, Gas, long_runs, weeks
from monitor.review.measured_air_text import as_json
from monitor.store.reader import Reader

WEEK_MS = 7 * 86_400_000
MOST_DECISIONS = 400_000
WARMED_MS = 600_000  # of readings before the run, for the warmth where it is seldom sent

Line = list[tuple[int, float]]


def measured_air(specification: Specification, name: str, reader: Reader, now_ms: int) -> Json:
    """The last weeks of one pen.

    Raises:
        StoreFailing: the store cannot be read.
    """
    pen, zone = specification.pens[name], ZoneInfo(specification.timezone)
    from_ms = now_ms - (WEEKS + 1) * WEEK_MS
    told = fan_runs(reader.decisions(name, from_ms, now_ms, kinds=("fan",), limit=MOST_DECISIONS), now_ms)
    runs = long_runs(told, zone, now_ms)
    pressure_pa = min(max(pressure_at_altitude_pa(specification.altitude_m), 50_000.0), 110_000.0)
    faded = [each for run in runs for each in _faded(pen, run, reader, pressure_pa)]
    return as_json(pen, weeks(pen, zone, faded, runs, now_ms))


def _faded(pen: Pen, run: FanRun, reader: Reader, pressure_pa: float) -> list[Faded]:
    room, outside = of(pen, Measure.TEMPERATURE, Place.ROOM), of(pen, Measure.TEMPERATURE, Place.OUTSIDE, Place.SUPPLY)
    gases = {
        Gas.AMMONIA: of(pen, Measure.AMMONIA, Place.BIRD_LEVEL, Place.ROOM),
        Gas.CARBON_DIOXIDE: of(pen, Measure.CARBON_DIOXIDE, Place.ROOM, Place.BIRD_LEVEL),
    }
    damp = of(pen, Measure.HUMIDITY, Place.ROOM)
    wanted = [sensor for sensor in (room, outside, damp, *gases.values()) if sensor is not None]
    lines: dict[str, Line] = {sensor.key: [] for sensor in wanted}
    for row in reader.readings([sensor.key for sensor in wanted], run.begin_ms - WARMED_MS, run.end_ms):
        line = lines[row.sensor]
        if not line or row.time_ms > line[-1][0]:
            line.append((row.time_ms, row.value))
    warmth = [] if room is None else lines[room.key]
    inside_c, outside_c = _mean(warmth), None if outside is None else _mean(lines[outside.key])
    found = []
    for gas, sensor in gases.items():
        if sensor is not None:
            level = OUTSIDE_CARBON_DIOXIDE_PPM if gas is Gas.CARBON_DIOXIDE else 0.0
            found.append(Faded(run, gas, _decay(run, lines[sensor.key], level, sensor), inside_c, outside_c))
    if damp is not None and warmth:
        line = _water(lines[damp.key], warmth, pressure_pa)
        found.append(Faded(run, Gas.MOISTURE, _decay(run, line, None, damp), inside_c, outside_c))
    return [each for each in found if each.decay.values]


def _decay(run: FanRun, line: Sequence[tuple[int, float]], outside: float | None, sensor: Sensor) -> Decay:
    """Readings within the run, in seconds from its begin. A lag of 0 in the settings is one that nobody has set."""
    within = [(time_ms, value) for time_ms, value in line if run.begin_ms <= time_ms < run.end_ms]
    begun = [(time_ms - run.begin_ms) / 1000.0 for time_ms, _ in within]
    started_s = 0.0 if begun and begun[0] <= 600.0 else None
    return Decay(begun, [value for _, value in within], outside, sensor.lag_s or None, started_s)


def _water(damp: Line, warmth: Line, pressure_pa: float) -> Line:
    """Grams of water in a kilogram of dry air, at the humidity sensor's moments, with the last warmth heard before."""
    found: Line = []
    at = 0
    for time_ms, humidity_pct in damp:
        while at + 1 < len(warmth) and warmth[at + 1][0] <= time_ms:
            at += 1
        warm_c = min(max(warmth[at][1], -40.0), 60.0)
        found.append((time_ms, 1000.0 * humidity_ratio(warm_c, min(max(humidity_pct, 0.0), 100.0), pressure_pa)))
    return found


def _mean(line: Line) -> float | None:
    return sum(value for _, value in line) / len(line) if line else None
