"""Going on after a stop or a kill: what the store remembers, as the daemon needs it."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace

from monitor.engine.connections import Notice
from monitor.engine.saving import Unloadable, load
from monitor.engine.state import State
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


def last_seen(saved: Saved | None) -> LastSeen | None:
    if saved is None:
        return None
    return LastSeen(saved.at, saved.wall_ms, saved.segment, saved.boot_id, saved.boottime_s)
