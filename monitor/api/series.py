"""Looking back: readings over time, with the limits and the target band that stood at that age."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.air.units import display
from monitor.api.answer import KIND
from monitor.api.barn import Barn
from monitor.api.moments import parse
from monitor.api.problems import Refused
from monitor.engine.events import Json
from monitor.engine.plan import plan_for
from monitor.engine.specification import SI_UNIT, Measure, Pen, Place, Specification
from monitor.engine.state import PenState, State
from monitor.store.reader import Bucket

DAY_MS = 24 * 3600 * 1000
MOST_POINTS = 2000
LONGEST_MS = 20 * 366 * DAY_MS
_MOST_BAND_STEPS = 800

# alarm names whose limit belongs into a drawing of this measure
_LIMITS: dict[Measure, tuple[str, ...]] = {
    Measure.AMMONIA: ("ammonia_birds", "ammonia_people"),
    Measure.HUMIDITY: ("damp", "dry"),
}


def span(barn: Barn, from_text: str | None, to_text: str | None, default_ms: int = DAY_MS) -> tuple[int, int]:
    """The stretch of time asked for, in ms; the last day when nothing is said. Raises Refused."""
    if to_text is not None:
        to_ms = _moment("to", to_text)
    else:
        now_ms = barn.now()[1]
        if now_ms is None:
            raise Refused(409, "the clock is not trusted, so there is no 'now' to look back from; give `from` and `to`")
        to_ms = now_ms + 1  # the reading of this very moment is part of it
    from_ms = _moment("from", from_text) if from_text is not None else to_ms - default_ms
    if not 0 < to_ms - from_ms <= LONGEST_MS:
        raise Refused(422, "`from` must lie before `to`, by at most 20 years")
    return from_ms, to_ms


def _moment(name: str, text: str) -> int:
    moment = parse(text)
    if moment is None:
        raise Refused(
            422, f'`{name}` is "{text[:40]}"; write RFC 3339 with an offset, such as 2026-04-02T06:30:00Z, or ms since 1970'
        )
    return moment


def series(barn: Barn, pen: Pen, measure: Measure, place: Place | None, from_ms: int, to_ms: int, points: int) -> dict[str, Json]:
    """Every sensor of this measure (and place) in at most `points` steps; columns, SI."""
    specification = barn.specification
    sensors = [s for s in pen.sensors if s.measures is measure and place in (None, s.place)]
    how = display(KIND[measure], specification.units)
    drawn: list[Json] = []
    with barn.reader() as reader:
        for sensor in sensors:
            buckets = reader.series(sensor.key, from_ms, to_ms, points)
            drawn.append({"sensor": sensor.key, "name": sensor.name, "place": sensor.place, **_columns(buckets)})
    answer: dict[str, Json] = {
        "pen": pen.name,
        "measure": measure,
        "unit": SI_UNIT[measure],
        "from_ms": from_ms,
        "to_ms": to_ms,
        # shown = (si - offset) / gain
        "shown": {"symbol": how.symbol, "gain": how.gain, "offset": how.offset, "digits": how.digits},
        "series": drawn,
        "limits": _limits(pen, measure),
    }
    if measure is Measure.TEMPERATURE:
        answer["band"] = _band(specification, pen, barn.state(), from_ms, to_ms)
    return answer


def _columns(rows: Sequence[Bucket]) -> dict[str, Json]:
    return {
        "time_ms": [row.time_ms for row in rows],
        "n": [row.n for row in rows],
        "low": [round(row.low, 3) for row in rows],
        "mean": [round(row.mean, 3) for row in rows],
        "high": [round(row.high, 3) for row in rows],
    }


def _limits(pen: Pen, measure: Measure) -> list[Json]:
    found: list[Json] = []
    for name in _LIMITS.get(measure, ()):
        limit = pen.limits.alarms.get(name)
        if limit is not None:
            found.append({"name": name, "value": limit.on, "clears_at": limit.off, "source": limit.source})
    if measure is Measure.CARBON_DIOXIDE:
        found.append({"name": "carbon_dioxide", "value": pen.limits.carbon_dioxide_ppm, "clears_at": None, "source": ""})
    return found


def _band(specification: Specification, pen: Pen, state: State, from_ms: int, to_ms: int) -> list[Json]:
    """The target band day by day, as steps: it moves with the birds' age. Counts are those of today."""
    plan = plan_for(specification).pens[pen.name]
    counts = (state.pens.get(pen.name) or PenState(pen.name)).counts
    zone = ZoneInfo(specification.timezone)
    midnight = datetime.fromtimestamp(from_ms / 1000, UTC).astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0)
    steps: list[Json] = []
    former: tuple[float, float] | None = None
    for offset in range(min(_MOST_BAND_STEPS, (to_ms - from_ms) // DAY_MS + 2)):
        day = midnight.date() + timedelta(days=offset)
        begins = int(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp() * 1000)
        warmth = plan.band(day.toordinal(), counts)
        if begins >= to_ms or warmth is None or (warmth.age_days is not None and warmth.age_days < 0):
            continue
        band = warmth.band
        if (band.target_low_c, band.target_high_c) != former:
            former = (band.target_low_c, band.target_high_c)
            steps.append(
                {
                    "from_ms": max(begins, from_ms),
                    "low": band.target_low_c,
                    "high": band.target_high_c,
                    "cold": band.cold_c,
                    "hot": band.hot_c,
                }
            )
    return steps
