"""How far ahead a pen is looked at, and which flocks are in it on a day.

Rules of this file: to four weeks past the start of lay, or to the processing day where one is set; a meat
flock without one to its class's usual age. A grown flock hardly changes: four weeks. At most 40 weeks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from monitor.engine.specification import BirdClass, Flock, Pen
from monitor.facts.growth import GROWTH_FACTS

WEEKS_PAST_START_OF_LAY = 4
LEAST_WEEKS, MOST_WEEKS = 4, 40


@dataclass(frozen=True, slots=True)
class Horizon:
    """The last day looked at and why, in words."""

    until: date
    weeks: int
    why: str


def start_of_lay_days(flock: Flock) -> int | None:
    """Age at the first eggs, d; None for meat birds."""
    if flock.bird_class is BirdClass.MEAT:
        return None
    if flock.start_of_lay_days is not None:
        return flock.start_of_lay_days
    return int(GROWTH_FACTS[f"start of lay, {flock.bird_class.value}"].value)


def processing_day(flock: Flock) -> date | None:
    """The day the flock is processed; None when the settings name no age."""
    return None if flock.processing_age_days is None else flock.hatched + timedelta(days=flock.processing_age_days)


def present(flock: Flock, counts: Mapping[str, int], day: date) -> int:
    """Birds of the flock in the pen on a day: none before the hatch, none from the processing day on."""
    if day < flock.hatched:
        return 0
    gone = processing_day(flock)
    return 0 if gone is not None and day >= gone else max(0, counts.get(flock.name, flock.count))


def horizon(pen: Pen, counts: Mapping[str, int], today: date) -> Horizon:
    """The horizon of a pen: that of the flock whose lasts longest."""
    best: tuple[date, str] = (today + timedelta(weeks=LEAST_WEEKS), "four weeks, for grown birds change little")
    for flock in pen.flocks:
        if counts.get(flock.name, flock.count) <= 0:
            continue
        until, why = _end(flock)
        if until > best[0]:
            best = (until, why)
    weeks = min(MOST_WEEKS, max(LEAST_WEEKS, -(-(best[0] - today).days // 7)))
    return Horizon(today + timedelta(weeks=weeks), weeks, best[1])


def _end(flock: Flock) -> tuple[date, str]:
    gone = processing_day(flock)
    if gone is not None:
        return gone, f"the processing day of {flock.name}"
    start = start_of_lay_days(flock)
    if start is None:
        age = int(GROWTH_FACTS["processing, meat"].value)
        return flock.hatched + timedelta(days=age), f"the usual processing age of {flock.name}"
    until = flock.hatched + timedelta(days=start, weeks=WEEKS_PAST_START_OF_LAY)
    return until, f"four weeks past the start of lay of {flock.name}"
