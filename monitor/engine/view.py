"""One pen at one moment: what may be believed, and the shape of a condition."""

from __future__ import annotations

from collections.abc import Callable, Container, Mapping

from monitor.engine.belief import health
from monitor.engine.events import Evidence, Json
from monitor.engine.plan import PenPlan, Warmth
from monitor.engine.records import record
from monitor.engine.specification import SI_UNIT, Limit, Measure, Priority, Sensor
from monitor.engine.state import Health, PenState, SensorState


@record(frozen=True, slots=True)
class Believable:
    """A value that may be judged by, and the sensor it came from."""

    sensor: Sensor
    value: float


@record(frozen=True, slots=True)
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


@record(frozen=True, slots=True)
class Condition:
    """One alarm's condition at one moment.

    `signal` is True beyond the limit, False back inside the deadband, None to hold what it was. With `again` the alarm
    rings once more when somebody has had it for half an hour and it still stands; it is what to say then.
    """

    name: str
    subject: str
    signal: bool | None
    limit: Limit
    evidence: Callable[[], Evidence]
    priority: Priority
    value: float | None = None
    covered_by: str = ""
    again: Callable[[], Evidence] | None = None


def look(
    plan: PenPlan,
    pen: PenState,
    warmth: Warmth | None,
    at: float,
    outside: Believable | None,
    healths: Mapping[str, Health] | None = None,
) -> View:
    """What may be believed now. `healths`: of the sensors, where they are known already."""
    sensors = pen.sensors
    if healths is None:
        healths = {s.key: health(s, sensors[s.key], at) for s in plan.pen.sensors if s.key in sensors}
    needs_heat = warmth is not None and warmth.band.needs_heat and not pen.heat_off
    probes = plan.bird_level
    if not probes:
        # A room probe says nothing of the warm spot under a lamp, but everything to feathered birds.
        probes = plan.room_temperature
    coolest, warmest = _ends(probes, sensors, healths)
    driest, dampest = _ends(plan.humidity, sensors, healths)
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
        outside=_ends(plan.outside_temperature, sensors, healths)[0] or outside,
        dampest=dampest,
        driest=driest,
        ammonia=_ends(plan.ammonia, sensors, healths)[1],
        carbon_dioxide=_ends(plan.carbon_dioxide, sensors, healths)[1],
        chicks_need_heat=needs_heat,
        warmth_doubtful=doubtful,
    )


def says_something(signal: bool | None, name: str, known: Container[str] | None) -> bool:
    """May this condition change anything? One that is not so, of an alarm without a record, cannot.

    Args:
        signal: the condition's.
        name: of its alarm.
        known: names of the pen's alarms there is a record of; None where every condition is asked for.
    """
    return signal is True or known is None or name in known


def _ends(
    candidates: tuple[Sensor, ...], sensors: Mapping[str, SensorState], healths: Mapping[str, Health]
) -> tuple[Believable | None, Believable | None]:
    """The lowest and the highest of these that may be believed; the first of the settings among equals."""
    low: Believable | None = None
    high: Believable | None = None
    for sensor in candidates:
        key = sensor.key
        if healths.get(key) is not Health.BELIEVED or (value := sensors[key].value) is None:
            continue
        if low is None or high is None:
            low = high = Believable(sensor, value)
        elif value < low.value:
            low = Believable(sensor, value)
        elif value > high.value:
            high = Believable(sensor, value)
    return low, high


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


def mains_lost(pen: PenState) -> str:
    """The key of this pen's standing mains alarm, which covers what follows from it; "" when there is none."""
    key = f"{pen.name}/mains_lost"
    record = pen.alarms.get(key)
    return key if record is not None and record.standing else ""
