"""The bedding: every litter period, what each change did, how long the present litter will do. Pure.

Rules of this file: ppm, mg/h, °C and milliseconds since 1970 UTC; every figure with its interval; None where
it cannot be known; a warning for everything that could fool a comparison. Words are made in `bedding_text`.
Ammonia at bird level is meant; give its sensor where there is one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from statistics import fmean, median
from zoneinfo import ZoneInfo

from monitor.engine.events import JournalEntry
from monitor.engine.specification import Pen, Specification
from monitor.facts.ammonia import SENSORS
from monitor.review.airflow import FanRun
from monitor.review.days_left import WINDOW_NIGHTS, Course, Litter, Weight, course, weight_of
from monitor.review.effects import Effect, around, effect, same_fan, with_air
from monitor.review.periods import DAY_MS, Deed, Night, Points, Stretch, deeds, nights, stretches, typical
from monitor.review.robust import Interval
from monitor.review.unmarked import Suggestion, suggestions

MOST_EFFECTS = 12  # the latest; resampling takes its time on a small board
FAN_CHANGED = 0.25  # of the share of time; more is a new fan setting
BIRDS_CHANGED = 0.15
FRESH_NIGHTS = 3
FRESH_PPM = float(SENSORS["electrochemical cell, drift"].value)  # fresh bedding that reads this much is doubted
CREEP_PPM = 2.0
CALIBRATED_WITHIN_DAYS = 90  # span gas every 1 to 3 months, as data sheets put it; value from memory


@dataclass(frozen=True, slots=True)
class Warned:
    """Something that could fool a comparison: `what` is a stable word, `figures` what the sentence needs."""

    what: str
    figures: tuple[float, ...] = ()
    time_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Period:
    """One litter period.

    Attributes:
        stretch: bounds, beginning and nights.
        course: level and rise at its end; None with too few nights.
        emission_first_mg_h, emission_last_mg_h: median of the first and last nights, with two standard
            uncertainties of airflow and nights; None where the airflow is not known.
    """

    stretch: Stretch
    course: Course | None
    emission_first_mg_h: Interval | None
    emission_last_mg_h: Interval | None

    @property
    def is_open(self) -> bool:
        return self.stretch.ended_ms is None


@dataclass(frozen=True, slots=True)
class Change:
    """One deed and what it did."""

    deed: Deed
    day: date
    effect: Effect
    warnings: tuple[Warned, ...]


@dataclass(frozen=True, slots=True)
class Due:
    """The next litter work, for the calendar. `by` is "limit", "limit, earliest" (the day cannot be told) or "habit"."""

    day: date
    by: str


@dataclass(frozen=True, slots=True)
class Bedding:
    """All of it, for one pen."""

    pen: str
    timezone: str
    today: date
    limit_ppm: float | None
    limit_source: str
    air_known: bool
    periods: tuple[Period, ...]
    changes: tuple[Change, ...]
    suggested: tuple[Suggestion, ...]
    warnings: tuple[Warned, ...]
    due: Due | None

    @property
    def now(self) -> Period | None:
        """The present period."""
        return self.periods[-1] if self.periods and self.periods[-1].is_open else None


def review(
    specification: Specification,
    pen: str,
    ammonia: Points,
    temperature: Points,
    journal: Sequence[JournalEntry],
    fan_runs: Sequence[FanRun],
    now_ms: int,
    outside: Points = (),
) -> Bedding:
    """Look back over the litter of one pen.

    Args:
        specification: the site.
        pen: its name.
        ammonia: (time_ms, ppm), means of an hour or less, in order.
        temperature: the same of the room, °C; may be empty.
        journal: what the keeper did; other pens' entries are passed over.
        fan_runs: stretches during which the fan was told to run.
        now_ms: nothing later counts.
        outside: °C, for the leakage; may be empty.

    Raises:
        KeyError: the site has no such pen.
    """
    spec = specification.pens[pen]
    worked = [deed for deed in deeds(journal, pen) if deed.time_ms < now_ms]
    told = nights(
        spec,
        specification.timezone,
        specification.altitude_m,
        ammonia,
        temperature,
        fan_runs,
        now_ms,
        outside,
        [deed.time_ms for deed in worked],
    )
    limit = spec.limits.alarms.get("ammonia_birds")
    limit_ppm = None if limit is None else limit.on
    own = [entry for entry in journal if entry.pen == pen and entry.wall_ms is not None and entry.wall_ms < now_ms]
    whole = stretches(worked, told)
    suggested = tuple(found for each in whole[-MOST_EFFECTS:] for found in suggestions(each))
    zone = ZoneInfo(specification.timezone)
    weight = weight_of(spec.flocks, lambda time_ms: datetime.fromtimestamp(time_ms / 1000, zone).date())
    periods = tuple(
        _period(each, limit_ppm, suggested, weight, _former(whole[:index], each, suggested)) for index, each in enumerate(whole)
    )
    changes = tuple(_changes(spec, worked, told, own, zone))
    today = datetime.fromtimestamp(now_ms / 1000, zone).date()
    return Bedding(
        pen,
        specification.timezone,
        today,
        limit_ppm,
        "" if limit is None else limit.source,
        with_air(told[-14:]),
        periods,
        changes,
        suggested,
        tuple(_warnings(whole, told, own, now_ms)),
        _due(periods, today, zone),
    )


# ---------------------------------------------------------------- periods


def _period(
    stretch: Stretch,
    limit_ppm: float | None,
    suggested: Sequence[Suggestion],
    weight: Weight | None,
    former: Sequence[Litter],
) -> Period:
    within = stretch.nights
    # Across a change that nobody wrote down no rise is carried on.
    fell_ms = max((each.before_ms for each in suggested if _within(stretch, each.before_ms)), default=0)
    last = [n for n in within if n.time_ms >= fell_ms][-WINDOW_NIGHTS:]
    known = with_air(last)
    comparable = last if known else same_fan(last, last[-7:])
    found = course(
        comparable,
        known,
        limit_ppm if stretch.ended_ms is None else None,
        began_ms=max(stretch.began_ms, fell_ms),
        weight=weight,
        former=former,
    )
    return Period(stretch, found, _given_off(within[:5]), _given_off(within[-5:]))


def _former(before: Sequence[Stretch], stretch: Stretch, suggested: Sequence[Suggestion]) -> list[Litter]:
    """Earlier litters that began with the same deed, and that nobody changed unwritten: they show how this one may go."""
    return [
        (each.began_ms, each.nights)
        for each in before
        if each.what == stretch.what and each.nights and not any(_within(each, s.before_ms) for s in suggested)
    ]


def _within(stretch: Stretch, time_ms: int) -> bool:
    return time_ms >= stretch.began_ms and (stretch.ended_ms is None or time_ms < stretch.ended_ms)


def _given_off(few: Sequence[Night]) -> Interval | None:
    """Median emission of some nights; its interval holds the airflow's uncertainty, which all of them share."""
    known = [n for n in few if n.emission_mg_h is not None and n.emission_unsure_mg_h is not None]
    if len(known) < 3 or len(known) < len(few):
        return None
    values = [n.emission_mg_h or 0.0 for n in known]
    middle = median(values)
    spread = 1.4826 * median(abs(value - middle) for value in values)  # as the standard deviation of normal values
    shared = fmean(n.emission_unsure_mg_h or 0.0 for n in known)
    half = 2.0 * (shared * shared + 1.57 * spread * spread / len(values)) ** 0.5  # variance of a median: π/2 of a mean's
    return Interval(middle, max(0.0, middle - half), middle + half)


# ---------------------------------------------------------------- changes


def _changes(
    pen: Pen, worked: Sequence[Deed], told: Sequence[Night], journal: Sequence[JournalEntry], zone: ZoneInfo
) -> list[Change]:
    found = []
    for index in range(max(0, len(worked) - MOST_EFFECTS), len(worked)):
        deed = worked[index]
        earliest = worked[index - 1].time_ms + DAY_MS if index > 0 else 0
        latest = worked[index + 1].time_ms if index + 1 < len(worked) else 2**62
        before, after = around(told, deed.time_ms, earliest, latest)
        did = effect(before, after, seed=index, still_open=index + 1 == len(worked))
        day = datetime.fromtimestamp(deed.time_ms / 1000, zone).date()
        found.append(Change(deed, day, did, tuple(_foolers(pen, deed, before, after, journal))))
    return found


def _foolers(
    pen: Pen, deed: Deed, before: Sequence[Night], after: Sequence[Night], journal: Sequence[JournalEntry]
) -> list[Warned]:
    """What happened around a deed that could be taken for its effect."""
    if not before or not after:
        return []
    found = []
    begin, end = before[0].time_ms, after[-1].time_ms
    near = [entry for entry in journal if begin <= (entry.wall_ms or 0) <= end]
    for word, what in (("sensor calibrated", "calibrated between"), ("fan cleaned", "fan cleaned between")):
        found += [Warned(what, (), entry.wall_ms) for entry in near if entry.what == word][:1]
    past, came = typical(n.fan_share for n in before), typical(n.fan_share for n in after)
    if past is None or came is None:
        found.append(Warned("fan not known"))
    elif abs(came - past) > max(FAN_CHANGED * past, 0.03):
        known = with_air([*before, *after])
        found.append(Warned("fan changed, reckoned out" if known else "fan changed", (past * 100.0, came * 100.0)))
    moved = sum((e.count or 0) * {"birds in": 1, "birds out": -1, "deaths": -1}.get(e.what, 0) for e in near)
    birds = sum(flock.count for flock in pen.flocks)
    if birds > 0 and abs(moved) > BIRDS_CHANGED * birds:
        found.append(Warned("birds changed", (float(moved),), deed.time_ms))
    return found


# ---------------------------------------------------------------- the sensor


def _warnings(whole: Sequence[Stretch], told: Sequence[Night], journal: Sequence[JournalEntry], now_ms: int) -> list[Warned]:
    if not told:
        return [Warned("no nights")]
    found = []
    # Fresh bedding gives off next to nothing: what is read then is the sensor's own zero, or old litter left in.
    fresh = [
        (stretch.began_ms, min(n.ppm for n in stretch.nights[:FRESH_NIGHTS]))
        for stretch in whole
        if stretch.what == "litter changed" and len(stretch.nights) >= FRESH_NIGHTS
    ]
    if fresh and fresh[-1][1] >= FRESH_PPM:
        found.append(Warned("fresh reads high", (fresh[-1][1],), fresh[-1][0]))
    elif len(fresh) >= 2 and fresh[-1][1] - fresh[0][1] >= CREEP_PPM:
        found.append(Warned("zero crept", (fresh[0][1], fresh[-1][1]), fresh[0][0]))
    calibrated = [entry.wall_ms for entry in journal if entry.what == "sensor calibrated" and entry.wall_ms is not None]
    since_ms = calibrated[-1] if calibrated else told[0].time_ms
    if now_ms - since_ms > CALIBRATED_WITHIN_DAYS * DAY_MS:
        found.append(Warned("not calibrated", (float((now_ms - since_ms) // DAY_MS),), calibrated[-1] if calibrated else None))
    if not with_air(told[-14:]):
        found.append(Warned("airflow not known"))
    return found


# ---------------------------------------------------------------- what is due


def _due(periods: Sequence[Period], today: date, zone: ZoneInfo) -> Due | None:
    """Next litter work: when the limit is near, or when the keeper's own habit says so, whichever is first."""
    now = periods[-1] if periods and periods[-1].is_open else None
    if now is None:
        return None
    found = []
    if now.course is not None and now.course.days_left is not None:
        left = now.course.days_left
        # where the day cannot be told, the earliest it may be: work done early harms nobody
        found.append(
            Due(today + timedelta(days=int(left.best)), "limit")
            if now.course.to_the_day
            else Due(today + timedelta(days=int(left.low)), "limit, earliest")
        )
    lasted = [
        (p.stretch.ended_ms - p.stretch.began_ms) / DAY_MS
        for p in periods
        if p.stretch.ended_ms is not None and p.stretch.what != "first readings"
    ]
    if len(lasted) >= 2:
        began = datetime.fromtimestamp(now.stretch.began_ms / 1000, zone).date()
        found.append(Due(began + timedelta(days=round(median(lasted))), "habit"))
    return min(found, key=lambda due: due.day, default=None)
