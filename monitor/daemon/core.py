"""One engine under one lock: events are judged where they arrive, and what must be kept is gathered.

The order is the promise: judge, switch the fan, gather for the commit. Committing, acknowledging to the
broker and telling people happen elsewhere, later; nothing here waits for a disk or a network.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from monitor.daemon.going_on import taken_up
from monitor.engine.connections import Delivery, Notice
from monitor.engine.events import (
    Action,
    AlarmChanged,
    Event,
    JournalEntry,
    Keep,
    Link,
    Reading,
    Started,
    SwitchFan,
    Tick,
)
from monitor.engine.ladder import BIRDS_TOO_COLD, MINIMUM_TIMER, NOTHING_BELIEVABLE, SHORT_RUNS, WARMTH_NOT_KNOWN
from monitor.engine.specification import Specification
from monitor.engine.state import State
from monitor.engine.step import step
from monitor.engine.timeline import Glance, Timeline, look
from monitor.store.keep import Saved
from monitor.store.memory import REMEMBERED

log = logging.getLogger(__name__)

# The timer's own edges follow from the time of day; losing one in a power cut loses nothing.
_TIMER_REASONS = frozenset({MINIMUM_TIMER, NOTHING_BELIEVABLE, BIRDS_TOO_COLD, WARMTH_NOT_KNOWN, SHORT_RUNS})
WINDOW = 100  # unacknowledged deliveries at which a commit is due before its time
MOST_HELD = 200_000  # readings held in memory while the store fails; the oldest go first, and are counted


class Clocks(Protocol):
    """The machine's clocks, or a test's."""

    def boottime_s(self) -> float: ...
    def glance(self) -> Glance: ...


@dataclass(slots=True)
class Gathered:
    """What waits for the next commit. Batches are numbered, so that one can wait for its own."""

    number: int = 1
    keeps: list[Keep] = field(default_factory=list)
    deliveries: list[Delivery] = field(default_factory=list)
    relieved: list[Delivery] = field(default_factory=list)  # acknowledged unstored; to be known again if they come again
    decisions: list[SwitchFan | AlarmChanged] = field(default_factory=list)
    journal: list[JournalEntry] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    at_once: bool = False
    forget: bool = False  # the broker lost our session: what earlier batches remember of deliveries is void

    def __bool__(self) -> bool:
        deliveries = self.deliveries or self.relieved
        return bool(self.keeps or deliveries or self.decisions or self.journal or self.notices or self.forget)


@dataclass(slots=True)
class Tally:
    """Counters since the start, for the metrics and the demo's last line."""

    events: int = 0
    readings: int = 0
    fan_changes: int = 0
    alarms_raised: int = 0
    broken_steps: int = 0
    readings_dropped: int = 0


class Core:
    """Takes events from any thread, one at a time."""

    def __init__(
        self,
        specification: Specification,
        state: State,
        timeline: Timeline,
        clocks: Clocks,
        switch: Callable[[SwitchFan], bool],
        notices: Callable[[State, float, int | None], Sequence[Notice]],
        changed: Callable[[str], None],
        alarmed: Callable[[AlarmChanged], None] = lambda _change: None,
    ) -> None:
        """Prepare.

        Args:
            switch: sends a fan command; called at once, under the lock, so it must not wait.
            notices: what people must be told now, given the state.
            changed: told the name of a pen that changed, "" for the site.
            alarmed: told each alarm's change, for a siren on the spot; must not wait either.
        """
        self.specification = specification
        self.tally = Tally()
        self._state = state
        self._timeline = timeline
        self._clocks = clocks
        self._switch = switch
        self._notices = notices
        self._changed = changed
        self._alarmed = alarmed
        self._lock = threading.RLock()
        self._gathered = Gathered()
        self._broken_in_a_row = 0
        self._links_heard: set[str] = set()  # in this run: what the last one left says nothing of now
        self.wake_writer: Callable[[], None] = lambda: None
        self.window = WINDOW

    # ------------------------------------------------------------------ time

    def now(self) -> tuple[float, int | None]:
        """Elapsed seconds, never less than the state's, and the trusted wall clock."""
        at = max(self._timeline.at(self._clocks.boottime_s()), self._state.at)
        return at, self._timeline.wall_ms(at)

    @property
    def timeline(self) -> Timeline:
        return self._timeline

    @property
    def state(self) -> State:
        return self._state

    @property
    def is_broken(self) -> bool:
        """Has the engine failed on everything of late? Then the watchdog must not be fed."""
        return self._broken_in_a_row >= 20

    def tick(self) -> Timeline:
        """A second has passed. Returns the timeline, whose offset may just have become known."""
        glance = self._clocks.glance()
        with self._lock:
            self._timeline = look(self._timeline, glance)
            self.link("clock", not self._timeline.doubt, self._timeline.doubt)
            at, wall_ms = self.now()
            self._take(Tick(at, wall_ms))
            return self._timeline

    # ---------------------------------------------------------------- events

    def start(self, dark_s: float | None, clean: bool) -> None:
        with self._lock:
            at, wall_ms = self.now()
            self._take(Started(at, wall_ms, dark_s, clean))

    def arrived(self, events: Sequence[Event], delivery: Delivery | None) -> Sequence[Keep]:
        """A message's events, judged now; its delivery is acknowledged after the commit that holds them.

        Returns:
            The readings of it that wait for that commit.
        """
        with self._lock:
            gathered = self._gathered
            before = len(gathered.keeps)
            for event in events:
                self._take(event)
            if delivery is not None:
                gathered.deliveries.append(delivery)
                if len(gathered.deliveries) >= self.window:
                    self.wake_writer()
            return gathered.keeps[before:]

    def take_back(self, keeps: Sequence[Keep]) -> None:
        """These very readings, gathered and not yet committed, are in the store already."""
        known = {id(keep) for keep in keeps}
        with self._lock:
            self._gathered.keeps = [keep for keep in self._gathered.keeps if id(keep) not in known]

    def act(self, event: Event) -> State:
        """What a person did, or a link that changed: judged now, committed at once."""
        with self._lock:
            self._take(event)
            if isinstance(event, JournalEntry):
                self._gathered.journal.append(event)
            self._gathered.at_once = True
            self.wake_writer()
            return self._state

    def link(self, what: str, up: bool, detail: str = "") -> None:
        """Something the daemon depends on went up or down, or has something new to say of itself."""
        with self._lock:
            at, wall_ms = self.now()
            known, former = self._state.links.get(what), self._state.link_detail.get(what)
            if what in self._links_heard and known is up and (former == detail or (up and not detail)):
                return
            self._links_heard.add(what)
            self._take(Link(at, wall_ms, what, up, detail))

    def tell_people(self) -> None:
        """Ask the rota again: repeats and escalations fall due without any event."""
        with self._lock:
            at, wall_ms = self.now()
            self._ask_rota(at, wall_ms)

    def _take(self, event: Event) -> None:
        try:
            state, actions = step(self._state, event, self.specification)
        except Exception:
            # A fault of ours must not take the watch down: the former state stands, the fan goes on as it was.
            self.tally.broken_steps += 1
            self._broken_in_a_row += 1
            if self._broken_in_a_row in (1, 20):
                log.exception("the engine failed on %s; the state before it stands", type(event).__name__)
            if isinstance(event, Reading):
                self._keep_unjudged(event)
            return
        self._broken_in_a_row = 0
        self._state = state
        self.tally.events += 1
        if actions:
            self._obey(actions)
        elif not isinstance(event, Tick | Reading):
            self._changed("")

    def _keep_unjudged(self, event: Reading) -> None:
        """A reading the engine failed on is stored all the same: it will be acknowledged with the others."""
        sensor = self.specification.sensors.get(event.sensor)
        if sensor is not None and sensor.lowest <= event.value <= sensor.highest and not event.retained:
            self._gathered.keeps.append(Keep(event.sensor, event.value, event.at, event.wall_ms, own_time=False))

    def _obey(self, actions: Sequence[Action]) -> None:
        gathered, alarmed = self._gathered, False
        for action in actions:
            if isinstance(action, SwitchFan):
                self._switch(action)
        for action in actions:
            if isinstance(action, Keep):
                gathered.keeps.append(action)
                self.tally.readings += 1
                if len(gathered.keeps) > MOST_HELD:
                    del gathered.keeps[: len(gathered.keeps) - MOST_HELD]
                    self.tally.readings_dropped += 1
                self._changed(action.sensor.partition("/")[0])
            elif isinstance(action, SwitchFan):
                if not action.again:
                    self.tally.fan_changes += 1
                    gathered.decisions.append(action)
                    gathered.at_once |= action.reason not in _TIMER_REASONS
                    self._changed(action.pen)
            else:
                alarmed = True
                gathered.decisions.append(action)
                self._alarmed(action)
                self.tally.alarms_raised += action.state == "unacknowledged"
                self._changed(action.pen)
        if alarmed:
            gathered.at_once = True
            self._ask_rota(self._state.at, self._state.wall_ms)
        if gathered.at_once:
            self.wake_writer()

    def _ask_rota(self, at: float, wall_ms: int | None) -> None:
        try:
            notices = self._notices(self._state, at, wall_ms)
        except Exception:
            log.exception("the rota failed; alarms stand on the page")
            return
        if notices:
            self._gathered.notices.extend(notices)
            self._gathered.at_once = True
            self.wake_writer()

    # --------------------------------------------------------------- commits

    @property
    def must_commit_now(self) -> bool:
        gathered = self._gathered
        return gathered.at_once or len(gathered.deliveries) >= self.window

    @property
    def waiting_deliveries(self) -> int:
        return len(self._gathered.deliveries)

    @property
    def gathering(self) -> int:
        """The number of the batch that is being gathered."""
        return self._gathered.number

    def give_up_deliveries(self, acknowledge: Callable[[Sequence[Delivery]], object]) -> int:
        """Acknowledge what waits for a failing store; its readings stay gathered. Returns how many.

        They are remembered with the readings all the same: a broker that crashes sends again what it saved before we
        acknowledged it, also to a run of the daemon that knows them from the store alone.
        """
        with self._lock:
            gathered = self._gathered
            deliveries, gathered.deliveries = gathered.deliveries, []
            gathered.relieved = [*gathered.relieved, *deliveries][-REMEMBERED:]
        acknowledge(deliveries)
        return len(deliveries)

    def forget_deliveries(self) -> None:
        """The broker lost our session: what it sent before can be acknowledged no more, and nothing now is a repeat."""
        with self._lock:
            self._gathered.deliveries.clear()
            self._gathered.relieved.clear()
            self._gathered.forget = True

    @property
    def waiting_notices(self) -> list[Notice]:
        """What people must be told and no commit holds yet."""
        with self._lock:
            return list(self._gathered.notices)

    def add_notices(self, notices: Sequence[Notice]) -> None:
        with self._lock:
            self._gathered.notices.extend(notices)
            self._gathered.at_once = True
            self.wake_writer()

    def undisturbed(self, call: Callable[[], None]) -> None:
        """Run something that must not meet the judging half way; it must not wait for anything."""
        with self._lock:
            call()

    def take_up(self, saved: Saved | None) -> None:
        """The store could not be opened at the start and now is: what only it knew comes into the state that went on without."""
        if saved is None:
            return
        with self._lock:
            # What still waits in there for its clock stands on another stretch of the timeline.
            self._timeline = replace(self._timeline, segment=max(self._timeline.segment, saved.segment + 1))
            self._state = taken_up(self._state, saved)

    def collect(self) -> tuple[Gathered, State, Timeline, float]:
        """Everything gathered so far and the state that goes with it; the gathering begins anew."""
        with self._lock:
            gathered, self._gathered = self._gathered, Gathered(self._gathered.number + 1)
            return gathered, self._state, self._timeline, self._clocks.boottime_s()
