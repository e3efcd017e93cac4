"""The specification, laid out for quick asking: which sensors stand where, and which limits a value can cross.

A `PenPlan` is worked out once for a specification. `fences` are the numbers at which a reading can
change a judgement: while a value stays between the same two fences, judging it again would say
the same, so the step keeps the reading and goes on.
"""

from __future__ import annotations

import zlib
from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.engine.flock import Living, living
from monitor.engine.records import record, replace
from monitor.engine.specification import Flock, Limit, Measure, Pen, Place, Sensor, Specification, WarmthBand, is_forecast
from monitor.engine.state import Health


@record(frozen=True, slots=True)
class Warmth:
    """What the birds of one pen want today: the band that governs, and the flock it belongs to."""

    band: WarmthBand
    flock: str
    age_days: int | None
    fences: tuple[float, ...] = ()  # temperatures at which a judgement can change


@dataclass(slots=True)
class PenPlan:
    """One pen's specification with its look-ups. Holds no state: everything here follows from the specification."""

    pen: Pen
    by_measure: Mapping[tuple[Measure, Place], tuple[Sensor, ...]]
    bird_level: tuple[Sensor, ...]
    room_temperature: tuple[Sensor, ...]
    humidity: tuple[Sensor, ...]
    ammonia: tuple[Sensor, ...]
    carbon_dioxide: tuple[Sensor, ...]
    outside_temperature: tuple[Sensor, ...]
    outside_humidity: tuple[Sensor, ...]
    mains: tuple[Sensor, ...]
    fan_power: tuple[Sensor, ...]
    fan_speed: tuple[Sensor, ...]
    twins: tuple[tuple[Sensor, ...], ...]
    fingerprint: int  # of what the minimum timer is worked out from; another one means to work it out again
    all_believed: Mapping[str, Health]  # the sensors' health while each of them is well
    forecast_low: tuple[Sensor, ...] = ()  # what a forecast promises for tonight's low outside; measures nothing itself
    _warmth: dict[tuple[int | None, tuple[tuple[str, int], ...]], Warmth | None] = field(default_factory=dict)
    _fences: dict[Measure, tuple[float, ...]] = field(default_factory=dict)
    _last: tuple[int | None, Mapping[str, int], Warmth | None] | None = None
    _last_living: tuple[int | None, Mapping[str, int], Living] | None = None

    def band(self, day: int | None, counts: Mapping[str, int]) -> Warmth | None:
        """The governing warmth band, or None when the pen holds no birds.

        Of several flocks the one that wants it warmest governs the cold side and the hot side alike:
        keeping two ages in one air space is a compromise, and the young die first.
        """
        last = self._last
        if last is not None and last[0] == day and last[1] is counts:
            return last[2]
        living = tuple((f.name, counts.get(f.name, f.count)) for f in self.pen.flocks if counts.get(f.name, f.count) > 0)
        key = (day, living)
        if key not in self._warmth:
            if len(self._warmth) > 64:
                self._warmth.clear()
            self._warmth[key] = self._work_out(day, {name for name, _ in living})
        self._last = (day, counts, self._warmth[key])
        return self._warmth[key]

    def living(self, day: int | None, counts: Mapping[str, int]) -> Living:
        """The birds there are today, as what they give off is reckoned from."""
        last = self._last_living
        if last is None or last[0] != day or last[1] is not counts:
            last = self._last_living = (day, counts, living(self.pen, counts, day))
        return last[2]

    def _work_out(self, day: int | None, living: set[str]) -> Warmth | None:
        best: Warmth | None = None
        for flock in self.pen.flocks:
            if flock.name not in living:
                continue
            found = band_of(flock, self.pen.limits.warmth.get(flock.bird_class, ()), day)
            if found is None or (found.age_days is not None and found.age_days < 0):
                continue  # not hatched yet
            if best is None or found.band.target_high_c > best.band.target_high_c:
                best = found
        return None if best is None else replace(best, fences=self._warmth_fences(best.band))

    def _warmth_fences(self, band: WarmthBand) -> tuple[float, ...]:
        deadband = self.pen.limits.warmth_deadband_c
        warm_again = band.cold_c + deadband
        edges = {band.cold_c, warm_again, warm_again + CHILL_GUARD_K}
        edges |= {band.vent_c, band.vent_c - deadband, band.hot_c, band.hot_c - deadband}
        return tuple(sorted(edges))

    def fences_of(self, measure: Measure, day: int | None, counts: Mapping[str, int]) -> tuple[float, ...]:
        """The numbers at which a reading of this measure can change a judgement today, rising."""
        if measure is Measure.TEMPERATURE:
            warmth = self.band(day, counts)
            return warmth.fences if warmth is not None else ()
        known = self._fences.get(measure)
        return known if known is not None else self._fences.setdefault(measure, tuple(sorted(set(self._list_fences(measure)))))

    def _list_fences(self, measure: Measure) -> list[float]:
        limits = self.pen.limits

        def both(*names: str) -> list[float]:
            return [edge for name in names if (limit := limits.alarms.get(name)) for edge in (limit.on, limit.off)]

        if measure is Measure.HUMIDITY:
            return both("damp", "dry")
        if measure is Measure.AMMONIA:
            return [*both("ammonia_birds", "ammonia_people"), limits.ammonia_danger.on, limits.ammonia_danger.off]
        if measure is Measure.CARBON_DIOXIDE:
            return [limits.carbon_dioxide_ppm, limits.carbon_dioxide_ppm * CARBON_DIOXIDE_OFF]
        if measure is Measure.MAINS:
            return [0.5]
        if measure is Measure.FAN_POWER:
            return [IDLE_FAN_W]
        if measure is Measure.FAN_SPEED:
            return [IDLE_FAN_PCT]
        return []


def same_zone(fences: tuple[float, ...], old: float, new: float) -> bool:
    """Do both values lie between the same two fences? A value on a fence lies in a zone of its own."""
    if old == new or not fences:
        return True
    place = bisect_left(fences, old)
    return place == bisect_left(fences, new) == bisect_right(fences, old) == bisect_right(fences, new)


# The fan's wish for air against carbon dioxide ends at nine tenths of its limit. Our own rule.
CARBON_DIOXIDE_OFF = 0.9
# So close above the end of "too cold" the fan no longer runs through for damp and ammonia. Our own rule.
CHILL_GUARD_K = 2.0
# A fan that is said to run and draws less than this, or turns slower, does not run. Our own rule: a
# small duct fan draws 20 W or more; a relay's own coil and a meter's noise stay below 2 W.
IDLE_FAN_W = 2.0
IDLE_FAN_PCT = 5.0


def band_of(flock: Flock, bands: tuple[WarmthBand, ...], day: int | None) -> Warmth | None:
    """The band of a flock on a calendar day. With the day unknown: the widest limits of all its bands."""
    if not bands:
        return None
    if day is None:
        widest = WarmthBand(
            from_day=0,
            target_low_c=min(b.target_low_c for b in bands),
            target_high_c=max(b.target_high_c for b in bands),
            cold_c=min(b.cold_c for b in bands),
            vent_c=max(b.vent_c for b in bands),
            hot_c=max(b.hot_c for b in bands),
            needs_heat=any(b.needs_heat for b in bands),
            source="age not known while the clock is not trusted: the widest limits of all ages",
        )
        return Warmth(widest, flock.name, None)
    age = day - flock.hatched.toordinal()
    chosen = bands[0]
    for row in bands:
        if row.from_day <= age:
            chosen = row
    return Warmth(chosen, flock.name, age)


def local_day(wall_ms: int, timezone: str) -> tuple[int, int]:
    """The local calendar day of a moment, and the UTC milliseconds at which it ends."""
    zone = ZoneInfo(timezone)
    here = datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone(zone)
    tomorrow = here.date() + timedelta(days=1)
    ends = datetime(tomorrow.year, tomorrow.month, tomorrow.day, tzinfo=zone).astimezone(UTC)
    return here.date().toordinal(), int(ends.timestamp() * 1000)


def day_as_date(day: int) -> date:
    return date.fromordinal(day)


class Plan:
    """The whole specification's look-ups."""

    __slots__ = ("pens", "specification", "yard")

    def __init__(self, specification: Specification) -> None:
        self.specification = specification
        self.pens = {name: _pen_plan(pen) for name, pen in specification.pens.items()}
        self.yard = tuple(sensor for pen in self.pens.values() for sensor in pen.outside_temperature)

    def limit(self, pen: PenPlan | None, name: str) -> Limit | None:
        table = self.specification.site_limits if pen is None else pen.pen.limits.alarms
        return table.get(name)


def _pen_plan(pen: Pen) -> PenPlan:
    table: dict[tuple[Measure, Place], list[Sensor]] = {}
    forecast_low = tuple(s for s in pen.sensors if is_forecast(s))
    for sensor in pen.sensors:
        if sensor not in forecast_low:
            table.setdefault((sensor.measures, sensor.place), []).append(sensor)

    def of(measure: Measure, *places: Place) -> tuple[Sensor, ...]:
        return tuple(s for place in places for s in table.get((measure, place), ()))

    inside = (Place.BIRD_LEVEL, Place.ROOM)
    everywhere = tuple(Place)
    return PenPlan(
        pen=pen,
        by_measure={key: tuple(value) for key, value in table.items()},
        bird_level=of(Measure.TEMPERATURE, Place.BIRD_LEVEL),
        room_temperature=of(Measure.TEMPERATURE, Place.ROOM),
        humidity=of(Measure.HUMIDITY, *inside),
        ammonia=of(Measure.AMMONIA, *inside),
        carbon_dioxide=of(Measure.CARBON_DIOXIDE, *inside),
        outside_temperature=of(Measure.TEMPERATURE, Place.OUTSIDE, Place.SUPPLY),
        outside_humidity=of(Measure.HUMIDITY, Place.OUTSIDE, Place.SUPPLY),
        mains=of(Measure.MAINS, *everywhere),
        fan_power=of(Measure.FAN_POWER, *everywhere),
        fan_speed=of(Measure.FAN_SPEED, *everywhere),
        twins=tuple(tuple(v) for v in table.values() if len(v) > 1),
        fingerprint=zlib.crc32(f"{pen.fan}{pen.duct}{pen.inlet}{pen.flocks}{pen.limits.minimum_airflow_m3_h_kg}".encode()),
        all_believed=dict.fromkeys((s.key for s in pen.sensors), Health.BELIEVED),
        forecast_low=forecast_low,
    )


_plans: dict[int, Plan] = {}


def plan_for(specification: Specification) -> Plan:
    """The plan of this specification; worked out once for each specification object."""
    found = _plans.get(id(specification))
    if found is None or found.specification is not specification:
        if len(_plans) > 16:
            _plans.clear()
        found = _plans[id(specification)] = Plan(specification)
    return found
