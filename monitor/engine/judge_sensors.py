"""Conditions of the sensors themselves: silent, stuck, implausible, at odds with a twin."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial

from monitor.engine.belief import TWIN_TOLERANCE
from monitor.engine.events import Evidence, Json
from monitor.engine.plan import PenPlan
from monitor.engine.specification import SI_UNIT, Limit, Measure, Priority, Sensor
from monitor.engine.state import AlarmState, Health, PenState, SensorState
from monitor.engine.view import Believable, Condition, View, mains_lost

_SENSOR_ALARM = {Health.SILENT: "sensor_silent", Health.STUCK: "sensor_stuck", Health.IMPLAUSIBLE: "sensor_implausible"}
_SENSOR_ALARMS = frozenset(_SENSOR_ALARM.values())
_RANK = {priority: rank for rank, priority in enumerate(Priority)}  # the most urgent first
_SPEAKS_NOT = frozenset({AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE, AlarmState.SUPPRESSED})
COME_BACK_WITHIN_S = 300.0  # our own rule: a few promised intervals


def sensor_conditions(plan: PenPlan, pen: PenState, view: View, broker_up: bool) -> Iterator[Condition]:
    alarms, records = plan.pen.limits.alarms, pen.alarms
    complaints = bool(records) and any(record.name in _SENSOR_ALARMS for record in records.values())
    for sensor in plan.pen.sensors:
        known = pen.sensors.get(sensor.key)
        if known is None:
            continue
        state = view.healths[sensor.key]
        talks_nonsense = known.implausible_value is not None or known.unreadable_cause != ""
        if not complaints and not talks_nonsense and state is Health.BELIEVED:
            continue  # nothing to raise, nothing to clear
        for ill, name in _SENSOR_ALARM.items():
            limit = alarms.get(name)
            if limit is None:
                continue
            signal = state is ill or (ill is Health.IMPLAUSIBLE and talks_nonsense and state is not Health.SILENT)
            if not signal and f"{plan.pen.name}/{name}/{sensor.name}" not in records:
                continue
            if state is Health.UNHEARD:
                continue
            covered = ""
            if name == "sensor_silent":
                covered = "" if broker_up else "/broker_lost"
                if not covered and sensor.measures is not Measure.MAINS:
                    covered = mains_lost(pen) or _silent_together(plan, pen, view, sensor, limit)
            yield Condition(
                name,
                sensor.name,
                signal,
                limit,
                partial(_sensor_evidence, sensor, known, limit, state, view.at),
                _sensor_priority(plan, sensor, view, limit),
                covered_by=covered,
            )
    yield from _twin_conditions(plan, pen, view)


def _silent_together(plan: PenPlan, pen: PenState, view: View, sensor: Sensor, limit: Limit) -> str:
    """The key of the one alarm that speaks for all sensors that fell silent with this one; "" when this one speaks itself.

    Sensors last heard within an interval of one another have one cause: a radio, a gateway, a shared battery. The most
    urgent speaks, the first of the settings among equals; one that was put aside speaks for nobody. When the sensors
    come back one by one, those still awaited stay covered for a few minutes.
    """
    prefix = f"{plan.pen.name}/sensor_silent/"
    mine, record = pen.sensors[sensor.key], pen.alarms.get(prefix + sensor.name)
    if record is not None and record.suppressed_by.startswith(prefix):
        leader = pen.alarms.get(record.suppressed_by)
        if leader is not None and leader.state not in _SPEAKS_NOT:
            is_above = _RANK[leader.priority] <= _RANK[_sensor_priority(plan, sensor, view, limit)]
            back_for_s = 0.0 if leader.standing or leader.changed_at is None else view.at - leader.changed_at
            if is_above and back_for_s < COME_BACK_WITHIN_S:
                return record.suppressed_by
    if view.healths[sensor.key] is not Health.SILENT or mine.heard_at is None:
        return ""
    for other in sorted(plan.pen.sensors, key=lambda s: _RANK[_sensor_priority(plan, s, view, limit)]):
        theirs, spoken = pen.sensors.get(other.key), pen.alarms.get(prefix + other.name)
        if other is sensor:
            return ""
        if theirs is None or theirs.heard_at is None or view.healths.get(other.key) is not Health.SILENT:
            continue
        if spoken is not None and spoken.state in _SPEAKS_NOT:
            continue
        if abs(theirs.heard_at - mine.heard_at) <= 1.5 * max(sensor.every_s, other.every_s):
            return prefix + other.name
    return ""


def _sensor_evidence(sensor: Sensor, known: SensorState, limit: Limit, state: Health, at: float) -> Evidence:
    last = None if known.value is None else round(known.value, 3)
    found: dict[str, Json] = {
        "sensor": sensor.key,
        "value": last,
        "unit": SI_UNIT[sensor.measures],
        "source": limit.source,
    }
    if state is Health.SILENT:
        since = known.heard_at
        found["note"] = f"promised every {sensor.every_s:g} s"
    elif state is Health.STUCK:
        since = known.same_since
        found["note"] = "the same number all that time"
    else:
        since = known.value_at
        if known.unreadable_cause:
            found["note"] = known.unreadable_cause
        elif known.implausible_value is not None:
            found["value"] = round(known.implausible_value, 3)
            found["note"] = "that cannot be; the last good number goes on until it is too old"
        else:
            found["note"] = "jumps farther than air can change"
    found["for_s"] = None if since is None else round(at - since, 1)
    return found


def _sensor_priority(plan: PenPlan, sensor: Sensor, view: View, limit: Limit) -> Priority:
    """A blind brooder is urgent; a sensor whose twin still speaks is not."""
    if view.chicks_need_heat and sensor in plan.bird_level:
        others = [s for s in plan.bird_level if s is not sensor and view.healths.get(s.key) is Health.BELIEVED]
        if not others:
            return Priority.URGENT
    return limit.priority


def _twin_conditions(plan: PenPlan, pen: PenState, view: View) -> Iterator[Condition]:
    limit = plan.pen.limits.alarms.get("sensors_disagree")
    if limit is None:
        return
    for group in plan.twins:
        measure, place = group[0].measures, group[0].place
        tolerance = TWIN_TOLERANCE.get(measure)
        if tolerance is None:
            continue
        if not pen.alarms and _agree(group, pen, view, tolerance):
            continue
        believed = [
            Believable(s, value)
            for s in group
            if view.healths.get(s.key) is Health.BELIEVED and (value := pen.sensors[s.key].value) is not None
        ]
        subject = f"{place} {measure}"
        if len(believed) < 2:
            # One of them gone is the business of its own alarm; what is left cannot disagree.
            if f"{plan.pen.name}/sensors_disagree/{subject}" in pen.alarms:
                yield Condition("sensors_disagree", subject, None, limit, dict, limit.priority)
            continue
        low = min(believed, key=lambda b: b.value)
        high = max(believed, key=lambda b: b.value)
        apart = high.value - low.value
        signal = True if apart > tolerance else (False if apart < 0.8 * tolerance else None)
        blind = view.chicks_need_heat and measure is Measure.TEMPERATURE and group[0] in plan.bird_level
        yield Condition(
            "sensors_disagree",
            subject,
            signal,
            limit,
            partial(_twin_evidence, low, high, tolerance, limit),
            Priority.URGENT if blind else limit.priority,
            apart,
        )


def _agree(group: tuple[Sensor, ...], pen: PenState, view: View, tolerance: float) -> bool:
    """Surely no alarm of twins that disagree."""
    low, high = math.inf, -math.inf
    for sensor in group:
        if view.healths.get(sensor.key) is Health.BELIEVED and (value := pen.sensors[sensor.key].value) is not None:
            low, high = min(low, value), max(high, value)
    return high - low <= tolerance


def _twin_evidence(low: Believable, high: Believable, tolerance: float, limit: Limit) -> Evidence:
    return {
        "sensor": low.sensor.key,
        "other_sensor": high.sensor.key,
        "value": round(low.value, 3),
        "other_value": round(high.value, 3),
        "unit": SI_UNIT[low.sensor.measures],
        "limit": tolerance,
        "source": limit.source,
        "note": "which of them is right is not known",
    }
