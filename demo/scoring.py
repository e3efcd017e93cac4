"""A play of the bank run and judged: was the trouble found, how soon, and what rang for nothing.

Rules of this file: a call is an alarm that becomes unacknowledged; the keeper takes each up five
minutes later, as a good keeper would. One that rings again half an hour after it was taken up is a
reminder, counted by itself. A call is right when a truth of the play names it, or when the
model itself was beyond the limit the alarm speaks of; it is unjudged when the model has no truth for
it; every other call is false. The engine sees nothing of this.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from demo.closed_loop import Loop
from demo.litter import DAY_S
from demo.many_barns import HOUR_S
from demo.scenarios import BANK_WALL0_MS, Play, Scenario, Truth
from monitor.engine.events import Acknowledge, Action, AlarmChanged, Event, Evidence, SwitchFan
from monitor.engine.specification import Priority, Specification
from monitor.engine.state import AlarmState
from monitor.engine.step import step

TRACE_EVERY_S = 60.0
TAKEN_UP_AFTER_S = 300.0


@dataclass(frozen=True, slots=True)
class Moment:
    """The model's own numbers at one time."""

    time_s: float
    bird_level_c: float
    air_c: float
    humidity_pct: float
    ammonia_ppm: float
    walls_kg: float


@dataclass(slots=True)
class Call:
    """One alarm that rang, and when its condition was over."""

    time_s: float
    alarm: str
    subject: str
    urgent: bool
    evidence: Evidence
    ended_s: float = math.inf


@dataclass(slots=True)
class Outcome:
    """One seed of one scenario, played."""

    scenario: str
    seed: int
    played_s: float
    truths: list[Truth]
    calls: list[Call] = field(default_factory=list)
    fan: list[tuple[float, bool, str]] = field(default_factory=list)
    trace: list[Moment] = field(default_factory=list)
    readings: int = 0
    reminders: list[tuple[float, str]] = field(default_factory=list)  # when, which alarm


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the outcome comes to. `found` and `delay_s` are None when there was nothing to find."""

    found: bool | None
    delay_s: float | None
    urgent_in_trouble: int
    calls_in_trouble: int
    too_many_urgent: bool
    false: Counter[str]
    false_urgent: Counter[str]
    unjudged: Counter[str]
    right: Counter[str]
    calm_days: float
    reminders: int


def run(scenario: Scenario, seed: int, specification: Specification) -> Outcome:
    """Play one seed to its end."""
    pen = next(iter(specification.pens.values()))
    play = scenario.build(pen, scenario, seed)
    outcome = Outcome(scenario.name, seed, play.days * DAY_S, list(play.truths))
    open_since: dict[str, float] = {}
    loop = Loop(play.world, specification, wall0_ms=BANK_WALL0_MS, clock=play.clock)

    def told(event: Event, actions: tuple[Action, ...]) -> None:
        for action in actions:
            if isinstance(action, AlarmChanged):
                _note(action, outcome, open_since)
            elif isinstance(action, SwitchFan) and not action.again:
                outcome.fan.append((event.at, action.running, action.reason))

    loop.told = told
    waits, next_trace = play.begins_when, 0.0
    while play.world.time_s < outcome.played_s:
        outcome.readings += len(loop.once())
        now = play.world.time_s
        if waits is not None and play.then is not None and waits(play.world):
            outcome.truths.append(replace(play.then, from_s=now))
            waits = None
        if now >= next_trace:
            next_trace = now + TRACE_EVERY_S
            outcome.trace.append(_look(play))
            _take_up(loop, open_since, now)
    return outcome


def _look(play: Play) -> Moment:
    barn = play.world.barn
    return Moment(
        play.world.time_s, barn.bird_level_c, barn.air_c, barn.humidity_pct, barn.ammonia_ppm, barn.books.water_walls_kg
    )


def _note(change: AlarmChanged, outcome: Outcome, open_since: dict[str, float]) -> None:
    mine = [c for c in outcome.calls if c.alarm == change.name and c.subject == change.subject]
    if change.state == AlarmState.UNACKNOWLEDGED:
        open_since[change.key] = change.at
        if change.evidence.get("again") is True:
            outcome.reminders.append((change.at, change.name))
            return
        urgent = change.priority is Priority.URGENT
        outcome.calls.append(Call(change.at, change.name, change.subject, urgent, change.evidence))
        return
    if change.state in (AlarmState.ACKNOWLEDGED, AlarmState.NORMAL):
        open_since.pop(change.key, None)
    if change.state in (AlarmState.RETURNED, AlarmState.NORMAL) and mine:
        mine[-1].ended_s = min(mine[-1].ended_s, change.at)


def _take_up(loop: Loop, open_since: dict[str, float], now: float) -> None:
    for key, since in list(open_since.items()):
        if now - since >= TAKEN_UP_AFTER_S:
            event = Acknowledge(loop.at0 + now, loop.wall_ms(now), key, "keeper")
            loop.state, actions = step(loop.state, event, loop.specification)
            open_since.pop(key, None)
            if loop.told is not None:
                loop.told(event, tuple(actions))


# ---------------------------------------------------------------- judging


def judge(outcome: Outcome) -> Verdict:
    """Was it found, how soon, and what was false."""
    found: bool | None = None
    delay_s: float | None = None
    urgent = calls = 0
    too_many = False
    for truth in outcome.truths:
        at = _first(outcome, truth)
        found = (found is not False) and at is not None
        if at is not None:
            delay_s = max(delay_s or 0.0, at - truth.from_s)
        here = sum(1 for call in outcome.calls if call.urgent and truth.from_s <= call.time_s <= truth.until_s)
        urgent += here
        calls += sum(1 for call in outcome.calls if truth.from_s <= call.time_s <= truth.until_s)
        too_many = too_many or (truth.urgent_calls is not None and here != truth.urgent_calls)
    counts: dict[str, Counter[str]] = {kind: Counter() for kind in ("false", "urgent", "unjudged", "right")}
    for call in outcome.calls:
        kind = _kind(call, outcome)
        counts[kind][call.alarm] += 1
        if kind == "false" and call.urgent:
            counts["urgent"][call.alarm] += 1
    in_trouble = sum(truth.until_s - truth.from_s for truth in outcome.truths)
    return Verdict(
        found,
        delay_s,
        urgent,
        calls,
        too_many,
        counts["false"],
        counts["urgent"],
        counts["unjudged"],
        counts["right"],
        max(outcome.played_s - in_trouble, 0.0) / DAY_S,
        len(outcome.reminders),
    )


def _first(outcome: Outcome, truth: Truth) -> float | None:
    """When the trouble was first called (or the fan first ran for it)."""
    if truth.fan_reason is not None:
        # a fan that runs for it already has found it
        running = [(at, on, why) for at, on, why in outcome.fan if at <= truth.from_s]
        if running and running[-1][1] and running[-1][2] == truth.fan_reason:
            return truth.from_s
        times = [at for at, on, why in outcome.fan if on and why == truth.fan_reason and truth.from_s <= at <= truth.until_s]
    else:
        calls = [c for c in outcome.calls if c.alarm in truth.called_by]
        # rang before the model had passed the line by its margin, and still stands: found at once
        if any(c.time_s < truth.from_s <= c.ended_s and _explained(c, outcome) for c in calls):
            return truth.from_s
        times = [c.time_s for c in calls if truth.from_s <= c.time_s <= truth.until_s]
    return min(times, default=None)


def _kind(call: Call, outcome: Outcome) -> str:
    for truth in outcome.truths:
        if truth.from_s <= call.time_s <= truth.until_s + HOUR_S and call.alarm in (*truth.called_by, *truth.covers):
            return "right"
    if call.alarm in UNJUDGED:
        return "unjudged"
    return "right" if _explained(call, outcome) else "false"


# Alarms the model has no truth of its own for, outside a labelled trouble.
UNJUDGED = ("airflow_short",)

# alarm: (which number of the model, the sign of "beyond", tolerance of a sound sensor, looking s back and s ahead)
Look = tuple[Callable[[Moment], float], float, float, float, float]
_NIGHT_S = 15 * HOUR_S
BY_THE_MODEL: dict[str, Look] = {
    "birds_cold": (lambda m: m.bird_level_c, -1.0, 0.8, 1200.0, 0.0),
    "birds_hot": (lambda m: m.bird_level_c, 1.0, 0.8, 1200.0, 0.0),
    "damp": (lambda m: m.humidity_pct, 1.0, 5.0, 7200.0, 0.0),
    "dry": (lambda m: m.humidity_pct, -1.0, 5.0, 9000.0, 0.0),
    "ammonia_birds": (lambda m: m.ammonia_ppm, 1.0, 3.0, 1800.0, 0.0),
    "ammonia_people": (lambda m: m.ammonia_ppm, 1.0, 3.0, 1200.0, 0.0),
    "frostbite": (lambda m: m.air_c, -1.0, 0.8, 3000.0, 0.0),
    "cold_by_morning": (lambda m: m.bird_level_c, -1.0, 1.0, 0.0, _NIGHT_S),
    "ammonia_by_morning": (lambda m: m.ammonia_ppm, 1.0, 3.0, 0.0, _NIGHT_S),
    "heat_rising": (lambda m: m.bird_level_c, 1.0, 1.0, 0.0, 2 * HOUR_S),
}


def _explained(call: Call, outcome: Outcome) -> bool:
    """Was the model itself beyond the limit that the alarm speaks of?"""
    if call.alarm == "condensation":
        return _grew(outcome, call.time_s - 2 * HOUR_S, call.time_s)
    known, limit = BY_THE_MODEL.get(call.alarm), call.evidence.get("limit")
    if known is None or isinstance(limit, bool) or not isinstance(limit, int | float):
        return False
    number, sign, tolerance, back_s, ahead_s = known
    span = [m for m in outcome.trace if call.time_s - back_s - TRACE_EVERY_S <= m.time_s <= call.time_s + ahead_s + TRACE_EVERY_S]
    return any(sign * (number(m) - limit) >= -tolerance for m in span)


def _grew(outcome: Outcome, from_s: float, to_s: float) -> bool:
    span = [m.walls_kg for m in outcome.trace if from_s <= m.time_s <= to_s]
    return bool(span) and span[-1] - span[0] > 0.002
