"""The whole order in one function: `step(state, event, specification) → (state, actions)`.

Rules of this file:
- Pure: the same state, event and specification give the same answer, live, rehearsed and after a restart.
- Time comes in with events. Before an event is taken in, every moment that fell due since the last one
  is judged at its own second, in order, so that it does not matter how often a tick comes by.
- A reading that crosses no fence changes no judgement; it is remembered, kept, and that is all.
- Nothing an event carries may raise an exception here: these are live animals.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from monitor.engine import belief, people
from monitor.engine.alarms import Ledger
from monitor.engine.events import (
    Acknowledge,
    Action,
    Event,
    FanReport,
    HandSet,
    JournalEntry,
    Link,
    Reading,
    Shelve,
    Started,
    SwitchFan,
    TakeOutOfService,
    Tick,
    Unreadable,
)
from monitor.engine.foresee import foresee
from monitor.engine.judge import conditions
from monitor.engine.ladder import climb
from monitor.engine.now import EARLIEST_MS, LATEST_MS, tell_time
from monitor.engine.obedience import must_say_again, take_report
from monitor.engine.plan import Plan, plan_for, same_zone
from monitor.engine.quiet import take_quietly, with_alarms, with_sensors
from monitor.engine.records import replace
from monitor.engine.settled import NOT_SETTLED, believed_until, settled_until, twins_agree
from monitor.engine.site import site_conditions
from monitor.engine.specification import Specification
from monitor.engine.start import begin, is_blink
from monitor.engine.state import Health, PenState, State
from monitor.engine.ventilation import plan_timer
from monitor.engine.view import Believable, look

JUDGE_EVERY_S = 60.0  # even if nothing happens: slow conditions (stuck, silent, twins) are asked once a minute
MOST_CATCH_UP = 20_000  # moments judged one by one after a gap; beyond that the present is judged at once


def step(state: State, event: Event, specification: Specification) -> tuple[State, list[Action]]:
    """Take one event in.

    Args:
        state: what is remembered; `State()` at the very beginning.
        event: what happened, with its own time. A time before the state's counts as the state's.
        specification: what the keeper's settings resolve to.

    Returns:
        The new state, and what is to be done in the world, in order.
    """
    plan = plan_for(specification)
    at = event.at if math.isfinite(event.at) and event.at > state.at else state.at
    wall_ms = event.wall_ms if event.wall_ms is not None and EARLIEST_MS <= event.wall_ms <= LATEST_MS else None
    actions: list[Action] = []

    if type(event) is Reading and at < state.due_at and at < state.day_ends_at:
        quiet = take_quietly(state, event, at, wall_ms, plan)
        if quiet is not None:
            return quiet[0], [quiet[1]]
    if type(event) is Started or len(state.pens) != len(plan.pens):
        goes_on = bool(state.pens) and isinstance(event, Started) and is_blink(event.dark_s)
        state = begin(state, event if isinstance(event, Started) else Started(at, wall_ms, None, True), at, plan)
        state = tell_time(state, at, wall_ms, plan)
        if goes_on:
            state = _catch_up(state, at, wall_ms, plan, actions)
        else:
            state = _judge_all(state, at, wall_ms, plan, actions)
        if type(event) is Started:
            return _resend(state, at, wall_ms, plan, actions, at_once=True), actions
    if state.due_at <= at:
        state = _catch_up(state, at, wall_ms, plan, actions)
    state = tell_time(state, at, wall_ms, plan)

    if type(event) is Reading:
        return _take_reading(state, event, at, wall_ms, plan, actions), actions
    return _take_other(state, event, at, wall_ms, plan, actions), actions


# ---------------------------------------------------------------------- time


def _catch_up(state: State, at: float, wall_ms: int | None, plan: Plan, actions: list[Action]) -> State:
    """Judge every moment that fell due, each at its own second."""
    for _ in range(MOST_CATCH_UP):
        due = state.due_at
        if due > at:
            return state
        moment = max(due, state.at)
        then_ms = None if wall_ms is None else round(wall_ms - (at - moment) * 1000.0)
        state = tell_time(state, moment, then_ms, plan)
        state = _judge_due(state, moment, then_ms, plan, actions)
    state = tell_time(state, at, wall_ms, plan)
    return _judge_all(state, at, wall_ms, plan, actions)


# ------------------------------------------------------------------- judging


def _judge_due(state: State, at: float, wall_ms: int | None, plan: Plan, actions: list[Action]) -> State:
    for name, pen in state.pens.items():
        if pen.due_at <= at:
            state = _judge_pen(state, name, at, wall_ms, plan, actions, on_time=True)
    if state.site_due_at <= at:
        state = _judge_site(state, at, wall_ms, plan, actions)
    return _note_due(state)


def _judge_all(state: State, at: float, wall_ms: int | None, plan: Plan, actions: list[Action]) -> State:
    for name in state.pens:
        state = _judge_pen(state, name, at, wall_ms, plan, actions)
    return _note_due(_judge_site(state, at, wall_ms, plan, actions))


def _judge_one(state: State, name: str, at: float, wall_ms: int | None, plan: Plan, actions: list[Action]) -> State:
    return _note_due(_judge_pen(state, name, at, wall_ms, plan, actions))


def _note_due(state: State) -> State:
    due = state.site_due_at
    for pen in state.pens.values():
        due = min(due, pen.due_at)
    return _with_pens(state, state.pens, due_at=due)


def _judge_pen(
    state: State, name: str, at: float, wall_ms: int | None, plan: Plan, actions: list[Action], *, on_time: bool = False
) -> State:
    """Judge one pen; `on_time`: nothing happened to it but that its time came."""
    pen_plan, pen = plan.pens[name], state.pens[name]
    warmth = pen_plan.band(state.day, pen.counts)
    is_settled = on_time and at < pen.settled_until
    if is_settled and at >= pen.believed_until:
        pen = replace(pen, believed_until=believed_until(pen_plan, pen, at))
        is_settled = at < pen.believed_until
    view = look(pen_plan, pen, warmth, at, outside_of(state, plan), pen_plan.all_believed if is_settled else None)
    if not is_settled:
        pen = _write_healths(pen, view.healths)
        pen = plan_timer(pen_plan, pen, view, state.day, plan.specification.altitude_m)
    known = frozenset(record.name for record in pen.alarms.values())
    pen, foreseen, ask_again_at = foresee(pen_plan, pen, view, state, plan.specification.altitude_m, known)
    next_minute = (math.floor(at / JUDGE_EVERY_S) + 1.0) * JUDGE_EVERY_S
    if is_settled and twins_agree(pen_plan, pen) and not any(condition.signal for condition in foreseen):
        return _with_pen(state, replace(pen, due_at=_after(at, next_minute, pen.fan_due_at, ask_again_at)))

    ledger = Ledger.open(name, pen.alarms, at, wall_ms, state.occurrences)
    ledger.end_shelves()
    for condition in conditions(pen_plan, pen, view, state.links.get("broker", True), known):
        ledger.weigh(condition)
    for condition in foreseen:
        ledger.weigh(condition)
    ledger.forget_settled()
    pen = with_alarms(pen, ledger.records)

    pen, command, again_at = climb(pen_plan, pen, view, wall_ms)
    if command is not None:
        actions.append(command)
    actions.extend(ledger.changes)
    due = _after(at, next_minute, ledger.due_at, again_at, ask_again_at)
    pens = dict(state.pens)
    pens[name] = _judged(pen, due, again_at, settled_until(pen_plan, pen, view, again_at))
    return _with_pens(state, pens, occurrences=ledger.occurrences)


def _judged(pen: PenState, due_at: float, fan_due_at: float, settled: float) -> PenState:
    return PenState(
        pen.name,
        pen.sensors,
        pen.fan,
        pen.hand,
        pen.counts,
        pen.counted_from,
        pen.heat_off,
        pen.alarms,
        due_at,
        fan_due_at,
        settled,
        NOT_SETTLED,  # how long all are believed is worked out when it is asked for
        pen.memory,
    )


def _after(at: float, *moments: float) -> float:
    """The first of these moments, but never this one."""
    return max(min(moments), math.nextafter(at, math.inf))


def _write_healths(pen: PenState, healths: Mapping[str, Health]) -> PenState:
    sensors = pen.sensors
    changed = {key: replace(sensors[key], health=found) for key, found in healths.items() if sensors[key].health is not found}
    return replace(pen, sensors={**sensors, **changed}) if changed else pen


def outside_of(state: State, plan: Plan) -> Believable | None:
    """The coldest believable outside thermometer of the site: one on the yard serves all pens."""
    best: Believable | None = None
    for sensor in plan.yard:
        known = state.pens[sensor.pen].sensors[sensor.key]
        if known.value is None or known.health is not Health.BELIEVED:
            continue
        if best is None or known.value < best.value:
            best = Believable(sensor, known.value)
    return best


def _judge_site(state: State, at: float, wall_ms: int | None, plan: Plan, actions: list[Action]) -> State:
    ledger = Ledger.open("", state.alarms, at, wall_ms, state.occurrences)
    ledger.end_shelves()
    for condition in site_conditions(state, plan):
        ledger.weigh(condition)
    ledger.forget_settled()
    actions.extend(ledger.changes)
    next_minute = (math.floor(at / JUDGE_EVERY_S) + 1.0) * JUDGE_EVERY_S
    due = _after(at, next_minute, ledger.due_at)
    return replace(state, alarms=ledger.records, occurrences=ledger.occurrences, site_due_at=due)


# -------------------------------------------------------------------- events


def _take_reading(state: State, event: Reading, at: float, wall_ms: int | None, plan: Plan, actions: list[Action]) -> State:
    sensor = plan.specification.sensors.get(event.sensor)
    if sensor is None:
        return state
    pen = state.pens[sensor.pen]
    known = pen.sensors[event.sensor]
    if event.at != at:
        event = replace(event, at=at)
    new, keep, taken = belief.hear(sensor, known, event)
    if keep is not None:
        actions.append(keep)
    if new is known:
        return state
    sensors = dict(pen.sensors)
    sensors[event.sensor] = new
    state = _with_pen(state, with_sensors(pen, sensors))
    quiet = (
        taken
        and known.health is Health.BELIEVED
        and known.value is not None
        and known.implausible_value is None
        and not known.unreadable_cause
        and same_zone(plan.pens[sensor.pen].fences_of(sensor.measures, state.day, pen.counts), known.value, event.value)
    )
    return state if quiet else _judge_one(state, sensor.pen, at, wall_ms, plan, actions)


def _with_pens(
    state: State, pens: Mapping[str, PenState], *, occurrences: int | None = None, due_at: float | None = None
) -> State:
    return State(
        state.at,
        state.wall_ms,
        state.wall_at,
        state.wall_anchor_ms,
        pens,
        state.alarms,
        state.links,
        state.link_detail,
        state.occurrences if occurrences is None else occurrences,
        state.day,
        state.day_ends_at,
        state.due_at if due_at is None else due_at,
        state.site_due_at,
        state.unreadable,
    )


def _take_other(state: State, event: Event, at: float, wall_ms: int | None, plan: Plan, actions: list[Action]) -> State:
    match event:
        case Tick():
            return _resend(state, at, wall_ms, plan, actions)
        case FanReport():
            spec = plan.pens[event.pen].pen.fan if event.pen in plan.pens else None
            if spec is None:
                return state
            state = _with_pen(state, take_report(state.pens[event.pen], event, at, spec))
            return _judge_one(state, event.pen, at, wall_ms, plan, actions)
        case Unreadable():
            return _take_unreadable(state, event, at, wall_ms, plan, actions)
        case Link():
            return _take_link(state, event, at, wall_ms, plan, actions)
        case Acknowledge() | Shelve() | TakeOutOfService():
            return _note_due(people.act_on_alarm(state, event, at, wall_ms, actions))
        case HandSet():
            if event.pen not in state.pens or plan.pens[event.pen].pen.fan is None:
                return state
            state = _with_pen(state, people.set_by_hand(state.pens[event.pen], event, at))
            return _judge_one(state, event.pen, at, wall_ms, plan, actions)
        case JournalEntry():
            if event.pen not in state.pens:
                return state
            state = _with_pen(state, people.write_journal(state.pens[event.pen], event, plan.pens[event.pen].pen))
            return _judge_one(state, event.pen, at, wall_ms, plan, actions)
        case _:
            return state


def _with_pen(state: State, pen: PenState) -> State:
    pens = dict(state.pens)
    pens[pen.name] = pen
    return _with_pens(state, pens)


def _take_unreadable(state: State, event: Unreadable, at: float, wall_ms: int | None, plan: Plan, actions: list[Action]) -> State:
    counts = dict(state.unreadable)
    counts[event.cause] = counts.get(event.cause, 0) + 1
    state = replace(state, unreadable=counts)
    sensor = None if event.sensor is None else plan.specification.sensors.get(event.sensor)
    if sensor is None:
        return state
    pen = state.pens[sensor.pen]
    sensors = dict(pen.sensors)
    sensors[sensor.key] = belief.misheard(sensors[sensor.key], replace(event, at=at))
    state = _with_pen(state, with_sensors(pen, sensors))
    return _judge_one(state, sensor.pen, at, wall_ms, plan, actions)


def _take_link(state: State, event: Link, at: float, wall_ms: int | None, plan: Plan, actions: list[Action]) -> State:
    came_back = event.up and not state.links.get(event.what, True)
    links, detail = dict(state.links), dict(state.link_detail)
    links[event.what], detail[event.what] = event.up, event.detail
    state = replace(state, links=links, link_detail=detail)
    if event.what == "broker" and came_back:
        # Silence while the broker was away says nothing of the sensors: each gets its time again.
        pens = {
            name: with_sensors(pen, {key: replace(known, heard_at=at) for key, known in pen.sensors.items()})
            for name, pen in state.pens.items()
        }
        state = _with_pens(state, pens)
    if event.what == "broker":
        state = _judge_all(state, at, wall_ms, plan, actions)
        # What was commanded while nobody could hear it is said at once.
        return _resend(state, at, wall_ms, plan, actions, at_once=True) if event.up else state
    return _note_due(_judge_site(state, at, wall_ms, plan, actions))


# ----------------------------------------------------------------------- fan


def _resend(state: State, at: float, wall_ms: int | None, plan: Plan, actions: list[Action], *, at_once: bool = False) -> State:
    """Say the standing command again where the relay has not confirmed it, and as a heartbeat."""
    for name, pen_plan in plan.pens.items():
        spec, fan = pen_plan.pen.fan, state.pens[name].fan
        if spec is not None and must_say_again(spec, fan, at, at_once=at_once):
            actions.append(SwitchFan(at, wall_ms, name, fan.running, fan.speed_pct, fan.reason, fan.evidence, again=True))
            state = _with_pen(state, replace(state.pens[name], fan=replace(fan, sent_at=at)))
    return state
