"""Believable readings into conditions, each with its reason and its evidence.

Rules of this file:
- Birds choose their zone: they are too cold only when even the warmest believable probe at bird level is
  too cold, and too hot only when there is no cooler zone. A probe that strays from its twin is an alarm
  of its own.
- Ammonia and damp are judged by the highest believable sensor, dryness by the lowest.
- What is not known is never called good: without a believable value a condition holds what it was.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial

from monitor.engine.belief import TWIN_TOLERANCE, health
from monitor.engine.events import Evidence, Json
from monitor.engine.plan import IDLE_FAN_PCT, IDLE_FAN_W, PenPlan, Warmth
from monitor.engine.specification import SI_UNIT, Limit, Measure, Priority, Sensor
from monitor.engine.state import FanState, Health, PenState, SensorState


@dataclass(frozen=True, slots=True)
class Believable:
    """A value that may be judged by, and the sensor it came from."""

    sensor: Sensor
    value: float


@dataclass(frozen=True, slots=True)
class View:
    """One pen at one moment: what may be believed, and what its birds want today."""

    at: float
    warmth: Warmth | None
    healths: Mapping[str, Health]
    warmest: Believable | None  # at bird level; in a pen without such a probe, the room for birds that need no heat
    coolest: Believable | None
    outside: Believable | None
    dampest: Believable | None
    driest: Believable | None
    ammonia: Believable | None
    carbon_dioxide: Believable | None
    chicks_need_heat: bool
    warmth_doubtful: bool  # birds need heat, and whether they have it is not known


@dataclass(frozen=True, slots=True)
class Condition:
    """One alarm's condition at one moment.

    `signal` is True beyond the limit, False back inside the deadband, None to hold what it was.
    """

    name: str
    subject: str
    signal: bool | None
    limit: Limit
    evidence: Callable[[], Evidence]
    priority: Priority
    value: float | None = None
    covered_by: str = ""


def look(plan: PenPlan, pen: PenState, warmth: Warmth | None, at: float, outside: Believable | None) -> View:
    """What may be believed now."""
    sensors = pen.sensors
    healths = {s.key: health(s, sensors[s.key], at) for s in plan.pen.sensors if s.key in sensors}

    def best(candidates: tuple[Sensor, ...], choose: Callable[[float, float], bool]) -> Believable | None:
        chosen: Believable | None = None
        for sensor in candidates:
            if healths.get(sensor.key) is Health.BELIEVED:
                value = sensors[sensor.key].value
                if value is not None and (chosen is None or choose(value, chosen.value)):
                    chosen = Believable(sensor, value)
        return chosen

    needs_heat = warmth is not None and warmth.band.needs_heat and not pen.heat_off
    probes = plan.bird_level
    if not probes:
        # A room probe says nothing of the warm spot under a lamp, but everything to feathered birds.
        probes = plan.room_temperature
    warmest = best(probes, _higher)
    coolest = best(probes, _lower)
    if not plan.bird_level and needs_heat:
        warmest = None
    doubtful = needs_heat and (
        warmest is None
        or any(r.name == "sensors_disagree" and r.standing and _of_bird_level(r.subject) for r in pen.alarms.values())
    )
    return View(
        at=at,
        warmth=warmth,
        healths=healths,
        warmest=warmest,
        coolest=coolest,
        outside=best(plan.outside_temperature, _lower) or outside,
        dampest=best(plan.humidity, _higher),
        driest=best(plan.humidity, _lower),
        ammonia=best(plan.ammonia, _higher),
        carbon_dioxide=best(plan.carbon_dioxide, _higher),
        chicks_need_heat=needs_heat,
        warmth_doubtful=doubtful,
    )


def _higher(a: float, b: float) -> bool:
    return a > b


def _lower(a: float, b: float) -> bool:
    return a < b


def _of_bird_level(subject: str) -> bool:
    return subject.startswith("bird level ") and subject.endswith(Measure.TEMPERATURE)


def above(limit: Limit, value: float) -> bool | None:
    """Beyond a limit from above: True at or over `on`, False at or under `off`, between them hold."""
    if value >= limit.on:
        return True
    return False if value <= limit.off else None


def below(limit: Limit, value: float) -> bool | None:
    if value <= limit.on:
        return True
    return False if value >= limit.off else None


def conditions(plan: PenPlan, pen: PenState, view: View, broker_up: bool) -> Iterator[Condition]:
    """Every condition of this pen that has anything to say, in a fixed order."""
    yield from _warmth_conditions(plan, view)
    yield from _air_conditions(plan, view)
    yield from _fan_conditions(plan, pen, view)
    yield from _mains_conditions(plan, pen, view)
    yield from _sensor_conditions(plan, pen, view, broker_up)


def threshold_evidence(found: Believable, on: float, off: float, source: str, **more: Json) -> Evidence:
    return {
        "value": round(found.value, 3),
        "unit": SI_UNIT[found.sensor.measures],
        "limit": round(on, 3),
        "clears_at": round(off, 3),
        "source": source,
        "sensor": found.sensor.key,
        **more,
    }


def _warmth_conditions(plan: PenPlan, view: View) -> Iterator[Condition]:
    warmth, limits = view.warmth, plan.pen.limits
    if warmth is None:
        for name in ("birds_cold", "birds_hot"):
            limit = limits.alarms.get(name)
            if limit is not None:
                yield Condition(name, "", False, limit, dict, limit.priority)
        return
    band, deadband = warmth.band, limits.warmth_deadband_c
    wanted: dict[str, Json] = {
        "age_days": warmth.age_days,
        "flock": warmth.flock,
        "target_low": band.target_low_c,
        "target_high": band.target_high_c,
    }
    limit = limits.alarms.get("birds_cold")
    if limit is not None:
        found = view.warmest
        if found is None:
            yield Condition("birds_cold", "", None, limit, dict, limit.priority)
        else:
            edge = band.cold_c
            signal = True if found.value <= edge else (False if found.value >= edge + deadband else None)
            yield Condition(
                "birds_cold",
                "",
                signal,
                limit,
                lambda: threshold_evidence(found, edge, edge + deadband, band.source, **wanted),
                limit.priority,
                found.value,
            )
    limit = limits.alarms.get("birds_hot")
    if limit is not None:
        hot = view.coolest
        if hot is None:
            yield Condition("birds_hot", "", None, limit, dict, limit.priority)
        else:
            top = band.hot_c
            signal = True if hot.value >= top else (False if hot.value <= top - deadband else None)
            yield Condition(
                "birds_hot",
                "",
                signal,
                limit,
                lambda: threshold_evidence(hot, top, top - deadband, band.source, **wanted),
                limit.priority,
                hot.value,
            )


_AIR = (
    ("ammonia_birds", "ammonia", above),
    ("ammonia_people", "ammonia", above),
    ("damp", "dampest", above),
    ("dry", "driest", below),
)


def _air_conditions(plan: PenPlan, view: View) -> Iterator[Condition]:
    alarms = plan.pen.limits.alarms
    for name, attribute, beyond in _AIR:
        limit = alarms.get(name)
        if limit is None:
            continue
        found: Believable | None = getattr(view, attribute)
        # Birds that are not there cannot be harmed; people can, so their limit always stands.
        covered = "no birds in this pen" if view.warmth is None and name != "ammonia_people" else ""
        if found is None:
            yield Condition(name, "", None, limit, dict, limit.priority, covered_by=covered)
            continue
        yield Condition(
            name,
            "",
            beyond(limit, found.value),
            limit,
            partial(threshold_evidence, found, limit.on, limit.off, limit.source),
            limit.priority,
            found.value,
            covered,
        )


def _fan_conditions(plan: PenPlan, pen: PenState, view: View) -> Iterator[Condition]:
    spec, limit = plan.pen.fan, plan.pen.limits.alarms.get("fan_not_obeying")
    if spec is None or limit is None:
        return
    fan = pen.fan
    signal, note = obeying(plan, pen, view)
    yield Condition(
        "fan_not_obeying",
        "",
        signal,
        limit,
        lambda: {
            "commanded": _fan_words(fan.running, fan.speed_pct),
            "reported": None if fan.reported_running is None else _fan_words(fan.reported_running, fan.reported_speed_pct),
            "note": note,
            "for_s": round(view.at - fan.changed_at, 1) if fan.changed_at is not None else None,
            "source": limit.source,
        },
        limit.priority,
    )


MISSES_BEFORE_ALARM = 3  # switch-ons (or offs) in a row that the relay never confirmed


def obeying(plan: PenPlan, pen: PenState, view: View) -> tuple[bool | None, str]:
    """Is the fan refusing? True, False, or None while it is not yet to be told; with the reason in words."""
    spec, fan = plan.pen.fan, pen.fan
    if spec is None or fan.changed_at is None:
        return False, ""
    settled = view.at - fan.changed_at > max(spec.report_within_s, 10.0)
    if fan.running and settled:
        for sensors, idle, words in (
            (plan.fan_power, IDLE_FAN_W, "the fan is said to run but draws no power"),
            (plan.fan_speed, IDLE_FAN_PCT, "the fan is said to run but does not turn"),
        ):
            for sensor in sensors:
                heard = pen.sensors[sensor.key]
                fresh = heard.value_at is not None and heard.value_at > fan.changed_at + spec.report_within_s
                if fresh and view.healths.get(sensor.key) is Health.BELIEVED and heard.value is not None and heard.value < idle:
                    return True, words
    if spec.report_topic is None:
        return False, ""
    missed = max(fan.unconfirmed_on, fan.unconfirmed_off)
    if missed >= MISSES_BEFORE_ALARM:
        kind = "on" if fan.unconfirmed_on >= fan.unconfirmed_off else "off"
        return True, f"the last {missed} times it was switched {kind}, the relay never reported it"
    if fan.confirmed:
        return False, ""
    if fan.reported_at is not None and fan.reported_at >= fan.changed_at:
        return True, "the relay reports the opposite"
    if settled:
        return True, "the relay does not report"
    return None, ""


def _fan_words(running: bool, speed_pct: float | None) -> str:
    if not running:
        return "resting"
    return "running" if speed_pct is None else f"running at {speed_pct:g} %"


def _mains_conditions(plan: PenPlan, pen: PenState, view: View) -> Iterator[Condition]:
    limit = plan.pen.limits.alarms.get("mains_lost")
    if limit is None or not plan.mains:
        return
    values = [
        pen.sensors[s.key].value
        for s in plan.mains
        if view.healths.get(s.key) is Health.BELIEVED and pen.sensors[s.key].value is not None
    ]
    signal = None if not values else all(v is not None and v < 0.5 for v in values)
    urgent = Priority.URGENT if view.chicks_need_heat else Priority.HIGH
    yield Condition(
        "mains_lost",
        "",
        signal,
        limit,
        lambda: {"sensor": plan.mains[0].key, "source": limit.source, "chicks_need_heat": view.chicks_need_heat},
        urgent if limit.priority is Priority.URGENT else limit.priority,
    )


_SENSOR_ALARM = {Health.SILENT: "sensor_silent", Health.STUCK: "sensor_stuck", Health.IMPLAUSIBLE: "sensor_implausible"}


def _sensor_conditions(plan: PenPlan, pen: PenState, view: View, broker_up: bool) -> Iterator[Condition]:
    alarms, records = plan.pen.limits.alarms, pen.alarms
    for sensor in plan.pen.sensors:
        known = pen.sensors.get(sensor.key)
        if known is None:
            continue
        state = view.healths[sensor.key]
        talks_nonsense = known.implausible_value is not None or bool(known.unreadable_cause)
        for ill, name in _SENSOR_ALARM.items():
            limit = alarms.get(name)
            if limit is None:
                continue
            signal = state is ill or (ill is Health.IMPLAUSIBLE and talks_nonsense and state is not Health.SILENT)
            if not signal and f"{plan.pen.name}/{name}/{sensor.name}" not in records:
                continue
            if state is Health.UNHEARD:
                continue
            covered = ""
            if name == "sensor_silent":
                covered = "" if broker_up else "/broker_lost"
                if not covered and _standing(pen, f"{plan.pen.name}/mains_lost") and sensor.measures is not Measure.MAINS:
                    covered = f"{plan.pen.name}/mains_lost"
            yield Condition(
                name,
                sensor.name,
                signal,
                limit,
                partial(_sensor_evidence, sensor, known, limit, state, view.at),
                _sensor_priority(plan, sensor, view, limit),
                covered_by=covered,
            )
    yield from _twin_conditions(plan, pen, view)


def _standing(pen: PenState, key: str) -> bool:
    record = pen.alarms.get(key)
    return record is not None and record.standing


def _sensor_evidence(sensor: Sensor, known: SensorState, limit: Limit, state: Health, at: float) -> Evidence:
    last = None if known.value is None else round(known.value, 3)
    found: dict[str, Json] = {
        "sensor": sensor.key,
        "value": last,
        "unit": SI_UNIT[sensor.measures],
        "source": limit.source,
    }
    if state is Health.SILENT:
        since = known.heard_at
        found["note"] = f"promised every {sensor.every_s:g} s"
    elif state is Health.STUCK:
        since = known.same_since
        found["note"] = "the same number all that time"
    else:
        since = known.value_at
        if known.unreadable_cause:
            found["note"] = known.unreadable_cause
        elif known.implausible_value is not None:
            found["value"] = round(known.implausible_value, 3)
            found["note"] = "that cannot be; the last good number goes on until it is too old"
        else:
            found["note"] = "jumps farther than air can change"
    found["for_s"] = None if since is None else round(at - since, 1)
    return found


def _sensor_priority(plan: PenPlan, sensor: Sensor, view: View, limit: Limit) -> Priority:
    """A blind brooder is urgent; a sensor whose twin still speaks is not."""
    if view.chicks_need_heat and sensor in plan.bird_level:
        others = [s for s in plan.bird_level if s is not sensor and view.healths.get(s.key) is Health.BELIEVED]
        if not others:
            return Priority.URGENT
    return limit.priority


def _twin_conditions(plan: PenPlan, pen: PenState, view: View) -> Iterator[Condition]:
    limit = plan.pen.limits.alarms.get("sensors_disagree")
    if limit is None:
        return
    for group in plan.twins:
        measure, place = group[0].measures, group[0].place
        tolerance = TWIN_TOLERANCE.get(measure)
        if tolerance is None:
            continue
        believed = [
            Believable(s, value)
            for s in group
            if view.healths.get(s.key) is Health.BELIEVED and (value := pen.sensors[s.key].value) is not None
        ]
        subject = f"{place} {measure}"
        if len(believed) < 2:
            # One of them gone is the business of its own alarm; what is left cannot disagree.
            if f"{plan.pen.name}/sensors_disagree/{subject}" in pen.alarms:
                yield Condition("sensors_disagree", subject, None, limit, dict, limit.priority)
            continue
        low = min(believed, key=lambda b: b.value)
        high = max(believed, key=lambda b: b.value)
        apart = high.value - low.value
        signal = True if apart > tolerance else (False if apart < 0.8 * tolerance else None)
        blind = view.chicks_need_heat and measure is Measure.TEMPERATURE and group[0] in plan.bird_level
        yield Condition(
            "sensors_disagree",
            subject,
            signal,
            limit,
            partial(_twin_evidence, low, high, tolerance, limit),
            Priority.URGENT if blind else limit.priority,
            apart,
        )


def _twin_evidence(low: Believable, high: Believable, tolerance: float, limit: Limit) -> Evidence:
    return {
        "sensor": low.sensor.key,
        "other_sensor": high.sensor.key,
        "value": round(low.value, 3),
        "other_value": round(high.value, 3),
        "unit": SI_UNIT[low.sensor.measures],
        "limit": tolerance,
        "source": limit.source,
        "note": "which of them is right is not known",
    }


def fan_confirms(fan: FanState, variable: bool) -> bool:
    """Does the relay's last report say what was commanded?"""
    if fan.reported_running is None or fan.reported_running != fan.running:
        return False
    if variable and fan.running and fan.speed_pct is not None and fan.reported_speed_pct is not None:
        return abs(fan.reported_speed_pct - fan.speed_pct) <= 10.0
    return True
