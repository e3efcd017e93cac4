"""Does the fan still move what it used to? Told from how the air's gas follows the fan's runs and rests.

Carbon dioxide (else ammonia, else moisture) gathers while the fan rests and thins out while it runs:

    dC/dt = source − (leak + share · N₀ · on) · (C − outside)

N₀ is what the settings promise in air changes, `on` the part of each minute it ran. For one hour at a time
the start, a steady source and its drift are fitted for each of a row of shares, behind the sensor's own
lag; the best share and its spread follow from the parabola through the lowest three. An hour in which the
fan never changed says nothing and is passed over. Single hours scatter by 10 to 40 %; so the last two days
(or the last one, when that is enough to be sure) are set against the pen's own first three, each hour weighed by
its spread, and it is the upper end of the ratio's 95 % interval that must lie below the limit. A share of its own is
not told: mixing and the sensor's place bias it, but the same way on every day. ASTM E741 asks for the same things:
one zone, steady runs, an interval.

Where the motor's power is measured, a change of it at the same speed by 8 % says that something about the
fan has changed, though not what: the gas then only has to agree, its ratio below the limit by half a
standard deviation. Power alone calls nothing, for it follows the mains voltage too.

Rules of this file: pure; one sample a minute; small JSON memory. "Fan cleaned" in the journal begins anew.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.air import psychrometrics
from monitor.engine.events import Json
from monitor.engine.plan import PenPlan
from monitor.engine.specification import Sensor
from monitor.engine.state import FanState, Health, PenState
from monitor.engine.ventilation import SECONDS_AN_HOUR, delivered
from monitor.engine.view import Condition, View

BLOCK = 60  # minutes fitted together
LEAK_H = 0.5  # air changes an hour while the fan rests; a closed small barn has 0.3 to 1.5. Our own rule.
USUAL_LAG_S = 60.0  # of gas and humidity sensors whose lag is not set. Common practice.
OUTSIDE_CO2_PPM = 420.0
NOMINAL_CHANGES_H = 12.0  # for a fan of unknown strength: only ratios are told
SHARES = tuple(0.2 * (2.0 / 0.2) ** (i / 17.0) for i in range(18))
LEAST_DUTY = 0.015  # a minute in the hour, of running or of rest
WIDEST_SD = 0.8  # of the logarithm of one hour's share; a less certain hour is left out
HOUR_SD = 0.07  # scatter from hour to hour that its own fit does not see
BETWEEN_DAYS_SD = 0.03  # wind, warmth and doors move whole days
FIRST_DAYS_S, RECENT_S = 3.0 * 86_400.0, 2.0 * 86_400.0
LEAST_FIRST, LEAST_RECENT = 6, 8
LAST_DAY_BINS, LEAST_LAST_DAY = 4, 5  # a sudden loss shows in the last day first; two days would halve it for another
CORROBORATED_RECENT = 2  # where the motor's power says that something has changed
BIN_S = 6.0 * 3600.0  # the last two days are kept as sums of six hours each
POWER_CHANGE = 0.08
CORROBORATED_Z = 0.5
LEAST_AMMONIA_PPM = 8.0
NORMAL_975 = 1.96


@dataclass(frozen=True, slots=True)
class Strength:
    """What the fan moves now over what it moved at first.

    Attributes:
        ratio: best estimate; 1 as at first.
        low, high: 95 % interval.
        hours, first_hours: fitted hours behind it, lately and at first.
        sd: standard deviation of the ratio's logarithm.
        power_ratio: power at full speed now over at first; None where it is not measured.
    """

    ratio: float
    low: float
    high: float
    hours: int
    first_hours: int
    sd: float
    power_ratio: float | None = None


def share_of(
    values: Sequence[float], on: Sequence[float], outside: float, changes_h: float, lag_s: float
) -> tuple[float, float] | None:
    """The fan's share of its promised air changes during one block, and its standard deviation, both as logarithms.

    Args:
        values: one a minute, in any unit of concentration.
        on: part of the minute before each value that the fan ran, times its relative airflow, 0 to 1.
        outside: level of the air coming in.
        changes_h: promised with the fan on, per hour.
        lag_s: of the sensor, s.

    Returns:
        None when the block cannot tell: the fan hardly changed, or no share fits best.
    """
    n, duty = len(values), sum(on) / len(on)
    if not LEAST_DUTY <= duty <= 1.0 - LEAST_DUTY or max(on) - min(on) < 0.2:
        return None
    losses = [_loss(values, on, outside, share * changes_h, lag_s) for share in SHARES]
    best = min(range(len(SHARES)), key=losses.__getitem__)
    if best in (0, len(SHARES) - 1):
        return None
    step = math.log(SHARES[1] / SHARES[0])
    before, least, after = losses[best - 1 : best + 2]
    bend = before - 2.0 * least + after
    if bend <= 0.0:
        return None
    found = math.log(SHARES[best]) + 0.5 * step * (before - after) / bend
    # 2 for the parabola's half, 2 more because neighbouring minutes resemble one another
    sd = math.sqrt(4.0 * max(least, 1e-12) / (n - 4) / (bend / (step * step)))
    return (found, sd) if sd <= WIDEST_SD else None


def _loss(values: Sequence[float], on: Sequence[float], outside: float, changes_h: float, lag_s: float) -> float:
    """Sum of squares with the best start, source and drift at this many changes an hour."""
    minute = 1.0 / 60.0
    kept = math.exp(-60.0 / lag_s) if lag_s > 0.0 else 0.0
    start, steady, drift = 1.0, 0.0, 0.0
    seen = [1.0, 0.0, 0.0]
    sums = [[0.0] * 3 for _ in range(3)]
    right, squares = [0.0] * 3, 0.0
    for i, (value, part) in enumerate(zip(values, on, strict=True)):
        if i:
            rate = LEAK_H + changes_h * part
            fade = math.exp(-rate * minute)
            gain = (1.0 - fade) / rate
            new = (start * fade, steady * fade + gain, drift * fade + gain * i / len(values))
            seen = [s * kept + (1.0 - kept) * 0.5 * (a + b) for s, a, b in zip(seen, (start, steady, drift), new, strict=True)]
            start, steady, drift = new
        y = value - outside
        squares += y * y
        for a in range(3):
            right[a] += seen[a] * y
            for b in range(a, 3):
                sums[a][b] += seen[a] * seen[b]
    for a in range(3):
        for b in range(a):
            sums[a][b] = sums[b][a]
    solution = _solve(sums, right)
    if solution is None:
        return math.inf
    return max(0.0, squares - sum(c * r for c, r in zip(solution, right, strict=True)))


def _solve(matrix: Sequence[Sequence[float]], right: Sequence[float]) -> list[float] | None:
    """Three equations by elimination with pivots; None when they do not hold three unknowns."""
    rows = [[*row, r] for row, r in zip(matrix, right, strict=True)]
    for i in range(3):
        pivot = max(range(i, 3), key=lambda k: abs(rows[k][i]))
        if abs(rows[pivot][i]) < 1e-15:
            return None
        rows[i], rows[pivot] = rows[pivot], rows[i]
        for k in range(i + 1, 3):
            factor = rows[k][i] / rows[i][i]
            rows[k] = [x - factor * y for x, y in zip(rows[k], rows[i], strict=True)]
    out = [0.0, 0.0, 0.0]
    for i in (2, 1, 0):
        out[i] = (rows[i][3] - sum(rows[i][k] * out[k] for k in range(i + 1, 3))) / rows[i][i]
    return out


def compare(
    first: Sequence[float], recent: Sequence[float], power_ratio: float | None = None, least: int = LEAST_RECENT
) -> Strength | None:
    """Recent hours against the first ones, each as (count, Σw, Σwx, Σwx²) of logarithms; None while either are too few."""
    least = CORROBORATED_RECENT if _corroborates(power_ratio) else least
    if first[0] < LEAST_FIRST or recent[0] < least:
        return None
    (m0, s0), (m1, s1) = _centre(first), _centre(recent)
    sd = math.sqrt(s0 * s0 + s1 * s1 + 2.0 * BETWEEN_DAYS_SD**2)
    log, half = m1 - m0, NORMAL_975 * sd
    return Strength(math.exp(log), math.exp(log - half), math.exp(log + half), int(recent[0]), int(first[0]), sd, power_ratio)


def _centre(sums: Sequence[float]) -> tuple[float, float]:
    """Weighted mean and its standard deviation, widened when the hours scatter more than they should."""
    count, weight, wx, wxx = sums
    mean = wx / weight
    scatter = max(0.0, wxx - wx * mean) / max(1.0, count - 1.0)
    return mean, math.sqrt(max(1.0, scatter) / weight)


# ------------------------------------------------------------------ in the engine


def watch(plan: PenPlan, pen: PenState, view: View) -> Mapping[str, Json]:
    """The pen's memory with this minute taken in. Called once on each whole minute."""
    if plan.pen.fan is None:
        return pen.memory
    found = pen.memory.get("fan")
    kept: dict[str, Json] = dict(found) if isinstance(found, dict) else {}
    ran_s = _ran_s(pen.fan, view.at)
    before, at = _number(kept.get("ran_s")), _number(kept.get("at"))
    kept["ran_s"], kept["at"] = round(ran_s, 1), view.at
    _watch_power(plan, pen, view, kept)
    gas = _gas(plan, pen, view)
    steady = before is not None and at is not None and view.at - at <= 90.0 and gas is not None
    if gas is None or not steady or before is None or kept.get("gas") != gas[0] or not pen.fan.confirmed:
        _begin_block(kept, gas)
        return {**pen.memory, "fan": kept}
    name, value, outside, sensor = gas
    if name != kept.get("gas"):
        _forget(kept)
    part = min(1.0, max(0.0, (ran_s - before) / 60.0)) * _relative_airflow(plan, pen)
    values, on = [*_row(kept, "values"), round(value, 4)], [*_row(kept, "on"), round(part, 3)]
    if len(values) >= BLOCK:
        point = delivered(plan.pen)
        changes = NOMINAL_CHANGES_H if point is None else point.airflow_m3_s * SECONDS_AN_HOUR / plan.pen.volume_m3
        answer = share_of(values, on, outside, changes, _lag_s(sensor))
        if answer is not None:
            note_hour(kept, view.at, *answer)
        values, on = [], []
    kept["values"], kept["on"] = list(values), list(on)
    return {**pen.memory, "fan": kept}


def cleaned(memory: Mapping[str, Json]) -> dict[str, Json]:
    """The keeper cleaned the fan: what it moves now is the new measure."""
    return {k: v for k, v in memory.items() if k != "fan"}


def note_hour(kept: dict[str, Json], at: float, share: float, sd: float) -> None:
    """One hour's answer joins the first days, or the last ones."""
    first_at = _number(kept.get("first_at"))
    if first_at is None:
        first_at = at
        kept["first_at"] = at
    weight = 1.0 / (sd * sd + HOUR_SD * HOUR_SD)
    new = (1.0, weight, weight * share, weight * share * share)
    first = _row(kept, "first") or [0.0] * 4
    if first[0] < LEAST_FIRST or at - first_at < FIRST_DAYS_S:
        kept["first"] = [round(a + b, 4) for a, b in zip(first, new, strict=True)]
        return
    bin_now = math.floor(at / BIN_S)
    row = _row(kept, "recent")
    bins = {int(row[i]): row[i + 1 : i + 5] for i in range(0, len(row) - 4, 5)}
    bins[bin_now] = [a + b for a, b in zip(bins.get(bin_now, [0.0] * 4), new, strict=True)]
    oldest = bin_now - RECENT_S / BIN_S
    kept["recent"] = [round(x, 4) for key in sorted(bins) if key > oldest for x in (key, *bins[key])]


def _recent(kept: Mapping[str, Json], bins: float = math.inf) -> list[float]:
    """Sums over the last two days, or over so many of their last six hours."""
    row, sums = _row(kept, "recent"), [0.0] * 4
    for i in range(0, len(row) - 4, 5):
        if row[i] > row[-5] - bins:
            sums = [a + b for a, b in zip(sums, row[i + 1 : i + 5], strict=True)]
    return sums


def _watch_power(plan: PenPlan, pen: PenState, view: View, kept: dict[str, Json]) -> None:
    """Mean power at full speed, of the first days and lately."""
    fan = pen.fan
    running_for = view.at - fan.since if fan.running and fan.since is not None else 0.0
    full = fan.speed_pct is None or fan.speed_pct >= 95.0
    watts = _believed(plan.fan_power, pen, view)
    if watts is None or not full or not fan.confirmed or running_for < 90.0:
        return
    heard = pen.sensors[watts[0].key].value_at
    if heard is None or fan.since is None or heard < fan.since + 45.0:
        return  # said before the motor had its speed
    count, first, lately = (_row(kept, "power") or [0.0, watts[1], watts[1]])[:3]
    first_at = _number(kept.get("first_at"))
    if first_at is None or view.at - first_at < FIRST_DAYS_S:
        count += 1.0
        first += (watts[1] - first) / count
    lately += (watts[1] - lately) / 120.0
    kept["power"] = [count, round(first, 3), round(lately, 3)]


def _begin_block(kept: dict[str, Json], gas: tuple[str, float, float, Sensor] | None) -> None:
    kept["values"], kept["on"] = [], []
    if gas is not None:
        if kept.get("gas") not in (None, gas[0]):
            _forget(kept)
        kept["gas"] = gas[0]


def _forget(kept: dict[str, Json]) -> None:
    """Another gas is biased in another way: begin anew."""
    for name in ("first", "first_at", "recent"):
        kept.pop(name, None)


def _ran_s(fan: FanState, at: float) -> float:
    return fan.ran_s + (at - fan.since if fan.running and fan.since is not None else 0.0)


def _relative_airflow(plan: PenPlan, pen: PenState) -> float:
    """Airflow at the commanded speed over that at full speed."""
    speed = pen.fan.speed_pct
    if plan.pen.fan is None or not plan.pen.fan.variable or speed is None or speed >= 100.0:
        return 1.0
    full, now = delivered(plan.pen), delivered(plan.pen, max(5.0, round(speed)))
    if full is None or now is None or full.airflow_m3_s <= 0.0:
        return min(1.0, max(0.05, speed / 100.0))
    return now.airflow_m3_s / full.airflow_m3_s


def _gas(plan: PenPlan, pen: PenState, view: View) -> tuple[str, float, float, Sensor] | None:
    """Which gas tells it best here: its name, level, level outside, and sensor."""
    if view.carbon_dioxide is not None:
        return "carbon dioxide", view.carbon_dioxide.value, OUTSIDE_CO2_PPM, view.carbon_dioxide.sensor
    found = pen.memory.get("fan")
    stays = isinstance(found, dict) and found.get("gas") == "ammonia"
    if view.ammonia is not None and view.ammonia.value >= (LEAST_AMMONIA_PPM / 2.0 if stays else LEAST_AMMONIA_PPM):
        return "ammonia", view.ammonia.value, 0.0, view.ammonia.sensor
    return _moisture(plan, pen, view)


def _moisture(plan: PenPlan, pen: PenState, view: View) -> tuple[str, float, float, Sensor] | None:
    inside, outside = _believed(plan.humidity, pen, view), _believed(plan.outside_humidity, pen, view)
    room = _believed(plan.room_temperature, pen, view)
    if inside is None or outside is None or room is None or view.outside is None:
        return None
    ratios = []
    for temperature, humidity in ((room[1], inside[1]), (view.outside.value, outside[1])):
        if not -40.0 <= temperature <= 45.0:
            return None
        over_ice = min(100.0, psychrometrics.over_ice_pct(temperature, min(max(humidity, 5.0), 100.0)))
        ratios.append(1000.0 * psychrometrics.humidity_ratio(temperature, over_ice))
    return "moisture", ratios[0], ratios[1], inside[0]


def _lag_s(sensor: Sensor) -> float:
    """The sensor's own, and that what is heard is on average half an interval old."""
    return (sensor.lag_s or USUAL_LAG_S) + 0.5 * min(sensor.every_s, 120.0)


def _believed(sensors: Sequence[Sensor], pen: PenState, view: View) -> tuple[Sensor, float] | None:
    for sensor in sensors:
        value = pen.sensors[sensor.key].value
        if view.healths.get(sensor.key) is Health.BELIEVED and value is not None:
            return sensor, value
    return None


def strength(memory: Mapping[str, Json], last_day: bool = False) -> Strength | None:
    """What the fan moves now over what it moved at first, for page and report; None while it cannot be told."""
    found = memory.get("fan")
    if not isinstance(found, dict):
        return None
    power = _row(found, "power")
    ratio = power[2] / power[1] if len(power) == 3 and power[0] >= 60.0 and power[1] > 0.0 else None
    first = _row(found, "first") or [0.0] * 4
    if last_day:
        return compare(first, _recent(found, LAST_DAY_BINS), ratio, LEAST_LAST_DAY)
    return compare(first, _recent(found), ratio)


def _corroborates(power_ratio: float | None) -> bool:
    """Whether the motor's power says that something about the fan has changed."""
    return power_ratio is not None and abs(power_ratio - 1.0) >= POWER_CHANGE


def is_weak(found: Strength, limit: float, clears_at: float) -> bool | None:
    """Weaker than the limit, surely enough; False when it is back above where the alarm clears; None between."""
    z = CORROBORATED_Z if _corroborates(found.power_ratio) else NORMAL_975
    if found.ratio * math.exp(z * found.sd) < limit:
        return True
    return False if found.ratio >= clears_at else None


def condition(plan: PenPlan, pen: PenState) -> Condition | None:
    """Is the fan weaker than it was?"""
    limit = plan.pen.limits.alarms.get("fan_weak")
    if limit is None or plan.pen.fan is None:
        return None
    found, span = strength(pen.memory), "two days"
    lately = strength(pen.memory, last_day=True)
    if lately is not None and is_weak(lately, limit.on, limit.off):
        found, span = lately, "day"
    if found is None:
        return Condition("fan_weak", "", None, limit, dict, limit.priority)
    signal = is_weak(found, limit.on, limit.off)
    kept = pen.memory.get("fan")
    gas = kept.get("gas") if isinstance(kept, dict) else None
    seized = pen.alarms.get(f"{plan.pen.name}/fan_not_obeying")
    return Condition(
        "fan_weak",
        "",
        signal,
        limit,
        lambda: {
            "value": round(found.ratio, 3),
            "unit": "fraction",
            "limit": limit.on,
            "clears_at": limit.off,
            "from": round(found.low, 3),
            "to": round(found.high, 3),
            "power_ratio": None if found.power_ratio is None else round(found.power_ratio, 3),
            "source": limit.source,
            "note": f"from how {gas} follows the fan: the last {span} ({found.hours} hours that tell) against the first "
            f"three ({found.first_hours})",
        },
        limit.priority,
        found.ratio,
        f"{plan.pen.name}/fan_not_obeying" if seized is not None and seized.standing else "",
    )


def _row(kept: Mapping[str, Json], name: str) -> list[float]:
    found = kept.get(name)
    return [float(x) for x in found if isinstance(x, int | float)] if isinstance(found, list) else []


def _number(value: Json) -> float | None:
    return float(value) if isinstance(value, int | float) else None
