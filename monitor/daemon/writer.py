"""The one thread that writes: commits what was gathered, then acknowledges, then lets people be told.

While the store fails, judging goes on: the batch is tried again and what comes after it is held in
memory. Deliveries are then acknowledged unstored once the broker's window is nearly full, for a full
window would blind the engine; whatever is lost that way is counted and said.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from monitor.daemon.core import Core, Gathered
from monitor.engine.connections import Delivery, Notice
from monitor.engine.saving import save
from monitor.engine.state import State
from monitor.engine.timeline import Timeline
from monitor.store.connection import is_suspected
from monitor.store.failures import StoreFailing
from monitor.store.keep import Batch, Store

log = logging.getLogger(__name__)

RETRY_S = 5.0
# A commit that is due at once follows its decision by so much: the fan's command has gone out by then, and did not
# wait until this thread gave the interpreter back.
AFTER_YOU_S = 0.01
TIDY_EVERY_S = 3600.0
STUMBLES_TO_FAIL = 3  # in a row
MOST_UNMOVED = 40_000  # readings in the inbox at which they are moved before the hour
# A commit before its time has brought everything to the disk, and wears the card as much as a usual one does: it pays for
# the one after it (tests/bench/store_bytes.py).
WAITS_AFTER_EARLY = 2


@dataclass(frozen=True, slots=True)
class Waiting:
    """A batch on its way into the store. It stays as it is until it stands: the store knows by that what it has."""

    batch: Batch
    forget: bool  # what the store remembers of deliveries goes first
    to_acknowledge: Sequence[Delivery]  # of its deliveries, those that have not been acknowledged already


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
        self._cannot_place = False
        self._placed: int | None = None  # the segment whose waiting readings have been given their time
        self._was_open = store is not None  # in this run: then the engine's state goes on from what it held
        self._failing: Waiting | None = None
        self._next_try = 0.0
        self._number = 0  # of the batch last handed to the store
        self._wanted = 0  # number of the batch somebody waits for
        self._next_tidy = monotonic() + 120.0
        self._next_commit = monotonic() + commit_every_s
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
            self._wanted = max(self._wanted, wanted)
            self._wake.set()
            return self._done.wait_for(lambda: self._settled >= wanted or not self._thread.is_alive(), within_s)

    @property
    def is_alive(self) -> bool:
        return self._thread.is_alive()

    @property
    def is_failing(self) -> bool:
        stumbles = self._stumbles >= STUMBLES_TO_FAIL
        return self._failing is not None or self.store is None or self._cannot_place or stumbles or self._is_damaged()

    # ---------------------------------------------------------------- thread

    def _run(self) -> None:
        while True:
            self._wake.wait(max(0.05, min(self._next_commit - self._monotonic(), 1.0)))
            if not self._asked_to_stop and self._core.waiting_deliveries < self._core.window:
                time.sleep(AFTER_YOU_S)
            self._wake.clear()
            if not self.turn():
                return

    def turn(self) -> bool:
        """One turn of the thread: commits if that is due, and does what else is. Never raises. False after the last one."""
        stopping = self._asked_to_stop
        try:
            is_early = self._monotonic() < self._next_commit
            is_full = self._core.waiting_deliveries >= self._core.window
            if stopping or self._core.must_commit_now or not is_early or self._has_errand():
                self._pass()
                # A full window ends the longer wait, and begins none: else it would be the rule in a calm barn.
                waits = WAITS_AFTER_EARLY if is_early and not is_full and not self.is_failing else 1
                self._next_commit = self._monotonic() + waits * self._every_s
            self._chores()
            self._stumbles = 0
        except Exception as trouble:  # the writer must outlive anything
            self._stumbles += 1
            if self._stumbles in (1, STUMBLES_TO_FAIL):
                log.exception("the writer stumbled; it goes on")
            if self._stumbles >= STUMBLES_TO_FAIL:
                self._core.link("store", False, f"a fault of the writer: {trouble}")
            self._meanwhile_at_least()
        if stopping:
            self._close()
        return not stopping

    def _has_errand(self) -> bool:
        timeline = self._core.timeline
        if self._is_damaged() and self._monotonic() >= self._next_try:
            return True
        return self._settled < self._wanted or (timeline.offset_ms is not None and self._placed != timeline.segment)

    def _pass(self) -> None:
        if self._ready() and self._settle_failed() and self._place(self._core.timeline):
            self._write(*self._core.collect())
        else:
            self._meanwhile()

    def _meanwhile(self) -> None:
        """The store fails: people are told all the same, and the broker's window is kept open."""
        try:
            waiting = self._core.waiting_notices
            if waiting:
                self._tell(waiting)
        finally:
            self._relieve()

    def _meanwhile_at_least(self) -> None:
        """A fault of ours on the way to the commit must silence nobody and blind nothing either."""
        try:
            self._meanwhile()
        except Exception:
            if self._stumbles == 1:
                log.exception("nor can the writer do without the store")

    def _is_damaged(self) -> bool:
        """Was damage met, by us or by whoever reads or copies? Then only opening the store anew helps."""
        store = self.store  # other threads ask too, while the writer lets go of it
        return store is not None and (store.is_damaged or is_suspected(store.folder))

    def _ready(self) -> bool:
        """Is there a store, reopened if need be?"""
        if self.store is not None and not self._is_damaged():
            return True
        if self._monotonic() < self._next_try:
            return False
        self._next_try = self._monotonic() + 6 * RETRY_S
        self._let_go()
        try:
            store = self._reopen()
            if not self._was_open:
                self._take_up(store)
        except StoreFailing as trouble:
            self._core.link("store", False, f"{trouble.cause} {trouble.advice}")
            return False
        self.store, self._was_open = store, True
        self._placed = None
        self._core.link("store", True)
        return True

    def _take_up(self, store: Store) -> None:
        """A store that does not say what it holds is none yet: nothing may be written beside what it knows."""
        try:
            self._core.take_up(store.load())
        except BaseException:
            store.close()
            raise

    def _let_go(self) -> None:
        damaged, self.store = self.store, None
        if damaged is None:
            return
        log.error("the store is damaged: it is closed, and opened anew")
        self._core.link("store", False, "it is damaged, and is being restored")
        try:
            damaged.close()
        except (sqlite3.Error, OSError) as trouble:
            log.warning("the damaged store did not close well: %s", trouble)

    def _settle_failed(self) -> bool:
        if self._failing is None:
            return True
        if self._monotonic() < self._next_try and not self._asked_to_stop:
            return False
        return self._commit(self._failing, ())

    def _write(self, gathered: Gathered, state: State, timeline: Timeline, boottime_s: float) -> None:
        if not gathered and not self._asked_to_stop:
            self._settle(gathered.number)
            return
        wall_ms = timeline.wall_ms(state.at)
        at = timeline.at(boottime_s)
        self._number = gathered.number
        batch = Batch(
            keeps=gathered.keeps,
            deliveries=[*gathered.relieved, *gathered.deliveries],
            decisions=gathered.decisions,
            journal=gathered.journal,
            notices=gathered.notices,
            state=_saved(state),
            at=max(at, state.at),
            wall_ms=timeline.wall_ms(max(at, state.at)) if wall_ms is not None else None,
            segment=timeline.segment,
            boot_id=self._boot_id,
            boottime_s=boottime_s,
            # What is acknowledged to the broker must outlive a power cut: the broker forgets it then. A sync for each commit
            # of 200 s costs no byte that the kernel would not write half a minute later.
            at_once=gathered.at_once or bool(gathered.relieved or gathered.deliveries),
        )
        self._commit(Waiting(batch, gathered.forget, gathered.deliveries), gathered.notices)

    def _settle(self, number: int) -> None:
        with self._done:
            self._settled = number
            self._done.notify_all()

    def _place(self, timeline: Timeline) -> bool:
        """Date what waits in the store for a clock that has become known."""
        if self.store is None or timeline.offset_ms is None or self._placed == timeline.segment:
            return True
        try:
            if self.store.place(timeline.segment, timeline.offset_ms):
                self._next_tidy = self._monotonic()  # it dates the first few thousand; the chore goes on
        except StoreFailing as trouble:
            self._cannot_place = True
            self._core.link("store", False, str(trouble))
            return False
        self._cannot_place = False
        self._placed = timeline.segment
        return True

    def _commit(self, waiting: Waiting, notices: Sequence[Notice]) -> bool:
        store = self.store
        if store is None:
            return False
        batch = waiting.batch
        try:
            if waiting.forget:
                store.forget_deliveries()
            done = store.commit(batch)
        except Exception as trouble:  # whatever it is, the batch must not be lost
            if self._failing is None:
                log.error("the store fails: %s", trouble, exc_info=not isinstance(trouble, StoreFailing))
            self._failing = waiting
            self._next_try = self._monotonic() + RETRY_S
            self._core.link("store", False, str(trouble))
            self._tell(notices)
            self._meanwhile()
            return False
        if self._failing is not None:
            self._failing = None
            log.info("the store writes again")
        self._core.link("store", True)
        if done.waiting or any(one.wall_ms is None for one in (*batch.decisions, *batch.journal)):
            self._placed = None  # gathered before the clock was known, stored after: to be dated like those before them
            self._wake.set()
        self.commits += 1
        self.readings_stored += done.readings
        self.last_commit_at = self._monotonic()
        if done.unmoved >= MOST_UNMOVED:
            self._next_tidy = self._monotonic()
        self._acknowledge(waiting.to_acknowledge)
        self._settle(self._number)
        self._tell(notices)
        return True

    def _tell(self, notices: Sequence[Notice]) -> None:
        try:
            self._committed(notices)
        except StoreFailing as trouble:
            self._core.link("store", False, str(trouble))

    def _relieve(self) -> None:
        """A failing store must not fill the broker's window: that would blind the engine."""
        failing = self._failing
        held: Sequence[Delivery] = () if failing is None else failing.to_acknowledge
        if len(held) + self._core.waiting_deliveries < self._core.window:
            return
        if failing is not None:
            self._acknowledge(held)
            self._failing = replace(failing, to_acknowledge=())
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


def _saved(state: State) -> str | None:
    """The state as text; None, which leaves the stored one, when a fault of ours makes it unsavable.

    Whatever the fault is: the batch has been taken from the core by now, and its readings must not go with it.
    """
    try:
        return save(state)
    except Exception:
        log.exception("the engine's state cannot be saved; the readings are")
        return None


def store_opener(folder: str, raw_days: int) -> Callable[[], Store]:
    return lambda: Store.open(Path(folder), raw_days)
