"""The ventilation sheet as a keeper reads it, at most 100 columns wide, and as JSON.

Rules of this file: nothing is computed that could change an answer; words, tables and units only. What is
not known says so, and a figure that rests on a doubtful number says which.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from monitor.air.balance import Answer, CannotMeet
from monitor.air.units import Kind, display, show
from monitor.engine.events import Json
from monitor.review.advice import advice, notes, pressure_words
from monitor.review.changes import as_facts, changes
from monitor.review.sheet import Case, Delivered, HeatBalance, OutsideAir, Sheet, Week
from monitor.review.sheet_words import adequacy_words, airflow, day_words, pressure, spell, stopped, times

WIDTH = 100


def as_text(sheet: Sheet, units: str) -> str:
    """The whole sheet.

    Args:
        sheet: from `sizing.sheet`.
        units: "us" or "metric".
    """
    today = sheet.weeks[0]
    parts = [
        [f"Ventilation sheet: {sheet.pen.name}, {day_words(sheet.today)}", *_wrapped(_outside(sheet, units))],
        ["Fan at full speed", *_wrapped(_fan(sheet, units), "  ")],
        ["Today", *_wrapped([_birds(today, units)], "  "), *_needs_table(today, units)],
        ["Tonight, if it is such a winter night", *_wrapped(_winter(today, units), "  ")],
        ["Week by week", *_weeks_table(sheet.weeks, units)],
        ["What a change would give", *_wrapped(advice(sheet, changes(sheet), units), "- ")],
        ["Read this with care", *_wrapped(notes(sheet), "- ")],
    ]
    return "\n\n".join("\n".join(part) for part in parts) + "\n"


def _wrapped(sentences: Iterable[str], first: str = "") -> list[str]:
    """Each sentence on lines of its own, none longer than the width."""
    return [
        line
        for sentence in sentences
        for line in textwrap.wrap(sentence, WIDTH, initial_indent=first, subsequent_indent=" " * len(first))
    ]


def _outside(sheet: Sheet, units: str) -> list[str]:
    cold, hot = sheet.weeks[0].winter.outside, sheet.weeks[0].summer.outside
    return [
        f"Winter night {_outside_words(cold, units)}, summer day {_outside_words(hot, units)}.",
        f"Looked ahead to {day_words(sheet.horizon.until)}: {sheet.horizon.why}.",
    ]


def _outside_words(air: OutsideAir, units: str) -> str:
    seen = " (the extreme of your own sensor)" if air.is_seen else ""
    return f"{show(air.temperature_c, Kind.TEMPERATURE, units)}{seen} and {air.humidity_pct:.0f} % outside"


def _fan(sheet: Sheet, units: str) -> list[str]:
    now = sheet.delivered
    if sheet.pen.fan is None:
        return ["No fan is written for this pen."]
    if now is None:
        return ["What it moves is not known: its curve is not written."]
    return [
        stopped(
            f"Moves {airflow(now.airflow_m3_h, units)} at {pressure(now.fan_pressure_pa, units)} of static pressure, "
            f"of which the duct takes {pressure(now.duct_pressure_pa, units)}"
        ),
        *pressure_words(sheet, units),
    ]


def _birds(week: Week, units: str) -> str:
    if not week.count:
        return "No birds are in this pen."
    ages = ", ".join(f"{name} {_age(days)}" for name, days in week.ages_days.items())
    each = week.birds
    return (
        f"{week.count} birds ({ages}), {show(week.live_weight_kg, Kind.MASS, units, 0)} together, giving off "
        f"{each.total_w:.0f} W of heat, {each.sensible_w:.0f} W of it warming the air, and {each.moisture_g_h:.0f} g of water "
        "an hour."
    )


def _age(days: int) -> str:
    return f"{days} days" if days < 14 else f"{days // 7} weeks"


def _needs_table(week: Week, units: str) -> list[str]:
    if not week.count:
        return []
    rows = [("need", "winter night", "adequacy", "summer day", "adequacy")]
    rows += [
        (
            name,
            _need(week.winter.needs.get(name), units),
            _of(week.winter, name),
            _need(week.summer.needs.get(name), units),
            _of(week.summer, name),
        )
        for name in dict.fromkeys([*week.winter.needs, *week.summer.needs])
    ]
    table = _table(rows, "  ", left=1)
    return [*table, *_wrapped(_verdict(week), "  ")]


def _verdict(week: Week) -> list[str]:
    said = []
    for words, case in (("Winter night", week.winter), ("Summer day", week.summer)):
        for name, answer in case.needs.items():
            if isinstance(answer, CannotMeet):
                said.append(f"{words}: {name} cannot be met by any airflow, {answer.reason}.")
        if case.governing is not None and case.worst is not None:
            said.append(f"{words}: {case.governing} governs, {adequacy_words(case.worst)}.")
    return said


def _need(answer: Answer | None, units: str) -> str:
    if answer is None:
        return ""
    return "cannot be met" if isinstance(answer, CannotMeet) else ("none" if answer <= 0.0 else airflow(answer, units))


def _of(case: Case, name: str) -> str:
    return times(case.adequacy[name]) if name in case.adequacy else ""


def _winter(week: Week, units: str) -> list[str]:
    if not week.count:
        return ["No birds, no need."]
    said, cold, heat = [], week.winter, week.heat
    if week.timer is None:
        said.append("Timer: not known without the fan's curve.")
    else:
        speed = "" if week.timer.speed_pct is None else f" at {week.timer.speed_pct:.0f} % speed"
        said.append(
            f"Timer: on {spell(week.timer.on_s)} in each {spell(week.timer.period_s)}{speed}; while the birds are too cold "
            f"{spell(week.timer.least_on_s)}."
        )
    where = "around the brooder" if cold.birds_c > cold.inside_c else "inside"
    hold = f"{show(cold.inside_c, Kind.TEMPERATURE, units)} {where}"
    if heat.lamp_w is None:
        lamp = " and a heat source whose watts are not written (not counted)"
    else:
        lamp = f" and {heat.lamp_w:.0f} W of lamp or heater" if heat.lamp_w else ""
    if heat.is_affordable:
        said.append(f"Heat: the birds' {heat.birds_w:.0f} W{lamp} cover {hold} with this much air, by the figures.")
    else:
        said.append(
            f"Heat: the birds' {heat.birds_w:.0f} W{lamp} do not cover {hold}: about "
            f"{round(heat.heater_w, -1):.0f} W more would. {_afford(heat.affordable_m3_h, cold.required_m3_h, units)}"
        )
    if heat.settles_c is not None and not heat.is_affordable:
        said.append(
            f"Without it the room settles near {show(heat.settles_c, Kind.TEMPERATURE, units)}, give or take.{_bear(heat, units)}"
        )
    return said


def _bear(heat: HeatBalance, units: str) -> str:
    if heat.cold_c is None or heat.settles_c is None:
        return ""
    limit = show(heat.cold_c, Kind.TEMPERATURE, units)
    if heat.settles_c >= heat.cold_c:
        return f" Birds of this age bear that, kept dry and out of draught (too cold at {limit})."
    return f" That is below what birds of this age bear ({limit})."


def _afford(affordable_m3_h: float | None, required_m3_h: float | None, units: str) -> str:
    if affordable_m3_h is None or required_m3_h is None:
        return ""
    if affordable_m3_h <= 0.0:
        return "The walls alone lose more than there is."
    return f"The heat there is affords {airflow(affordable_m3_h, units)} of the {airflow(required_m3_h, units)} needed."


def _weeks_table(weeks: Sequence[Week], units: str) -> list[str]:
    air, mass, warmth = (display(kind, units).symbol for kind in (Kind.AIRFLOW, Kind.MASS, Kind.TEMPERATURE))
    rows = [
        ("", "age", "", "", "winter:", "", "night", "", "timer", "heat", "summer:", "day", ""),
        ("day", "wk", "birds", mass, f"hold {warmth}", air, "governs", "adeq.", "s on/of", "lacks W", air, "governs", "adeq."),
    ]
    for week in weeks:
        timer = "–" if week.timer is None else f"{week.timer.on_s:.0f}/{week.timer.period_s:.0f}"
        rows.append(
            (
                f"{week.day.day} {week.day:%b}",
                _ages(week),
                str(week.count),
                _bare(week.live_weight_kg, Kind.MASS, units, 0),
                _bare(week.winter.inside_c, Kind.TEMPERATURE, units, 0) if week.count else "–",
                *_columns(week.winter, units),
                timer,
                f"{round(week.heat.heater_w, -1):.0f}" if week.count else "–",
                *_columns(week.summer, units),
            )
        )
    return _table(rows, "  ", left=1, short=_SHORT)


def _bare(value_si: float, kind: str, units: str, digits: int) -> str:
    return show(value_si, kind, units, digits).split(" ")[0]


def _ages(week: Week) -> str:
    whole = sorted({days // 7 for days in week.ages_days.values()})
    return "" if not whole else (str(whole[0]) if len(whole) == 1 else f"{whole[0]}–{whole[-1]}")


def _columns(case: Case, units: str) -> tuple[str, str, str]:
    if case.required_m3_h is None:
        return "–", "–", "–"
    return airflow(case.required_m3_h, units).split(" ")[0], case.governing or "–", times(case.worst)


# What governs, in a narrow column.
_SHORT = {"carbon dioxide": "CO₂", "live weight": "weight", "summer rule": "summer"}


def _table(rows: Sequence[Sequence[str]], indent: str, left: int, short: dict[str, str] | None = None) -> list[str]:
    """Columns as wide as they must be, the first ones left, the others right."""
    cells = [[(short or {}).get(cell, cell) for cell in row] for row in rows]
    widths = [max(len(row[column]) for row in cells) for column in range(len(cells[0]))]
    return [
        (
            indent
            + " ".join(
                cell.ljust(width) if column < left else cell.rjust(width)
                for column, (cell, width) in enumerate(zip(row, widths, strict=True))
            )
        ).rstrip()
        for row in cells
    ]


# ------------------------------------------------------------------------ JSON


def as_json(sheet: Sheet, units: str) -> dict[str, Json]:
    """The sheet as plain figures, SI, with the sentences in the keeper's units beside them."""
    found = changes(sheet)
    cold, hot = sheet.weeks[0].winter.outside, sheet.weeks[0].summer.outside
    return {
        "pen": sheet.pen.name,
        "today": sheet.today.isoformat(),
        "until": sheet.horizon.until.isoformat(),
        "until_why": sheet.horizon.why,
        "outside": {
            "winter_night": _outside_figures(cold),
            "summer_day": _outside_figures(hot),
        },
        "delivered": None if sheet.delivered is None else _delivered(sheet.delivered),
        "weeks": [_week(week) for week in sheet.weeks],
        "changes": [as_facts(change) for change in found],
        "fan": [*_fan(sheet, units)],
        "tonight": [*_winter(sheet.weeks[0], units)],
        "advice": [*advice(sheet, found, units)],
        "notes": [*notes(sheet)],
    }


def _outside_figures(air: OutsideAir) -> Json:
    return {"temperature_c": round(air.temperature_c, 2), "humidity_pct": round(air.humidity_pct, 1), "is_seen": air.is_seen}


def _delivered(now: Delivered) -> Json:
    return {
        "airflow_m3_h": round(now.airflow_m3_h, 1),
        "fan_pressure_pa": round(now.fan_pressure_pa, 1),
        "duct_pressure_pa": round(now.duct_pressure_pa, 1),
        "room_negative_pressure_pa": round(now.room_pressure_pa, 1),
        "inlet_speed_m_s": _rounded(now.inlet_speed_m_s, 2),
        "leakage_share": round(now.leakage_share, 3),
        "inlet_governs": now.inlet_governs,
        "verdict": now.verdict.value,
    }


def _week(week: Week) -> Json:
    timer, heat = week.timer, week.heat
    return {
        "day": week.day.isoformat(),
        "ages_days": dict(week.ages_days),
        "birds": week.count,
        "live_weight_kg": round(week.live_weight_kg, 2),
        "heat_w": round(week.birds.total_w, 1),
        "sensible_heat_w": round(week.birds.sensible_w, 1),
        "moisture_g_h": round(week.birds.moisture_g_h, 1),
        "winter_night": _case(week.winter),
        "summer_day": _case(week.summer),
        "timer": None
        if timer is None
        else {"on_s": timer.on_s, "least_on_s": timer.least_on_s, "period_s": timer.period_s, "speed_pct": timer.speed_pct},
        "heat_balance": {
            "birds_w": round(heat.birds_w, 1),
            "lamp_w": heat.lamp_w,
            "wall_loss_w_k": round(heat.wall_loss_w_k, 2),
            "affordable_m3_h": _rounded(heat.affordable_m3_h, 1),
            "heater_w": round(heat.heater_w, 1),
            "cold_c": _rounded(heat.cold_c, 2),
            "settles_c": _rounded(heat.settles_c, 1),
        },
    }


def _case(case: Case) -> Json:
    needs: dict[str, Json] = {}
    for name, answer in case.needs.items():
        if isinstance(answer, CannotMeet):
            needs[name] = {"required_m3_h": None, "adequacy": None, "cannot_meet": answer.reason.value}
        else:
            needs[name] = {
                "required_m3_h": round(answer, 2),
                "adequacy": _rounded(case.adequacy.get(name), 3),
                "cannot_meet": None,
            }
    return {
        "inside_c": round(case.inside_c, 2),
        "inside_humidity_pct": round(case.inside_pct, 1),
        "birds_c": round(case.birds_c, 2),
        "needs": needs,
        "governing": case.governing,
        "required_m3_h": _rounded(case.required_m3_h, 2),
        "adequacy": _rounded(case.worst, 3),
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
