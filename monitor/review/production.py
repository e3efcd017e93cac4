"""Eggs and deaths against heat and ammonia, honest about small numbers. Pure.

Hen-day production is eggs divided by hens times days, the trade's measure.

Rules of this file: every bird of a flock of laying age counts as a hen; eggs written after a gap of up to
LONGEST_GAP_DAYS belong to all the days of the gap; a day is "hot" or "foul" when it or the day before was.
Nothing here proves a cause: heat and ammonia come with seasons and ages.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from monitor.engine.events import JournalEntry, Json
from monitor.engine.flock import is_laying
from monitor.engine.specification import Flock, Pen
from monitor.review.robust import Interval, count_interval, rate_ratio, share_difference, share_interval

LONGEST_GAP_DAYS = 3
LEAST_DAYS = 3  # of either kind, before lay is compared
LEAST_HEN_DAYS = 30
LEAST_DEATHS = 5  # in all, before deaths are compared
_MOVES = {"birds in": 1, "birds out": -1, "deaths": -1}


class Said(StrEnum):
    LESS = "less"
    MORE = "more"
    NO_SURE_DIFFERENCE = "no sure difference"
    TOO_FEW = "too few to tell"


@dataclass(frozen=True, slots=True)
class LayDay:
    """One day, or a share of the eggs of a short gap."""

    day: date
    eggs: float
    hens: int


@dataclass(frozen=True, slots=True)
class Against:
    """Days with and without something. `lay_points` is with minus without, percentage points of hen-day
    production; `death_ratio` how many times the death rate of the others."""

    what: str
    days: int
    other_days: int
    lay: Said
    lay_points: Interval | None
    deaths: Said
    deaths_with: int
    deaths_without: int
    death_ratio: Interval | None


@dataclass(frozen=True, slots=True)
class Production:
    """Lay and deaths of one pen over the days asked for.

    Attributes:
        lay_days: days with eggs known.
        eggs, hen_days: their sums.
        hen_day_pct: production, %, with its interval; None without laying hens or entries.
        impossible: more eggs than hens times days: the counts in the journal are wrong.
        deaths, bird_days: deaths written, and birds times days.
        deaths_per_1000_bird_days: with its exact interval; None without birds.
        against: comparisons.
    """

    lay_days: tuple[LayDay, ...]
    eggs: int
    hen_days: float
    hen_day_pct: Interval | None
    impossible: bool
    deaths: int
    bird_days: int
    deaths_per_1000_bird_days: Interval | None
    against: tuple[Against, ...]


def production(
    pen: Pen,
    timezone: str,
    journal: Iterable[JournalEntry],
    first: date,
    last: date,
    hot: Iterable[date] | None = None,
    foul: Iterable[date] | None = None,
) -> Production:
    """Look back over the days `first` to `last`, both included.

    Args:
        pen: its flocks; their starting counts are moved by the journal.
        timezone: of the site.
        journal: everything written of this pen from the flocks' arrival on.
        first, last: the days looked at.
        hot: days on which the birds were too hot; None where warmth was not measured.
        foul: days whose dawn ammonia was at the limit or above; None where ammonia was not measured.
    """
    zone = ZoneInfo(timezone)
    own = sorted((e for e in journal if e.wall_ms is not None and e.pen == pen.name), key=lambda e: e.wall_ms or 0)
    dated = [(_day(entry, zone), entry) for entry in own if entry.count is None or entry.count >= 0]
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    counts = _counts(pen, dated, days)
    named = {entry.flock for _, entry in dated if entry.what == "eggs" and entry.flock is not None}
    hens = {
        day: sum(
            counts[day][flock.name]
            for flock in pen.flocks
            if (flock.name in named if named else is_laying(flock, day.toordinal()))
        )
        for day in days
    }
    lay_days = _lay_days(dated, days, hens)
    eggs, hen_days = round(sum(d.eggs for d in lay_days)), float(sum(d.hens for d in lay_days))
    deaths_on = dict.fromkeys(days, 0)
    for day, entry in dated:
        if entry.what == "deaths" and day in deaths_on:
            deaths_on[day] += entry.count or 0
    birds = {day: sum(counts[day].values()) for day in days}
    deaths, bird_days = sum(deaths_on.values()), sum(birds.values())
    rate = None
    if bird_days > 0:
        exact = count_interval(deaths)
        rate = Interval(*(each / bird_days * 1000.0 for each in (exact.best, exact.low, exact.high)))
    impossible = eggs > hen_days
    return Production(
        tuple(lay_days),
        eggs,
        hen_days,
        _percent(share_interval(eggs, round(hen_days))) if hen_days >= 1.0 and not impossible else None,
        impossible,
        deaths,
        bird_days,
        rate,
        tuple(
            _against(what, _with_next(which), days, [] if impossible else lay_days, deaths_on, birds)
            for what, which in (("hot days", hot), ("days of ammonia at the limit", foul))
            if which is not None
        ),
    )


def _day(entry: JournalEntry, zone: ZoneInfo) -> date:
    return datetime.fromtimestamp((entry.wall_ms or 0) / 1000, zone).date()


def _counts(pen: Pen, dated: Sequence[tuple[date, JournalEntry]], days: Sequence[date]) -> dict[date, dict[str, int]]:
    """Birds by flock at the end of each day; an entry without a flock counts where there is only one."""
    only = pen.flocks[0].name if len(pen.flocks) == 1 else None
    now = {flock.name: flock.count for flock in pen.flocks}
    found: dict[date, dict[str, int]] = {}
    waiting = list(dated)
    for day in days:
        while waiting and waiting[0][0] <= day:
            _, entry = waiting.pop(0)
            name, sign = entry.flock or only, _MOVES.get(entry.what)
            if sign is not None and entry.count is not None and name in now:
                now[name] = max(0, now[name] + sign * entry.count)
        found[day] = {flock.name: now[flock.name] if _hatched(flock, day) else 0 for flock in pen.flocks}
    return found


def _hatched(flock: Flock, day: date) -> bool:
    return day >= flock.hatched


def _lay_days(dated: Sequence[tuple[date, JournalEntry]], days: Sequence[date], hens: Mapping[date, int]) -> list[LayDay]:
    eggs: dict[date, int] = {}
    for day, entry in dated:
        if entry.what == "eggs" and entry.count is not None:
            eggs[day] = eggs.get(day, 0) + entry.count
    found: list[LayDay] = []
    former: date | None = None
    for day in sorted(eggs):
        gap = 1 if former is None or (day - former).days > LONGEST_GAP_DAYS else (day - former).days
        former = day
        covered = [day - timedelta(days=back) for back in range(gap - 1, -1, -1)]
        found += [LayDay(each, eggs[day] / gap, hens[each]) for each in covered if hens.get(each, 0) > 0]
    return [one for one in found if days[0] <= one.day <= days[-1]] if days else []


def _with_next(which: Iterable[date]) -> set[date]:
    """Those days and the day after each: a hen's egg of today was begun yesterday."""
    chosen = set(which)
    return chosen | {day + timedelta(days=1) for day in chosen}


def _percent(share: Interval) -> Interval:
    return Interval(share.best * 100.0, share.low * 100.0, share.high * 100.0)


def _against(
    what: str,
    chosen: set[date],
    days: Sequence[date],
    lay_days: Sequence[LayDay],
    deaths_on: Mapping[date, int],
    birds: Mapping[date, int],
) -> Against:
    lay, points = _lay_against(lay_days, chosen)
    inside = [day for day in days if day in chosen]
    outside = [day for day in days if day not in chosen]
    with_it, without = sum(deaths_on[day] for day in inside), sum(deaths_on[day] for day in outside)
    ratio = rate_ratio(with_it, float(sum(birds[d] for d in inside)), without, float(sum(birds[d] for d in outside)))
    said = Said.TOO_FEW
    if ratio is not None and with_it + without >= LEAST_DEATHS:
        said = Said.MORE if ratio.low > 1.0 else Said.LESS if ratio.high < 1.0 else Said.NO_SURE_DIFFERENCE
    return Against(what, len(inside), len(outside), lay, points, said, with_it, without, ratio)


def _lay_against(lay_days: Sequence[LayDay], chosen: set[date]) -> tuple[Said, Interval | None]:
    """Lay of the chosen days against the others; days that scatter more than dice would count for less."""
    sides = [[d for d in lay_days if d.day in chosen], [d for d in lay_days if d.day not in chosen]]
    if any(len(side) < LEAST_DAYS or sum(d.hens for d in side) < LEAST_HEN_DAYS for side in sides):
        return Said.TOO_FEW, None
    scatter = _scatter(sides)
    counted = []
    for side in sides:
        trials = max(1, math.floor(sum(d.hens for d in side) / scatter))
        counted += [min(trials, round(sum(d.eggs for d in side) / scatter)), trials]
    points = _percent(share_difference(*counted))
    if not points.excludes_zero():
        return Said.NO_SURE_DIFFERENCE, points
    return (Said.MORE if points.best > 0.0 else Said.LESS), points


def _scatter(sides: Sequence[Sequence[LayDay]]) -> float:
    """How many times more the days scatter about their side's mean than dice would; 1 or more."""
    total, freedom = 0.0, 0
    for side in sides:
        share = sum(d.eggs for d in side) / sum(d.hens for d in side)
        if 0.0 < share < 1.0:
            total += sum((d.eggs - share * d.hens) ** 2 / (share * (1.0 - share) * d.hens) for d in side)
            freedom += len(side) - 1
    return max(1.0, total / freedom) if freedom > 0 else 1.0


# ---------------------------------------------------------------- words


def sentences(found: Production) -> list[str]:
    """What a keeper reads."""
    said = []
    if found.impossible:
        said.append(f"Lay: {found.eggs} eggs of {found.hen_days:.0f} hens times days cannot be: check the counts in the journal.")
    elif found.hen_day_pct is None:
        said.append("Lay: no eggs are written down for laying hens.")
    else:
        share = found.hen_day_pct
        said.append(
            f"Lay: {share.best:.0f} % hen-day ({share.low:.0f} to {share.high:.0f}), "
            f"{found.eggs} eggs in {len(found.lay_days)} days."
        )
    rate = found.deaths_per_1000_bird_days
    if rate is not None:
        said.append(f"Deaths: {found.deaths}, {rate.best:.2g} in 1000 bird-days ({rate.low:.2g} to {rate.high:.2g}).")
    said += [_compared(one) for one in found.against]
    return said


def _compared(one: Against) -> str:
    whole = one.days + one.other_days
    if one.days == 0:
        return f"No {one.what} among these {whole}: nothing to compare."
    return f"On {one.what} and the day after ({one.days} of {whole}): {_lay(one)}; {_deaths(one)}."


def _lay(one: Against) -> str:
    points = one.lay_points
    if one.lay is Said.TOO_FEW or points is None:
        return "lay: too few days to tell"
    span = f"({points.low:+.0f} to {points.high:+.0f})".replace("-", "−")
    if one.lay is Said.NO_SURE_DIFFERENCE:
        return f"lay: no sure difference {span} points"
    return f"lay {abs(points.best):.0f} points {'lower' if one.lay is Said.LESS else 'higher'} {span}"


def _deaths(one: Against) -> str:
    both = f"{one.deaths_with} against {one.deaths_without}"
    if one.deaths is Said.TOO_FEW:
        return f"deaths {both}: too few to tell"
    if one.deaths is Said.NO_SURE_DIFFERENCE:
        return f"deaths {both}: no sure difference in rate"
    return f"deaths {both}: {'more' if one.deaths is Said.MORE else 'fewer'} for the time"


def as_json(found: Production) -> dict[str, Json]:
    """Figures with their intervals, and the sentences."""

    def interval(one: Interval | None) -> Json:
        if one is None:
            return None
        return {
            name: round(value, 3) if math.isfinite(value) else None
            for name, value in (("best", one.best), ("low", one.low), ("high", one.high))
        }

    return {
        "date": [d.day.isoformat() for d in found.lay_days],
        "eggs": [round(d.eggs, 2) for d in found.lay_days],
        "hens": [d.hens for d in found.lay_days],
        "hen_day_pct": interval(found.hen_day_pct),
        "deaths": found.deaths,
        "bird_days": found.bird_days,
        "deaths_per_1000_bird_days": interval(found.deaths_per_1000_bird_days),
        "against": [
            {
                "what": one.what,
                "days": one.days,
                "other_days": one.other_days,
                "lay": one.lay,
                "lay_points": interval(one.lay_points),
                "deaths": one.deaths,
                "deaths_with": one.deaths_with,
                "deaths_without": one.deaths_without,
                "death_ratio": interval(one.death_ratio),
            }
            for one in found.against
        ],
        "sentences": list(sentences(found)),
    }
