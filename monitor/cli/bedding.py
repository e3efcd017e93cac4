"""The command about the litter: readings, journal and fan from the store, looked back over, printed."""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Iterable

from monitor.cli.keeping import told
from monitor.cli.refusal import Refused
from monitor.engine.specification import Measure, Pen, Place, Sensor
from monitor.review.airflow import FanRun
from monitor.review.bedding import Bedding, review
from monitor.review.bedding_text import as_json, sheet
from monitor.settings.read import Settings
from monitor.store.decisions import Decision
from monitor.store.reader import Reader
from monitor.store.rollups import DAY_MS, HOUR_MS

LONGEST_DAYS = 400  # how far the command looks back
MOST_DECISIONS = 400_000  # a timer of five minutes makes 210 000 a year


def bedding(
    asked: argparse.Namespace, settings: Settings, now_ms: Callable[[], int] = lambda: time.time_ns() // 1_000_000
) -> int:
    """Print each pen's litter periods. Returns the exit code."""
    pens = settings.specification.pens
    if asked.pen is not None and asked.pen not in pens:
        raise Refused(f"--pen {asked.pen}: expected one of {', '.join(pens)}", 2)
    chosen = [asked.pen] if asked.pen is not None else list(pens)
    now = now_ms()
    with told(), Reader(settings.connections.store.folder) as reader:
        found = [looked_back(settings, name, reader, now) for name in chosen]
    if asked.json:
        print(json.dumps([as_json(each) for each in found], ensure_ascii=False, indent=2))
    else:
        print("\n\n".join(sheet(each, settings.specification.units) for each in found))
    return 0


def looked_back(settings: Settings, name: str, reader: Reader, now_ms: int) -> Bedding:
    """One pen's bedding from the store."""
    specification = settings.specification
    pen = specification.pens[name]
    to_ms = -(-now_ms // HOUR_MS) * HOUR_MS  # whole hours, so that a stretch is one hour
    from_ms = to_ms - LONGEST_DAYS * DAY_MS

    def hourly(sensor: Sensor | None) -> list[tuple[int, float]]:
        if sensor is None:
            return []
        buckets = reader.series(sensor.key, from_ms, to_ms, LONGEST_DAYS * DAY_MS // HOUR_MS)
        return [(bucket.time_ms, bucket.mean) for bucket in buckets]

    decisions = reader.decisions(name, from_ms, now_ms, kinds=("fan",), limit=MOST_DECISIONS)
    return review(
        specification,
        name,
        hourly(of(pen, Measure.AMMONIA, Place.BIRD_LEVEL, Place.ROOM)),
        hourly(of(pen, Measure.TEMPERATURE, Place.ROOM, Place.BIRD_LEVEL)),
        reader.journal(name, None, now_ms),
        fan_runs(decisions, now_ms),
        now_ms,
        hourly(of(pen, Measure.TEMPERATURE, Place.OUTSIDE, Place.SUPPLY)),
    )


def of(pen: Pen, measure: Measure, *places: Place) -> Sensor | None:
    """The pen's first sensor of this measure, the places in order of preference; None when there is none."""
    for place in places:
        for sensor in pen.sensors:
            if sensor.measures is measure and sensor.place is place:
                return sensor
    return None


def fan_runs(decisions: Iterable[Decision], now_ms: int) -> list[FanRun]:
    """Stretches during which the fan was told to run; the last command stands until now."""
    runs: list[FanRun] = []
    begun: tuple[int, float | None] | None = None
    for decision in decisions:
        if decision.time_ms is None:
            continue
        if begun is not None:
            runs.append(FanRun(begun[0], decision.time_ms, begun[1]))
        begun = (decision.time_ms, decision.speed_pct) if decision.state == "running" else None
    if begun is not None:
        runs.append(FanRun(begun[0], now_ms, begun[1]))
    return runs
