"""What is coming: conditions that look ahead. Each foresight keeps what it has learned in the pen's memory.

Rules of this file: pure. Samples are taken on the engine's own grid, at whole minutes and, while birds
depend on a heat source, at half minutes too; a judgement in between only repeats what stands, so that
it does not matter how many there are. What was learned is small, JSON, and survives a restart.
"""

from __future__ import annotations

import math
from collections.abc import Container, Mapping

from monitor.air.balance import OUTSIDE_CARBON_DIOXIDE_PPM
from monitor.engine import foresee_fan, foresee_heat, foresee_limits, foresee_night, outlook_air
from monitor.engine.events import Evidence, Json
from monitor.engine.plan import PenPlan
from monitor.engine.quiet import with_memory
from monitor.engine.specification import SI_UNIT, Measure, Priority
from monitor.engine.state import Health, PenState, SensorState, State
from monitor.engine.view import Condition, View, says_something

MINUTE_S, HALF_MINUTE_S = 60.0, 30.0
STILL_FOR_S = 300.0  # a thermometer that has not moved by a digit so long has no say in whether all of them fall


def foresee(
    plan: PenPlan, pen: PenState, view: View, state: State, altitude_m: float = 0.0, known: Container[str] | None = None
) -> tuple[PenState, list[Condition], float]:
    """The pen with what it has learned at this moment, the conditions foreseen, and when to be asked again at the latest.

    `known` as in `says_something`.
    """
    found: list[Condition] = []
    pen, heat = _heat(plan, pen, view, known)
    if heat is not None:
        found.append(heat)
    if view.at % MINUTE_S == 0.0 and pen.memory.get("minute") != view.at:
        pen = with_memory(pen, {**pen.memory, "minute": view.at})
        pen = with_memory(pen, foresee_limits.watch_rise(pen, view))
        pen = with_memory(pen, foresee_night.watch(plan, pen, view, state))
        pen = with_memory(pen, foresee_fan.watch(plan, pen, view, state.day))
        if plan.ammonia:
            pen = with_memory(pen, foresee_limits.watch_ammonia(pen, view, state))
    ahead = (
        foresee_limits.rising(plan, pen, view, known),
        foresee_night.condition(plan, pen, view),
        foresee_limits.ammonia_by_morning(plan, pen, view),
        foresee_fan.condition(plan, pen),
    )
    found.extend(condition for condition in ahead if condition is not None)
    found.extend(outlook_air.conditions(plan, pen, view, state, altitude_m, known))
    return pen, found, _again_at(plan, view)


def _again_at(plan: PenPlan, view: View) -> float:
    if not view.chicks_need_heat or not _may_fail(plan):
        return math.inf
    return (math.floor(view.at / HALF_MINUTE_S) + 1.0) * HALF_MINUTE_S


# ------------------------------------------------------------------ heat failing


def _may_fail(plan: PenPlan) -> bool:
    return bool(plan.bird_level) and plan.pen.heat.kind != "none"


def _step_s(plan: PenPlan) -> float:
    return HALF_MINUTE_S if max(s.every_s for s in plan.bird_level) <= 45.0 else MINUTE_S


def _heat(plan: PenPlan, pen: PenState, view: View, known: Container[str] | None) -> tuple[PenState, Condition | None]:
    limit = plan.pen.limits.alarms.get("heat_failing")
    if limit is None:
        return pen, None
    if not view.chicks_need_heat or view.warmth is None or not _may_fail(plan):
        # No source, no birds that need it, or taken away on purpose: nothing can fail, and what was learned is void.
        memory = {k: v for k, v in pen.memory.items() if k not in ("heat", "heat_found")}
        pen = with_memory(pen, memory) if "heat" in pen.memory else pen
        return pen, Condition("heat_failing", "", False, limit, dict, limit.priority)
    if view.at % _step_s(plan) == 0.0:
        sampled = _sampled(plan, pen, view)
        pen = pen if sampled is pen.memory else with_memory(pen, sampled)
    return pen, _failing(plan, pen, view, known)


def _sampled(plan: PenPlan, pen: PenState, view: View) -> Mapping[str, Json]:
    step_s = _step_s(plan)
    believed = {
        s.key: value
        for s in plan.bird_level
        if view.healths.get(s.key) is Health.BELIEVED and (value := of_late(pen.sensors[s.key], view.at, step_s)) is not None
    }
    if not believed or view.warmth is None:
        return {**pen.memory, "heat_found": None}
    if foresee_heat.sampled_at(pen.memory) == view.at:
        return pen.memory  # asked twice at one moment
    lively = {k: v for k, v in believed.items() if not _is_still(pen, k, view.at)} or believed
    rooms = [
        value
        for s in plan.room_temperature
        if view.healths.get(s.key) is Health.BELIEVED and (value := of_late(pen.sensors[s.key], view.at, step_s)) is not None
    ]
    room = sum(rooms) / len(rooms) if rooms else None
    learned = foresee_heat.load(pen.memory)
    limit = plan.pen.limits.alarms["heat_failing"]
    finding = foresee_heat.sample(
        learned,
        view.at,
        step_s,
        lively,
        room,
        plan.pen.heat.kind == "thermostat",
        view.warmth.band.cold_c,
        (limit.on, limit.off),
        _air(plan, pen, view),
    )
    told: Json = None
    if finding is not None:
        share = None if finding.share is None else round(finding.share, 3)
        told = [finding.signal, round(finding.value_c, 3), round(finding.slope_per_min, 4), share, finding.note]
    return {**pen.memory, "heat": foresee_heat.saved(learned), "heat_found": told}


def of_late(known: SensorState, at: float, step_s: float) -> float | None:
    """The sensor's value, with the one before where both fell into this step: half of the noise's square for nothing."""
    value, former = known.value, known.former
    if value is None or former is None or known.former_at is None or known.former_at <= at - step_s:
        return value
    return 0.5 * (value + former)


def _air(plan: PenPlan, pen: PenState, view: View) -> foresee_heat.Air | None:
    """The gas that would fall if a door were opened: carbon dioxide, or ammonia in a pen that measures no carbon dioxide."""
    if view.carbon_dioxide is not None:
        gas = view.carbon_dioxide.value - OUTSIDE_CARBON_DIOXIDE_PPM
    elif view.ammonia is not None and not plan.carbon_dioxide:
        gas = view.ammonia.value
    else:
        return None
    fan = pen.fan
    ran_s = fan.ran_s + (view.at - fan.since if fan.running and fan.since is not None else 0.0)
    return foresee_heat.Air(gas, ran_s / 60.0)


def _is_still(pen: PenState, key: str, at: float) -> bool:
    since = pen.sensors[key].same_since
    return since is not None and at - since > STILL_FOR_S


def _failing(plan: PenPlan, pen: PenState, view: View, known: Container[str] | None) -> Condition | None:
    limit, warmth = plan.pen.limits.alarms["heat_failing"], view.warmth
    found = pen.memory.get("heat_found")
    if warmth is None or not isinstance(found, list) or len(found) != 5:
        return Condition("heat_failing", "", None, limit, dict, limit.priority)
    signal, value, slope, share, note = found
    if not says_something(signal is True, "heat_failing", known):
        return None
    band = warmth.band

    def evidence() -> Evidence:
        told: dict[str, Json] = {
            "value": value,
            "unit": SI_UNIT[Measure.TEMPERATURE],
            "limit": round(band.cold_c, 3),
            "slope_per_min": slope,
            "target_low": band.target_low_c,
            "target_high": band.target_high_c,
            "age_days": warmth.age_days,
            "share_of_usual_heat": share,
            "source": band.source,
            "note": note,
        }
        if isinstance(slope, float) and isinstance(value, float) and slope < 0.0 and value > band.cold_c:
            told["reaches_at_s"] = round(view.at + 60.0 * (band.cold_c - value) / slope, 1)
        return told

    mains = pen.alarms.get(f"{plan.pen.name}/mains_lost")
    return Condition(
        "heat_failing",
        "",
        signal if isinstance(signal, bool) else None,
        limit,
        evidence,
        Priority.URGENT if limit.priority is Priority.URGENT else limit.priority,
        value if isinstance(value, float) else None,
        f"{plan.pen.name}/mains_lost" if mains is not None and mains.standing else "",
    )
