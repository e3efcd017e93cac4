"""What goes on beside the judging: chores of the wall clock, reports, ping, mirror, the answer to the yard.

Rules of this file: wiring only. Nothing here is on the way from a reading to the fan, and none of it keeps the
daemon from starting, ticking or stopping.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.daemon.answers import Answers
from monitor.daemon.chores import Chore, Chores
from monitor.daemon.core import Clocks, Core
from monitor.daemon.mirroring import Mirroring
from monitor.daemon.people import People
from monitor.daemon.ping import Healthy, dead_man, figures
from monitor.daemon.reports import Reports
from monitor.daemon.weeks import DAY_MS
from monitor.daemon.writer import Writer
from monitor.engine.connections import Notice
from monitor.review.calendar import calendar
from monitor.settings.read import Settings
from monitor.store.nightly import BACKUPS_NAME, nightly

log = logging.getLogger(__name__)

BACKUP, MENDING, MORNING, WEEK = "nightly backup", "weekly mending of roll-ups", "morning line", "weekly sheet"
MENDED_DAYS = 8


class Errands:
    """Runs them from `start` to `stop`; `look` every second."""

    def __init__(
        self,
        settings: Settings,
        core: Core,
        writer: Writer,
        people: People,
        clocks: Clocks,
        healthy: Healthy,
        publish_answer: Callable[[str], bool],
        monotonic: Callable[[], float],
    ) -> None:
        specification, connections = settings.specification, settings.connections
        self._settings = settings
        self._core = core
        self._writer = writer
        self._zone = ZoneInfo(specification.timezone)
        self.reports = Reports(
            specification,
            connections,
            settings.catalogue,
            people,
            lambda: core.state,
            core.now,
            core.add_notices,
            self._due,
            self._remarks,
        )
        self.mirroring = Mirroring(
            connections.store.folder,
            connections.mirror,
            specification,
            lambda: writer.store,
            lambda up, detail: core.link("mirror", up, detail),
        )
        self.chores = Chores(
            (
                # Late ones are done at the next start of the same day: a backup soon, a morning line before noon.
                Chore(BACKUP, (4, 10), self._back_up, late_s=16 * 3600.0),
                Chore(MENDING, (4, 40), self._mend, weekday="sun", late_s=16 * 3600.0),
                Chore(MORNING, (6, 30), self.reports.morning, late_s=5 * 3600.0),
                Chore(WEEK, (6, 35), self.reports.weekly, weekday="mon", late_s=5 * 3600.0),
            ),
            self._zone,
            clocks.glance,
            lambda: core.now()[1],
            lambda: not core.timeline.doubt,
        )
        self.answers = Answers(specification, settings.catalogue, publish_answer, monotonic)
        self.pinging = dead_man(connections.ping, healthy, monotonic)
        self._has_stumbled = False

    def start(self) -> None:
        self.chores.start()
        self.mirroring.start()
        if self.pinging is not None:
            self.pinging.start()

    def look(self) -> None:
        """From the ticker; never raises, never waits."""
        try:
            self.chores.look()
            self.answers.look(self._core.state, *self._core.now())
        except Exception:  # the seconds must go on
            if not self._has_stumbled:
                log.exception("what goes on beside the judging stumbled; the birds are watched")
            self._has_stumbled = True

    def stop(self) -> None:
        """Before the store is closed."""
        if self.pinging is not None:
            self.pinging.stop(0.2)
        self.chores.stop()
        self.mirroring.stop()

    def pictures(self, notice: Notice) -> Sequence[str]:
        """The files that go with a notice."""
        return self.reports.pictures(notice)

    def figures(self) -> dict[str, float]:
        """For the metrics."""
        return {**figures(self.pinging), **self.mirroring.figures(), "chores_failing": float(len(self.chores.failed))}

    def parts(self) -> dict[str, str]:
        """What the chores say of themselves; of none of it depends whether the daemon is healthy."""
        failed = self.chores.failed.copy()
        return {"chores": "; ".join(f"{name} failed: {why}" for name, why in failed.items()) or "well"}

    # ---------------------------------------------------------------- chores

    def _back_up(self, day: date) -> None:
        folder, name = Path(self._settings.connections.store.folder), f"{day}.sqlite"
        if (folder / BACKUPS_NAME / name).exists():
            return  # a start of the same day: one copy is enough for the card
        store = self._writer.store
        if store is not None:
            _, wall_ms = self._core.now()
            store.move_all(wall_ms)
        made = nightly(folder, name, None if store is None else store.at_rest)
        log.info(
            "backup %s: %d bytes, of them %d written, %d rows, checked",
            made.file.name,
            made.size_bytes,
            made.written_bytes,
            sum(made.rows.values()),
        )

    def _mend(self, day: date) -> None:
        store = self._writer.store
        if store is None:
            raise RuntimeError("there is no store to mend")
        end = round(datetime.combine(day, time(0), self._zone).timestamp() * 1000)
        # A day at a time, so that the writer gets its turns.
        wrong = sum(store.mend_rollups(end - (back + 1) * DAY_MS, end - back * DAY_MS) for back in range(MENDED_DAYS))
        log.log(logging.WARNING if wrong else logging.INFO, "roll-ups of %d days read over, %d were wrong", MENDED_DAYS, wrong)

    def _due(self, pen: str, day: date, days: int) -> list[str]:
        counts = {name: known.counts for name, known in self._core.state.pens.items()}
        end = day + timedelta(days=days)
        return [e.what for e in calendar(self._settings.specification, counts, day) if e.pen == pen and day <= e.day < end]

    def _remarks(self) -> list[str]:
        why = self.chores.failed.get(BACKUP)
        return [] if why is None else [f"No backup was made: {why}"]
