"""The engine's present moment: elapsed seconds, the trusted wall clock, and the local calendar day."""

from __future__ import annotations

from monitor.engine.plan import Plan, local_day
from monitor.engine.records import replace
from monitor.engine.state import State

EARLIEST_MS, LATEST_MS = 946_684_800_000, 7_258_118_400_000  # 2000 to 2200; outside it no clock is believed


def is_in_step(state: State, at: float, wall_ms: int) -> bool:
    """Does this wall time go on from the last trusted one as the elapsed seconds do, to a minute?"""
    known_at, known_ms = state.wall_at, state.wall_anchor_ms
    return known_at is not None and known_ms is not None and abs(wall_ms - known_ms - (at - known_at) * 1000.0) <= 60_000


def tell_time(state: State, at: float, wall_ms: int | None, plan: Plan) -> State:
    """Move the engine's clock, and the calendar when a day ends or the clock is set."""
    if wall_ms is None:
        anchor_at, anchor_ms = state.wall_at, state.wall_anchor_ms
    else:
        anchor_at, anchor_ms = at, wall_ms
    day, ends, due = state.day, state.day_ends_at, state.due_at
    if (
        anchor_at is not None
        and anchor_ms is not None
        and (day is None or at >= ends or not is_in_step(state, anchor_at, anchor_ms))
    ):
        now_ms = int(anchor_ms + (at - anchor_at) * 1000.0)
        if EARLIEST_MS <= now_ms <= LATEST_MS:
            today, ends_ms = local_day(now_ms, plan.specification.timezone)
            ends = at + max(1.0, (ends_ms - now_ms) / 1000.0)
            if today != day:
                day, due = today, at
    return _at_this_time(state, at, wall_ms, anchor_at, anchor_ms, day, ends, due)


def _at_this_time(
    state: State,
    at: float,
    wall_ms: int | None,
    wall_at: float | None,
    wall_anchor_ms: int | None,
    day: int | None,
    day_ends_at: float,
    due_at: float,
) -> State:
    pens = state.pens
    if day != state.day:
        pens = {name: replace(pen, due_at=at, settled_until=0.0) for name, pen in pens.items()}
    return State(
        at,
        wall_ms,
        wall_at,
        wall_anchor_ms,
        pens,
        state.alarms,
        state.links,
        state.link_detail,
        state.occurrences,
        day,
        day_ends_at,
        due_at,
        state.site_due_at,
        state.unreadable,
    )
