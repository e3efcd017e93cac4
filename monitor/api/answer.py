"""The answer: one short sentence a matter, for someone who has just been woken.

    Warm enough: 84 °F at chick height, wanted 81 to 86. Air good: 8 ppm. Fan on 40 s of every 300.

Four matters in this order: warmth, air, damp (only when it matters), fan. What is not known is said to be
not known, and is never counted as good. Pure: the state and the moment come in.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from monitor.air.units import Kind, show
from monitor.api.moments import for_long
from monitor.engine import ladder
from monitor.engine.alarm_states import OPEN
from monitor.engine.belief import health
from monitor.engine.events import Evidence, Json
from monitor.engine.plan import PenPlan
from monitor.engine.specification import Fan, Limit, Measure, Priority, Sensor, WarmthBand
from monitor.engine.state import AlarmRecord, Health, PenState, SensorState
from monitor.engine.view import View, look

KIND: dict[Measure, Kind] = {
    Measure.TEMPERATURE: Kind.TEMPERATURE,
    Measure.HUMIDITY: Kind.PERCENTAGE,
    Measure.AMMONIA: Kind.CONCENTRATION,
    Measure.CARBON_DIOXIDE: Kind.CONCENTRATION,
    Measure.STATIC_PRESSURE: Kind.PRESSURE,
    Measure.LIGHT: Kind.LIGHT,
    Measure.FAN_POWER: Kind.POWER,
    Measure.FAN_SPEED: Kind.PERCENTAGE,
    Measure.BATTERY: Kind.PERCENTAGE,
    Measure.MAINS: Kind.STATE,
}


class Verdict(StrEnum):
    """How a matter stands. The word is said in the sentence too, so that no colour is needed."""

    GOOD = "good"
    WATCH = "watch"
    BAD = "bad"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Part:
    """One matter: its short sentence and the numbers behind it."""

    matter: str
    verdict: Verdict
    text: str
    evidence: Evidence


@dataclass(frozen=True, slots=True)
class Answer:
    parts: tuple[Part, ...]
    has_urgent_alarm: bool = False

    @property
    def sentence(self) -> str:
        return " ".join(part.text for part in self.parts)

    @property
    def verdict(self) -> Verdict:
        """The worst of all matters; not knowing is worse than something to watch, an open urgent alarm is worst of all."""
        if self.has_urgent_alarm:
            return Verdict.BAD
        for worst in (Verdict.BAD, Verdict.UNKNOWN, Verdict.WATCH):
            if any(part.verdict is worst for part in self.parts):
                return worst
        return Verdict.GOOD


def answer(plan: PenPlan, pen: PenState, day: int | None, at: float, units: str) -> Answer:
    """What one glance must tell.

    Args:
        plan: the pen's specification.
        pen: its state.
        day: today at the site as an ordinal, or None while no date is known.
        at: elapsed seconds, now.
        units: "us" or "metric".
    """
    # The engine's own view, asked at this moment: the sentence and the alarm judge by the same numbers.
    view = look(plan, pen, plan.band(day, pen.counts), at, None)
    parts = [_warmth(plan, pen, view, units), _air(plan, pen, view, units)]
    damp = _damp(plan, pen, view, units)
    if damp is not None:
        parts.append(damp)
    fan = _fan(plan, pen, at)
    if fan is not None:
        parts.append(fan)
    urgent = any(r.priority is Priority.URGENT and r.standing and r.state in OPEN for r in pen.alarms.values())
    return Answer(tuple(parts), urgent)


def is_believed(sensor: Sensor, known: SensorState | None, at: float) -> bool:
    """May this sensor's last number be shown as the present one? Silence counts by the clock, not by the last event."""
    return known is not None and known.health is not Health.DISAGREES and health(sensor, known, at) is Health.BELIEVED


def _warmth(plan: PenPlan, pen: PenState, view: View, units: str) -> Part:
    warmth, warmest, coolest = view.warmth, view.warmest, view.coolest
    where = "at bird level" if plan.bird_level else "in the room"
    if warmth is None:
        if warmest is None:
            return Part("warmth", Verdict.GOOD, "No birds in.", {})
        return Part("warmth", Verdict.GOOD, f"No birds in; {_t(warmest.value, units)} {where}.", {"value": warmest.value})
    band = warmth.band
    wanted = f"wanted {_range(band.target_low_c, band.target_high_c, units)}"
    evidence: dict[str, Json] = {
        "unit": "degC",
        "target_low": band.target_low_c,
        "target_high": band.target_high_c,
        "cold": band.cold_c,
        "hot": band.hot_c,
        "source": band.source,
        "flock": warmth.flock,
        "age_days": warmth.age_days,
    }
    if warmest is None or coolest is None:
        why = _last_heard(plan.bird_level, pen, view.at, "no thermometer at bird level")
        return Part("warmth", Verdict.UNKNOWN, f"Warmth not known: {why}; {wanted}.", evidence)
    if view.warmth_doubtful:
        both = f"{_t(coolest.value, units)} at {coolest.sensor.name}, {_t(warmest.value, units)} at {warmest.sensor.name}"
        return Part("warmth", Verdict.UNKNOWN, f"Warmth not known: two sensors disagree, {both}; {wanted}.", evidence)
    verdict, word, value = _how_warm(band, warmest.value, coolest.value)
    evidence["value"] = value
    also = ""
    if verdict is not Verdict.BAD and coolest.value <= band.cold_c:
        verdict, also = Verdict.WATCH, f", but {_t(coolest.value, units)} at {coolest.sensor.name}"
    elif verdict is not Verdict.BAD and warmest.value >= band.hot_c:
        verdict, also = Verdict.WATCH, f", but {_t(warmest.value, units)} at {warmest.sensor.name}"
    shown = _t(value, units)
    if verdict is Verdict.GOOD and not band.target_low_c <= value <= band.target_high_c:
        shown = _range(coolest.value, warmest.value, units)
    text = f"{word}: {shown} {where}{also}, {wanted}."
    if warmth.age_days is None:
        text = f"{word}: {shown} {where}{also}; what they want is not sure while the date is not known."
    return Part("warmth", verdict, text, evidence)


def _how_warm(band: WarmthBand, warmest: float, coolest: float) -> tuple[Verdict, str, float]:
    """Birds choose their place: the warmest one decides about cold, the coolest about heat, as in the engine."""
    if warmest <= band.cold_c:
        return Verdict.BAD, "Too cold", warmest
    if coolest >= band.hot_c:
        return Verdict.BAD, "Too hot", coolest
    if warmest < band.target_low_c:
        return Verdict.WATCH, "A little cool", warmest
    if coolest > band.target_high_c:
        return Verdict.WATCH, "A little warm", coolest
    # A probe that reads what they want, if there is one; else what they want lies between two probes.
    return Verdict.GOOD, "Warm enough", coolest if coolest >= band.target_low_c else warmest


def _air(plan: PenPlan, pen: PenState, view: View, units: str) -> Part:
    if not plan.ammonia and not plan.carbon_dioxide:
        return Part("air", Verdict.UNKNOWN, "Air not measured here: trust your nose, at the birds' height.", {})
    said: list[str] = []
    verdict = Verdict.GOOD
    evidence: dict[str, Json] = {"unit": "ppm"}
    limits = plan.pen.limits
    if view.ammonia is not None:
        value = view.ammonia.value
        said.append(f"{show(value, Kind.CONCENTRATION, units)} ammonia")
        birds, people = limits.alarms.get("ammonia_birds"), limits.alarms.get("ammonia_people")
        evidence |= {"value": value, "limit": birds.on if birds else None, "source": birds.source if birds else None}
        if people and value >= people.on:
            verdict, said[-1] = Verdict.BAD, f"{said[-1]}, do not stay in it"
        elif birds and value >= birds.on and view.warmth is not None:
            verdict = Verdict.BAD
        elif value > limits.ammonia_target_ppm:
            verdict = Verdict.WATCH
    elif plan.ammonia:
        verdict = Verdict.UNKNOWN
        said.append(f"ammonia not known, {_last_heard(plan.ammonia, pen, view.at)}")
    gas = view.carbon_dioxide
    if gas is not None and gas.value >= limits.carbon_dioxide_ppm:
        said.append(f"{show(gas.value, Kind.CONCENTRATION, units)} carbon dioxide, wanted below {limits.carbon_dioxide_ppm:.0f}")
        verdict = verdict if verdict in (Verdict.BAD, Verdict.UNKNOWN) else Verdict.WATCH
    elif gas is not None and not plan.ammonia:
        said.append(f"{show(gas.value, Kind.CONCENTRATION, units)} carbon dioxide")
    if not said:
        return Part("air", Verdict.UNKNOWN, f"Air not known: {_last_heard(plan.carbon_dioxide, pen, view.at)}.", evidence)
    word = {Verdict.GOOD: "Air good", Verdict.WATCH: "Air getting thick", Verdict.BAD: "Air bad", Verdict.UNKNOWN: "Air"}[verdict]
    return Part("air", verdict, f"{word}: {'; '.join(said)}.", evidence)


def _damp(plan: PenPlan, pen: PenState, view: View, units: str) -> Part | None:
    """Said only when it is damp, dry or unknown: a third good sentence would hide the first two."""
    if not plan.humidity:
        return None
    if view.dampest is None or view.driest is None:
        return Part("damp", Verdict.UNKNOWN, f"Humidity not known: {_last_heard(plan.humidity, pen, view.at)}.", {})
    damp, dry = plan.pen.limits.alarms.get("damp"), plan.pen.limits.alarms.get("dry")
    if damp and view.dampest.value >= damp.on:
        return _humidity_part(view.dampest.value, "Damp", damp, units)
    if dry and view.driest.value <= dry.on:
        return _humidity_part(view.driest.value, "Dry", dry, units)
    return None


def _humidity_part(value: float, word: str, limit: Limit, units: str) -> Part:
    side = "below" if word == "Damp" else "above"
    text = f"{word}: {show(value, Kind.PERCENTAGE, units)} humidity, wanted {side} {show(limit.on, Kind.PERCENTAGE, units)}."
    return Part("damp", Verdict.WATCH, text, {"value": value, "unit": "%", "limit": limit.on, "source": limit.source})


# What each rung of the fan's ladder is to a keeper: it completes "Fan on …" and "Fan off …".
BECAUSE: dict[str, str] = {
    ladder.HAND_SET: "as set by hand",
    ladder.AMMONIA_DANGEROUS: "because the ammonia is dangerous",
    ladder.BIRDS_TOO_COLD: "to keep the warmth in",
    ladder.WARMTH_NOT_KNOWN: "because the warmth is not known",
    ladder.AMMONIA: "for ammonia",
    ladder.HEAT: "against the heat",
    ladder.DAMP: "for damp",
    ladder.STALE_AIR: "for stale air",
    ladder.NOTHING_BELIEVABLE: "because no reading can be believed",
    ladder.MINIMUM_TIMER: "for the least air birds need",
    ladder.NO_BIRDS: "with no birds in",
}
_ON_TIMER = (ladder.BIRDS_TOO_COLD, ladder.WARMTH_NOT_KNOWN, ladder.NOTHING_BELIEVABLE, ladder.MINIMUM_TIMER)
_UNSURE = (ladder.WARMTH_NOT_KNOWN, ladder.NOTHING_BELIEVABLE)


def because(reason: str) -> str:
    """The rung in words; an unknown rung is named as it is."""
    return BECAUSE.get(reason, f"for {reason}" if reason else "")


def fan_disobeys(pen: PenState) -> AlarmRecord | None:
    """The standing alarm that the fan does not do what it is told, if there is one."""
    found = (record for record in pen.alarms.values() if record.name == "fan_not_obeying" and record.standing)
    return next(found, None)


def hand_waits_s(fan: Fan, pen: PenState, at: float) -> float:
    """How long the fan's shortest run or rest still keeps it from what the keeper set by hand, s; 0 when it does not."""
    hand, now = pen.hand, pen.fan
    if hand is None or now.since is None or hand.running == now.running:
        return 0.0
    return max(0.0, now.since + (fan.shortest_on_s if now.running else fan.shortest_off_s) - at)


def _fan(plan: PenPlan, pen: PenState, at: float) -> Part | None:
    fan = plan.pen.fan
    if fan is None:
        return None
    now = pen.fan
    evidence: Evidence = {**now.evidence, "rung": now.reason}
    if now.since is None:
        return Part("fan", Verdict.UNKNOWN, "Fan not yet commanded.", evidence)
    if fan_disobeys(pen) is not None:
        told = "run" if now.running else "rest"
        return Part("fan", Verdict.BAD, f"Fan told to {told}, and it does not obey.", evidence)
    unconfirmed = "" if now.confirmed or fan.report_topic is None else " Not yet confirmed by its relay."
    verdict = Verdict.UNKNOWN if now.reason in _UNSURE else Verdict.GOOD
    speed = f" at {now.speed_pct:.0f} %" if now.running and now.speed_pct is not None else ""
    hand = pen.hand
    if hand is not None and hand.until > at:
        waits_s = hand_waits_s(fan, pen, at)
        if waits_s > 0.0:
            least = (
                f"runs for at least {for_long(fan.shortest_on_s)}"
                if now.running
                else f"rests at least {for_long(fan.shortest_off_s)}"
            )
            text = (
                f"Fan set by hand to {'run' if hand.running else 'rest'} for {for_long(hand.until - at)} more; "
                f"it waits {for_long(waits_s)} yet, for it {least}."
            )
            return Part("fan", Verdict.WATCH, text, evidence)
        text = f"Fan {'on' if now.running else 'off'}{speed}, set by hand for {for_long(hand.until - at)} more."
        return Part("fan", Verdict.WATCH, text + unconfirmed, evidence)
    timer_on_s, period_s = now.evidence.get("timer_on_s"), now.evidence.get("timer_period_s")
    if now.reason in _ON_TIMER and isinstance(timer_on_s, int | float) and isinstance(period_s, int | float):
        on = f"on{speed}" if timer_on_s > 0 else "off"
        times = f" {timer_on_s:.0f} s of every {period_s:.0f}" if 0 < timer_on_s < period_s else ""
        return Part("fan", verdict, f"Fan {on}{times} {because(now.reason)}.{unconfirmed}", evidence)
    text = f"Fan {'on' if now.running else 'off'}{speed} {because(now.reason)}, for {for_long(at - now.since)}."
    return Part("fan", verdict, text + unconfirmed, evidence)


def _last_heard(sensors: Iterable[Sensor], pen: PenState, at: float, no_sensor: str = "no sensor here") -> str:
    """Why there is no number, in words."""
    known = [(sensor, pen.sensors.get(sensor.key, SensorState())) for sensor in sensors]
    if not known:
        return no_sensor
    if all(state.value is None and state.unreadable == 0 and state.implausible == 0 for _, state in known):
        return "no reading yet"
    heard = [(state.heard_at, sensor.silent_after_s) for sensor, state in known if state.heard_at is not None]
    if all(at - heard_at > silent_after_s for heard_at, silent_after_s in heard):
        return f"nothing heard for {for_long(at - max(heard_at for heard_at, _ in heard))}" if heard else "nothing heard"
    healths = [health(sensor, state, at) for sensor, state in known]
    return next((_UNWELL[found] for found in healths if found in _UNWELL), "no fresh reading")


_UNWELL = {
    Health.STUCK: "the sensor is stuck",
    Health.IMPLAUSIBLE: "the sensor gives numbers that cannot be",
}


def _t(value_c: float, units: str) -> str:
    return show(value_c, Kind.TEMPERATURE, units)


def _range(low_c: float, high_c: float, units: str) -> str:
    """ "81 to 86 °F", or one number when both ends show the same."""
    low, high = _t(low_c, units), _t(high_c, units)
    if low == high:
        return high
    return f"{low.rsplit(' ', 1)[0]} to {high}"
