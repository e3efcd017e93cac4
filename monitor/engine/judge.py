"""Believable readings into conditions, each with its reason and its evidence.

Rules of this file:
- Birds choose their zone: they are too cold only when even the warmest believable probe at bird level is
  too cold, and too hot only when there is no cooler zone. A probe that strays from its twin is an alarm
  of its own.
- Ammonia and damp are judged by the highest believable sensor, dryness by the lowest.
- What is not known is never called good: without a believable value a condition holds what it was.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator
from functools import partial

from monitor.engine.events import Evidence, Json
from monitor.engine.judge_sensors import sensor_conditions
from monitor.engine.obedience import fan_words, obeying
from monitor.engine.plan import PenPlan
from monitor.engine.specification import Priority
from monitor.engine.state import AlarmState, Health, PenState
from monitor.engine.view import Believable, Condition, View, above, below, mains_lost, says_something, threshold_evidence


def conditions(
    plan: PenPlan, pen: PenState, view: View, broker_up: bool, known: Container[str] | None = None
) -> Iterator[Condition]:
    """Every condition of this pen that has anything to say, in a fixed order; `known` as in `says_something`."""
    yield from _warmth_conditions(plan, pen, view, known)
    yield from _air_conditions(plan, view, known)
    yield from _fan_conditions(plan, pen, view, known)
    yield from _mains_conditions(plan, pen, view, known)
    yield from sensor_conditions(plan, pen, view, broker_up)


def _warmth_conditions(plan: PenPlan, pen: PenState, view: View, known: Container[str] | None) -> Iterator[Condition]:
    warmth, limits = view.warmth, plan.pen.limits
    if warmth is None:
        for name in ("birds_cold", "birds_hot"):
            limit = limits.alarms.get(name)
            if limit is not None:
                yield Condition(name, "", False, limit, dict, limit.priority)
        return
    band, deadband = warmth.band, limits.warmth_deadband_c

    def wanted() -> dict[str, Json]:
        return {
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
            if says_something(signal, "birds_cold", known):
                yield Condition(
                    "birds_cold",
                    "",
                    signal,
                    limit,
                    lambda: threshold_evidence(found, edge, edge + deadband, band.source, **wanted()),
                    limit.priority,
                    found.value,
                    _call_for_mains(pen),
                )
    limit = limits.alarms.get("birds_hot")
    if limit is not None:
        hot = view.coolest
        if hot is None:
            yield Condition("birds_hot", "", None, limit, dict, limit.priority)
        else:
            top = band.hot_c
            signal = True if hot.value >= top else (False if hot.value <= top - deadband else None)
            if says_something(signal, "birds_hot", known):
                yield Condition(
                    "birds_hot",
                    "",
                    signal,
                    limit,
                    lambda: threshold_evidence(hot, top, top - deadband, band.source, **wanted()),
                    limit.priority,
                    hot.value,
                )


_AIR = (
    ("ammonia_birds", "ammonia", above),
    ("ammonia_people", "ammonia", above),
    ("damp", "dampest", above),
    ("dry", "driest", below),
)


def _air_conditions(plan: PenPlan, view: View, known: Container[str] | None) -> Iterator[Condition]:
    alarms = plan.pen.limits.alarms
    for name, attribute, beyond in _AIR:
        limit = alarms.get(name)
        if limit is None:
            continue
        found: Believable | None = getattr(view, attribute)
        signal = None if found is None else beyond(limit, found.value)
        if not says_something(signal, name, known):
            continue
        # Birds that are not there cannot be harmed; people can, so their limit always stands.
        covered = "no birds in this pen" if view.warmth is None and name != "ammonia_people" else ""
        if found is None:
            yield Condition(name, "", None, limit, dict, limit.priority, covered_by=covered)
            continue
        yield Condition(
            name,
            "",
            signal,
            limit,
            partial(threshold_evidence, found, limit.on, limit.off, limit.source),
            limit.priority,
            found.value,
            covered,
        )


def _fan_conditions(plan: PenPlan, pen: PenState, view: View, known: Container[str] | None) -> Iterator[Condition]:
    spec, limit = plan.pen.fan, plan.pen.limits.alarms.get("fan_not_obeying")
    if spec is None or limit is None:
        return
    fan = pen.fan
    signal, note = obeying(plan, pen, view)
    if not says_something(signal, "fan_not_obeying", known):
        return
    # A report from before the command says nothing about it: to the keeper the relay has not reported.
    answered = fan.reported_at is not None and (fan.changed_at is None or fan.reported_at >= fan.changed_at)
    yield Condition(
        "fan_not_obeying",
        "",
        signal,
        limit,
        lambda: {
            "commanded": fan_words(fan.running, fan.speed_pct),
            "reported": fan_words(fan.reported_running, fan.reported_speed_pct)
            if answered and fan.reported_running is not None
            else None,
            "note": note,
            "for_s": round(view.at - fan.changed_at, 1) if fan.changed_at is not None else None,
            "source": limit.source,
        },
        limit.priority,
        covered_by=mains_lost(pen),
    )


def _call_for_mains(pen: PenState) -> str:
    """The key of an urgent call about the mains, repeated or answered, for it says that the heat is out; else "".

    Put aside or taken out of service it says nothing any more, and cold birds are a call of their own.
    """
    record = pen.alarms.get(mains_lost(pen))
    calls = record is not None and record.state in _CALLS and record.priority is Priority.URGENT
    return record.key if record is not None and calls else ""


_CALLS = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


def _cold_without_mains(pen: PenState, view: View) -> Callable[[], Evidence] | None:
    """What the answered call about the mains is to say when it rings again; None while the birds are known to be warm.

    Who answered may have fallen asleep again, the generator may have stopped, the mains sensor may be wrong.
    """
    cold = pen.alarms.get(f"{pen.name}/birds_cold")
    warmth, found = view.warmth, view.warmest
    if not view.chicks_need_heat or warmth is None:
        return None
    if found is None:
        return lambda: {"note": "answered half an hour ago; whether the birds are warm is not known"}
    if cold is None or not cold.standing:
        return None
    edge, source, age = warmth.band.cold_c, warmth.band.source, warmth.age_days
    return lambda: {
        **threshold_evidence(found, edge, edge, source, age_days=age),
        "note": "answered half an hour ago; the birds are still cold",
    }


def _mains_conditions(plan: PenPlan, pen: PenState, view: View, known: Container[str] | None) -> Iterator[Condition]:
    limit = plan.pen.limits.alarms.get("mains_lost")
    if limit is None or not plan.mains:
        return
    values = [
        pen.sensors[s.key].value
        for s in plan.mains
        if view.healths.get(s.key) is Health.BELIEVED and pen.sensors[s.key].value is not None
    ]
    signal = None if not values else all(v is not None and v < 0.5 for v in values)
    if not says_something(signal, "mains_lost", known):
        return
    urgent = Priority.URGENT if view.chicks_need_heat else Priority.HIGH
    priority = urgent if limit.priority is Priority.URGENT else limit.priority
    yield Condition(
        "mains_lost",
        "",
        signal,
        limit,
        lambda: {"sensor": plan.mains[0].key, "source": limit.source, "chicks_need_heat": view.chicks_need_heat},
        priority,
        again=_cold_without_mains(pen, view) if priority is Priority.URGENT else None,
    )
