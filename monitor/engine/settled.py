"""Until when nothing but the foresights can change a pen's judgement, if no reading crosses a fence meanwhile.

A pen in good order is judged every minute or half minute only so that the foresights take their samples; what
else a judgement asks would be answered as before. Rules of this file:
- Everything that depends on the hour is either bounded here (silence, sameness, the timer's edge, the hour of the
  timer's plan) or keeps the pen from counting as settled (an alarm that stands or waits, a speed that follows a reading, a
  hand-set fan, a relay that has not confirmed).
- What depends on a reading between its fences is asked each time: `twins_agree`.
- An end is taken too early rather than too late: asking once too often changes nothing.
"""

from __future__ import annotations

import math

from monitor.engine.alarms import REMEMBERED_S
from monitor.engine.belief import MANY_JUMPS, TWIN_TOLERANCE
from monitor.engine.obedience import obeying
from monitor.engine.plan import IDLE_FAN_PCT, IDLE_FAN_W, PenPlan
from monitor.engine.specification import Sensor, is_forecast
from monitor.engine.state import AlarmState, Health, PenState, SensorState
from monitor.engine.ventilation import SECONDS_AN_HOUR
from monitor.engine.view import View

EARLIER_S = 0.001  # sums of seconds since 1970 are good to a microsecond
NOT_SETTLED = 0.0
AGREE = 0.8  # of the tolerance, where the twins' alarm clears


def settled_until(plan: PenPlan, pen: PenState, view: View, fan_due_at: float) -> float:
    """The elapsed second before which a judgement could only repeat this one; NOT_SETTLED when it might differ at once.

    Args:
        plan, pen, view: as they stand after a judgement.
        fan_due_at: second at which the ladder's rungs must be asked again.
    """
    spec = plan.pen.fan
    follows_a_value = spec is not None and spec.variable and bool(pen.fan.needs)  # with its speed
    if pen.hand is not None or follows_a_value or not _fan_is_well(plan, pen, view):
        return NOT_SETTLED
    until = min(fan_due_at, (view.at // SECONDS_AN_HOUR + 1.0) * SECONDS_AN_HOUR)
    for record in pen.alarms.values():
        waits = record.standing or record.pending_since is not None or record.state is AlarmState.SHELVED
        if waits or record.changed_at is None:
            return NOT_SETTLED
        if record.state is AlarmState.NORMAL:
            until = min(until, record.changed_at + REMEMBERED_S - EARLIER_S)  # then it is forgotten
    return until if twins_agree(plan, pen) else NOT_SETTLED


def believed_until(plan: PenPlan, pen: PenState, at: float) -> float:
    """Before this every sensor of a settled pen stays believed, whatever more they say between the same fences.

    NOT_SETTLED if one is not believed.
    """
    until = math.inf
    for sensor in plan.pen.sensors:
        known = pen.sensors.get(sensor.key)
        if known is None or known.health is not Health.BELIEVED:
            return NOT_SETTLED
        until = min(until, _believed_until(sensor, known, at))
    return until


def twins_agree(plan: PenPlan, pen: PenState) -> bool:
    """Surely no alarm of twins that disagree, all of them being believed."""
    for group in plan.twins:
        tolerance = TWIN_TOLERANCE.get(group[0].measures)
        if tolerance is None:
            continue
        values = [value for sensor in group if (value := pen.sensors[sensor.key].value) is not None]
        if len(values) > 1 and max(values) - min(values) >= AGREE * tolerance:
            return False
    return True


def _believed_until(sensor: Sensor, known: SensorState, at: float) -> float:
    if known.heard_at is None or known.value_at is None or known.value is None or known.same_since is None:
        return NOT_SETTLED
    if known.implausible_value is not None or known.unreadable_cause or known.jump_score >= MANY_JUMPS:
        return NOT_SETTLED
    until = min(known.heard_at, known.value_at) + sensor.silent_after_s
    if sensor.stuck_after_s > 0.0 and not is_forecast(sensor):
        at_the_end = known.value <= sensor.lowest or known.value >= sensor.highest
        until = min(until, (at if at_the_end else known.same_since) + sensor.stuck_after_s)
    return until - EARLIER_S


def _fan_is_well(plan: PenPlan, pen: PenState, view: View) -> bool:
    """Told what the ladder wants, believed to do it, and only a report, a command or a fence can change that."""
    spec, fan = plan.pen.fan, pen.fan
    if spec is None:
        return True
    if fan.changed_at is None or obeying(plan, pen, view)[0] is not False:
        return False
    if spec.report_topic is not None and not fan.confirmed:
        return False
    if not fan.running:
        return True
    watched = ((plan.fan_power, IDLE_FAN_W), (plan.fan_speed, IDLE_FAN_PCT))
    return all((value := pen.sensors[s.key].value) is not None and value >= idle for sensors, idle in watched for s in sensors)
