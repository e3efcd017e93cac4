"""Does the fan do what it is told? Reports taken in, commands said again, and the question answered."""

from __future__ import annotations

from monitor.engine.events import FanReport
from monitor.engine.plan import IDLE_FAN_PCT, IDLE_FAN_W, PenPlan
from monitor.engine.records import replace
from monitor.engine.specification import Fan
from monitor.engine.state import FanState, Health, PenState
from monitor.engine.view import View

HEARTBEAT_S = 60.0  # a standing command is sent again this often, so that a relay can tell an old command
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
        # A fan that answers "off" truly but missed its last "on" is not cleared by resting as told.
        return (None if missed else False), ""
    if fan.reported_at is not None and fan.reported_at >= fan.changed_at:
        return True, "the relay reports the opposite"
    if settled:
        return True, "the relay does not report"
    return None, ""


def fan_words(running: bool, speed_pct: float | None) -> str:
    if not running:
        return "resting"
    return "running" if speed_pct is None else f"running at {speed_pct:g} %"


def fan_confirms(fan: FanState, variable: bool) -> bool:
    """Does the relay's last report say what was commanded?"""
    if fan.reported_running is None or fan.reported_running != fan.running:
        return False
    if variable and fan.running and fan.speed_pct is not None and fan.reported_speed_pct is not None:
        return abs(fan.reported_speed_pct - fan.speed_pct) <= 10.0
    return True


def take_report(pen: PenState, event: FanReport, at: float, spec: Fan) -> PenState:
    """The pen with what its relay says; a report that fits clears the count of misses."""
    fan: FanState = replace(pen.fan, reported_running=event.running, reported_speed_pct=event.speed_pct, reported_at=at)
    if fan_confirms(fan, spec.variable):
        on, off = (0, fan.unconfirmed_off) if fan.running else (fan.unconfirmed_on, 0)
        return replace(pen, fan=replace(fan, confirmed=True, unconfirmed_on=on, unconfirmed_off=off))
    return replace(pen, fan=replace(fan, confirmed=False))


def must_say_again(spec: Fan, fan: FanState, at: float, *, at_once: bool) -> bool:
    """Is the standing command due to be sent once more? Where the relay has not confirmed it, and as a heartbeat."""
    if fan.changed_at is None or fan.sent_at is None:
        return False
    waiting = spec.report_topic is not None and not fan.confirmed
    wait = spec.report_within_s if waiting else HEARTBEAT_S
    return (at_once and fan.sent_at < at) or at - fan.sent_at >= wait
