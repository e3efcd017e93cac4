"""What a person does from the console: through the running daemon when there is one, else straight into the store."""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path

from monitor.daemon.clocks import MachineClocks
from monitor.daemon.core import Clocks
from monitor.daemon.going_on import last_seen, loaded_state
from monitor.engine.events import AlarmChanged, Event, JournalEntry, Json, SwitchFan
from monitor.engine.saving import save
from monitor.engine.step import step
from monitor.engine.timeline import begin
from monitor.settings.read import Settings
from monitor.store.failures import StoreHeld
from monitor.store.keep import Batch, Store


class CannotAct(Exception):  # noqa: N818 - said in words
    """The sentence says why, and what to do."""


def write_journal(settings: Settings, make: Callable[[float, int | None], JournalEntry], clocks: Clocks | None = None) -> str:
    """Write one journal entry. Returns by which way it went.

    Raises:
        CannotAct: the daemon runs, and there is no token to speak to it with.
    """
    try:
        store = Store.open(settings.connections.store.folder, settings.connections.store.raw_days)
    except StoreHeld:
        entry = make(0.0, None)
        _post(
            settings,
            "/api/journal",
            {"pen": entry.pen, "what": entry.what, "flock": entry.flock, "count": entry.count, "note": entry.note},
        )
        return "written by the running daemon"
    with store:
        _write_straight(store, settings, make, clocks or MachineClocks(settings.connections.clock == "kept"))
    return "written into the store; no daemon runs"


def _write_straight(store: Store, settings: Settings, make: Callable[[float, int | None], JournalEntry], clocks: Clocks) -> None:
    saved, glance = store.load(), clocks.glance()
    timeline, _ = begin(last_seen(saved), glance)
    at = timeline.at(glance.boottime_s)
    state = loaded_state(saved, at, bool(store.opened.lost) or (saved is not None and saved.is_older))
    at = max(at, state.at)
    wall_ms = timeline.wall_ms(at)
    event: Event = make(at, wall_ms)
    state, actions = step(state, event, settings.specification)
    decisions = [a for a in actions if isinstance(a, SwitchFan | AlarmChanged)]
    assert isinstance(event, JournalEntry)
    batch = Batch(
        (), (), decisions, (event,), (), save(state), at, wall_ms, timeline.segment, glance.boot_id, glance.boottime_s, True
    )
    store.commit(batch)
    if saved is None or saved.clean:
        store.mark_clean()


def _post(settings: Settings, path: str, body: dict[str, Json]) -> None:
    api = settings.connections.api
    if not api.token_file:
        raise CannotAct("the daemon runs, and [api] token_file is not set: set it, or write the entry on the page")
    host = "127.0.0.1" if api.host in ("0.0.0.0", "::") else api.host  # noqa: S104 - a comparison
    try:
        token = Path(api.token_file).read_text().strip()
        request = urllib.request.Request(
            f"http://{host}:{api.port}{path}",
            data=json.dumps(body).encode(),
            headers={"Authorization": f"Bearer {token}", "Content-Type": "application/json"},
            method="POST",
        )
        with urllib.request.urlopen(request, timeout=10):  # noqa: S310 - as above
            return
    except urllib.error.HTTPError as refused:
        raise CannotAct(f"the daemon refused it: {refused.read().decode(errors='replace')[:300]}") from refused
    except OSError as trouble:
        raise CannotAct(f"the daemon holds the store but does not answer at {host}:{api.port}: {trouble}") from trouble
