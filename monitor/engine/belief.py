"""May this reading be believed? Silent, stuck, out of range, jump, twins.

The rules, in the order they are asked:
1. A retained message, or one whose own time is older than what we have, is kept but never judged.
2. A number no such air can have is not kept and not believed; the last good one goes on until it is stale.
3. A step larger than the sensor can make between two readings waits for a second reading that agrees.
4. Silence, sameness and age are questions about the present moment: `health` answers them.
"""

from __future__ import annotations

import math

from monitor.engine.events import Keep, Reading, Unreadable
from monitor.engine.records import replace
from monitor.engine.specification import Measure, Sensor, is_forecast
from monitor.engine.state import Health, SensorState

# How far two probes of one place may differ before one of them is wrong. Our own rule: two chick-height
# probes a hand apart under a lamp differ by 3 °C and both be right; humidity ±5 % and ammonia ±5 ppm
# are usual sensor errors, and two of them add up.
TWIN_TOLERANCE: dict[Measure, float] = {
    Measure.TEMPERATURE: 5.0,
    Measure.HUMIDITY: 15.0,
    Measure.AMMONIA: 12.0,
    Measure.CARBON_DIOXIDE: 1000.0,
}

JUMP_FADES_S = 3600.0
MANY_JUMPS = 5.0  # fading count at which a sensor that keeps jumping is called implausible


def hear(sensor: Sensor, known: SensorState, reading: Reading) -> tuple[SensorState, Keep | None, bool]:
    """Take one reading in.

    Returns:
        The sensor's new state; the reading to store, or None; and whether the reading is now the
        value that judging goes by.
    """
    value = reading.value
    if not sensor.lowest <= value <= sensor.highest:  # NaN fails this too
        shown = value if math.isfinite(value) else None
        if reading.retained:
            return known, None, False
        return _implausible(known, reading.at, shown), None, False

    own_time = reading.measured_at is not None
    at = reading.measured_at if reading.measured_at is not None else reading.at
    wall_ms = reading.measured_wall_ms if own_time else reading.wall_ms
    if reading.retained:
        # Of unknown age without a time of its own; with one it is an old reading worth keeping.
        return known, (Keep(sensor.key, value, at, wall_ms, True) if own_time else None), False
    keep = Keep(sensor.key, value, at, wall_ms, own_time)
    if own_time and known.value_at is not None and at <= known.value_at:
        return _heard(known, reading.at), keep, False

    former = known.value
    if former is not None and known.value_at is not None and sensor.largest_step > 0:
        neighbours = at - known.value_at <= max(3 * sensor.every_s, 60.0)
        if neighbours and abs(value - former) > sensor.largest_step:
            waiting = known.jump_value
            if waiting is None or abs(value - waiting) > sensor.largest_step:
                return _jumped(known, reading.at, value), keep, False
    return (
        SensorState(
            Health.BELIEVED,
            value,
            at,
            wall_ms,
            reading.at,
            known.same_since if value == former and known.same_since is not None else at,
            known.implausible,
            None,
            known.jumps,
            None,
            known.jump_at,
            known.jump_score,
            known.unreadable,
            "",
            former,
            known.value_at,
        ),
        keep,
        True,
    )


def _heard(known: SensorState, at: float) -> SensorState:
    return replace(known, heard_at=at)


def _implausible(known: SensorState, at: float, value: float | None) -> SensorState:
    return replace(known, heard_at=at, implausible=known.implausible + 1, implausible_value=value)


def _jumped(known: SensorState, at: float, value: float) -> SensorState:
    faded = 0.0
    if known.jump_at is not None:
        faded = known.jump_score * math.exp(-max(0.0, at - known.jump_at) / JUMP_FADES_S)
    return replace(known, heard_at=at, jumps=known.jumps + 1, jump_value=value, jump_at=at, jump_score=faded + 1.0)


def misheard(known: SensorState, event: Unreadable) -> SensorState:
    """The sensor spoke, but not a reading."""
    return replace(known, heard_at=event.at, unreadable=known.unreadable + 1, unreadable_cause=event.cause)


def health(sensor: Sensor, known: SensorState, at: float) -> Health:
    """What to make of this sensor at this moment, its twin left aside."""
    if known.heard_at is None:
        return Health.UNHEARD
    if at - known.heard_at > sensor.silent_after_s:
        return Health.SILENT
    if known.value is None or known.value_at is None:
        spoke = known.implausible or known.jumps or known.unreadable
        return Health.IMPLAUSIBLE if spoke else Health.UNHEARD
    if at - known.value_at > sensor.silent_after_s:
        return Health.IMPLAUSIBLE
    if known.jump_score >= MANY_JUMPS and known.jump_at is not None:
        faded = known.jump_score * math.exp(-(at - known.jump_at) / JUMP_FADES_S)
        if faded >= MANY_JUMPS:
            return Health.IMPLAUSIBLE
    if (
        sensor.stuck_after_s > 0
        and known.same_since is not None
        and at - known.same_since >= sensor.stuck_after_s
        # An ammonia cell at 0 ppm and a humidity sensor in fog sit at the end of their scale and are well.
        and sensor.lowest < known.value < sensor.highest
        and not is_forecast(sensor)  # the same low all evening is as it should be
    ):
        return Health.STUCK
    return Health.BELIEVED
