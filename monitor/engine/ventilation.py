"""The minimum-ventilation timer, from the birds' required airflow and what the fan really delivers.

Two timers are kept. The ordinary one brings what the birds need: the trade's minimum by live weight,
fresh air against carbon dioxide, and, where the outside is known, air against moisture. The least one, for
a pen that is too cold or whose warmth is not known, brings the trade's minimum alone.
Worked out once an hour and when birds, settings or the calendar day change.
"""

from __future__ import annotations

from functools import lru_cache

from monitor.air import balance, psychrometrics
from monitor.air.duct import DuctRun, compression_multiplier
from monitor.air.fan import Curve, OperatingPoint, operating_point, speed_for_airflow_pct
from monitor.air.inlet import Inlet as Opening
from monitor.engine.flock import Living, output_of
from monitor.engine.plan import PenPlan
from monitor.engine.records import record, replace
from monitor.engine.specification import Duct, Inlet, Pen
from monitor.engine.state import Health, PenState
from monitor.engine.view import View

LONGEST_PERIOD_S = 900.0  # longer cycles swing a small room's temperature; our own rule, from 5 to 15 min in the trade
OUTSIDE_HUMIDITY_WHEN_UNKNOWN_PCT = 85.0  # a usual cool night; our own rule
SECONDS_AN_HOUR = 3600.0


@record(frozen=True, slots=True)
class Need:
    """Required airflow now, by need, and what the fan delivers at full speed; m³/h."""

    requirement: balance.Requirement
    least_m3_h: float
    delivered_m3_h: float | None  # None: the fan's curve is not known


def duct_run(duct: Duct | None) -> DuctRun | None:
    """The duct of the settings as the physics wants it."""
    if duct is None:
        return None
    squeezed = min(max(duct.compression, 0.0), 0.3)
    multiplier = compression_multiplier(min(max(duct.diameter_m, 0.1), 0.3), squeezed) if squeezed > 0 else 1.0
    return DuctRun(
        duct.diameter_m,
        duct.length_m,
        duct.roughness_m,
        duct.entry_loss + duct.elbows * duct.elbow_loss + duct.discharge_loss,
        multiplier,
    )


def opening(inlet: Inlet | None) -> Opening | None:
    return None if inlet is None else Opening(inlet.area_m2, inlet.discharge_coefficient, inlet.leakage_area_m2)


@lru_cache(maxsize=64)
def _curve(points: tuple[tuple[float, float], ...]) -> Curve:
    return Curve.from_points(points)


@lru_cache(maxsize=256)
def _point(
    points: tuple[tuple[float, float], ...], duct: DuctRun | None, way_in: Opening | None, speed_pct: float
) -> OperatingPoint:
    curve = _curve(points)
    return operating_point(curve if speed_pct >= 100.0 else curve.at_speed(speed_pct), duct, way_in)


def delivered(pen: Pen, speed_pct: float = 100.0) -> OperatingPoint | None:
    """Where the pen's fan works against its duct and inlets; None without a fan or its curve."""
    if pen.fan is None or len(pen.fan.curve) < 2:
        return None
    known = _points.get((id(pen), speed_pct))
    if known is None or known[0] is not pen:
        if len(_points) >= 256:
            _points.clear()
        known = _points[id(pen), speed_pct] = (pen, _point(pen.fan.curve, duct_run(pen.duct), opening(pen.inlet), speed_pct))
    return known[1]


_points: dict[tuple[int, float], tuple[Pen, OperatingPoint]] = {}  # by pen and speed: asked at each judgement


def need(plan: PenPlan, pen: PenState, view: View, day: int | None, altitude_m: float) -> Need:
    """What the birds of this pen need now."""
    birds, inside = plan.living(day, pen.counts), inside_c(view)
    needs = airflow_needs(birds, wanted_of(plan.pen), inside, outside_air(plan, pen, view), altitude_m)
    least = output_of(birds, inside).metabolic_kg * plan.pen.limits.minimum_airflow_m3_h_kg
    point = delivered(plan.pen)
    return Need(balance.required_m3_h(needs), least, None if point is None else point.airflow_m3_s * SECONDS_AN_HOUR)


Wanted = tuple[float, float, float]  # minimum airflow, m³/h per kg^0.75; most carbon dioxide, ppm; humidity to hold, %


def wanted_of(pen: Pen) -> Wanted:
    """What the limits of a pen ask of its airflow."""
    return pen.limits.minimum_airflow_m3_h_kg, pen.limits.carbon_dioxide_ppm, pen.limits.humidity_target_pct


def airflow_needs(
    birds: Living, wanted: Wanted, inside_c: float, outside: tuple[float, float] | None, altitude_m: float
) -> dict[str, balance.Answer]:
    """Airflow by need, m³/h, with the pen at this temperature, °C, and this air outside, °C and %, where it is known."""
    given = output_of(birds, inside_c)
    needs: dict[str, balance.Answer] = {
        "live weight": given.metabolic_kg * wanted[0],
        "carbon dioxide": balance.carbon_dioxide_m3_h(given.carbon_dioxide_m3_h, wanted[1]),
    }
    if outside is not None and given.count > 0:
        needs["moisture"] = _moisture(given.moisture_g_h, wanted[2], inside_c, outside, altitude_m)
    return needs


def inside_c(view: View) -> float:
    """The temperature of the pen's air that its birds' needs are worked out at, °C; as wanted, where it is not known."""
    if view.coolest is not None:
        return view.coolest.value
    if view.warmth is not None:
        return 0.5 * (view.warmth.band.target_low_c + view.warmth.band.target_high_c)
    return 15.0


def outside_air(plan: PenPlan, pen: PenState, view: View) -> tuple[float, float] | None:
    """Air outside, °C and %, the humidity a usual one where it is not measured; None where no thermometer tells."""
    if view.outside is None:
        return None
    for sensor in plan.outside_humidity:
        if view.healths.get(sensor.key) is Health.BELIEVED and (value := pen.sensors[sensor.key].value) is not None:
            return view.outside.value, value
    return view.outside.value, OUTSIDE_HUMIDITY_WHEN_UNKNOWN_PCT


def _moisture(
    water_g_h: float, target_pct: float, inside_c: float, outside_air: tuple[float, float], altitude_m: float
) -> balance.Answer:
    inside = min(max(inside_c, -20.0), 45.0)
    outside = min(max(outside_air[0], -40.0), 45.0)
    return balance.moisture_m3_h(
        water_g_h,
        inside,
        _as_physics_counts(target_pct, inside),
        outside,
        _as_physics_counts(outside_air[1], outside),
        psychrometrics.pressure_at_altitude_pa(altitude_m),
    )


def _as_physics_counts(sensor_pct: float, temperature_c: float) -> float:
    """Sensors report humidity over liquid water even in frost; the formulas count it over ice there."""
    return psychrometrics.over_ice_pct(temperature_c, min(max(sensor_pct, 5.0), 100.0))


def plan_timer(plan: PenPlan, pen: PenState, view: View, day: int | None, altitude_m: float) -> PenState:
    """The pen with its timers worked out, if they are due."""
    spec = plan.pen.fan
    if spec is None:
        return pen
    reason = _reason(int(view.at // SECONDS_AN_HOUR), day, plan.fingerprint, tuple(pen.counts.items()))
    if pen.fan.timer_planned_for == reason:
        return pen
    wanted = need(plan, pen, view, day, altitude_m)
    fan = replace(pen.fan, timer_planned_for=reason)
    if view.warmth is None:
        fan = replace(fan, timer_on_s=0.0, least_on_s=0.0, timer_period_s=spec.timer_period_s, timer_speed_pct=None)
        return replace(pen, fan=fan)
    ordinary = wanted.requirement.airflow_m3_h or 0.0
    if not wanted.delivered_m3_h:
        # Nothing known of the fan: its shortest run in each period, and the sheet says so.
        fan = replace(
            fan,
            timer_on_s=spec.shortest_on_s,
            least_on_s=spec.shortest_on_s,
            timer_period_s=spec.timer_period_s,
            timer_speed_pct=None,
        )
        return replace(pen, fan=fan)
    speed, full = 100.0, wanted.delivered_m3_h
    if spec.variable:
        speed = _gentlest_speed(plan.pen, ordinary, spec.lowest_speed_pct)
        point = delivered(plan.pen, speed)
        full = point.airflow_m3_s * SECONDS_AN_HOUR if point is not None and point.airflow_m3_s > 0 else full
    on_s, least_s, period_s = timer(
        ordinary, wanted.least_m3_h, full, spec.timer_period_s, spec.shortest_on_s, spec.shortest_off_s
    )
    fan = replace(
        fan, timer_on_s=on_s, least_on_s=least_s, timer_period_s=period_s, timer_speed_pct=speed if spec.variable else None
    )
    return replace(pen, fan=fan)


@lru_cache(maxsize=128)
def _reason(hour: int, day: int | None, fingerprint: int, counts: tuple[tuple[str, int], ...]) -> str:
    return f"{hour}/{day}/{fingerprint}/{sorted(counts)}"


def timer(
    ordinary_m3_h: float, least_m3_h: float, delivered_m3_h: float, period_s: float, shortest_on_s: float, shortest_off_s: float
) -> tuple[float, float, float]:
    """Seconds on (ordinary, least) in each period, and the period, seconds.

    duty = required / delivered. A run is never shorter than the fan's shortest; where the least need is
    smaller than that, the period grows instead, up to a quarter of an hour. A rest shorter than the fan's
    shortest is no rest: the fan runs through.

    Example: 10 000 cfm of fan for 1 in 10 minutes gives 1000 cfm (University of Georgia).
    """
    least_duty = min(1.0, least_m3_h / delivered_m3_h)
    duty = max(least_duty, min(1.0, ordinary_m3_h / delivered_m3_h))
    period = period_s
    if least_duty * period < shortest_on_s:
        period = min(LONGEST_PERIOD_S, shortest_on_s / least_duty) if least_duty > 0 else LONGEST_PERIOD_S
        period = max(period, period_s)
    least_s = max(shortest_on_s, least_duty * period)
    on_s = max(least_s, duty * period)
    return _whole(on_s, period, shortest_off_s), _whole(least_s, period, shortest_off_s), round(period, 1)


def _whole(on_s: float, period_s: float, shortest_off_s: float) -> float:
    return round(period_s, 1) if on_s > period_s - shortest_off_s else round(on_s, 1)


def _gentlest_speed(pen: Pen, airflow_m3_h: float, lowest_pct: float) -> float:
    if pen.fan is None:
        return 100.0
    speed = speed_for_airflow_pct(_curve(pen.fan.curve), airflow_m3_h / SECONDS_AN_HOUR, duct_run(pen.duct), opening(pen.inlet))
    return 100.0 if speed is None else max(lowest_pct, min(100.0, 5.0 * -(-speed // 5.0)))
