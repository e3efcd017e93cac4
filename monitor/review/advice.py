"""The sheet's sentences: what a change would give, and what to keep in mind.

Rules of this file: plain words, the keeper's units, no promise of a temperature; where someone can come to
harm the caution stands in the same sentence.
"""

from __future__ import annotations

from collections.abc import Sequence

from monitor.air.fan import Verdict
from monitor.air.units import Kind as Unit
from monitor.air.units import show
from monitor.facts.airflow import PRESSURE
from monitor.review.changes import Change, Kind
from monitor.review.sheet import MOISTURE, Sheet, Week
from monitor.review.sheet_words import airflow, bore, day_words, pressure, small_area, stopped, times

FIRE = (
    "heaters and lamps near litter start fires: use one made for livestock, fixed clear of bedding, and a licensed electrician "
    "for the wiring"
)


def advice(sheet: Sheet, found: Sequence[Change], units: str) -> list[str]:
    """One sentence a change, the shortfall first."""
    said = [*_shortfalls(sheet, units), *(_change(change, units) for change in found)]
    return said or ["Nothing needs changing by these figures."]


def _shortfalls(sheet: Sheet, units: str) -> list[str]:
    now = sheet.delivered
    if now is None:
        return ["What the fan moves is not known: write its free_air and shut_off, or its curve, under [pen.fan]."]
    said = []
    for name, words in (("winter", "winter night"), ("summer", "summer day")):
        short = [week for week in sheet.weeks if (worst := getattr(week, name).worst) is not None and worst < 1.0]
        if not short:
            continue
        case = getattr(short[0], name)
        when = "today" if short[0].day == sheet.today else f"from {day_words(short[0].day)}"
        said.append(
            f"Short {when} on a {words}: {case.governing} asks {airflow(case.required_m3_h, units)}, "
            f"the fan moves {airflow(now.airflow_m3_h, units)}."
        )
    return said


def _change(change: Change, units: str) -> str:
    words = _WORDS[change.kind](change, units)
    if change.delivered is not None:
        words += f": moves {airflow(change.delivered.airflow_m3_h, units)}"
        words += f", room at {pressure(change.delivered.room_pressure_pa, units)}"
        words += f"; adequacy at worst {times(change.winter_worst)} winter, {times(change.summer_worst)} summer"
    return words + ("." if change.suffices else ", still short.")


def _inlet_words(change: Change, units: str) -> str:
    word = "Bigger inlet" if change.after > change.before else "Smaller inlet (close part of it)"
    return f"{word}, {small_area(change.after, units)} instead of {small_area(change.before, units)}"


def _length_words(change: Change, units: str) -> str:
    return f"Shorter duct, {_length(change.after, units)} instead of {_length(change.before, units)}"


def _length(m: float, units: str) -> str:
    return show(m, Unit.LENGTH, units, 0 if units == "us" else 1)


def _bore_words(change: Change, units: str) -> str:
    return f"Wider duct, {bore(change.after, units)} instead of {bore(change.before, units)}"


def _fan_words(change: Change, units: str) -> str:
    if not change.suffices:
        times_ = f"{change.after / change.before:.0f} times the free air ({airflow(change.after, units)}, same shut-off)"
        return f"A larger fan alone does not do: duct and inlet hold back even {times_}"
    return f"Larger fan, {airflow(change.after, units)} of free air instead of {airflow(change.before, units)} (same shut-off)"


def _bird_words(change: Change, _units: str) -> str:
    worst = f"adequacy at worst {times(change.winter_worst)} winter, {times(change.summer_worst)} summer"
    return f"Fewer birds, {change.after:.0f} instead of {change.before:.0f}, all flocks thinned alike: {worst}"


def _heat_words(change: Change, _units: str) -> str:
    more = change.after - change.before
    lamp = f" beside the {change.before:.0f} W there are" if change.before > 0.0 else ""
    return f"More heat, about {round(more, -1):.0f} W{lamp}, would close today's winter balance ({FIRE})"


_WORDS = {
    Kind.INLET_AREA: _inlet_words,
    Kind.DUCT_LENGTH: _length_words,
    Kind.DUCT_DIAMETER: _bore_words,
    Kind.FAN: _fan_words,
    Kind.BIRDS: _bird_words,
    Kind.HEAT: _heat_words,
}


def pressure_words(sheet: Sheet, units: str) -> list[str]:
    """How the room's negative pressure and the inlet's speed stand against practice."""
    now = sheet.delivered
    if now is None:
        return []
    low, high = PRESSURE["working, low"].value, PRESSURE["working, high"].value
    practice = f"{_number(low, Unit.PRESSURE, units)} to {pressure(high, units)}"
    if now.inlet_speed_m_s is None:
        return ["No inlet is written under [pen.inlet]: the air's way in is taken as wide open, the pressure as none."]
    said = [stopped(f"The room stands {pressure(now.room_pressure_pa, units)} below outside; practice is {practice}")]
    slow, fast = PRESSURE["inlet speed, low"].value, PRESSURE["inlet speed, high"].value
    speed = show(now.inlet_speed_m_s, Unit.SPEED, units)
    said.append(f"Air comes in at {speed}; practice is {_number(slow, Unit.SPEED, units)} to {show(fast, Unit.SPEED, units)}.")
    if now.leakage_share > 0.005:
        said.append(f"Leaks are {100.0 * now.leakage_share:.0f} % of the way in.")
    if not now.inlet_governs and now.sealed_pressure_pa is not None:
        said.append(
            f"With all inlets shut it would still only be {pressure(now.sealed_pressure_pa, units)}: "
            "the building leaks, and the inlets do not govern where the air comes in. Close the gaps first."
        )
    if now.verdict is Verdict.STALLED:
        said.append("The fan stalls: duct and inlets ask for more pressure than its curve has.")
    elif now.verdict is Verdict.BEYOND:
        said.append("This is the end of the curve that was written; it may move more.")
    return said


def _number(value_si: float, kind: str, units: str) -> str:
    return show(value_si, kind, units).split(" ")[0]


def notes(sheet: Sheet) -> list[str]:
    """What the figures rest on, the most doubtful first."""
    emission = (
        "Ammonia given off is taken from this pen's own readings"
        if sheet.emission_g_bird_day is not None
        else "Ammonia given off is a default, good to a factor of three either way until the pen's own readings refine it"
    )
    said = [
        f"{emission}; it grows with the birds.",
        "Published minimum rates are good to a factor of two (University of Georgia): an adequacy below 2 is no proof of "
        "enough air, readings settle it.",
        "The timer here is that of the coldest usual night, ammonia included; the running timer is worked out each hour from the "
        "air outside now, without a guess at ammonia, which has its own limit.",
        "Birds' heat, moisture and carbon dioxide are means over the day by the CIGR 2002 equations (coefficients from memory); "
        "spilt water and wet litter come on top.",
        "No temperature is promised: walls and ceiling lose heat by their insulation alone; floor, sun, and draught through "
        "leaks while the fan rests are not counted.",
        "On a hot day sun on the roof comes on top; open doors and windows that are safe from foxes and rats.",
        "The fan's figure is that of a clean fan, duct and mesh: dust takes a good part of it.",
    ]
    if any(_burns(week) for week in sheet.weeks):
        said.append(
            "A burner without a flue in the pen would double the air needed and can kill with carbon monoxide: none is counted "
            "here; vent it outdoors and keep an alarm for it."
        )
    if any(MOISTURE in week.winter.needs and not isinstance(week.winter.needs[MOISTURE], float) for week in sheet.weeks):
        said.append("On such a winter night the air outside holds too much water to dry with: more air does not help, heat does.")
    return said


def _burns(week: Week) -> bool:
    """Birds of this age are kept warm, by whatever the keeper uses."""
    return week.heat.lamp_w is None or week.heat.lamp_w > 0.0
