"""One week of a pen: its figures from the store and its picture, the same for the weekly sheet and for the page.

Rules of this file: as in `reports`: what was not measured is None, and a sensor in doubt counts as not measured.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from monitor.engine.events import JournalEntry
from monitor.engine.plan import PenPlan, plan_for
from monitor.engine.specification import Sensor, Specification
from monitor.engine.state import AlarmState, PenState, State
from monitor.review.picture import week_picture
from monitor.review.report import PenDay, PenWeek
from monitor.store.reader import Bucket, Reader

DAY_MS = 86_400_000
DAWN, MORNING = time(3), time(8)  # own choice of a night's last hours
DAY_STRETCH_MS = 10 * 60_000
HISTORY_DAYS = 35  # an alarm raised longer before the week is not counted as standing in it
_DOUBT = frozenset({"sensor_stuck", "sensor_implausible"})
_GONE = frozenset({AlarmState.NORMAL, AlarmState.RETURNED})

Span = tuple[int, int]


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


def week(specification: Specification, reader: Reader, name: str, day: date, due: Sequence[str] = ()) -> PenWeek:
    """The seven days before this one.

    Raises:
        StoreFailing: the store cannot be read.
    """
    zone = ZoneInfo(specification.timezone)

    def ms(of: date, at: time = time(0)) -> int:
        return round(datetime.combine(of, at, zone).timestamp() * 1000)

    plan = plan_for(specification).pens[name]
    first = day - timedelta(days=7)
    whole = (ms(first), ms(day))
    doubts = doubts_of(reader, plan, whole)
    warmth = track(reader, plan.bird_level, whole, DAY_STRETCH_MS, doubts)
    ammonia = track(reader, plan.ammonia, whole, DAY_STRETCH_MS, doubts)
    journal = reader.journal(name, *whole)
    days = []
    for one in (first + timedelta(days=number) for number in range(7)):
        span = (ms(one), ms(one + timedelta(days=1)))
        low, high = warmth.within(span).lowest(), warmth.within(span).highest()
        dawn = ammonia.within((ms(one, DAWN), ms(one, MORNING))).highest()
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
    return PenWeek(name, tuple(days), due=tuple(due))


def picture(specification: Specification, state: State, told: PenWeek, day: date) -> str:
    """The week as SVG, with the limits that hold on this day."""
    plan = plan_for(specification).pens[told.pen]
    known = state.pens.get(told.pen) or PenState(told.pen)
    band = plan.band(day.toordinal(), known.counts)
    limit = plan.pen.limits.alarms.get("ammonia_birds")
    return week_picture(
        told,
        specification.units,
        cold_c=None if band is None else band.band.cold_c,
        hot_c=None if band is None else band.band.hot_c,
        ammonia_limit_ppm=None if limit is None else limit.on,
    )


def track(reader: Reader, sensors: Iterable[Sensor], span: Span, stretch_ms: int, doubts: dict[str, list[Span]]) -> Track:
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


def doubts_of(reader: Reader, plan: PenPlan, span: Span) -> dict[str, list[Span]]:
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
