"""Weeks that have already been: the world and the engine played fast, straight into a store.

Rules of this file: the same engine, the same actions, the same store as the daemon's; only the clock is
the model's. What is written is what the daemon would have written, so that it goes on from here as
after a short stop. Older readings are spaced twice as far apart, which halves the wait.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from demo.closed_loop import Loop
from demo.litter import DAY_S
from demo.world import STEP_S, Deed, World
from monitor.daemon.clocks import MachineClocks
from monitor.engine.events import Action, AlarmChanged, Event, JournalEntry, Keep, SwitchFan
from monitor.engine.saving import save
from monitor.store.keep import Batch, Store

BATCH_READINGS = 20_000
DENSE_DAYS = 3.0  # the last days have every reading


class History:
    """Plays a loop into a store."""

    def __init__(self, loop: Loop, folder: Path) -> None:
        self._loop = loop
        self._store = Store.open(folder)
        self._clocks = MachineClocks(kept=True)
        self._keeps: list[Keep] = []
        self._decisions: list[SwitchFan | AlarmChanged] = []
        self._journal: list[JournalEntry] = []
        self.readings = self.fan_changes = self.alarms = 0
        loop.told = self._told

    def play(self, until_s: Callable[[], float], progress: Callable[[float], None]) -> None:
        """Play until the world's time is `until_s()`, which may move on while it is played."""
        began = self._loop.world.time_s
        total = max(until_s() - began, 1.0)
        told_at = -1
        while self._loop.world.time_s < until_s():
            self._loop.once()
            if len(self._keeps) >= BATCH_READINGS:
                self._commit()
            percent = int(100.0 * (self._loop.world.time_s - began) / total)
            if percent != told_at:
                told_at = percent
                progress(min(percent, 100))
        self._commit()

    def tidy(self) -> None:
        """Put what was written so far in its place; the longest part of ending."""
        self._commit()
        while self._store.tidy(self._loop.wall_ms(self._loop.world.time_s), 50_000).more:
            pass

    def close(self) -> None:
        """Leave the store as a daemon leaves it that stops in good order."""
        self._commit()
        self._store.mark_clean()
        self._store.close()

    def _told(self, event: Event, actions: tuple[Action, ...]) -> None:
        if isinstance(event, JournalEntry):
            self._journal.append(event)
        for action in actions:
            if isinstance(action, Keep):
                self._keeps.append(action)
            elif not (isinstance(action, SwitchFan) and action.again):
                self._decisions.append(action)
                self.fan_changes += isinstance(action, SwitchFan)
                self.alarms += isinstance(action, AlarmChanged) and action.state == "unacknowledged"

    def _commit(self) -> None:
        loop, glance = self._loop, self._clocks.glance()
        self._store.commit(
            Batch(
                self._keeps,
                (),
                self._decisions,
                self._journal,
                (),
                save(loop.state),
                loop.state.at,
                loop.wall_ms(loop.world.time_s),
                1,
                glance.boot_id,
                glance.boottime_s,
                False,
            )
        )
        self.readings += len(self._keeps)
        self._keeps, self._decisions, self._journal = [], [], []


def space_out(loop: Loop, total_s: float) -> None:
    """Twice the step and interval until the last days begin; then every sensor speaks as often as it promises."""
    if total_s <= DENSE_DAYS * DAY_S:
        return
    loop.world.step_s = 2 * STEP_S
    # those that speak once a minute keep to it: with half of that, two lost messages would be a silence
    quick = [post.topic for post in loop.world.posts if post.every_s <= 30.0]
    for post in loop.world.posts:
        post.every_s *= 2.0 if post.topic in quick else 1.0

    def close_up(world: World) -> None:
        world.step_s = STEP_S
        for post in world.posts:
            post.every_s /= 2.0 if post.topic in quick else 1.0

    loop.world.add([Deed(total_s - DENSE_DAYS * DAY_S, close_up)])
