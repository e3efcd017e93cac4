"""The answer: one short sentence a matter, for someone who has just been woken.

    Warm enough: 84 °F at chick height, wanted 81 to 86. Air good: 8 ppm. Fan on 40 s of every 300.

Four matters in this order: warmth, air, damp (only when it matters), fan. What is not known is said to be
not known, and is never counted as good. Pure: the state and the moment come in.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

from monitor.air.units import Kind, show
from monitor.api.moments import for_long
from monitor.engine import ladder
from monitor.engine.events import Evidence, Json
from monitor.engine.plan import PenPlan, Warmth
from monitor.engine.specification import Limit, Measure, Sensor
from monitor.engine.state import AlarmRecord, Health, PenState, SensorState

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

    @property
    def sentence(self) -> str:
        return " ".join(part.text for part in self.parts)

    @property
    def verdict(self) -> Verdict:
        """The worst of all matters; not knowing is worse than something to watch."""
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
    warmth = plan.band(day, pen.counts)
    parts = [_warmth(plan, pen, warmth, at, units), _air(plan, pen, warmth is not None, at, units)]
    damp = _damp(plan, pen, at, units)
    if damp is not None:
        parts.append(damp)
    fan = _fan(plan, pen, at)
    if fan is not None:
        parts.append(fan)
    return Answer(tuple(parts))


def is_believed(sensor: Sensor, known: SensorState | None, at: float) -> bool:
    """May this sensor's last number be shown as the present one? Its silence counts by the clock, not by the last event."""
    return (
        known is not None
        and known.health is Health.BELIEVED
        and known.value is not None
        and known.value_at is not None
        and at - known.value_at <= sensor.silent_after_s
    )


def believed(sensors: Sequence[Sensor], pen: PenState, at: float) -> list[float]:
    """The believable values of these sensors."""
    found = []
    for sensor in sensors:
        known = pen.sensors.get(sensor.key)
        if is_believed(sensor, known, at) and known is not None and known.value is not None:
            found.append(known.value)
    return found


def _warmth(plan: PenPlan, pen: PenState, warmth: Warmth | None, at: float, units: str) -> Part:
    values = believed(plan.bird_level, pen, at)
    where = "at bird level"
    if not plan.bird_level:
        values, where = believed(plan.room_temperature, pen, at), "in the room"
    if warmth is None:
        if not values:
            return Part("warmth", Verdict.GOOD, "No birds in.", {})
        return Part("warmth", Verdict.GOOD, f"No birds in; {_t(median(values), units)} {where}.", {"value": median(values)})
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
    if not values:
        last = _last_heard(plan.bird_level or plan.room_temperature, pen, at)
        return Part("warmth", Verdict.UNKNOWN, f"Warmth not known: {last}; {wanted}.", evidence)
    # The worst probe speaks: under one lamp half the birds may be cold while the mean is right.
    value = median(values)
    if min(values) <= band.cold_c:
        value = min(values)
        verdict, word = Verdict.BAD, "Too cold"
    elif max(values) >= band.hot_c:
        value = max(values)
        verdict, word = Verdict.BAD, "Too hot"
    elif value < band.target_low_c:
        verdict, word = Verdict.WATCH, "A little cool"
    elif value > band.target_high_c:
        verdict, word = Verdict.WATCH, "A little warm"
    else:
        verdict, word = Verdict.GOOD, "Warm enough"
    evidence["value"] = value
    text = f"{word}: {_t(value, units)} {where}, {wanted}."
    if warmth.age_days is None:
        text = f"{word}: {_t(value, units)} {where}; what they want is not sure while the date is not known."
    return Part("warmth", verdict, text, evidence)


def _air(plan: PenPlan, pen: PenState, has_birds: bool, at: float, units: str) -> Part:
    if not plan.ammonia and not plan.carbon_dioxide:
        return Part("air", Verdict.UNKNOWN, "Air not measured here: trust your nose, at the birds' height.", {})
    said: list[str] = []
    verdict = Verdict.GOOD
    evidence: dict[str, Json] = {"unit": "ppm"}
    limits = plan.pen.limits
    ammonia = believed(plan.ammonia, pen, at)
    if ammonia:
        value = max(ammonia)
        said.append(f"{show(value, Kind.CONCENTRATION, units)} ammonia")
        birds, people = limits.alarms.get("ammonia_birds"), limits.alarms.get("ammonia_people")
        evidence |= {"value": value, "limit": birds.on if birds else None, "source": birds.source if birds else None}
        if people and value >= people.on:
            verdict, said[-1] = Verdict.BAD, f"{said[-1]}, do not stay in it"
        elif birds and value >= birds.on and has_birds:
            verdict = Verdict.BAD
        elif value > limits.ammonia_target_ppm:
            verdict = Verdict.WATCH
    elif plan.ammonia:
        verdict = Verdict.UNKNOWN
        said.append(f"ammonia not known, {_last_heard(plan.ammonia, pen, at)}")
    gas = believed(plan.carbon_dioxide, pen, at)
    if gas and max(gas) >= limits.carbon_dioxide_ppm:
        said.append(f"{show(max(gas), Kind.CONCENTRATION, units)} carbon dioxide, wanted below {limits.carbon_dioxide_ppm:.0f}")
        verdict = verdict if verdict in (Verdict.BAD, Verdict.UNKNOWN) else Verdict.WATCH
    elif gas and not plan.ammonia:
        said.append(f"{show(max(gas), Kind.CONCENTRATION, units)} carbon dioxide")
    if not said:
        return Part("air", Verdict.UNKNOWN, f"Air not known: {_last_heard(plan.carbon_dioxide, pen, at)}.", evidence)
    word = {Verdict.GOOD: "Air good", Verdict.WATCH: "Air getting thick", Verdict.BAD: "Air bad", Verdict.UNKNOWN: "Air"}[verdict]
    return Part("air", verdict, f"{word}: {'; '.join(said)}.", evidence)


def _damp(plan: PenPlan, pen: PenState, at: float, units: str) -> Part | None:
    """Said only when it is damp, dry or unknown: a third good sentence would hide the first two."""
    if not plan.humidity:
        return None
    values = believed(plan.humidity, pen, at)
    if not values:
        return Part("damp", Verdict.UNKNOWN, f"Humidity not known: {_last_heard(plan.humidity, pen, at)}.", {})
    damp, dry = plan.pen.limits.alarms.get("damp"), plan.pen.limits.alarms.get("dry")
    if damp and max(values) >= damp.on:
        return _humidity_part(max(values), "Damp", damp, units)
    if dry and min(values) <= dry.on:
        return _humidity_part(min(values), "Dry", dry, units)
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
        text = f"Fan {'on' if now.running else 'off'}{speed}, set by hand for {for_long(hand.until - at)} more."
        return Part("fan", Verdict.WATCH, text + unconfirmed, evidence)
    timer_on_s, period_s = now.evidence.get("timer_on_s"), now.evidence.get("timer_period_s")
    if now.reason in _ON_TIMER and isinstance(timer_on_s, int | float) and isinstance(period_s, int | float):
        on = f"on{speed}" if timer_on_s > 0 else "off"
        times = f" {timer_on_s:.0f} s of every {period_s:.0f}" if 0 < timer_on_s < period_s else ""
        return Part("fan", verdict, f"Fan {on}{times} {because(now.reason)}.{unconfirmed}", evidence)
    text = f"Fan {'on' if now.running else 'off'}{speed} {because(now.reason)}, for {for_long(at - now.since)}."
    return Part("fan", verdict, text + unconfirmed, evidence)


def _last_heard(sensors: Iterable[Sensor], pen: PenState, at: float) -> str:
    """Why there is no number, in words."""
    known = [(sensor, pen.sensors.get(sensor.key, SensorState())) for sensor in sensors]
    if not known:
        return "no sensor here"
    if all(state.value is None and state.unreadable == 0 and state.implausible == 0 for _, state in known):
        return "no reading yet"
    heard = [(state.heard_at, sensor.silent_after_s) for sensor, state in known if state.heard_at is not None]
    if all(at - heard_at > silent_after_s for heard_at, silent_after_s in heard):
        return f"nothing heard for {for_long(at - max(heard_at for heard_at, _ in heard))}" if heard else "nothing heard"
    healths = [state.health for _, state in known if state.health is not Health.BELIEVED]
    return _UNWELL.get(healths[0], "no fresh reading") if healths else "no fresh reading"


_UNWELL = {
    Health.STUCK: "the sensor is stuck",
    Health.IMPLAUSIBLE: "the sensor gives numbers that cannot be",
    Health.DISAGREES: "two sensors disagree",
}


def _t(value_c: float, units: str) -> str:
    return show(value_c, Kind.TEMPERATURE, units)


def _range(low_c: float, high_c: float, units: str) -> str:
    """ "81 to 86 °F", or one number when both ends show the same."""
    low, high = _t(low_c, units), _t(high_c, units)
    if low == high:
        return high
    return f"{low.rsplit(' ', 1)[0]} to {high}"
