"""The morning line and the weekly sheet: figures from the store, words from `review`, out by the rota's channels.

Rules of this file: what was not measured is None, and a sensor's readings while its alarm says that it is stuck
or implausible count as not measured. A low is that of a few minutes' mean without their lowest and highest reading,
so that one wild reading is not the night's low. Pictures are SVG files: channels that take attachments get them as
they are, others get the text; nothing here draws a PNG, for that would need a library of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.daemon.people import People
from monitor.engine.connections import Connections, Notice
from monitor.engine.events import AlarmChanged, JournalEntry
from monitor.engine.plan import PenPlan, plan_for
from monitor.engine.specification import Priority, Sensor, Specification
from monitor.engine.state import AlarmRecord, AlarmState, PenState, State
from monitor.engine.wording import Catalogue, Words, words
from monitor.notify import rota
from monitor.notify.rota import Now
from monitor.review.alarm_measures import Measures, measures
from monitor.review.picture import week_picture
from monitor.review.report import Night, PenDay, PenWeek, morning_line, weekly_sheet
from monitor.store.decisions import Decision
from monitor.store.reader import Bucket, Reader

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
EVENING, DAWN, MORNING = time(20), time(3), time(8)  # own choice of what a night is, and its last hours
NIGHT_STRETCH_MS = 5 * 60_000
DAY_STRETCH_MS = 10 * 60_000
HISTORY_DAYS = 35  # an alarm raised longer before the week is not counted as standing in it
KEPT_PICTURES = 60
FOLDER_NAME = "reports"
_DOUBT = frozenset({"sensor_stuck", "sensor_implausible"})
_GONE = frozenset({AlarmState.NORMAL, AlarmState.RETURNED})

Span = tuple[int, int]
Clock = Callable[[], tuple[float, int | None]]


@dataclass(frozen=True, slots=True)
class Point:
    """What one sensor measured in one stretch, SI. `time_ms` is the stretch's start."""

    time_ms: int
    value: float


@dataclass(frozen=True, slots=True)
class Track:
    """What the sensors of one kind measured, in stretches of equal width."""

    points: Sequence[Point]
    width_ms: int

    def lowest(self) -> Point | None:
        return min(self.points, key=lambda point: point.value, default=None)

    def highest(self) -> Point | None:
        return max(self.points, key=lambda point: point.value, default=None)

    def within(self, span: Span) -> Track:
        return Track([point for point in self.points if span[0] <= point.time_ms < span[1]], self.width_ms)

    def missing_s(self, span: Span) -> float:
        """Seconds of the span in whose stretches no sensor measured; one that has not ended yet does not count."""
        wanted = range(span[0] // self.width_ms, span[1] // self.width_ms)
        return len(set(wanted) - {point.time_ms // self.width_ms for point in self.points}) * self.width_ms / 1000.0


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
            weeks = [self._week(reader, name, day) for name in self._specification.pens]
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
        doubts = _doubts(reader, plan, span)
        warmth = _track(reader, plan.bird_level, span, NIGHT_STRETCH_MS, doubts)
        ammonia = _track(reader, plan.ammonia, (self._ms(day, DAWN), span[1]), NIGHT_STRETCH_MS, doubts)
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

    def _week(self, reader: Reader, name: str, day: date) -> PenWeek:
        plan = plan_for(self._specification).pens[name]
        first = day - timedelta(days=7)
        whole = (self._ms(first), self._ms(day))
        doubts = _doubts(reader, plan, whole)
        warmth = _track(reader, plan.bird_level, whole, DAY_STRETCH_MS, doubts)
        ammonia = _track(reader, plan.ammonia, whole, DAY_STRETCH_MS, doubts)
        journal = reader.journal(name, *whole)
        days = []
        for one in (first + timedelta(days=number) for number in range(7)):
            span = (self._ms(one), self._ms(one + timedelta(days=1)))
            low, high = warmth.within(span).lowest(), warmth.within(span).highest()
            dawn = ammonia.within((self._ms(one, DAWN), self._ms(one, MORNING))).highest()
            days.append(
                PenDay(
                    day=one,
                    low_c=None if low is None else low.value,
                    high_c=None if high is None else high.value,
                    ammonia_dawn_ppm=None if dawn is None else dawn.value,
                    fan_s=reader.fan_seconds(name, *span) if plan.pen.fan is not None else None,
                    eggs=_counted(journal, "eggs", span),
                    deaths=_counted(journal, "deaths", span),
                )
            )
        return PenWeek(name, tuple(days), due=tuple(self._due(name, day, 7)))

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
        for number, week in enumerate(weeks):
            plan = plan_for(self._specification).pens[week.pen]
            known = state.pens.get(week.pen) or PenState(week.pen)
            band = plan.band(day.toordinal(), known.counts)
            limit = plan.pen.limits.alarms.get("ammonia_birds")
            drawn = week_picture(
                week,
                self._specification.units,
                cold_c=None if band is None else band.band.cold_c,
                hot_c=None if band is None else band.band.hot_c,
                ammonia_limit_ppm=None if limit is None else limit.on,
            )
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


def _track(reader: Reader, sensors: Iterable[Sensor], span: Span, stretch_ms: int, doubts: dict[str, list[Span]]) -> Track:
    """Of these sensors the stretches they measured, each sensor's own; without those in doubt."""
    found: list[Point] = []
    if span[1] > span[0]:
        start = span[0] // stretch_ms * stretch_ms
        points = -(-(span[1] - start) // stretch_ms)
        for sensor in sensors:
            wrong = doubts.get(sensor.name, [])
            found += [
                Point(bucket.time_ms, _steady(bucket))
                for bucket in reader.series(sensor.key, start, start + points * stretch_ms, points)
                if not any(bucket.time_ms < end and bucket.time_ms + stretch_ms > begin for begin, end in wrong)
            ]
    return Track(found, stretch_ms)


def _steady(bucket: Bucket) -> float:
    """Its mean without the lowest and the highest, where there are enough readings to spare two."""
    return bucket.mean if bucket.n < 4 else (bucket.mean * bucket.n - bucket.low - bucket.high) / (bucket.n - 2)


def _doubts(reader: Reader, plan: PenPlan, span: Span) -> dict[str, list[Span]]:
    """When each sensor of the pen was an alarm itself, by its name."""
    doubts: dict[str, list[Span]] = {}
    since: dict[str, int] = {}
    changed = reader.decisions(plan.pen.name, span[0] - HISTORY_DAYS * DAY_MS, span[1], kinds=("alarm",))
    for decided in changed:
        if decided.what not in _DOUBT or decided.time_ms is None:
            continue
        if decided.state not in _GONE:
            since.setdefault(decided.key, decided.time_ms)
        elif decided.key in since:
            doubts.setdefault(decided.subject, []).append((since.pop(decided.key), decided.time_ms))
    for decided in changed:
        if decided.key in since:
            doubts.setdefault(decided.subject, []).append((since.pop(decided.key), span[1]))
    return doubts


def _counted(journal: Iterable[JournalEntry], what: str, span: Span) -> int | None:
    """What was counted that day; None when nothing was written down."""
    counts = [
        entry.count
        for entry in journal
        if entry.what == what and entry.count is not None and entry.wall_ms is not None and span[0] <= entry.wall_ms < span[1]
    ]
    return sum(counts) if counts else None
