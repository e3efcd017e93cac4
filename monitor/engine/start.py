"""Coming up: the remembered state is fitted to the specification, and silence of the dark is forgiven.

Rules of this file:
- Open alarms, shelves, hand-settings, counts and the fan's state go on.
- What is no longer in the settings is forgotten; what is new starts empty.
- Silence in the dark says nothing, for nobody listened: after a blink it is left out of the count, else the count begins anew.
- A condition that was only waiting out its delay starts waiting anew, unless the dark was a blink.
- With a dark of unknown length no override may outlive its end: hand-settings and shelves are over.
"""

from __future__ import annotations

from monitor.engine.events import Started
from monitor.engine.plan import PenPlan, Plan
from monitor.engine.records import replace
from monitor.engine.site import LINK_ALARMS
from monitor.engine.state import AlarmRecord, AlarmState, PenState, SensorState, State

BLINK_S = 120.0


def is_blink(dark_s: float | None) -> bool:
    """So short a dark that the watch goes on as if it had not been."""
    return dark_s is not None and dark_s <= BLINK_S


def begin(state: State, event: Started, at: float, plan: Plan) -> State:
    """The state with which the first event after a start is judged."""
    dark = event.dark_s
    blink = is_blink(dark)
    unknown = dark is None and bool(state.pens)
    pens = {name: _fit_pen(state.pens.get(name), pen_plan, at, dark, blink, unknown) for name, pen_plan in plan.pens.items()}
    names = set(LINK_ALARMS.values()) & set(plan.specification.site_limits)
    alarms = {k: _fit_alarm(r, at, blink, unknown) for k, r in state.alarms.items() if r.name in names}
    site_due_at = state.site_due_at if blink and state.pens else at
    due_at = min((pen.due_at for pen in pens.values()), default=site_due_at)
    return replace(state, at=at, pens=pens, alarms=alarms, due_at=min(due_at, site_due_at), site_due_at=site_due_at)


def _fit_pen(pen: PenState | None, plan: PenPlan, at: float, dark_s: float | None, blink: bool, unknown: bool) -> PenState:
    spec = plan.pen
    if pen is None:
        pen = PenState(spec.name, due_at=at)
    sensors = {s.key: _forgive(pen.sensors.get(s.key, SensorState()), at, dark_s if blink else None) for s in spec.sensors}
    counts, counted_from = {}, {}
    for flock in spec.flocks:
        recounted = pen.counted_from.get(flock.name) != flock.count  # the keeper changed the number in the settings
        counts[flock.name] = flock.count if recounted else pen.counts.get(flock.name, flock.count)
        counted_from[flock.name] = flock.count
    subjects = {s.name for s in spec.sensors} | {""} | {f"{g[0].place} {g[0].measures}" for g in plan.twins}
    alarms = {
        key: _fit_alarm(record, at, blink, unknown)
        for key, record in pen.alarms.items()
        if record.name in spec.limits.alarms and record.subject in subjects
    }
    return replace(
        pen,
        sensors=sensors,
        counts=counts,
        counted_from=counted_from,
        alarms=alarms,
        hand=None if unknown else pen.hand,
        # After a blink the next judgement comes when it would have come, so that a restart decides nothing by itself.
        due_at=pen.due_at if blink else at,
        settled_until=0.0,
    )


def _forgive(known: SensorState, at: float, blink_s: float | None) -> SensorState:
    if blink_s is None or known.heard_at is None:
        return replace(known, heard_at=at)
    return replace(known, heard_at=min(at, known.heard_at + blink_s))


def _fit_alarm(record: AlarmRecord, at: float, blink: bool, unknown: bool) -> AlarmRecord:
    if record.pending_since is not None and not blink:
        record = replace(record, pending_since=at)
    if unknown and record.state is AlarmState.SHELVED:
        record = replace(record, shelved_until=at)
    return record
