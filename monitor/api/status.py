"""The present as JSON: site, pens, readings, fan, alarms. SI with its unit beside it; `shown` is for people."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from monitor.air.units import Kind, show
from monitor.api.answer import KIND, answer, because, fan_disobeys, hand_waits_s, is_believed
from monitor.api.barn import Barn
from monitor.api.moments import for_long, rfc3339, wall_of
from monitor.api.slug import slug
from monitor.engine import foresee_night
from monitor.engine.alarm_states import OPEN
from monitor.engine.belief import health
from monitor.engine.events import Evidence, Json
from monitor.engine.plan import Warmth, band_of, plan_for
from monitor.engine.specification import SI_UNIT, Fan, Flock, Measure, Pen, Priority, Sensor, Specification
from monitor.engine.state import AlarmRecord, AlarmState, Health, PenState, SensorState, State
from monitor.engine.wording import Words, all_clear_words, words
from monitor.engine.wording_english import ENGLISH

Now = tuple[float, int | None]
_PRIORITIES = tuple(Priority)
_UNIT_KIND = {"degC": Kind.TEMPERATURE, "%": Kind.PERCENTAGE, "ppm": Kind.CONCENTRATION, "Pa": Kind.PRESSURE, "W": Kind.POWER}
LISTED = OPEN | {AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE}


def status(barn: Barn) -> dict[str, Json]:
    """Everything the page needs to draw itself."""
    state, now = barn.state(), barn.now()
    return {
        **site(barn, state, now),
        "pens": [pen_status(barn.specification, name, state, now) for name in barn.specification.pens],
    }


def site(barn: Barn, state: State, now: Now) -> dict[str, Json]:
    """What belongs to no pen: the clock, the links, site-wide alarms."""
    specification = barn.specification
    return {
        "site": specification.site,
        "timezone": specification.timezone,
        "units": specification.units,
        "time": rfc3339(now[1]),
        "elapsed_s": round(now[0], 1),
        "clock_trusted": now[1] is not None,
        "links": [
            {"what": what, "up": up, "detail": state.link_detail.get(what, "")} for what, up in sorted(state.links.items())
        ],
        "unreadable": dict(state.unreadable),
        "alarms": [alarm(each, specification, now) for each in in_order(state.alarms.values())],
    }


def pen_status(specification: Specification, name: str, state: State, now: Now) -> dict[str, Json]:
    """One pen, whole."""
    pen = specification.pens[name]
    known = state.pens.get(name) or PenState(name)
    plan = plan_for(specification).pens[name]
    said = answer(plan, known, state.day, now[0], specification.units)
    return {
        "name": name,
        "answer": said.sentence,
        "verdict": said.verdict,
        "parts": [
            {
                "matter": part.matter,
                "verdict": part.verdict,
                "text": part.text,
                "evidence": _evidence(part.evidence, specification),
            }
            for part in said.parts
        ],
        "readings": [_reading(sensor, known.sensors.get(sensor.key), specification, now) for sensor in pen.sensors],
        "fan": _fan(pen.fan, known, specification, now) if pen.fan else None,
        "flocks": [_flock(flock, pen, known, state.day, specification) for flock in pen.flocks],
        "target": _target(plan.band(state.day, known.counts), specification),
        "tonight": _tonight(known, specification.units),
        "floor_m2": round(pen.floor_m2, 3),
        "floor_per_bird_shown": _floor_per_bird(pen, known, specification),
        "alarms": [alarm(each, specification, now) for each in in_order(known.alarms.values())],
    }


def in_order(records: Iterable[AlarmRecord]) -> list[AlarmRecord]:
    """Every alarm a keeper should see: open before set aside, urgent before low, newest first."""
    listed = [record for record in records if record.state in LISTED]
    return sorted(listed, key=lambda a: (a.state not in OPEN, _PRIORITIES.index(a.priority), -(a.raised_at or 0.0)))


def alarm(record: AlarmRecord, specification: Specification, now: Now) -> dict[str, Json]:
    """One alarm with its words, its evidence and what may be done with it."""
    said = _words(record, specification, now[0])
    raised_ms = record.raised_wall_ms if record.raised_wall_ms is not None else wall_of(record.raised_at, now)
    return {
        "id": slug(record.key),
        "key": record.key,
        "name": record.name,
        "pen": record.pen,
        "subject": record.subject,
        "state": record.state,
        "priority": record.priority,
        "standing": record.standing,
        "occurrence": record.occurrence,
        "title": said.title,
        "body": said.body,
        "steps": list(said.steps),
        "raised": rfc3339(raised_ms),
        "raised_ago_s": None if record.raised_at is None else round(now[0] - record.raised_at),
        "raised_ago_shown": None if record.raised_at is None else for_long(now[0] - record.raised_at),
        "evidence": _evidence(record.evidence, specification),
        "worst": record.worst,
        "acknowledged_by": record.acknowledged_by or None,
        "shelved_by": record.shelved_by or None,
        "shelved_left_s": None if record.shelved_until is None else max(0, round(record.shelved_until - now[0])),
        "shelved_left_shown": None if record.shelved_until is None else for_long(record.shelved_until - now[0]),
        "suppressed_by": record.suppressed_by or None,
        "may_acknowledge": record.state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED),
    }


def _words(record: AlarmRecord, specification: Specification, at: float) -> Words:
    """The same words the phone was sent; once it is over, those of the all-clear."""
    if record.state is AlarmState.RETURNED:
        return all_clear_words(record, specification, ENGLISH)
    return words(record, specification, ENGLISH, at=at)


def _reading(sensor: Sensor, known: SensorState | None, specification: Specification, now: Now) -> dict[str, Json]:
    known = known or SensorState()
    fresh = is_believed(sensor, known, now[0])
    found = Health.DISAGREES if known.health is Health.DISAGREES else health(sensor, known, now[0])
    age = None if known.value_at is None else max(0.0, now[0] - known.value_at)
    value = known.value
    return {
        "sensor": sensor.key,
        "name": sensor.name,
        "measures": sensor.measures,
        "place": sensor.place,
        "value": value,
        "unit": SI_UNIT[sensor.measures],
        "shown": None if value is None else _shown(value, sensor, specification),
        "age_s": None if age is None else round(age, 1),
        "age_shown": None if age is None else for_long(age),
        "time": rfc3339(known.wall_ms if known.wall_ms is not None else wall_of(known.value_at, now)),
        "health": found,
        "believable": fresh,
        "every_s": sensor.every_s,
        "unreadable": known.unreadable,
        "unreadable_cause": known.unreadable_cause or None,
        "implausible": known.implausible,
        "jumps": known.jumps,
        "topic": sensor.topic,
        "calibration_gain": sensor.calibration.gain,
        "calibration_offset": sensor.calibration.offset,
    }


def _shown(value: float, sensor: Sensor, specification: Specification) -> str:
    """One digit more than a sentence has: at the sensor itself the keeper looks for small changes."""
    digits = 1 if sensor.measures is Measure.TEMPERATURE else None
    return show(value, KIND[sensor.measures], specification.units, digits)


def _fan(fan: Fan, known: PenState, specification: Specification, now: Now) -> dict[str, Json]:
    at = known.fan
    hand = known.hand if known.hand is not None and known.hand.until > now[0] else None
    waits_s = hand_waits_s(fan, known, now[0])
    return {
        "state": "running" if at.running else "resting",
        "running": at.running,
        "speed_pct": at.speed_pct,
        "reason": at.reason,
        "reason_shown": because(at.reason),
        "evidence": _evidence(at.evidence, specification),
        "since": rfc3339(wall_of(at.since, now)),
        "since_s": None if at.since is None else round(now[0] - at.since),
        "since_shown": None if at.since is None else for_long(now[0] - at.since),
        "variable": fan.variable,
        "lowest_speed_pct": fan.lowest_speed_pct if fan.variable else None,
        "timer_on_s": round(at.timer_on_s, 1),
        "timer_period_s": at.timer_period_s,
        "shortest_on_s": fan.shortest_on_s,
        "shortest_off_s": fan.shortest_off_s,
        "reported_running": at.reported_running,
        "reported_ago_s": None if at.reported_at is None else round(now[0] - at.reported_at),
        "confirmed": at.confirmed,
        "disobeys": fan_disobeys(known) is not None,
        "ran_hours": round((at.ran_s + (now[0] - at.since if at.running and at.since is not None else 0.0)) / 3600, 2),
        "hand_set": None
        if hand is None
        else {
            "running": hand.running,
            "speed_pct": hand.speed_pct,
            "until": rfc3339(wall_of(hand.until, now)),
            "left_s": round(hand.until - now[0]),
            "left_shown": for_long(hand.until - now[0]),
            "by": hand.by,
            "waits_s": round(waits_s),
            "waits_until": rfc3339(wall_of(now[0] + waits_s, now)) if waits_s > 0.0 else None,
        },
    }


def _flock(flock: Flock, pen: Pen, known: PenState, day: int | None, specification: Specification) -> dict[str, Json]:
    return {
        "name": flock.name,
        "class": flock.bird_class,
        "hatched": flock.hatched.isoformat(),
        "age_days": None if day is None else day - flock.hatched.toordinal(),
        "count": known.counts.get(flock.name, flock.count),
        "target": _target(band_of(flock, pen.limits.warmth.get(flock.bird_class, ()), day), specification),
    }


def _target(warmth: Warmth | None, specification: Specification) -> dict[str, Json] | None:
    if warmth is None:
        return None
    band, units = warmth.band, specification.units
    return {
        "flock": warmth.flock,
        "age_days": warmth.age_days,
        "low_c": band.target_low_c,
        "high_c": band.target_high_c,
        "cold_c": band.cold_c,
        "hot_c": band.hot_c,
        "needs_heat": band.needs_heat,
        "shown": f"{show(band.target_low_c, Kind.TEMPERATURE, units)} to {show(band.target_high_c, Kind.TEMPERATURE, units)}",
        "cold_shown": show(band.cold_c, Kind.TEMPERATURE, units),
        "hot_shown": show(band.hot_c, Kind.TEMPERATURE, units),
        "source": band.source,
    }


def _tonight(known: PenState, units: str) -> dict[str, Json] | None:
    """The low to be expected before morning, °C, with the ends between which nine nights in ten fall."""
    outlook = foresee_night.tonight(known.memory)
    if outlook is None:
        return None
    told: dict[str, Json] = {"nights": outlook.nights}
    for name, value in (
        ("low", outlook.low_c),
        ("from", outlook.from_c),
        ("to", outlook.to_c),
        ("outside_low", outlook.outside_low_c),
    ):
        told[f"{name}_c"] = value
        told[f"{name}_shown"] = None if value is None else show(value, Kind.TEMPERATURE, units)
    return told


def _floor_per_bird(pen: Pen, known: PenState, specification: Specification) -> str | None:
    birds = sum(known.counts.get(flock.name, flock.count) for flock in pen.flocks)
    return show(pen.floor_m2 / birds, Kind.AREA, specification.units) if birds > 0 else None


def _evidence(evidence: Evidence, specification: Specification) -> dict[str, Json]:
    """The numbers as they are, and beside each temperature, share or concentration what a person reads."""
    kind = _UNIT_KIND.get(str(evidence.get("unit", "")))
    shown: dict[str, Json] = {}
    if kind is not None:
        for key in ("value", "limit", "clears_at", "target_low", "target_high", "cold", "hot"):
            number = evidence.get(key)
            if isinstance(number, int | float) and not isinstance(number, bool):
                shown[key] = show(float(number), kind, specification.units)
    for_s = evidence.get("for_s")
    if isinstance(for_s, int | float) and not isinstance(for_s, bool):
        shown["for_s"] = for_long(float(for_s))
    return {**evidence, "shown": shown} if shown else dict(evidence)


def find_alarm(state: State, key: str) -> AlarmRecord | None:
    """The alarm of this key, wherever it stands."""
    if key in state.alarms:
        return state.alarms[key]
    pens: Mapping[str, PenState] = state.pens
    return next((pen.alarms[key] for pen in pens.values() if key in pen.alarms), None)
