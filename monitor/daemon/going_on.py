"""Going on after a stop or a kill: what the store remembers, as the daemon needs it."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace

from monitor.engine.connections import Notice
from monitor.engine.saving import Unloadable, load
from monitor.engine.state import PenState, State
from monitor.engine.timeline import LastSeen
from monitor.store.keep import Saved, Store

log = logging.getLogger(__name__)


def notice_finder(store: Store) -> Callable[[str], Notice | None]:
    def find(key: str) -> Notice | None:
        row = store.outbox.find(key)
        return None if row is None else row.notice

    return find


def loaded_state(saved: Saved | None, at: float, is_older: bool) -> State:
    """The engine's state to go on with.

    Numbers of alarms name their notices, in the outbox and at receivers that keep them: one that came again would
    not be sent. Where the count is lost, or is that of a backup, it goes on from the seconds, above any count.

    Args:
        at: elapsed seconds now.
        is_older: what was saved may not be the latest.
    """
    state = None
    if saved is not None and saved.state is not None:
        try:
            state = load(saved.state)
        except Unloadable as trouble:
            log.error("%s; starting with an empty one: open alarms will be raised again", trouble)
            is_older = True
    state = state or State()
    return replace(state, occurrences=max(state.occurrences, int(at))) if is_older else state


def taken_up(present: State, saved: Saved) -> State:
    """The state of a run that began without its store, once the store is there.

    From the store come the birds' counts with what this run's journal changed of them, and whether their heat was taken
    away; alarms, fan and sensors are those of this run, which knows them better.
    """
    try:
        stored = State() if saved.state is None else load(saved.state)
    except Unloadable as trouble:
        log.error("%s; counts of birds begin with those of the settings", trouble)
        return present
    pens = {name: _counted(pen, stored.pens.get(name)) for name, pen in present.pens.items()}
    return replace(present, pens=pens, occurrences=max(present.occurrences, stored.occurrences))


def _counted(pen: PenState, stored: PenState | None) -> PenState:
    if stored is None:
        return pen
    counts = {
        flock: max(0, stored.counts[flock] + count - pen.counted_from[flock])
        if flock in stored.counts and stored.counted_from.get(flock) == pen.counted_from.get(flock)
        else count
        for flock, count in pen.counts.items()
    }
    return replace(pen, counts=counts, heat_off=pen.heat_off or stored.heat_off)


def last_seen(saved: Saved | None) -> LastSeen | None:
    if saved is None:
        return None
    return LastSeen(saved.at, saved.wall_ms, saved.segment, saved.boot_id, saved.boottime_s)
