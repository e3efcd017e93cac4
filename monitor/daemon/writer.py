"""The one thread that writes: commits what was gathered, then acknowledges, then lets people be told.

While the store fails, judging goes on: the batch is tried again and what comes after it is held in
memory. Deliveries are then acknowledged unstored once the broker's window is nearly full, for a full
window would blind the engine; whatever is lost that way is counted and said.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from monitor.daemon.core import Core, Gathered
from monitor.engine.connections import Delivery, Notice
from monitor.engine.saving import save
from monitor.engine.state import State
from monitor.engine.timeline import Timeline
from monitor.store.failures import StoreFailing
from monitor.store.keep import Batch, Store

log = logging.getLogger(__name__)

RETRY_S = 5.0
TIDY_EVERY_S = 3600.0
STUMBLES_TO_FAIL = 3  # in a row
MOST_UNMOVED = 40_000  # readings in the inbox at which they are moved before the hour


class Writer:
    """Owns the store from `start` to `stop`."""

    def __init__(
        self,
        core: Core,
        store: Store | None,
        reopen: Callable[[], Store],
        boot_id: str,
        commit_every_s: float,
        acknowledge: Callable[[Sequence[Delivery]], object],
        committed: Callable[[Sequence[Notice]], None],
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.store = store
        self.commits = 0
        self.readings_stored = 0
        self.last_commit_at: float | None = None
        self.acknowledged_unstored = 0
        self._core = core
        self._reopen = reopen
        self._boot_id = boot_id
        self._every_s = commit_every_s
        self._acknowledge = acknowledge
        self._committed = committed
        self._monotonic = monotonic
        self._wake = threading.Event()
        self._asked_to_stop = False
        self._forget = False
        self._placed: int | None = None  # the segment whose waiting readings have been given their time
        self._failing: tuple[Batch, Sequence[Notice]] | None = None
        self._next_try = 0.0
        self._number = 0  # of the batch last handed to the store
        self._next_tidy = monotonic() + 120.0
        self._done = threading.Condition()
        self._stumbles = 0
        self._settled = 0  # number of the last batch that is in the store
        self._thread = threading.Thread(target=self._run, name="writer", daemon=True)
        core.wake_writer = self._wake.set

    def start(self) -> None:
        self._thread.start()

    def stop(self, within_s: float = 10.0) -> None:
        """Commit what is left, mark the store clean, close it."""
        self._asked_to_stop = True
        self._wake.set()
        self._thread.join(within_s)

    def flush(self, within_s: float = 2.0) -> bool:
        """Wait until everything gathered before this call is committed. False when it is not, in time."""
        wanted = self._core.gathering
        with self._done:
            self._wake.set()
            return self._done.wait_for(lambda: self._settled >= wanted or not self._thread.is_alive(), within_s)

    def forget_deliveries(self) -> None:
        """The broker lost our session: nothing it sends now is a repeat."""
        self._forget = True
        self._wake.set()

    @property
    def is_alive(self) -> bool:
        return self._thread.is_alive()

    @property
    def is_failing(self) -> bool:
        return self._failing is not None or self.store is None or self._stumbles >= STUMBLES_TO_FAIL

    # ---------------------------------------------------------------- thread

    def _run(self) -> None:
        next_commit = self._monotonic() + self._every_s
        while True:
            self._wake.wait(max(0.05, min(next_commit - self._monotonic(), 1.0)))
            self._wake.clear()
            stopping = self._asked_to_stop
            try:
                if stopping or self._core.must_commit_now or self._monotonic() >= next_commit or self._has_errand():
                    self._pass()
                    next_commit = self._monotonic() + self._every_s
                self._chores()
                self._stumbles = 0
            except Exception as trouble:  # the writer must outlive anything
                self._stumbles += 1
                if self._stumbles in (1, STUMBLES_TO_FAIL):
                    log.exception("the writer stumbled; it goes on")
                if self._stumbles >= STUMBLES_TO_FAIL:
                    self._core.link("store", False, f"a fault of the writer: {trouble}")
            if stopping:
                self._close()
                return

    def _has_errand(self) -> bool:
        timeline = self._core.timeline
        return self._forget or (timeline.offset_ms is not None and self._placed != timeline.segment)

    def _pass(self) -> None:
        if not self._ready():
            self._relieve()
            return
        if not self._settle_failed():
            self._relieve()
            return
        if self.store is not None:
            self._before(self.store, self._core.timeline)
        self._write(*self._core.collect())

    def _ready(self) -> bool:
        """Is there a store, reopened if need be?"""
        if self.store is not None:
            return True
        if self._monotonic() < self._next_try:
            return False
        self._next_try = self._monotonic() + 6 * RETRY_S
        try:
            self.store = self._reopen()
        except StoreFailing as trouble:
            self._core.link("store", False, f"{trouble.cause} {trouble.advice}")
            return False
        self._core.link("store", True)
        return True

    def _settle_failed(self) -> bool:
        if self._failing is None:
            return True
        if self._monotonic() < self._next_try and not self._asked_to_stop:
            return False
        batch, notices = self._failing
        return self._commit(batch, notices)

    def _write(self, gathered: Gathered, state: State, timeline: Timeline, boottime_s: float) -> None:
        if not gathered and not self._asked_to_stop:
            self._settle(gathered.number)
            return
        wall_ms = timeline.wall_ms(state.at)
        at = timeline.at(boottime_s)
        batch = Batch(
            keeps=gathered.keeps,
            deliveries=gathered.deliveries,
            decisions=gathered.decisions,
            journal=gathered.journal,
            notices=gathered.notices,
            state=save(state),
            at=max(at, state.at),
            wall_ms=timeline.wall_ms(max(at, state.at)) if wall_ms is not None else None,
            segment=timeline.segment,
            boot_id=self._boot_id,
            boottime_s=boottime_s,
            at_once=gathered.at_once,
        )
        self._number = gathered.number
        self._commit(batch, gathered.notices)

    def _settle(self, number: int) -> None:
        with self._done:
            self._settled = number
            self._done.notify_all()

    def _before(self, store: Store, timeline: Timeline) -> None:
        """What must stand in the store before this commit: lost sessions forgotten, waiting readings dated."""
        if self._forget:
            self._forget = False
            store.forget_deliveries()
        if timeline.offset_ms is not None and self._placed != timeline.segment:
            store.place(timeline.segment, timeline.offset_ms)
            self._placed = timeline.segment

    def _commit(self, batch: Batch, notices: Sequence[Notice]) -> bool:
        store = self.store
        if store is None:
            return False
        try:
            done = store.commit(batch)
        except Exception as trouble:  # whatever it is, the batch must not be lost
            if self._failing is None:
                log.error("the store fails: %s", trouble, exc_info=not isinstance(trouble, StoreFailing))
            self._failing = (batch, ())
            # People are told even when nothing can be written.
            self._committed(notices)
            self._next_try = self._monotonic() + RETRY_S
            self._core.link("store", False, str(trouble))
            self._relieve()
            return False
        if self._failing is not None:
            self._failing = None
            log.info("the store writes again")
        self._core.link("store", True)
        self.commits += 1
        self.readings_stored += done.readings
        self.last_commit_at = self._monotonic()
        if done.unmoved >= MOST_UNMOVED:
            self._next_tidy = self._monotonic()
        self._acknowledge(batch.deliveries)
        self._committed(notices)
        self._settle(self._number)
        return True

    def _relieve(self) -> None:
        """A failing store must not fill the broker's window: that would blind the engine."""
        held: Sequence[Delivery] = self._failing[0].deliveries if self._failing is not None else ()
        if len(held) + self._core.waiting_deliveries < self._core.window:
            return
        if self._failing is not None:
            self._acknowledge(held)
            self._failing = (replace(self._failing[0], deliveries=()), self._failing[1])
        self.acknowledged_unstored += len(held) + self._core.give_up_deliveries(self._acknowledge)

    def _chores(self) -> None:
        if self.store is None or self._failing is not None or self._monotonic() < self._next_tidy:
            return
        _, wall_ms = self._core.now()
        try:
            tidied = self.store.tidy(wall_ms)
        except StoreFailing as trouble:
            self._core.link("store", False, f"{trouble.cause} {trouble.advice}")
            self._next_tidy = self._monotonic() + 60.0
            return
        self._next_tidy = self._monotonic() + (0.2 if tidied.more else TIDY_EVERY_S)

    def _close(self) -> None:
        store = self.store
        if store is None:
            return
        try:
            if self._failing is None:
                store.mark_clean()
        except StoreFailing as trouble:
            log.error("the store could not be marked clean: %s", trouble)
        finally:
            store.close()


def store_opener(folder: str, raw_days: int) -> Callable[[], Store]:
    return lambda: Store.open(Path(folder), raw_days)
