"""Looking back over one pen's litter, trends, lay and deaths: from the store to the review room, for command and API."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from monitor.engine.events import Json
from monitor.engine.plan import plan_for
from monitor.engine.specification import Measure, Pen, Place, Sensor, Specification
from monitor.review import production, trends
from monitor.review.airflow import FanRun
from monitor.review.bedding import Bedding, review
from monitor.review.bedding_text import as_json, folded, sheet
from monitor.store.decisions import Decision
from monitor.store.reader import Bucket, Reader
from monitor.store.rollups import DAY_MS, HOUR_MS

LONGEST_DAYS = 400  # how far back is looked
MOST_DECISIONS = 400_000  # a timer of five minutes makes 210 000 a year


@dataclass(frozen=True, slots=True)
class LookedBack:
    """One pen: the litter, the trends, what was laid and what died."""

    bedding: Bedding
    trends: trends.Trends
    production: production.Production

    def sheet(self, units: str) -> str:
        """As text, at most 100 columns."""
        said = [*trends.sentences(self.trends, units), *production.sentences(self.production)]
        lines = [line for sentence in said for line in folded(f"  {sentence}")]
        return "\n".join([sheet(self.bedding, units), "", f"The last {len(self.trends.days)} days:", *lines])

    def as_json(self, units: str) -> dict[str, Json]:
        """As the API serves it: the bedding, with the rest beside it."""
        return {
            **as_json(self.bedding),
            "trends": trends.as_json(self.trends, units),
            "production": production.as_json(self.production),
        }


def look_back(specification: Specification, name: str, reader: Reader, now_ms: int) -> LookedBack:
    """One pen from the store.

    Raises:
        StoreFailing: the store cannot be read.
    """
    pen, zone = specification.pens[name], specification.timezone
    to_ms = -(-now_ms // HOUR_MS) * HOUR_MS  # whole hours, so that a stretch is one hour
    from_ms = to_ms - LONGEST_DAYS * DAY_MS

    def hourly(measure: Measure, *places: Place) -> Sequence[Bucket]:
        sensor = of(pen, measure, *places)
        return [] if sensor is None else reader.series(sensor.key, from_ms, to_ms, LONGEST_DAYS * DAY_MS // HOUR_MS)

    def means(buckets: Sequence[Bucket]) -> list[tuple[int, float]]:
        return [(bucket.time_ms, bucket.mean) for bucket in buckets]

    ammonia = means(hourly(Measure.AMMONIA, Place.BIRD_LEVEL, Place.ROOM))
    birds = hourly(Measure.TEMPERATURE, Place.BIRD_LEVEL, Place.ROOM)
    room = hourly(Measure.TEMPERATURE, Place.ROOM, Place.BIRD_LEVEL)
    damp = hourly(Measure.HUMIDITY, Place.ROOM, Place.BIRD_LEVEL)
    outside = hourly(Measure.TEMPERATURE, Place.OUTSIDE, Place.SUPPLY)
    runs = fan_runs(reader.decisions(name, from_ms, now_ms, kinds=("fan",), limit=MOST_DECISIONS), now_ms)
    journal = reader.journal(name, None, now_ms)
    litter = review(specification, name, ammonia, means(room), journal, runs, now_ms, means(outside))
    lows = [(bucket.time_ms, bucket.low) for bucket in birds]
    last = trends.trends(zone, lows, means(damp), runs, now_ms, has_fan=pen.fan is not None)
    plan, counts = plan_for(specification).pens[name], {flock.name: flock.count for flock in pen.flocks}

    def hot_c(day: date) -> float | None:
        warmth = plan.band(day.toordinal(), counts)
        return None if warmth is None else warmth.band.hot_c

    highs = [(bucket.time_ms, bucket.high) for bucket in birds]
    limit = litter.limit_ppm
    nights = [night for period in litter.periods for night in period.stretch.nights]
    foul = [n.day for n in nights if limit is not None and n.dawn_ppm is not None and n.dawn_ppm >= limit]
    laid = production.production(
        pen,
        zone,
        journal,
        last.days[0].day,
        last.days[-1].day,
        trends.days_at_least(zone, highs, hot_c) if highs else None,
        foul if nights and limit is not None else None,
    )
    return LookedBack(litter, last, laid)


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
