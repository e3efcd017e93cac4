"""Is there enough air: what the fan delivers against what the birds need now.

Rules of this file: pure; airflow is judged at the temperature wanted, as on the ventilation sheet; what a need comes to is
kept for the same birds, limits and air, for they are asked about at each judgement and change slowly.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

from monitor.air import balance, psychrometrics
from monitor.air.balance import CannotMeet
from monitor.engine.flock import Living, output_of
from monitor.engine.plan import PenPlan
from monitor.engine.records import record
from monitor.engine.state import PenState
from monitor.engine.ventilation import (
    SECONDS_AN_HOUR,
    Wanted,
    airflow_needs,
    delivered,
    inside_c,
    outside_air,
    wanted_of,
)
from monitor.engine.view import View
from monitor.facts.climate import TEMPERATURE

# In the heat the fan is asked to hold the pen this near to outside (Council Directive 2007/43/EC).
SUMMER_RISE_K = TEMPERATURE["summer, inside above outside at most"].value


@record(frozen=True, slots=True)
class Adequacy:
    """Airflow delivered against airflow required now.

    Attributes:
        delivered_m3_h: by the fan at full speed against its duct and inlets.
        needs: m³/h by need; what is met by its own reading is not among them.
        cannot_meet: needs that no airflow meets, with the reason in words.
        governing: the need that asks most; None when none has a figure.
        worst: delivered / required of that need; None likewise.
    """

    delivered_m3_h: float
    needs: Mapping[str, float]
    cannot_meet: Mapping[str, str]
    governing: str | None
    worst: float | None


def adequacy(plan: PenPlan, pen: PenState, view: View, day: int | None, altitude_m: float = 0.0) -> Adequacy | None:
    """Is there enough air now? None where the fan's curve or the air outside is not known.

    A need whose own sensor reads below its target is met, whatever the sum says: published figures are good
    to a factor of two. Heat counts once the pen is warm enough for the fan to run against it.
    """
    point, outside = delivered(plan.pen), outside_air(plan, pen, view)
    if point is None or outside is None:
        return None
    wanted = wanted_of(plan.pen)
    return _weighed(
        point.airflow_m3_s * SECONDS_AN_HOUR,
        plan.living(day, pen.counts),
        wanted,
        _at_target_c(view),
        outside,
        altitude_m,
        view.dampest is not None and view.dampest.value <= wanted[2],
        view.carbon_dioxide is not None and view.carbon_dioxide.value <= wanted[1],
        view.warmth is not None and view.coolest is not None and view.coolest.value >= view.warmth.band.vent_c,
    )


@lru_cache(maxsize=128)  # birds and target hold for a day, and the air outside moves slowly
def _weighed(
    full_m3_h: float,
    birds: Living,
    wanted: Wanted,
    inside_c: float,
    outside: tuple[float, float],
    altitude_m: float,
    is_dry: bool,
    is_fresh: bool,
    is_hot: bool,
) -> Adequacy:
    needs = airflow_needs(birds, wanted, inside_c, outside, altitude_m)
    if is_dry:
        needs.pop("moisture", None)
    if is_fresh:
        needs.pop("carbon dioxide", None)
    if is_hot:
        needs["heat"] = _heat_need(birds, outside[0], altitude_m)
    total = balance.required_m3_h(needs)
    return Adequacy(
        full_m3_h,
        {name: answer for name, answer in needs.items() if not isinstance(answer, CannotMeet)},
        {name: answer.reason.value for name, answer in total.cannot_meet.items()},
        total.governing,
        full_m3_h / total.airflow_m3_h if total.airflow_m3_h else None,
    )


def _at_target_c(view: View) -> float:
    """The pen's temperature, but at least as warm as wanted: air in a room too cold dries too little, which is for heat
    to mend and not for a larger fan."""
    cool, warmth = view.coolest, view.warmth
    if cool is None or warmth is None or cool.value >= warmth.band.target_low_c:
        return inside_c(view)
    return warmth.band.target_low_c


def _heat_need(birds: Living, outside_c: float, altitude_m: float) -> balance.Answer:
    inside_c = min(max(outside_c + SUMMER_RISE_K, -20.0), 45.0)
    pressure_pa = psychrometrics.pressure_at_altitude_pa(altitude_m)
    return balance.sensible_heat_m3_h(output_of(birds, inside_c).sensible_w, inside_c, inside_c - SUMMER_RISE_K, pressure_pa)
