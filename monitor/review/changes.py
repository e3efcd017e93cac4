"""What a change to the pen would give: each figure by solving the fan, duct and openings again with that change.

Rules of this file: one change at a time, all else as it is; judged in the week that asks for most air. A
change that would not help is not listed. Figures, no orders: what a wall bears and what a heater needs is
for people on the spot.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from monitor.engine.events import Json
from monitor.engine.specification import Pen
from monitor.facts.airflow import PRESSURE
from monitor.review.sheet import Case, Delivered, Sheet, Week
from monitor.review.sizing import delivered_by, rising_root

WANTED_ROOM_PA = 20.0  # within the practice of 12 to 30 Pa, at full speed
WIDER_DUCT_M = 0.0508  # the next duct in the shops: 2 in, or 50 mm, wider
LARGEST_INLET_M2 = 2.0
LARGEST_FAN = 4.0  # times the free air; where that is too little the duct is the limit, not the fan
LEAST_GAIN = 0.02  # of the airflow; less is not worth a line


class Kind(StrEnum):
    """What is changed."""

    INLET_AREA = "inlet area"
    DUCT_LENGTH = "duct length"
    DUCT_DIAMETER = "duct diameter"
    FAN = "fan"
    BIRDS = "birds"
    HEAT = "heat"


@dataclass(frozen=True, slots=True)
class Change:
    """One change and what it would give.

    Attributes:
        kind: what is changed…
        before, after: …from and to; m², m, m, m³/h of free air, birds, W of heat.
        delivered: where the fan would then work; None for birds and heat, which leave it as it is.
        winter_worst, summer_worst: adequacy of the governing need in the week that asks most.
        suffices: False where even this leaves a need short.
    """

    kind: Kind
    before: float
    after: float
    delivered: Delivered | None
    winter_worst: float | None
    summer_worst: float | None
    suffices: bool


def changes(sheet: Sheet) -> tuple[Change, ...]:
    """Changes worth thinking of, in the order in which they are usually cheapest."""
    now = sheet.delivered
    if now is None:
        heat = _more_heat(sheet)
        return () if heat is None else (heat,)
    found = [_inlet(sheet, now), _shorter_duct(sheet, now), _wider_duct(sheet, now)]
    if _is_short(sheet, now):
        found += [_larger_fan(sheet, now), _fewer_birds(sheet, now)]
    found.append(_more_heat(sheet))
    return tuple(change for change in found if change is not None)


def _required(sheet: Sheet) -> tuple[float, float]:
    """Most airflow asked for in any week, winter night and summer day, m³/h; 0 where nothing is."""
    cold, hot = sheet.worst_week("winter"), sheet.worst_week("summer")
    return (
        0.0 if cold is None else float(cold.winter.required_m3_h or 0.0),
        0.0 if hot is None else float(hot.summer.required_m3_h or 0.0),
    )


def _is_short(sheet: Sheet, now: Delivered) -> bool:
    return max(_required(sheet)) > now.airflow_m3_h


def _with(sheet: Sheet, kind: Kind, before: float, after: float, pen: Pen) -> Change | None:
    then = delivered_by(pen)
    if then is None:
        return None
    cold, hot = _required(sheet)
    worst = [then.airflow_m3_h / asked if asked > 0.0 else None for asked in (cold, hot)]
    return Change(kind, before, after, then, worst[0], worst[1], then.airflow_m3_h >= max(cold, hot) * 0.999)


def _inlet(sheet: Sheet, now: Delivered) -> Change | None:
    """The inlet area that brings the room to the practised pressure; None when it is there, or leaks keep it from it."""
    pen, inlet = sheet.pen, sheet.pen.inlet
    low, high = PRESSURE["working, low"].value, PRESSURE["working, high"].value
    if inlet is None or low <= now.room_pressure_pa <= high or now.airflow_m3_h <= 0.0:
        return None

    def below_wanted_pa(area_m2: float) -> float:
        at = delivered_by(replace(pen, inlet=replace(inlet, area_m2=area_m2)))
        return WANTED_ROOM_PA - (0.0 if at is None else at.room_pressure_pa)

    area = rising_root(below_wanted_pa, 1e-4, LARGEST_INLET_M2, 1e-5)
    if area is None:
        return None
    return _with(sheet, Kind.INLET_AREA, inlet.area_m2, area, replace(pen, inlet=replace(inlet, area_m2=area)))


def _shorter_duct(sheet: Sheet, now: Delivered) -> Change | None:
    duct = sheet.pen.duct
    if duct is None or duct.length_m <= 0.5:
        return None
    half = 0.5 * duct.length_m
    change = _with(sheet, Kind.DUCT_LENGTH, duct.length_m, half, replace(sheet.pen, duct=replace(duct, length_m=half)))
    return _if_it_helps(change, now)


def _wider_duct(sheet: Sheet, now: Delivered) -> Change | None:
    duct = sheet.pen.duct
    if duct is None:
        return None
    wider = duct.diameter_m + WIDER_DUCT_M
    change = _with(sheet, Kind.DUCT_DIAMETER, duct.diameter_m, wider, replace(sheet.pen, duct=replace(duct, diameter_m=wider)))
    return _if_it_helps(change, now)


def _if_it_helps(change: Change | None, now: Delivered) -> Change | None:
    if change is None or change.delivered is None:
        return None
    return change if change.delivered.airflow_m3_h >= now.airflow_m3_h * (1.0 + LEAST_GAIN) else None


def _larger_fan(sheet: Sheet, now: Delivered) -> Change | None:
    """The free air, at the same shut-off pressure, that just meets the largest need through this duct and inlet."""
    pen, fan = sheet.pen, sheet.pen.fan
    if fan is None or now.airflow_m3_h <= 0.0:
        return None
    asked = max(_required(sheet))
    curve = fan.curve

    def larger(times: float) -> Pen:
        return replace(pen, fan=replace(fan, curve=tuple((airflow * times, pressure) for airflow, pressure in curve)))

    def surplus(times: float) -> float:
        then = delivered_by(larger(times))
        return (0.0 if then is None else then.airflow_m3_h) - asked

    times = rising_root(surplus, 1.0, LARGEST_FAN, 0.005)
    free_air_m3_h = max(airflow for airflow, _ in curve) * 3600.0
    if times is None:
        change = _with(sheet, Kind.FAN, free_air_m3_h, free_air_m3_h * LARGEST_FAN, larger(LARGEST_FAN))
        return None if change is None else replace(change, suffices=False)
    times += 0.005
    return _with(sheet, Kind.FAN, free_air_m3_h, free_air_m3_h * times, larger(times))


def _fewer_birds(sheet: Sheet, now: Delivered) -> Change | None:
    """The most birds, all flocks thinned alike, that this fan serves in every week.

    Every need goes with the number of birds but for the heat that walls lose in summer, which a smaller flock
    still loses: the figure errs to fewer birds.
    """
    cold, hot = sheet.worst_week("winter"), sheet.worst_week("summer")
    shares = [
        (now.airflow_m3_h / float(case.required_m3_h), week.count)
        for week, case in _cases(cold, hot)
        if case.required_m3_h and week.count
    ]
    if not shares:
        return None
    share, count = min(shares)
    keep = float(int(share * count))
    if share >= 1.0 or keep < 1.0:
        return None
    asked = _required(sheet)
    worst = [now.airflow_m3_h / (need * keep / count) if need > 0.0 else None for need in asked]
    return Change(Kind.BIRDS, float(count), keep, None, worst[0], worst[1], True)


def _cases(cold: Week | None, hot: Week | None) -> list[tuple[Week, Case]]:
    found: list[tuple[Week, Case]] = []
    if cold is not None:
        found.append((cold, cold.winter))
    if hot is not None:
        found.append((hot, hot.summer))
    return found


def _more_heat(sheet: Sheet) -> Change | None:
    """The heat that closes the winter night's balance today, lamp and birds counted; none where the birds bear it."""
    today = sheet.weeks[0]
    if today.count == 0 or today.heat.is_affordable or today.heat.is_borne:
        return None
    lamp_w = today.heat.lamp_w or 0.0
    return Change(Kind.HEAT, lamp_w, lamp_w + today.heat.heater_w, None, today.winter.worst, today.summer.worst, True)


def as_facts(change: Change) -> dict[str, Json]:
    """A change as plain figures, SI."""
    return {
        "what": change.kind.value,
        "before": round(change.before, 4),
        "after": round(change.after, 4),
        "unit": UNITS[change.kind],
        "airflow_m3_h": None if change.delivered is None else round(change.delivered.airflow_m3_h, 1),
        "room_negative_pressure_pa": None if change.delivered is None else round(change.delivered.room_pressure_pa, 1),
        "adequacy_winter": None if change.winter_worst is None else round(change.winter_worst, 2),
        "adequacy_summer": None if change.summer_worst is None else round(change.summer_worst, 2),
        "suffices": change.suffices,
    }


UNITS: Mapping[Kind, str] = {
    Kind.INLET_AREA: "m2",
    Kind.DUCT_LENGTH: "m",
    Kind.DUCT_DIAMETER: "m",
    Kind.FAN: "m3/h",
    Kind.BIRDS: "birds",
    Kind.HEAT: "W",
}
