"""What people do: to alarms, to the fan, and in the journal."""

from __future__ import annotations

import math

from monitor.engine.alarms import Ledger
from monitor.engine.events import Acknowledge, Action, HandSet, JournalEntry, Shelve, TakeOutOfService
from monitor.engine.foresee_fan import cleaned
from monitor.engine.foresee_heat import lamp_moved
from monitor.engine.records import replace
from monitor.engine.specification import Pen
from monitor.engine.state import HandSetting, PenState, State

LONGEST_HAND_SET_S = 24 * 3600.0  # an override nobody remembers is a fault of its own; our own rule


def act_on_alarm(
    state: State, event: Acknowledge | Shelve | TakeOutOfService, at: float, wall_ms: int | None, actions: list[Action]
) -> State:
    """Acknowledge, shelve or take out of service. An alarm that does not exist is no error: it may just have cleared."""
    pen_name = event.alarm.partition("/")[0]
    if pen_name and pen_name not in state.pens:
        return state
    records = state.pens[pen_name].alarms if pen_name else state.alarms
    ledger = Ledger.open(pen_name, records, at, wall_ms, state.occurrences)
    match event:
        case Acknowledge():
            ledger.acknowledge(event.alarm, event.by)
        case Shelve():
            ledger.shelve(event.alarm, event.by, event.for_s if math.isfinite(event.for_s) else 0.0)
        case TakeOutOfService():
            ledger.take_out(event.alarm, event.by, event.out)
    actions.extend(ledger.changes)
    if not pen_name:
        return replace(state, alarms=ledger.records, occurrences=ledger.occurrences, site_due_at=at)
    pens = dict(state.pens)
    pens[pen_name] = replace(pens[pen_name], alarms=ledger.records, due_at=at, settled_until=0.0)
    return replace(state, pens=pens, occurrences=ledger.occurrences)


def set_by_hand(pen: PenState, event: HandSet, at: float) -> PenState:
    """The fan as the keeper wants it, until an end; or given back to the rule."""
    if not math.isfinite(event.for_s) or event.for_s <= 0:
        return replace(pen, hand=None)
    speed = event.speed_pct if event.speed_pct is not None and math.isfinite(event.speed_pct) else None
    return replace(pen, hand=HandSetting(event.running, speed, at + min(event.for_s, LONGEST_HAND_SET_S), event.by))


_BIRDS = {"birds in": 1, "birds out": -1, "deaths": -1}


def write_journal(pen: PenState, event: JournalEntry, spec: Pen) -> PenState:
    """What the entry changes in what the engine knows: the count of birds, and whether they have heat."""
    if event.what == "lamp raised":
        return replace(pen, memory=lamp_moved(pen.memory))
    if event.what == "fan cleaned":
        return replace(pen, memory=cleaned(pen.memory))
    if event.what == "heat off":
        return replace(pen, heat_off=True)
    if event.what == "birds in":
        pen = replace(pen, heat_off=False)  # new birds may be chicks: watch their heat again
    sign = _BIRDS.get(event.what)
    if sign is None or event.count is None:
        return pen
    flock = event.flock
    if flock is None and len(spec.flocks) == 1:
        flock = spec.flocks[0].name
    if flock is None or flock not in pen.counts:
        return pen
    counts = dict(pen.counts)
    counts[flock] = max(0, min(counts[flock] + sign * event.count, 1_000_000))
    return replace(pen, counts=counts)
