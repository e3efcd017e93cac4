"""The common case, in one go: a believed sensor's next number, between the same fences as its last. It changes no judgement.

Rules of this file: what is not plainly that case is left to the long way, `step`, without a trace; `next_number`
alone says what is. A `Run` takes many such numbers in at once, as the same numbers one by one would be; a test compares them.
"""

from __future__ import annotations

from collections.abc import Mapping

from monitor.engine.events import Json, Keep, Reading
from monitor.engine.now import EARLIEST_MS, LATEST_MS, is_in_step
from monitor.engine.plan import Plan, same_zone
from monitor.engine.specification import Measure, Sensor
from monitor.engine.state import AlarmRecord, Health, PenState, SensorState, State


def next_number(
    sensor: Sensor, known: SensorState | None, fences: tuple[float, ...], value: float, at: float, wall_ms: int | None
) -> SensorState | None:
    """The sensor with this number, measured now; None where more has to be thought of.

    What `belief.hear` asks and finds in order: the number is in range and no jump, nothing is held against the sensor.
    """
    if known is None or known.health is not Health.BELIEVED or known.implausible_value is not None or known.unreadable_cause:
        return None
    former, value_at = known.value, known.value_at
    if former is None or value_at is None or not sensor.lowest <= value <= sensor.highest:
        return None
    step = sensor.largest_step
    if 0.0 < step < abs(value - former) and at - value_at <= max(3 * sensor.every_s, 60.0):
        return None
    if not same_zone(fences, former, value):
        return None
    return SensorState(
        Health.BELIEVED,
        value,
        at,
        wall_ms,
        at,
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
        value_at,
    )


def take_quietly(state: State, event: Reading, at: float, wall_ms: int | None, plan: Plan) -> tuple[State, Keep] | None:
    """The state with this reading, and what to keep; None where it is not the common case."""
    sensor = plan.specification.sensors.get(event.sensor)
    if sensor is None or event.at != at or event.measured_at is not None or event.retained:
        return None
    pen = state.pens.get(sensor.pen)
    if pen is None or (wall_ms is not None and not is_in_step(state, at, wall_ms)):
        return None
    fences = plan.pens[sensor.pen].fences_of(sensor.measures, state.day, pen.counts)
    new = next_number(sensor, pen.sensors.get(event.sensor), fences, event.value, at, event.wall_ms)
    if new is None:
        return None
    sensors = dict(pen.sensors)
    sensors[event.sensor] = new
    pens = dict(state.pens)
    pens[sensor.pen] = with_sensors(pen, sensors)
    return at_this_reading(state, at, wall_ms, pens), Keep(event.sensor, event.value, at, event.wall_ms, False)


def at_this_reading(state: State, at: float, wall_ms: int | None, pens: Mapping[str, PenState]) -> State:
    # Spelled out, here and below: this runs for every reading, and `replace` is three times slower.
    return State(
        at,
        wall_ms,
        state.wall_at if wall_ms is None else at,
        state.wall_anchor_ms if wall_ms is None else wall_ms,
        pens,
        state.alarms,
        state.links,
        state.link_detail,
        state.occurrences,
        state.day,
        state.day_ends_at,
        state.due_at,
        state.site_due_at,
        state.unreadable,
    )


def with_sensors(pen: PenState, sensors: Mapping[str, SensorState]) -> PenState:
    return PenState(
        pen.name,
        sensors,
        pen.fan,
        pen.hand,
        pen.counts,
        pen.counted_from,
        pen.heat_off,
        pen.alarms,
        pen.due_at,
        pen.fan_due_at,
        pen.settled_until,
        pen.believed_until,
        pen.memory,
    )


def with_alarms(pen: PenState, alarms: Mapping[str, AlarmRecord]) -> PenState:
    return PenState(
        pen.name,
        pen.sensors,
        pen.fan,
        pen.hand,
        pen.counts,
        pen.counted_from,
        pen.heat_off,
        alarms,
        pen.due_at,
        pen.fan_due_at,
        pen.settled_until,
        pen.believed_until,
        pen.memory,
    )


def with_memory(pen: PenState, memory: Mapping[str, Json]) -> PenState:
    return PenState(
        pen.name,
        pen.sensors,
        pen.fan,
        pen.hand,
        pen.counts,
        pen.counted_from,
        pen.heat_off,
        pen.alarms,
        pen.due_at,
        pen.fan_due_at,
        pen.settled_until,
        pen.believed_until,
        memory,
    )


class Run:
    """Stored readings taken in one after another, each at its own wall time, until one of them needs the long way."""

    __slots__ = ("_at", "_fences", "_plan", "_state", "_until", "_wall_ms", "_working")

    def __init__(self, state: State, plan: Plan) -> None:
        self._plan = plan
        self._working: dict[str, dict[str, SensorState]] = {}
        self._fences: dict[tuple[str, Measure], tuple[float, ...]] = {}
        self.begin(state)

    def begin(self, state: State) -> None:
        """Go on from this state."""
        self._state = state
        self._at = state.at
        self._wall_ms: int | None = None  # of the last number taken
        self._until = min(state.due_at, state.day_ends_at)
        self._working.clear()
        self._fences.clear()

    def take(self, wall_ms: int, key: str, value: float) -> bool:
        """Take this reading in. False where it needs the long way: then `end` first."""
        at = wall_ms / 1000.0
        sensor = self._plan.specification.sensors.get(key)
        if sensor is None or not self._at <= at < self._until:
            return False
        if self._wall_ms is None:
            # Later ones of the run follow the first by the clock they are timed by.
            if not EARLIEST_MS <= wall_ms <= LATEST_MS or not is_in_step(self._state, at, wall_ms):
                return False
        elif wall_ms > LATEST_MS:
            return False
        name = sensor.pen
        sensors = self._working.get(name)
        if sensors is None:
            pen = self._state.pens.get(name)
            if pen is None:
                return False
            sensors = self._working[name] = dict(pen.sensors)
        fences = self._fences.get((name, sensor.measures))
        if fences is None:
            state, pen_plan = self._state, self._plan.pens[name]
            fences = pen_plan.fences_of(sensor.measures, state.day, state.pens[name].counts)
            self._fences[name, sensor.measures] = fences
        new = next_number(sensor, sensors.get(key), fences, value, at, wall_ms)
        if new is None:
            return False
        sensors[key] = new
        self._at, self._wall_ms = at, wall_ms
        return True

    def end(self) -> State:
        """The state with all that was taken in."""
        if self._wall_ms is None:
            return self._state
        pens = dict(self._state.pens)
        for name, sensors in self._working.items():
            pens[name] = with_sensors(pens[name], sensors)
        return at_this_reading(self._state, self._at, self._wall_ms, pens)
