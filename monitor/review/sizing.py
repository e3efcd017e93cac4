"""The ventilation sheet of one pen: air the birds need against air the fan moves, now and week by week.

Rules of this file: pure; today comes in. Two outside states are looked at, a winter night and a summer day.
Adequacy = delivered / required, one figure for each need, at the inside state to be held; the smallest
governs. A need that no airflow meets says so and has no figure.

What is assumed, and said on the sheet:
- birds grow by their class's table and nobody dies; a flock leaves on its processing day;
- the walls and the ceiling lose heat, the floor does not (litter over warmer ground; our own simplification);
- the sun on the roof and air through the leaks while the fan rests are not counted.

Sources
    [1] U.S. Department of Agriculture, leaflet 397 (1950s), read in part: a room of 50 to 60 °F around lamps.
    [2] Council Directive 2007/43/EC: inside at most 3 K above outside on hot days.
Every limit and rate of `monitor.facts` carries its own source there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date, timedelta

from monitor.air import balance, birds, psychrometrics, surface
from monitor.air.balance import Answer, CannotMeet
from monitor.air.inlet import Inlet as Opening
from monitor.engine.flock import Output, live_weight_kg, output
from monitor.engine.plan import band_of
from monitor.engine.specification import Pen, Specification, WarmthBand
from monitor.engine.ventilation import SECONDS_AN_HOUR, delivered, timer
from monitor.facts.airflow import RATES
from monitor.facts.ammonia import EMISSION
from monitor.facts.climate import TEMPERATURE
from monitor.review.horizon import horizon, present
from monitor.review.sheet import (
    AMMONIA,
    CARBON_DIOXIDE,
    HEAT,
    LIVE_WEIGHT,
    MOISTURE,
    SUMMER,
    Case,
    Delivered,
    HeatBalance,
    OutsideAir,
    Sheet,
    Timer,
    Week,
)

ROOM_AROUND_LAMPS_C = 12.8  # 55 °F, the middle of [1]; the lamp makes the warm spot, the room's air is cooler
SUMMER_RISE_K = TEMPERATURE["summer, inside above outside at most"].value  # [2]
MILD_NIGHT_RISE_K = 2.0  # the birds' own heat over a night warmer than they need; inference
EMISSION_BIRD_KG = 2.0  # the default emission is that of a grown hen; smaller birds by metabolic weight (inference)
HOTTEST_C = 45.0  # up to where the formulas of birds' heat hold
COLDEST_OUTSIDE_C, HOTTEST_OUTSIDE_C = -40.0, 50.0


def sheet(
    pen: Pen,
    counts: Mapping[str, int],
    today: date,
    winter: OutsideAir,
    summer: OutsideAir,
    altitude_m: float = 0.0,
    emission_mg_h: float | None = None,
) -> Sheet:
    """Draw up the sheet of one pen.

    Args:
        pen: as the settings resolve it.
        counts: birds now by flock; a flock left out has the count of its settings.
        today: the local calendar day.
        winter, summer: outside air of the coldest usual night and the hottest usual day.
        altitude_m: of the site, m; thinner air carries less water.
        emission_mg_h: ammonia the litter of this pen gives off now by its own readings; None takes the default.

    Raises:
        OutOfRange: outside air or pen lie beyond what the formulas cover; the settings refuse such values.
    """
    number = sum(present(flock, counts, today) for flock in pen.flocks)
    per_bird = None if emission_mg_h is None or number == 0 else emission_mg_h / number * 24.0 / 1000.0
    span = horizon(pen, counts, today)
    days = [today + timedelta(weeks=n) for n in range(span.weeks + 1)]
    pressure_pa = psychrometrics.pressure_at_altitude_pa(altitude_m)
    moved = delivered_by(pen)
    made = tuple(week(pen, counts, day, winter, summer, pressure_pa, per_bird, moved, today) for day in days)
    return Sheet(pen, today, span, moved, per_bird, made)


def draw_up(
    specification: Specification,
    pen: str,
    counts: Mapping[str, int],
    today: date,
    seen_outside: tuple[float, float] | None = None,
    emission_mg_h: float | None = None,
) -> Sheet:
    """The sheet of one pen under the outside air of the settings, or what was seen beyond it.

    Args:
        seen_outside: coldest and warmest hourly mean of the outside thermometer in the year past, °C; where it
            went beyond the settings' night or day, that is taken. None: not measured.
        Others as for `sheet`.
    """
    cold, hot = OutsideAir(*specification.winter_night), OutsideAir(*specification.summer_day)
    if seen_outside is not None:
        low, high = max(seen_outside[0], COLDEST_OUTSIDE_C), min(seen_outside[1], HOTTEST_OUTSIDE_C)
        cold = OutsideAir(low, cold.humidity_pct, True) if low < cold.temperature_c else cold
        hot = OutsideAir(high, hot.humidity_pct, True) if high > hot.temperature_c else hot
    return sheet(specification.pens[pen], counts, today, cold, hot, specification.altitude_m, emission_mg_h)


def delivered_by(pen: Pen) -> Delivered | None:
    """What the pen's fan moves at full speed; None without a fan or its curve."""
    point = delivered(pen)
    if point is None:
        return None
    share, sealed = 0.0, None
    if pen.inlet is not None:
        openings = Opening(pen.inlet.area_m2, pen.inlet.discharge_coefficient, pen.inlet.leakage_area_m2)
        if openings.effective_area_m2 > 0.0:
            share = openings.leakage_area_m2 / openings.effective_area_m2
        sealed = _sealed_pressure_pa(pen)
    return Delivered(
        point.airflow_m3_s * SECONDS_AN_HOUR,
        point.fan_pressure_pa,
        point.duct_pressure_pa,
        point.room_negative_pressure_pa,
        None if pen.inlet is None else point.inlet_speed_m_s,
        share,
        sealed,
        point.verdict,
    )


def _sealed_pressure_pa(pen: Pen) -> float | None:
    if pen.inlet is None or pen.inlet.leakage_area_m2 < 1e-6:
        return None
    shut = delivered(replace(pen, inlet=replace(pen.inlet, area_m2=0.0)))
    return None if shut is None else shut.room_negative_pressure_pa


def week(
    pen: Pen,
    counts: Mapping[str, int],
    day: date,
    winter: OutsideAir,
    summer: OutsideAir,
    pressure_pa: float,
    emission_g_bird_day: float | None,
    moved: Delivered | None,
    today: date | None = None,
) -> Week:
    """The pen on one day; arguments as for `sheet`."""
    here = {flock.name: present(flock, counts, day) for flock in pen.flocks}
    ordinal = day.toordinal()
    band = governing_band(pen, here, ordinal)
    loss_w_k = wall_loss_w_k(pen)
    ammonia_mg_h = emission_mg_h(pen, here, ordinal, emission_g_bird_day, today)
    cold = _winter(pen, here, ordinal, band, winter, pressure_pa, ammonia_mg_h, moved)
    hot = _summer(pen, here, ordinal, band, summer, pressure_pa, ammonia_mg_h, moved, loss_w_k)
    given = output(pen, here, ordinal, cold.birds_c)
    return Week(
        day,
        {flock.name: ordinal - flock.hatched.toordinal() for flock in pen.flocks if here[flock.name] > 0},
        given.count,
        given.live_weight_kg,
        given,
        cold,
        hot,
        _heat(pen, here, ordinal, band, cold, given, loss_w_k, pressure_pa),
        _timer(pen, cold),
    )


def governing_band(pen: Pen, counts: Mapping[str, int], day: int) -> WarmthBand | None:
    """The warmth band of the flock that wants it warmest; None for an empty pen."""
    found = [band_of(f, pen.limits.warmth.get(f.bird_class, ()), day) for f in pen.flocks if counts.get(f.name, 0) > 0]
    bands = [warmth.band for warmth in found if warmth is not None]
    return max(bands, key=lambda band: band.target_high_c, default=None)


def wall_loss_w_k(pen: Pen) -> float:
    """Heat that walls and ceiling lose for each kelvin, W/K (ISO 6946 surface resistances)."""
    area_m2 = 2.0 * (pen.length_m + pen.width_m) * pen.height_m + pen.floor_m2
    return area_m2 / (surface.WALL_INSIDE_M2K_W + pen.insulation_m2k_w + surface.OUTSIDE_M2K_W)


def emission_mg_h(
    pen: Pen, counts: Mapping[str, int], day: int, g_bird_day: float | None = None, measured_on: date | None = None
) -> float:
    """Ammonia given off, mg/h.

    Args:
        g_bird_day: measured, per bird of the day `measured_on`; None takes the default of a grown hen.
    """
    total = 0.0
    for flock in pen.flocks:
        number = counts.get(flock.name, 0)
        if number <= 0:
            continue
        weight = birds.metabolic_weight(live_weight_kg(flock, day))
        if g_bird_day is None or measured_on is None:
            then = birds.metabolic_weight(EMISSION_BIRD_KG)
        else:
            then = birds.metabolic_weight(live_weight_kg(flock, measured_on.toordinal()))
        each = g_bird_day if g_bird_day is not None else EMISSION["small flock, default"].value
        total += number * each * weight / then
    return total * 1000.0 / 24.0


def _winter(
    pen: Pen,
    counts: Mapping[str, int],
    day: int,
    band: WarmthBand | None,
    outside: OutsideAir,
    pressure_pa: float,
    ammonia_mg_h: float,
    moved: Delivered | None,
) -> Case:
    birds_c = 10.0 if band is None else band.target_low_c
    inside_c = min(birds_c, ROOM_AROUND_LAMPS_C) if band is not None and band.needs_heat else birds_c
    # In a mild climate the room is warmer than the birds ask for: nothing cools it below the night outside.
    inside_c = max(inside_c, outside.temperature_c + MILD_NIGHT_RISE_K)
    birds_c = max(birds_c, inside_c)
    given = output(pen, counts, day, birds_c)
    return _case(pen, outside, inside_c, birds_c, given, pressure_pa, ammonia_mg_h, moved, {})


def _summer(
    pen: Pen,
    counts: Mapping[str, int],
    day: int,
    band: WarmthBand | None,
    outside: OutsideAir,
    pressure_pa: float,
    ammonia_mg_h: float,
    moved: Delivered | None,
    loss_w_k: float,
) -> Case:
    allowed_c = outside.temperature_c + SUMMER_RISE_K
    # Where the birds bear it warmer than that (chicks), there is no need to hold it cooler.
    inside_c = min(HOTTEST_C, allowed_c if band is None else max(allowed_c, band.target_high_c))
    given = output(pen, counts, day, inside_c)
    surplus_w = given.sensible_w - loss_w_k * (inside_c - outside.temperature_c)
    more: dict[str, Answer] = {}
    if given.count:
        more[HEAT] = balance.sensible_heat_m3_h(surplus_w, inside_c, outside.temperature_c, pressure_pa)
        if band is not None and band.vent_c <= allowed_c:
            more[SUMMER] = given.live_weight_kg * RATES["summer per kg"].value
    return _case(pen, outside, inside_c, inside_c, given, pressure_pa, ammonia_mg_h, moved, more)


def _case(
    pen: Pen,
    outside: OutsideAir,
    inside_c: float,
    birds_c: float,
    given: Output,
    pressure_pa: float,
    ammonia_mg_h: float,
    moved: Delivered | None,
    more: Mapping[str, Answer],
) -> Case:
    limits = pen.limits
    needs: dict[str, Answer] = {}
    if given.count:
        needs = {
            LIVE_WEIGHT: given.metabolic_kg * limits.minimum_airflow_m3_h_kg,
            CARBON_DIOXIDE: balance.carbon_dioxide_m3_h(given.carbon_dioxide_m3_h, limits.carbon_dioxide_ppm),
            MOISTURE: balance.moisture_m3_h(
                given.moisture_g_h,
                inside_c,
                psychrometrics.over_ice_pct(inside_c, limits.humidity_target_pct),
                outside.temperature_c,
                psychrometrics.over_ice_pct(outside.temperature_c, outside.humidity_pct),
                pressure_pa,
            ),
            AMMONIA: balance.ammonia_m3_h(ammonia_mg_h, limits.ammonia_target_ppm, inside_c, 0.0, pressure_pa),
            **more,
        }
    wanted = balance.required_m3_h(needs)
    adequacy = (
        {}
        if moved is None
        else {name: moved.airflow_m3_h / need for name, need in needs.items() if not isinstance(need, CannotMeet) and need > 0.0}
    )
    worst = adequacy.get(wanted.governing) if wanted.governing is not None else None
    return Case(
        outside,
        inside_c,
        limits.humidity_target_pct,
        birds_c,
        needs,
        adequacy,
        wanted.governing,
        wanted.airflow_m3_h,
        worst,
    )


def _heat(
    pen: Pen,
    counts: Mapping[str, int],
    day: int,
    band: WarmthBand | None,
    cold: Case,
    given: Output,
    loss_w_k: float,
    pressure_pa: float,
) -> HeatBalance:
    lamp_w: float | None = 0.0
    if band is not None and band.needs_heat and pen.heat.kind != "none":
        lamp_w = pen.heat.watts
    heat_w = given.sensible_w + (lamp_w or 0.0)
    airflow, outside_c = cold.required_m3_h or 0.0, cold.outside.temperature_c

    def shortfall_w(inside_c: float) -> float:
        # Under a lamp the birds stay in their warm spot whatever the room does.
        at_c = cold.birds_c if band is not None and band.needs_heat else inside_c
        own = output(pen, counts, day, at_c).sensible_w + (lamp_w or 0.0)
        capacity = balance.heat_capacity_j_m3_k(inside_c, pressure_pa)
        return (loss_w_k + airflow / SECONDS_AN_HOUR * capacity) * (inside_c - outside_c) - own

    return HeatBalance(
        given.sensible_w,
        lamp_w,
        loss_w_k,
        balance.affordable_m3_h(heat_w, cold.inside_c, outside_c, loss_w_k, pressure_pa),
        balance.heater_w(airflow, cold.inside_c, outside_c, heat_w, loss_w_k, pressure_pa),
        None if band is None or band.needs_heat else band.cold_c,
        rising_root(shortfall_w, -20.0, HOTTEST_C, 0.05),
    )


def rising_root(f: Callable[[float], float], low: float, high: float, within: float) -> float | None:
    """Where a rising function crosses 0, by halving; None when it does not between low and high."""
    if f(low) > 0.0 or f(high) < 0.0:
        return None
    while high - low > within:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if f(middle) >= 0.0 else (middle, high)
    return 0.5 * (low + high)


def _timer(pen: Pen, cold: Case) -> Timer | None:
    fan, point = pen.fan, delivered(pen)
    if fan is None or point is None or point.airflow_m3_s <= 0.0 or not cold.required_m3_h:
        return None
    speed = 100.0
    if fan.variable:
        speed = gentlest_speed_pct(pen, cold.required_m3_h)
        point = delivered(pen, speed) or point
    least = cold.needs[LIVE_WEIGHT]
    least_m3_h = least if isinstance(least, float) else 0.0
    full = point.airflow_m3_s * SECONDS_AN_HOUR
    on_s, least_s, period_s = timer(
        cold.required_m3_h, least_m3_h, full, fan.timer_period_s, fan.shortest_on_s, fan.shortest_off_s
    )
    return Timer(on_s, least_s, period_s, speed if fan.variable else None)


def gentlest_speed_pct(pen: Pen, airflow_m3_h: float) -> float:
    """Lowest speed of a variable fan, in steps of 5 %, that moves this airflow; 100 when none does."""
    lowest = 100.0 if pen.fan is None else max(5.0, 5.0 * -(-pen.fan.lowest_speed_pct // 5.0))
    speed = lowest
    while speed < 100.0:
        point = delivered(pen, speed)
        if point is not None and point.airflow_m3_s * SECONDS_AN_HOUR >= airflow_m3_h:
            return speed
        speed += 5.0
    return 100.0
