"""How often the fan really changed the air, week by week, from gases that faded while it ran, against what it should. Pure.

Whenever the fan has rested and then runs for five minutes or more at one speed, the ammonia and carbon dioxide that had
gathered fade, and how fast they do so is how often the air changes (`air.decay`). One such fading seldom says enough;
those of a week are taken together. Expected is what the fan moves through its duct and inlets, with what leaks,
divided by the room's volume.

Rules of this file: a figure is told only as surely as `air.decay` demands; else its reason. Moisture is a cross-check
and no more: litter and walls take it up and give it back, so that it reads high. A week without a figure says why.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from enum import StrEnum
from statistics import fmean
from zoneinfo import ZoneInfo

from monitor.air.decay import FOR_AMMONIA_PPM, FOR_ANY_GAS, AirChanges, Decay, pool
from monitor.engine.specification import Pen
from monitor.engine.ventilation import delivered
from monitor.review.airflow import Blowing, FanRun, through
from monitor.review.robust import Interval

WEEKS = 8
DAY_MS = 86_400_000
LONG_MS = 300_000  # a shorter run is over before a fading can be told
MOST_MS = 3_600_000  # of a run; by then the rest is noise
RESTED_MS = 300_000  # before it, so that there is something to fade
JOINED_MS = 2_000  # a command said again is no new run
MOST_A_WEEK = 12  # the longest; reckoning takes its time on a small board
SLOW_PER_HOUR, SLOW_DECAYS = 5.0, 5  # at so few air changes so many fadings are needed


class Gas(StrEnum):
    AMMONIA = "ammonia"
    CARBON_DIOXIDE = "carbon dioxide"
    MOISTURE = "moisture"


class Verdict(StrEnum):
    AS_EXPECTED = "as expected"
    FEWER = "fewer than expected"
    MORE = "more than expected"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Faded:
    """One gas during one run of the fan."""

    run: FanRun
    gas: Gas
    decay: Decay
    inside_c: float | None = None
    outside_c: float | None = None


@dataclass(frozen=True, slots=True)
class AirWeek:
    """One week.

    Attributes:
        begins: its Monday.
        runs: long runs after a rest in it.
        measured: from ammonia and carbon dioxide; its `reason` says why there is no figure.
        gases: which of them stand behind it.
        by_moisture: the cross-check, which reads high; None without a figure.
        expected_per_hour: from fan, duct, inlets, leakage and volume, two standard uncertainties; None where not known.
        speed_pct: of the runs that were taken; None for full speed.
    """

    begins: date
    runs: int
    measured: AirChanges
    gases: tuple[Gas, ...]
    by_moisture: AirChanges | None
    expected_per_hour: Interval | None
    speed_pct: float | None

    @property
    def verdict(self) -> Verdict:
        told, expected = self.measured, self.expected_per_hour
        if told.per_hour is None or told.low is None or told.high is None or expected is None:
            return Verdict.CANNOT_TELL
        if told.high < expected.low:
            return Verdict.FEWER
        return Verdict.MORE if told.low > expected.high else Verdict.AS_EXPECTED


def long_runs(runs: Sequence[FanRun], zone: ZoneInfo, now_ms: int) -> list[FanRun]:
    """Runs of the last weeks in which a gas may have faded: long, at one speed, after a rest; the longest of each week."""
    earliest = _monday(now_ms, zone) - timedelta(weeks=WEEKS - 1)
    by_week: dict[date, list[FanRun]] = {}
    joined = _joined(runs)
    for index, run in enumerate(joined):
        week = _monday(run.begin_ms, zone)
        rested = index == 0 or run.begin_ms - joined[index - 1].end_ms >= RESTED_MS
        if week >= earliest and rested and run.end_ms - run.begin_ms >= LONG_MS:
            by_week.setdefault(week, []).append(run)
    chosen = [run for week in by_week.values() for run in sorted(week, key=lambda r: r.begin_ms - r.end_ms)[:MOST_A_WEEK]]
    return sorted((replace(run, end_ms=min(run.end_ms, run.begin_ms + MOST_MS)) for run in chosen), key=lambda r: r.begin_ms)


def weeks(pen: Pen, zone: ZoneInfo, faded: Sequence[Faded], runs: Sequence[FanRun], now_ms: int) -> list[AirWeek]:
    """Every week of the last ones, oldest first.

    Args:
        pen: its fan, duct, inlets and size.
        zone: of the site; weeks begin on Monday.
        faded: what each gas did in each of `runs`; a run may be missing where nothing was measured.
        runs: as `long_runs` gave them.
        now_ms: nothing later counts.
    """
    last = _monday(now_ms, zone)
    return [_week(pen, zone, last - timedelta(weeks=back), faded, runs) for back in reversed(range(WEEKS))]


def _week(pen: Pen, zone: ZoneInfo, begins: date, faded: Sequence[Faded], runs: Sequence[FanRun]) -> AirWeek:
    own_runs = [run for run in runs if _monday(run.begin_ms, zone) == begins]
    speed = _usual_speed(own_runs)
    own = [each for each in faded if _monday(each.run.begin_ms, zone) == begins and each.run.speed_pct == speed]
    gases = [each for each in own if each.gas is not Gas.MOISTURE and _is_enough(each)]
    damp = [each for each in own if each.gas is Gas.MOISTURE]
    expected = _expected(pen, speed, own)
    by_moisture = _pooled(damp) if damp else None
    return AirWeek(
        begins,
        len(own_runs),
        _measured(own_runs, own, gases),
        tuple(sorted({each.gas for each in gases})),
        by_moisture if by_moisture is not None and by_moisture.per_hour is not None else None,
        expected,
        speed,
    )


def _measured(runs: Sequence[FanRun], own: Sequence[Faded], gases: Sequence[Faded]) -> AirChanges:
    if not runs:
        return AirChanges(None, None, None, "the fan never ran for five minutes at a stretch after a rest", decays=0)
    if not any(each.gas is not Gas.MOISTURE for each in own):
        return AirChanges(None, None, None, "no reading of ammonia or carbon dioxide during its long runs", decays=0)
    return _pooled(gases)


def _is_enough(one: Faded) -> bool:
    """Is there enough of it to fade? Ammonia cells are good for a few ppm only; the fit itself judges the rest."""
    values = one.decay.values
    start, end, outside = max(values[:3]), fmean(values[-3:]), one.decay.outside or 0.0
    if one.gas is not Gas.AMMONIA:
        return True
    assert FOR_AMMONIA_PPM.start is not None
    assert FOR_AMMONIA_PPM.ratio is not None
    return start >= FOR_AMMONIA_PPM.start and start - outside >= FOR_AMMONIA_PPM.ratio * (end - outside)


def _pooled(faded: Sequence[Faded]) -> AirChanges:
    found = pool([each.decay for each in faded], FOR_ANY_GAS)
    few = found.per_hour is not None and found.per_hour <= SLOW_PER_HOUR and found.decays < SLOW_DECAYS
    if not few:
        return found
    return replace(found, per_hour=None, reason=f"too few decays: {found.decays}, at so slow a change {SLOW_DECAYS} are needed")


def _expected(pen: Pen, speed_pct: float | None, own: Sequence[Faded]) -> Interval | None:
    point = delivered(pen, 100.0 if speed_pct is None else max(speed_pct, 1.0))
    if point is None or pen.volume_m3 <= 0.0:
        return None
    insides = [each.inside_c for each in own if each.inside_c is not None and each.outside_c is not None]
    outsides = [each.outside_c for each in own if each.inside_c is not None and each.outside_c is not None]
    air = through(
        pen,
        Blowing(1.0, point.airflow_m3_s * 3600.0),
        fmean(insides) if insides else None,
        fmean(outsides) if outsides else None,
    )
    if air is None:
        return None
    best, half = air.airflow_m3_h / pen.volume_m3, 2.0 * air.uncertainty_m3_h / pen.volume_m3
    return Interval(best, max(0.0, best - half), best + half)


def _usual_speed(runs: Sequence[FanRun]) -> float | None:
    """The speed that most of them had."""
    speeds = [run.speed_pct for run in runs]
    return max(speeds, key=speeds.count) if speeds else None


def _joined(runs: Iterable[FanRun]) -> list[FanRun]:
    """Runs in order, those that follow one another at the same speed made one."""
    found: list[FanRun] = []
    for run in runs:
        last = found[-1] if found else None
        if last is not None and last.speed_pct == run.speed_pct and run.begin_ms - last.end_ms <= JOINED_MS:
            found[-1] = replace(last, end_ms=max(last.end_ms, run.end_ms))
        else:
            found.append(run)
    return found


def _monday(time_ms: int, zone: ZoneInfo) -> date:
    day = datetime.fromtimestamp(time_ms / 1000, zone).date()
    return day - timedelta(days=day.weekday())
