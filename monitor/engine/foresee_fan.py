"""Does the fan still move what it used to? Told from how the air's gas follows the fan's runs and rests.

Carbon dioxide (else ammonia, else moisture) gathers while the fan rests and thins out while it runs. One hour at a time
gives a share of the air changes that the settings promise (`fan_share`). An hour in which the fan never changed says
nothing and is passed over. Single hours scatter by 10 to 40 %; so the last two days
(or the last one, when that is enough to be sure) are set against the pen's own first three, each hour weighed by
its spread, and it is the upper end of the ratio's 95 % interval that must lie below the limit. A share of its own is
not told: mixing and the sensor's place bias it, but the same way on every day. ASTM E741 asks for the same things:
one zone, steady runs, an interval.

Where the motor's power is measured, a change of it at the same speed by 8 % says that something about the
fan has changed, though not what: the gas then only has to agree, its ratio below the limit by half a
standard deviation. Then the level of carbon dioxide under a fan that hardly rests has a say too (`fan_level`); without a
changed power it has none, for it follows the birds as much as the fan. Power alone calls nothing, for it follows the
mains voltage too.

Rules of this file: pure; one sample a minute; small JSON memory. "Fan cleaned" in the journal begins anew.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import cast

from monitor.air import psychrometrics
from monitor.engine import fan_level
from monitor.engine.events import Json
from monitor.engine.fan_level import Level
from monitor.engine.fan_share import share_of
from monitor.engine.plan import PenPlan
from monitor.engine.specification import Sensor
from monitor.engine.state import FanState, Health, PenState
from monitor.engine.ventilation import SECONDS_AN_HOUR, delivered
from monitor.engine.view import Condition, View

BLOCK = 60  # minutes fitted together
USUAL_LAG_S = 60.0  # of gas and humidity sensors whose lag is not set. Common practice.
OUTSIDE_CO2_PPM = fan_level.OUTSIDE_PPM
NOMINAL_CHANGES_H = 12.0  # for a fan of unknown strength: only ratios are told
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
USUAL_INSIDE_C = 18.0
NORMAL_975 = 1.96


@dataclass(frozen=True, slots=True)
class Strength:
    """What the fan moves now over what it moved at first.

    Attributes:
        ratio: best estimate; 1 as at first.
        low, high: 95 % interval.
        hours, first_hours: fitted hours behind it, lately and at first.
        steady_hours: of those lately, how many tell by the level under a fan that hardly rested.
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
    steady_hours: int = 0


def compare(
    first: Sequence[float], recent: Sequence[float], power_ratio: float | None = None, least: int = LEAST_RECENT
) -> Strength | None:
    """Recent hours against the first ones, each as (count, Σw, Σwx, Σwx²) of logarithms; None while either are too few."""
    least = CORROBORATED_RECENT if _corroborates(power_ratio) else least
    if first[0] < LEAST_FIRST or recent[0] < least:
        return None
    (m0, s0), (m1, s1) = _centre(first), _centre(recent)
    sd = math.sqrt(s0 * s0 + s1 * s1 + 2.0 * BETWEEN_DAYS_SD**2)
    return _strength(m1 - m0, sd, int(recent[0]), int(first[0]), power_ratio)


def _strength(log: float, sd: float, hours: int, first: int, power_ratio: float | None, steady: int = 0) -> Strength:
    half = NORMAL_975 * sd
    return Strength(math.exp(log), math.exp(log - half), math.exp(log + half), hours, first, sd, power_ratio, steady)


def together(found: Strength | None, level: Level | None, power_ratio: float | None) -> Strength | None:
    """What the runs and rests say and what the level says, weighed; the level counts only where the power has changed."""
    if level is None or not _corroborates(power_ratio):
        return found
    if found is None:
        return _strength(level.log, level.sd, level.hours, level.first_hours, power_ratio, level.hours)
    a, b = found.sd**-2, level.sd**-2
    log = (a * math.log(found.ratio) + b * level.log) / (a + b)
    hours, first = found.hours + level.hours, found.first_hours + level.first_hours
    return _strength(log, (a + b) ** -0.5, hours, first, power_ratio, level.hours)


def _centre(sums: Sequence[float]) -> tuple[float, float]:
    """Weighted mean and its standard deviation, widened when the hours scatter more than they should."""
    count, weight, wx, wxx = sums
    mean = wx / weight
    scatter = max(0.0, wxx - wx * mean) / max(1.0, count - 1.0)
    return mean, math.sqrt(max(1.0, scatter) / weight)


# ------------------------------------------------------------------ in the engine


def watch(plan: PenPlan, pen: PenState, view: View, day: int | None = None) -> Mapping[str, Json]:
    """The pen's memory with this minute taken in. Called on each whole minute; `day` (of the calendar) tells the birds' age."""
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
        if name == "carbon dioxide":
            fan_level.note(kept, view.at, fan_level.share(plan.pen, pen.counts, day, _inside_c(view), values, on, changes))
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
    for name in ("first", "first_at", "recent", "level"):
        kept.pop(name, None)


def _inside_c(view: View) -> float:
    """The air the birds breathe, for how much they give off; 2 % a degree, so that a guess will do where nothing is known."""
    found = view.coolest or view.warmest
    return USUAL_INSIDE_C if found is None else found.value


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
        lately = compare(first, _recent(found, LAST_DAY_BINS), ratio, LEAST_LAST_DAY)
        return together(lately, fan_level.level(found, LAST_DAY_BINS), ratio)
    return together(compare(first, _recent(found), ratio), fan_level.level(found), ratio)


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
            "note": f"from how {gas} follows the fan"
            + (f" and its level while the fan hardly rests ({found.steady_hours} of the hours)" if found.steady_hours else "")
            + f": the last {span} ({found.hours} hours that tell) against the first three ({found.first_hours})",
        },
        limit.priority,
        found.ratio,
        f"{plan.pen.name}/fan_not_obeying" if seized is not None and seized.standing else "",
    )


def _row(kept: Mapping[str, Json], name: str) -> list[float]:
    found = kept.get(name)
    if not isinstance(found, list):
        return []
    if _FLOAT.issuperset(map(type, found)):  # all but always
        return cast("list[float]", found[:])
    return [float(x) for x in found if isinstance(x, int | float)]


_FLOAT = frozenset({float})


def _number(value: Json) -> float | None:
    return float(value) if isinstance(value, int | float) else None
