"""The morning line and the weekly sheet: figures from the store, words from `review`, out by the rota's channels.

Rules of this file: what was not measured is None, and a sensor's readings while its alarm says that it is stuck
or implausible count as not measured. A low is that of a few minutes' mean without their lowest and highest reading,
so that one wild reading is not the night's low. Pictures are SVG files: channels that take attachments get them as
they are, others get the text; nothing here draws a PNG, for that would need a library of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.daemon.people import People
from monitor.daemon.weeks import DAWN, DAY_MS, HISTORY_DAYS, MORNING, Point, doubts_of, picture, track, week
from monitor.engine.connections import Connections, Notice
from monitor.engine.events import AlarmChanged
from monitor.engine.plan import plan_for
from monitor.engine.specification import Priority, Specification
from monitor.engine.state import AlarmRecord, AlarmState, PenState, State
from monitor.engine.wording import Catalogue, Words, words
from monitor.notify import rota
from monitor.notify.rota import Now
from monitor.review.alarm_measures import Measures, measures
from monitor.review.report import Night, PenWeek, morning_line, weekly_sheet
from monitor.store.decisions import Decision
from monitor.store.reader import Reader

EVENING = time(20)  # own choice of when a night begins
NIGHT_STRETCH_MS = 5 * 60_000
KEPT_PICTURES = 60
FOLDER_NAME = "reports"

Clock = Callable[[], tuple[float, int | None]]


class Reports:
    """Makes and sends them. Called from the chores' thread."""

    def __init__(
        self,
        specification: Specification,
        connections: Connections,
        catalogue: Catalogue,
        people: People,
        state: Callable[[], State],
        now: Clock,
        send: Callable[[Sequence[Notice]], None],
        due: Callable[[str, date, int], Sequence[str]] = lambda _pen, _day, _days: (),
        remarks: Callable[[], Sequence[str]] = lambda: (),
    ) -> None:
        """Prepare.

        Args:
            now: elapsed seconds, and ms since 1970 UTC or None while that is not trusted.
            send: takes the notices that are due.
            due: what the calendar asks for in a pen from a day on, for so many days.
            remarks: sentences about the daemon itself for the end of the morning line.
        """
        self._specification = specification
        self._connections = connections
        self._catalogue = catalogue
        self._people = people
        self._state = state
        self._now = now
        self._send = send
        self._due = due
        self._remarks = remarks
        self._zone = ZoneInfo(specification.timezone)
        self._folder = Path(connections.store.folder) / FOLDER_NAME

    def morning(self, day: date) -> None:
        """Tell how the night was. Told once a day, however often this is asked."""
        at, wall_ms = self._now()
        if wall_ms is None or not any(tell.reports for tell in self._connections.tell):
            return
        state = self._state()
        with Reader(self._connections.store.folder) as reader:
            nights = [self._night(reader, name, state, day, wall_ms) for name in self._specification.pens]
        said = morning_line(self._specification.site, nights, self._specification.units, self._open(state, at))
        body = "\n".join([said.body, *self._remarks()])
        self._announce(f"morning {day}", replace(said, body=body), at, wall_ms)

    def weekly(self, day: date) -> None:
        """Tell how the seven days before this one were, with a picture of each pen."""
        at, wall_ms = self._now()
        if wall_ms is None or not any(tell.reports for tell in self._connections.tell):
            return
        state = self._state()
        with Reader(self._connections.store.folder) as reader:
            weeks = [week(self._specification, reader, name, day, self._due(name, day, 7)) for name in self._specification.pens]
            alarms = self._alarms(reader, day, at, wall_ms)
        self._draw(day, weeks, state)
        said = weekly_sheet(self._specification.site, weeks, self._specification.units, alarms)
        self._announce(f"week {day}", said, at, wall_ms)

    def pictures(self, notice: Notice) -> Sequence[str]:
        """The files that go with a notice."""
        name = notice.key.split("/")[1] if notice.kind == rota.REPORT else ""
        if not name.startswith("week "):
            return ()
        return sorted(str(file) for file in self._folder.glob(f"{name.replace(' ', '-')}-*.svg"))

    def _announce(self, name: str, said: Words, at: float, wall_ms: int) -> None:
        now = Now(at, self._people.local(wall_ms))
        self._send(rota.announce(rota.REPORT, said, self._connections.tell, now, name=name, priority=Priority.LOW))

    # --------------------------------------------------------------- figures

    def _night(self, reader: Reader, name: str, state: State, day: date, now_ms: int) -> Night:
        plan = plan_for(self._specification).pens[name]
        known = state.pens.get(name) or PenState(name)
        span = (self._ms(day - timedelta(days=1), EVENING), min(now_ms, self._ms(day, MORNING)))
        if span[1] <= span[0]:
            return Night(name)
        doubts = doubts_of(reader, plan, span)
        warmth = track(reader, plan.bird_level, span, NIGHT_STRETCH_MS, doubts)
        ammonia = track(reader, plan.ammonia, (self._ms(day, DAWN), span[1]), NIGHT_STRETCH_MS, doubts)
        low, high, peak = warmth.lowest(), warmth.highest(), ammonia.highest()
        band = plan.band(day.toordinal(), known.counts)
        limit = plan.pen.limits.alarms.get("ammonia_birds")
        return Night(
            pen=name,
            low_c=None if low is None else low.value,
            low_at=self._clock(low),
            high_c=None if high is None else high.value,
            high_at=self._clock(high),
            cold_c=None if band is None else band.band.cold_c,
            hot_c=None if band is None else band.band.hot_c,
            ammonia_peak_ppm=None if peak is None else peak.value,
            ammonia_peak_at=self._clock(peak),
            ammonia_limit_ppm=None if limit is None else limit.on,
            fan_s=reader.fan_seconds(name, *span) if plan.pen.fan is not None else None,
            unwatched_s=warmth.missing_s(span) if plan.bird_level else 0.0,
            due=tuple(self._due(name, day, 1)),
        )

    def _alarms(self, reader: Reader, day: date, at: float, now_ms: int) -> Measures:
        from_ms, to_ms = self._ms(day - timedelta(days=7)), min(now_ms, self._ms(day))
        changed = [change(d) for d in reader.decisions(None, from_ms - HISTORY_DAYS * DAY_MS, to_ms, kinds=("alarm",))]
        return measures(changed, at - (now_ms - from_ms) / 1000.0, at - (now_ms - to_ms) / 1000.0)

    def _open(self, state: State, at: float) -> list[str]:
        records: list[AlarmRecord] = [*state.alarms.values()]
        for pen in state.pens.values():
            records += pen.alarms.values()
        standing = [r for r in records if r.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)]
        standing.sort(key=lambda r: list(Priority).index(r.priority))
        return [words(record, self._specification, self._catalogue, at=at).title for record in standing]

    # -------------------------------------------------------------- pictures

    def _draw(self, day: date, weeks: Sequence[PenWeek], state: State) -> None:
        self._folder.mkdir(mode=0o750, parents=True, exist_ok=True)
        for number, told in enumerate(weeks):
            drawn = picture(self._specification, state, told, day)
            (self._folder / f"week-{day}-{number:02}.svg").write_text(drawn, encoding="utf-8")
        for old in sorted(self._folder.glob("week-*.svg"))[: -max(KEPT_PICTURES, len(weeks))]:
            old.unlink(missing_ok=True)

    # ------------------------------------------------------------------ time

    def _ms(self, day: date, at: time = time(0)) -> int:
        return round(datetime.combine(day, at, self._zone).timestamp() * 1000)

    def _clock(self, point: Point | None) -> str:
        if point is None:
            return ""
        return datetime.fromtimestamp(point.time_ms / 1000.0, UTC).astimezone(self._zone).strftime("%H:%M")


def change(decided: Decision) -> AlarmChanged:
    """A stored decision about an alarm as the change it was."""
    return AlarmChanged(
        decided.at,
        decided.time_ms,
        decided.key,
        decided.what,
        decided.pen,
        decided.subject,
        decided.former,
        decided.state,
        Priority(decided.priority),
        decided.occurrence,
        decided.evidence,
        decided.by,
    )
