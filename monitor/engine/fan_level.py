"""The level of carbon dioxide under a fan that hardly rests: what it moves now over what it moved at first.

    share = ((birds − V · dC/dt) / (C − outside) / V − leak) / (N₀ · on)

The birds' carbon dioxide is reckoned from their class, age, count and the air's warmth (CIGR). That is right to some tenths,
but its error is the same at first and now; what is left of it, birds that were sold without a word or that grow otherwise
than the table, is taken as a tenth. Their day has a rhythm of a fifth and more, so that each quarter of a day is held against
the same quarter at first. Alone this calls nothing: see `foresee_fan`.

Rules of this file: pure; one hour at a time; small JSON memory, kept in the fan's own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.engine.events import Json
from monitor.engine.fan_share import LEAK_H
from monitor.engine.flock import output
from monitor.engine.specification import Pen

OUTSIDE_PPM = 420.0
LEAST_OVER_PPM = 50.0  # usual sensors are good to that; below, their error is the answer
STEADY_DUTY = 0.8  # of the hour; with less the runs and rests tell it themselves
QUARTER_S = 6.0 * 3600.0
FIRST_DAYS_S, RECENT_QUARTERS = 3.0 * 86_400.0, 8
LEAST_FIRST, LEAST_RECENT = 6, 2  # hours
LEAST_IN_QUARTER = 2
HOUR_SD = 0.16  # of the logarithm, from hour to hour in a quarter, and because neighbouring hours resemble one another
SOURCE_SD = 0.1
EDGE_MIN = 10  # first and last minutes of an hour, whose means give its drift


@dataclass(frozen=True, slots=True)
class Level:
    """The logarithm of what the fan moves now over what it moved at first, its standard deviation, and hours behind it."""

    log: float
    sd: float
    hours: int
    first_hours: int


def share(
    pen: Pen,
    counts: Mapping[str, int],
    day: int | None,
    inside_c: float,
    values: Sequence[float],
    on: Sequence[float],
    changes_h: float,
) -> float | None:
    """The logarithm of the fan's share of its promised air changes in an hour; None when its level cannot tell.

    Args:
        counts: birds by flock, as the journal has them.
        day: of the calendar (proleptic ordinal), for the birds' age; None while it is not known.
        inside_c: the birds' air.
        values: carbon dioxide, ppm, one a minute.
        on: part of each minute that the fan ran, times its relative airflow.
        changes_h: promised with the fan on, per hour.
    """
    minutes = len(values)
    duty, over = sum(on) / minutes, sum(values) / minutes - OUTSIDE_PPM
    if duty < STEADY_DUTY or over < LEAST_OVER_PPM or minutes <= EDGE_MIN:
        return None
    drift_ppm_h = (sum(values[-EDGE_MIN:]) - sum(values[:EDGE_MIN])) / EDGE_MIN * 60.0 / (minutes - EDGE_MIN)
    source_ppm_h = output(pen, counts, day, inside_c).carbon_dioxide_m3_h * 1e6 / pen.volume_m3
    found = ((source_ppm_h - drift_ppm_h) / over - LEAK_H) / (changes_h * duty)
    return math.log(found) if found > 0.0 else None


def note(kept: dict[str, Json], at: float, log_share: float | None) -> None:
    """One hour joins the first days, or the last two; each quarter of a day as (count, sum)."""
    if log_share is None:
        return
    found = kept.get("level")
    level: dict[str, Json] = dict(found) if isinstance(found, dict) else {"first_at": at}
    first, quarter = _numbers(level, "first") or [0.0] * 8, math.floor(at / QUARTER_S)
    first_at = _numbers(level, "first_at")[0]
    if sum(first[::2]) < LEAST_FIRST or at - first_at < FIRST_DAYS_S:
        place = 2 * (quarter % 4)
        first[place], first[place + 1] = first[place] + 1.0, round(first[place + 1] + log_share, 4)
        level["first"] = list(first)
    else:
        row = _numbers(level, "recent")
        rows = {int(row[i]): (row[i + 1], row[i + 2]) for i in range(0, len(row) - 2, 3)}
        count, total = rows.get(quarter, (0.0, 0.0))
        rows[quarter] = (count + 1.0, round(total + log_share, 4))
        level["recent"] = [x for key in sorted(rows) if key > quarter - RECENT_QUARTERS for x in (float(key), *rows[key])]
    kept["level"] = level


def level(kept: Mapping[str, Json], quarters: int = RECENT_QUARTERS) -> Level | None:
    """The last two days, or so many of their quarters, against the first three; None while either say too little."""
    found = kept.get("level")
    if not isinstance(found, dict):
        return None
    first, row = _numbers(found, "first"), _numbers(found, "recent")
    if len(first) != 8 or sum(first[::2]) < LEAST_FIRST or len(row) < 3:
        return None
    lately = [0.0] * 8
    for i in range(0, len(row) - 2, 3):
        if row[i] > row[-3] - quarters:
            place = 2 * (int(row[i]) % 4)
            lately[place], lately[place + 1] = lately[place] + row[i + 1], lately[place + 1] + row[i + 2]
    weights = logs = hours = 0.0
    for place in range(0, 8, 2):
        if first[place] < LEAST_IN_QUARTER or not lately[place]:
            continue
        weight = 1.0 / (1.0 / first[place] + 1.0 / lately[place])
        logs += weight * (lately[place + 1] / lately[place] - first[place + 1] / first[place])
        weights, hours = weights + weight, hours + lately[place]
    if hours < LEAST_RECENT:
        return None
    return Level(logs / weights, math.sqrt(HOUR_SD**2 / weights + SOURCE_SD**2), int(hours), int(sum(first[::2])))


def _numbers(kept: Mapping[str, Json], name: str) -> list[float]:
    found = kept.get(name)
    if isinstance(found, int | float):
        return [float(found)]
    return [float(x) for x in found if isinstance(x, int | float)] if isinstance(found, list) else []
