"""The wall clock's chores: nightly backup, morning line, weekly sheet, weekly mending of roll-ups.

Rules of this file: only chores of once a day or rarer stand here; ticks, watchdog, outbox, ping and mirror
run on elapsed time. The scheduler is started once the clock is trusted, put away while it is doubted, and
built anew when the wall clock steps, for across a step it would list every run it missed, or run none at
all; its trigger jumps over what was missed. Hours are local, in the site's zone, and stand after four in the
morning, when the spring and autumn nights have had their skipped and doubled hours.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from monitor.engine.timeline import Glance

log = logging.getLogger(__name__)

STEP_S = 60.0  # a wall clock that moves so far against elapsed time was set
MISFIRE_S = 1800  # a machine so busy still runs it


@dataclass(frozen=True, slots=True)
class Chore:
    """One thing done by the wall clock.

    Doing it twice on one day must do no harm: after a start, and when the clock was set, one that was due
    within the last `late_s` seconds is done at once.
    """

    name: str
    at: tuple[int, int]  # local hour and minute
    do: Callable[[date], None]  # given the local day it was due on
    weekday: str = "*"  # "mon" … "sun", or every day
    late_s: float = 0.0

    @property
    def late(self) -> timedelta:
        return timedelta(seconds=self.late_s)


class Chores:
    """Keeps them from `start` to `stop`. `look` is asked every second or so and never waits for a chore."""

    def __init__(
        self,
        chores: Sequence[Chore],
        zone: ZoneInfo,
        glance: Callable[[], Glance],
        wall_ms: Callable[[], int | None],
        is_trusted: Callable[[], bool],
    ) -> None:
        """Prepare; nothing runs yet.

        Args:
            zone: whose hours they are.
            glance: a look at the machine's clocks, for the steps.
            wall_ms: the time that is believed, ms since 1970 UTC, or None.
            is_trusted: does the machine's own clock tell that time? The scheduler reads it.
        """
        self._chores = tuple(chores)
        self._zone = zone
        self._glance = glance
        self._wall_ms = wall_ms
        self._is_trusted = is_trusted
        self._scheduler: Any = None
        self._offset_s = 0.0  # wall minus elapsed, when the scheduler was built
        self._due: queue.SimpleQueue[tuple[Chore, date] | None] = queue.SimpleQueue()
        self._worker = threading.Thread(target=self._work, name="chores", daemon=True)
        self.builds = 0
        self.done: dict[str, date] = {}  # the last day each was done for, without an error
        self.failed: dict[str, str] = {}  # why the last try failed, until one succeeds

    def start(self) -> None:
        self._worker.start()

    def stop(self, within_s: float = 1.0) -> None:
        """A chore under way is left behind; each is made so that this does no harm."""
        self._put_away()
        self._due.put(None)
        if self._worker.is_alive():
            self._worker.join(within_s)

    def look(self) -> None:
        """See whether the clock is trusted, and whether it has stepped."""
        seen = self._glance()
        offset_s = seen.wall_s - seen.boottime_s
        if self._wall_ms() is None or not self._is_trusted():
            self._put_away()
        elif self._scheduler is None or abs(offset_s - self._offset_s) > STEP_S:
            self._put_away()
            self._build(offset_s)

    def _put_away(self) -> None:
        scheduler, self._scheduler = self._scheduler, None
        if scheduler is not None:
            scheduler.shutdown(wait=False)

    def _build(self, offset_s: float) -> None:
        # 77 ms and 16 MB: only once there is a clock to go by.
        from apscheduler.executors.pool import ThreadPoolExecutor
        from apscheduler.schedulers.background import BackgroundScheduler
        from apscheduler.triggers.base import BaseTrigger
        from apscheduler.triggers.cron import CronTrigger

        class NextOnly(BaseTrigger):  # type: ignore[misc] # the library has no types
            """The next time from now on, whatever was missed."""

            def __init__(self, inner: Any) -> None:
                self._inner = inner

            def get_next_fire_time(self, previous: datetime | None, now: datetime) -> datetime | None:
                after = now if previous is None else max(now, previous + timedelta(seconds=1))
                found: datetime | None = self._inner.get_next_fire_time(None, after)
                return found

        logging.getLogger("apscheduler").setLevel(logging.WARNING)
        scheduler = BackgroundScheduler(
            timezone=self._zone,
            executors={"default": ThreadPoolExecutor(1)},
            job_defaults={"coalesce": True, "misfire_grace_time": MISFIRE_S, "max_instances": 1},
        )
        now = self._now()
        for chore in self._chores:
            hour, minute = chore.at
            trigger = NextOnly(CronTrigger(day_of_week=chore.weekday, hour=hour, minute=minute, timezone=self._zone))
            scheduler.add_job(self._fall_due, trigger, args=(chore,), name=chore.name)
            missed = None if now is None else trigger.get_next_fire_time(None, now - chore.late)
            if missed is not None and now is not None and missed <= now and self.done.get(chore.name) != missed.date():
                self._due.put((chore, missed.date()))
        scheduler.start()
        self._scheduler, self._offset_s = scheduler, offset_s
        self.builds += 1

    def _now(self) -> datetime | None:
        wall_ms = self._wall_ms()
        return None if wall_ms is None else datetime.fromtimestamp(wall_ms / 1000.0, UTC).astimezone(self._zone)

    def _fall_due(self, chore: Chore) -> None:
        """On the scheduler's thread: hand it to ours, which a stop need not wait for."""
        now = self._now()
        if now is not None and self.done.get(chore.name) != now.date():
            self._due.put((chore, now.date()))

    def _work(self) -> None:
        while (due := self._due.get()) is not None:
            chore, day = due
            try:
                chore.do(day)
            except Exception as trouble:  # tomorrow is another day
                self.failed[chore.name] = str(trouble)
                log.exception("%s failed", chore.name)
            else:
                self.done[chore.name] = day
                self.failed.pop(chore.name, None)
                log.debug("%s done", chore.name)  # after a start there may have been nothing to do: each says what it did
