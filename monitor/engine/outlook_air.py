"""Air that is going wrong more slowly than a limit shows: too little of it, wet walls, combs in frost, heat stress.

Rules of this file:
- pure and cheap: asked once a minute for each pen, nothing iterates but a cached operating point;
- airflow is weighed in `adequacy`, at the temperature wanted, as on the ventilation sheet;
- a sensor counts humidity over liquid water; in frost the formulas want it over ice, so every reading goes
  through `over_ice_pct` first;
- what is not known holds what was; a comb in frost with humidity unknown is taken as damp.
"""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass
from functools import lru_cache, partial

from monitor.air import heat_index, poultry, psychrometrics, surface
from monitor.engine.adequacy import Adequacy, adequacy
from monitor.engine.events import Evidence, Json
from monitor.engine.flock import age_days
from monitor.engine.plan import PenPlan
from monitor.engine.specification import Flock, Limit
from monitor.engine.state import Health, PenState, State
from monitor.engine.view import Believable, Condition, View, below, says_something
from monitor.facts.climate import FROST, HEAT_STRESS

# Combs stand up from about eight weeks, the cockerels' first; before, there is little to freeze. Common practice.
COMBS_FROM_DAYS = 56
DAMP_FROM_PCT = FROST["damp air means, at least"].value
DRY_FROST_C = FROST["frostbite in dry air from"].value
DAMP_DEADBAND_PCT = 3.0  # what a usual humidity sensor is good to
NO_BIRDS = "no birds in this pen"


def conditions(
    plan: PenPlan, pen: PenState, view: View, state: State, altitude_m: float = 0.0, known: Container[str] | None = None
) -> list[Condition]:
    """Airflow short, condensation and frostbite, where there is anything to judge them by; `known` as in `says_something`."""
    alarms = plan.pen.limits.alarms
    found = (
        _airflow_short(plan, pen, view, state.day, altitude_m, alarms.get("airflow_short"), known),
        _condensation(plan, pen, view, alarms.get("condensation"), known),
        _frostbite(plan, pen, view, state.day, alarms.get("frostbite"), known),
    )
    return [condition for condition in found if condition is not None]


# --------------------------------------------------------------------- airflow


def _airflow_short(
    plan: PenPlan,
    pen: PenState,
    view: View,
    day: int | None,
    altitude_m: float,
    limit: Limit | None,
    known: Container[str] | None,
) -> Condition | None:
    if limit is None or plan.pen.fan is None or len(plan.pen.fan.curve) < 2:
        return None
    if view.warmth is None:
        return Condition("airflow_short", "", False, limit, dict, limit.priority)
    found = adequacy(plan, pen, view, day, altitude_m)
    if found is None:
        return Condition("airflow_short", "", None, limit, dict, limit.priority)
    if found.worst is None:
        return Condition("airflow_short", "", False, limit, dict, limit.priority)
    signal = below(limit, found.worst)
    if not says_something(signal, "airflow_short", known):
        return None
    return Condition(
        "airflow_short",
        "",
        signal,
        limit,
        partial(_airflow_evidence, found, view, limit),
        limit.priority,
        round(100.0 * found.worst, 1),
    )


def _airflow_evidence(found: Adequacy, view: View, limit: Limit) -> Evidence:
    needed = found.needs[found.governing] if found.governing is not None else 0.0
    told: dict[str, Json] = {
        "value": round(100.0 * (found.worst or 0.0), 1),
        "unit": "%",
        "limit": round(100.0 * limit.on, 1),
        "clears_at": round(100.0 * limit.off, 1),
        "source": limit.source,
        "need": found.governing,
        "required_m3_h": round(needed, 1),
        "delivered_m3_h": round(found.delivered_m3_h, 1),
        "outside_c": None if view.outside is None else round(view.outside.value, 2),
        "note": f"{found.governing} asks most; published minimum rates are good to a factor of two",
    }
    return told


# ---------------------------------------------------------------- condensation


def _condensation(
    plan: PenPlan, pen: PenState, view: View, limit: Limit | None, known: Container[str] | None
) -> Condition | None:
    if limit is None or not plan.humidity:
        return None
    air, outside = _air(plan, pen, view), view.outside
    signal = None
    if air is not None and outside is not None:
        signal = _sweats(air[0], air[1].value, outside.value, plan.pen.insulation_m2k_w, limit.on, limit.off)
    if not says_something(signal, "condensation", known):
        return None
    damp = pen.alarms.get(f"{plan.pen.name}/damp")
    # Where damp is called already, wet walls are its consequence and ask for the same things: one call is enough.
    covered = NO_BIRDS if view.warmth is None else (damp.key if damp is not None and damp.standing else "")
    if air is None or outside is None:
        return Condition("condensation", "", None, limit, dict, limit.priority, covered_by=covered)
    return Condition(
        "condensation",
        "",
        signal,
        limit,
        partial(_condensation_evidence, air[1], outside, air[0], plan.pen.insulation_m2k_w, limit),
        limit.priority,
        covered_by=covered,
    )


def _wall(
    temperature_c: float, humidity_pct: float, outside_c: float, insulation_m2k_w: float
) -> tuple[float, float, float, float]:
    """What `surface` wants to know, held to its ranges.

    The plain wall, not its corners: those of a small shed sweat most winter nights, and an alarm that rings then
    is not heard when the walls run.
    """
    humidity_over_ice_pct = _over_ice(temperature_c, humidity_pct)
    return temperature_c, humidity_over_ice_pct, _held(outside_c, -50.0, 60.0), _held(insulation_m2k_w, 0.0, 20.0)


@lru_cache(maxsize=128)  # the same air is judged several times before a sensor speaks again
def _sweats(
    temperature_c: float, humidity_pct: float, outside_c: float, insulation_m2k_w: float, on_k: float, off_k: float
) -> bool | None:
    """The condition's signal for this air; the dew point itself is only worked out where it is near."""
    wall = _wall(temperature_c, humidity_pct, outside_c, insulation_m2k_w)
    if on_k < off_k and surface.has_margin(*wall, off_k):
        return False
    margin_k = surface.condensation(*wall).margin_c
    if margin_k <= on_k:
        return True
    return False if margin_k >= off_k else None


def _condensation_evidence(
    humidity: Believable, outside: Believable, temperature_c: float, insulation_m2k_w: float, limit: Limit
) -> Evidence:
    wall = surface.condensation(*_wall(temperature_c, humidity.value, outside.value, insulation_m2k_w))
    over_water = 50.0 / _over_ice(temperature_c, 50.0)  # back to what the sensor would show
    return {
        "value": round(humidity.value, 1),
        "unit": "%",
        "limit": round(wall.highest_dry_pct * over_water, 1),
        "source": limit.source,
        "sensor": humidity.sensor.key,
        "temperature_c": round(temperature_c, 2),
        "outside_c": round(outside.value, 2),
        "surface_c": round(wall.surface_c, 2),
        "dew_point_c": round(wall.dew_point_c, 2),
        "margin_k": round(wall.margin_c, 2),
        "note": "frost forms on the walls" if wall.is_frost else "the walls are colder than the dew point, corners first",
    }


# ------------------------------------------------------------------- frostbite


def _frostbite(
    plan: PenPlan, pen: PenState, view: View, day: int | None, limit: Limit | None, known: Container[str] | None
) -> Condition | None:
    if limit is None:
        return None
    if view.coolest is not None and view.coolest.value >= limit.off and not says_something(False, "frostbite", known):
        return None  # no frost, whatever the humidity
    if not any(_has_combs(flock, pen, day) for flock in plan.pen.flocks):
        return Condition("frostbite", "", False, limit, dict, limit.priority)
    roost = view.coolest
    if roost is None:
        return Condition("frostbite", "", None, limit, dict, limit.priority)
    temperature_c = _held(roost.value, -40.0, 60.0)
    humidity_pct = None if view.dampest is None else _over_ice(temperature_c, view.dampest.value)
    return Condition(
        "frostbite",
        "",
        _freezes(temperature_c, humidity_pct, limit),
        limit,
        partial(_frostbite_evidence, roost, view.dampest, humidity_pct, limit),
        limit.priority,
        roost.value,
    )


def _has_combs(flock: Flock, pen: PenState, day: int | None) -> bool:
    if pen.counts.get(flock.name, flock.count) <= 0:
        return False
    age = age_days(flock, day)
    return age is None or age >= COMBS_FROM_DAYS  # age not known: the safe side


def _freezes(temperature_c: float, humidity_pct: float | None, limit: Limit) -> bool | None:
    """Damp air from the limit on, dry air from far lower; humidity not known counts as damp."""
    dry_c = min(DRY_FROST_C, limit.on)
    if temperature_c >= limit.off:
        return False
    if temperature_c <= dry_c:
        return True
    if humidity_pct is None or humidity_pct >= DAMP_FROM_PCT:
        return True if temperature_c <= limit.on else None
    if humidity_pct <= DAMP_FROM_PCT - DAMP_DEADBAND_PCT and temperature_c >= dry_c + max(0.0, limit.off - limit.on):
        return False
    return None


def _frostbite_evidence(roost: Believable, damp: Believable | None, humidity_pct: float | None, limit: Limit) -> Evidence:
    if roost.value <= min(DRY_FROST_C, limit.on):
        note = "so cold that even dry air harms combs"
    elif damp is None:
        note = "humidity not known, taken as damp"
    else:
        note = f"the air is at {damp.value:.0f} % humidity"
    return {
        "value": round(roost.value, 2),
        "unit": "degC",
        "limit": round(limit.on, 2),
        "clears_at": round(limit.off, 2),
        "source": limit.source,
        "sensor": roost.sensor.key,
        "humidity_pct": None if damp is None else round(damp.value, 1),
        "humidity_over_ice_pct": None if humidity_pct is None else round(humidity_pct, 1),
        "note": note,
    }


# ----------------------------------------------------------------- heat stress


@dataclass(frozen=True, slots=True)
class HeatStress:
    """How hard the heat is on one class of birds, or on the keeper.

    Attributes:
        whom: a bird class, or "people".
        index_c: the index, °C: by class (`formula` names which), the heat index for people.
        band: its word in the table of that formula.
        formula: key of the table, `facts.climate.HEAT_STRESS`.
        source: of the band.
        temperature_c, humidity_pct: what it was worked out from.
    """

    whom: str
    index_c: float
    band: str
    formula: str
    source: str
    temperature_c: float
    humidity_pct: float


def heat_stress(plan: PenPlan, pen: PenState, view: View) -> tuple[HeatStress, ...]:
    """Heat stress by class of the birds there are, and the heat index for people; empty where air is not known.

    Birds are judged where it is coolest, for they choose their place; people by the warmest, they cannot. Iterates
    for the wet bulb: for a page, not for every reading. These indices rank days; none is proven for small mixed
    flocks, and no alarm hangs on them.
    """
    if view.dampest is None:
        return ()
    found: list[HeatStress] = []
    cool = view.coolest
    if cool is not None:
        temperature_c, humidity_pct = _held(cool.value, -40.0, 60.0), view.dampest.value
        wet_bulb_c = psychrometrics.wet_bulb_c(temperature_c, _over_ice(temperature_c, humidity_pct))
        classes = {f.bird_class.value for f in plan.pen.flocks if pen.counts.get(f.name, f.count) > 0}
        for bird_class in sorted(classes):
            formula = poultry.formula(bird_class)
            index_c = poultry.thi_c(bird_class, temperature_c, min(wet_bulb_c, temperature_c))
            found.append(_banded(bird_class, index_c, index_c, formula, temperature_c, humidity_pct))
    air = _air(plan, pen, view)
    if air is not None:
        temperature_c, humidity_pct = min(air[0], 50.0), _held(air[1].value, 0.0, 100.0)
        index_c = heat_index.heat_index_c(temperature_c, humidity_pct)
        found.append(_banded("people", index_c, index_c * 1.8 + 32.0, "heat_index_f", temperature_c, humidity_pct))
    return tuple(found)


def _banded(whom: str, index_c: float, in_table: float, formula: str, temperature_c: float, humidity_pct: float) -> HeatStress:
    table = HEAT_STRESS[formula]
    name = poultry.band_of(in_table, table)
    source = next(row.source for row in table if row.name == name)
    return HeatStress(whom, index_c, name, formula, source, temperature_c, humidity_pct)


# ------------------------------------------------------------------------ air


def _air(plan: PenPlan, pen: PenState, view: View) -> tuple[float, Believable] | None:
    """The room's temperature, held to the formulas' range, and its highest believable humidity.

    The warmest believable room probe; without one the coolest at bird level, which may stand under a lamp.
    """
    if view.dampest is None:
        return None
    rooms = [
        value
        for sensor in plan.room_temperature
        if view.healths.get(sensor.key) is Health.BELIEVED and (value := pen.sensors[sensor.key].value) is not None
    ]
    if rooms:
        return _held(max(rooms), -40.0, 60.0), view.dampest
    return None if view.coolest is None else (_held(view.coolest.value, -40.0, 60.0), view.dampest)


def _over_ice(temperature_c: float, sensor_pct: float) -> float:
    """A sensor's humidity as the formulas count it; never quite 0, where a dew point has no answer."""
    return max(psychrometrics.DRIEST_PCT, psychrometrics.over_ice_pct(temperature_c, _held(sensor_pct, 0.0, 100.0)))


def _held(value: float, low: float, high: float) -> float:
    return min(max(value, low), high)
