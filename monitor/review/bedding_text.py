"""The bedding in words, as JSON and as a table: what a keeper reads at the table. Pure.

Rules of this file: nothing is worked out here; "cannot tell" is said as plainly as "helped".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, date, datetime
from statistics import fmean
from zoneinfo import ZoneInfo

from monitor.air.units import Kind, show
from monitor.engine.events import Json
from monitor.review.bedding import Bedding, Change, Due, Period, Warned
from monitor.review.days_left import LONGEST_DAYS
from monitor.review.effects import MIN_NIGHTS, MIN_NIGHTS_AFTER, Effect, Verdict
from monitor.review.robust import Interval
from monitor.review.unmarked import Suggestion

BAND_DAYS = 3  # rows of the aligned table
COLUMNS = 5  # periods side by side
_DEED = {"litter changed": "changed", "litter topped": "topped", "litter turned": "turned", "first readings": "first seen"}


# ---------------------------------------------------------------- sentences


def sentence(found: Bedding) -> str:
    """How the present litter stands."""
    now = found.now
    if now is None or not now.stretch.nights:
        return "No night of this litter has been measured yet."
    days = (found.today - _day(found, now.stretch.began_ms)).days
    what = "Litter seen" if now.stretch.what == "first readings" else now.stretch.what.capitalize()
    said = f"{what} {_ago(days)}"
    if now.course is None:
        return f"{said}: {_ppm(now.stretch.nights[-1].ppm)} last night; too few nights for a rise."
    dawn = now.stretch.nights[-1].dawn_ppm
    level = f"{_ppm(now.course.level_ppm.best)} in a usual night" + ("" if dawn is None else f", {_ppm(dawn)} at the last dawn")
    return f"{said}: {level}; {_rise(now.course.rise_ppm_day)}."


def days_left(found: Bedding) -> str:
    """How long it will do."""
    now, limit = found.now, found.limit_ppm
    if now is None or limit is None:
        return ""
    if now.course is None:
        return "Days left: not known yet, too few nights."
    left = now.course.days_left
    if left is None:
        if now.course.rise_ppm_day.low <= 0.0:
            return f"Days left to {_ppm(limit)}: no date, for the ammonia does not surely rise."
        return f"Days left to {_ppm(limit)}: more than {LONGEST_DAYS:.0f} at this rise."
    if left.best <= 0.0:
        return f"A usual night is at the limit for birds, {_ppm(limit)}: litter work is due."
    low, high = math.floor(left.low), f"{math.ceil(left.high)}" if left.high <= LONGEST_DAYS else "no end seen"
    if now.course.to_the_day:
        return f"{_ppm(limit)} in {_days(left.best)} ({low} to {high}), as your litters go."
    span = f"in {low} to {high} days" if left.high <= LONGEST_DAYS else f"in {_days(low)} at the earliest, no end seen"
    why = (
        "the nights so far do not agree on the day"
        if now.course.has_former
        else "this pen has no earlier litter of its kind to show how it goes on"
    )
    return f"{_ppm(limit)} {span}; cannot tell closer yet: {why}."


def effect_text(what: str, day: date, did: Effect) -> str:
    """ "Litter changed 27 Sep: helped by 6 ppm (4 to 8)." """
    head = f"{what.capitalize()} {day:%-d %b}"
    between = did.helped_ppm
    if did.verdict is Verdict.TOO_SOON:
        return f"{head}: too soon to tell, {did.nights_after} of {MIN_NIGHTS_AFTER} nights so far."
    if between is None and did.nights_before >= MIN_NIGHTS and did.nights_after >= MIN_NIGHTS_AFTER:
        return f"{head}: cannot tell litter from ventilation, for how the fan ran is not stored."
    if between is None:
        return f"{head}: cannot tell, too few nights to compare ({did.nights_before} before, {did.nights_after} after)."
    if did.verdict is Verdict.HELPED:
        return f"{head}: helped by {_ppm(between.best)} ({_span(between)})."
    if did.verdict is Verdict.WORSE:
        worse = Interval(-between.best, -between.high, -between.low)
        return f"{head}: made it worse by {_ppm(worse.best)} ({_span(worse)})."
    return f"{head}: cannot tell; between {_ppm(-between.low)} worse and {_ppm(between.high)} better."


def suggestion_text(found: Suggestion) -> str:
    """A question, no entry."""
    fall = found.effect.helped_ppm
    by = "" if fall is None else f": the litter gave off {_ppm(fall.best)} less, and it stayed so"
    return f"It looks as if the litter was changed on {found.day:%-d %b}{by}. Mark it?"


def warning_text(warned: Warned, timezone: str) -> str:
    """What could fool the comparison, and what to do about it."""
    when = "" if warned.time_ms is None else f"{datetime.fromtimestamp(warned.time_ms / 1000, ZoneInfo(timezone)):%-d %b}"
    one, two = (*warned.figures, 0.0, 0.0)[:2]
    return {
        "calibrated between": f"A sensor was calibrated on {when}, between these nights: before and after may not compare.",
        "fan cleaned between": f"The fan was cleaned on {when}, between these nights: it may move more air than reckoned.",
        "fan not known": "How the fan ran is not stored for all of these nights: litter cannot be told from ventilation.",
        "fan changed": f"The fan ran {one:.0f} % of the night before and {two:.0f} % after: only nights alike were compared.",
        "fan changed, reckoned out": f"The fan ran {one:.0f} % of the night before and {two:.0f} % after; its airflow "
        "was reckoned out.",
        "birds changed": f"The flock changed by {abs(one):.0f} birds between these nights: "
        + ("more" if one > 0 else "fewer")
        + " birds, other litter.",
        "fresh reads high": f"Fresh litter of {when} still read {one:.0f} ppm: either old litter stayed in, or the sensor's zero "
        "has moved. Check it in clean air.",
        "zero crept": f"Fresh litter read {one:.1f} ppm on {when} and {two:.1f} ppm last time: the sensor's zero may creep. "
        "Check it in clean air.",
        "not calibrated": (f"No calibration is written down since {when}" if when else "No calibration is written down")
        + f", {one:.0f} days: cells drift by up to 5 ppm (University of Illinois 2015).",
        "airflow not known": "The airflow is not known: levels are compared only between nights with the fan alike.",
        "no nights": "No night has enough ammonia readings: at least five hours between 22:00 and 08:00.",
    }[warned.what]


def due_text(due: Due, today: date) -> str:
    """When, and by what."""
    if due.by == "limit, earliest":
        return f"Look at the litter from {due.day:%-d %b} on: the limit for birds may be reached then."
    why = "the limit for birds is reached then" if due.by == "limit" else "as long as your litter usually lies"
    if due.day < today:
        return f"Litter work was due about {due.day:%-d %b}: {why}."
    return f"Next litter work about {due.day:%-d %b}: {why}."


def period_text(found: Bedding, period: Period) -> str:
    """One line for a screen reader, beside the drawing."""
    name = _name(found, period)
    if period.course is None:
        return f"Litter {name}: {len(period.stretch.nights)} nights."
    return (
        f"Litter {name}: {len(period.stretch.nights)} nights, {_ppm(period.course.level_ppm.best)} "
        f"{'now' if period.is_open else 'at its end'}, {_rise(period.course.rise_ppm_day)}."
    )


# ---------------------------------------------------------------- the sheet


def sheet(found: Bedding, units: str) -> str:
    """The whole answer for the terminal, at most 100 columns."""
    parts = [f"{found.pen}: the litter", "", sentence(found)]
    parts += [text for text in (days_left(found), "" if found.due is None else due_text(found.due, found.today)) if text]
    if found.periods:
        parts += ["", *_table(found, units), "", *_aligned(found)]
    if found.changes:
        parts += ["", "What each deed did, at the same hours, warmth and air (95 % interval):"]
        for change in found.changes:
            parts.append("  " + effect_text(change.deed.what, change.day, change.effect))
            parts += [f"    ! {warning_text(w, found.timezone)}" for w in change.warnings]
    parts += ["", *(suggestion_text(s) for s in found.suggested)] if found.suggested else []
    parts += ["", *(f"! {warning_text(w, found.timezone)}" for w in found.warnings)] if found.warnings else []
    return "\n".join(line for part in parts for line in folded(part))


def folded(text: str, width: int = 100) -> list[str]:
    """The text in lines of at most `width` columns, where it has spaces; the rest of a line stands two further in."""
    indent = " " * (len(text) - len(text.lstrip()))
    lines, line = [], text
    while len(line) > width:
        cut = line.rfind(" ", len(indent) + 1, width)
        if cut <= len(indent):
            break
        lines.append(line[:cut])
        line = indent + "  " + line[cut + 1 :]
    return [*lines, line]


def _table(found: Bedding, units: str) -> list[str]:
    rows = [("litter", "nights", "night", "dawn", "rise a day", "mg/h at first", "mg/h at last")]
    for period in found.periods:
        course, last = period.course, period.stretch.nights[-1:]
        dawn = last[0].dawn_ppm if last else None
        rows.append(
            (
                f"{_DEED[period.stretch.what]} {_day(found, period.stretch.began_ms):%-d %b}"
                + (" (now)" if period.is_open else ""),
                str(len(period.stretch.nights)),
                "–" if course is None else _number(course.level_ppm.best, 1),
                "–" if dawn is None else _number(dawn, 1),
                "–" if course is None else _rise_cell(course.rise_ppm_day),
                _mg_h(period.emission_first_mg_h),
                _mg_h(period.emission_last_mg_h),
            )
        )
    temperatures = [n.temperature_c for n in found.periods[-1].stretch.nights[-7:] if n.temperature_c is not None]
    usual = [f"Nights of late: room {show(fmean(temperatures), Kind.TEMPERATURE, units)}"] if temperatures else []
    airflows = [n.airflow_m3_h for n in found.periods[-1].stretch.nights[-7:] if n.airflow_m3_h is not None]
    if airflows:
        usual.append(f"air through the pen about {show(fmean(airflows) / 3600.0, Kind.AIRFLOW, units)}")
    head = "Ammonia in ppm; mg/h is what the litter gave off, with the airflow taken out:"
    return [head, *_columns(rows), *([", ".join(usual) + "."] if usual else [])]


def _aligned(found: Bedding) -> list[str]:
    """Periods side by side from day 0, so that they compare."""
    shown = found.periods[-COLUMNS:]
    rows = [("day", *(_name(found, p) for p in shown))]
    last = max((p.stretch.day_of(p.stretch.nights[-1]) for p in shown if p.stretch.nights), default=0.0)
    for begin in range(0, int(last) + 1, BAND_DAYS):
        cells = []
        for period in shown:
            few = [n.ppm for n in period.stretch.nights if begin <= period.stretch.day_of(n) < begin + BAND_DAYS]
            cells.append(f"{fmean(few):.1f}" if few else "")
        rows.append((f"{begin}–{begin + BAND_DAYS - 1}", *cells))
    return ["Mean of the nights by day of the litter, ppm as measured:", *_columns(rows)]


def _columns(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = []
    for row in rows:
        first, *others = (cell.rjust(width) for cell, width in zip(row, widths, strict=True))
        lines.append("  ".join([first.strip().ljust(widths[0]), *others]).rstrip())
    return lines


# ---------------------------------------------------------------- JSON


def as_json(found: Bedding) -> dict[str, Json]:
    """What the API serves and `--json` prints; SI, with sentences beside the figures."""
    return {
        "pen": found.pen,
        "today": found.today.isoformat(),
        "sentence": sentence(found),
        "limit_ppm": found.limit_ppm,
        "limit_source": found.limit_source,
        "airflow_known": found.air_known,
        "days_left": _days_left_json(found),
        "due": _due_json(found),
        "periods": [_period_json(found, period) for period in found.periods],
        "changes": [_change_json(found, change) for change in found.changes],
        "suggested": [
            {
                "day": s.day.isoformat(),
                "time": _rfc3339((s.after_ms + s.before_ms) // 2),
                "what": "litter changed",
                "text": suggestion_text(s),
                "effect": _effect_json(s.effect),
            }
            for s in found.suggested
        ],
        "warnings": [warning_text(warned, found.timezone) for warned in found.warnings],
    }


def _days_left_json(found: Bedding) -> Json:
    """`best` only where the day can be told; `low` and `high` wherever there is a span."""
    course = None if found.now is None else found.now.course
    told = _interval(None if course is None else course.days_left)
    sure = course is not None and course.to_the_day
    return {"text": days_left(found), **told, "best": told["best"] if sure else None}


def _due_json(found: Bedding) -> Json:
    if found.due is None:
        return None
    return {"day": found.due.day.isoformat(), "by": found.due.by, "text": due_text(found.due, found.today)}


def _period_json(found: Bedding, period: Period) -> Json:
    stretch, course = period.stretch, period.course
    return {
        "what": _DEED[stretch.what],
        "began": _rfc3339(stretch.began_ms),
        "ended": None if stretch.ended_ms is None else _rfc3339(stretch.ended_ms),
        "text": period_text(found, period),
        "day": [round(stretch.day_of(n), 2) for n in stretch.nights],
        "date": [n.day.isoformat() for n in stretch.nights],
        "level_ppm": [round(n.ppm, 2) for n in stretch.nights],
        "dawn_ppm": [_rounded(n.dawn_ppm, 2) for n in stretch.nights],
        "emission_mg_h": [_rounded(n.emission_mg_h, 1) for n in stretch.nights],
        "airflow_m3_h": [_rounded(n.airflow_m3_h, 1) for n in stretch.nights],
        "fan_share_pct": [None if n.fan_share is None else round(100.0 * n.fan_share, 1) for n in stretch.nights],
        "temperature_c": [_rounded(n.temperature_c, 2) for n in stretch.nights],
        "usual_level_ppm": _interval(None if course is None else course.level_ppm),
        "rise_ppm_day": _interval(None if course is None else course.rise_ppm_day, 3),
        "emission_first_mg_h": _interval(period.emission_first_mg_h),
        "emission_last_mg_h": _interval(period.emission_last_mg_h),
    }


def _change_json(found: Bedding, change: Change) -> Json:
    return {
        "time": _rfc3339(change.deed.time_ms),
        "what": change.deed.what,
        "note": change.deed.note,
        "text": effect_text(change.deed.what, change.day, change.effect),
        "effect": _effect_json(change.effect),
        "warnings": [warning_text(warned, found.timezone) for warned in change.warnings],
    }


def _effect_json(did: Effect) -> Json:
    return {
        "verdict": did.verdict,
        "helped_ppm": _interval(did.helped_ppm),
        "before_ppm": _rounded(did.before_ppm, 2),
        "after_ppm": _rounded(did.after_ppm, 2),
        "expected_ppm": _rounded(did.expected_ppm, 2),
        "airflow_known": did.emission_known,
        "nights_before": did.nights_before,
        "nights_after": did.nights_after,
    }


def _interval(one: Interval | None, digits: int = 2) -> dict[str, Json]:
    """Three figures; an end that is infinite is null."""
    if one is None:
        return {"best": None, "low": None, "high": None}
    return {"best": _rounded(one.best, digits), "low": _rounded(one.low, digits), "high": _rounded(one.high, digits)}


# ---------------------------------------------------------------- small words


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, digits)


def _rfc3339(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms // 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _day(found: Bedding, time_ms: int) -> date:
    return datetime.fromtimestamp(time_ms / 1000, ZoneInfo(found.timezone)).date()


def _name(found: Bedding, period: Period) -> str:
    return f"{_DEED[period.stretch.what]} {_day(found, period.stretch.began_ms):%-d %b}"


def _ago(days: int) -> str:
    return "today" if days <= 0 else f"{days} day{'' if days == 1 else 's'} ago"


def _days(days: float) -> str:
    whole = round(days)
    return f"{whole} day{'' if whole == 1 else 's'}"


def _ppm(value: float) -> str:
    return show(value, Kind.CONCENTRATION, digits=0 if abs(value) >= 9.95 else 1)


def _number(value: float, digits: int) -> str:
    return f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")


def _rise_cell(rise: Interval) -> str:
    digits = _digits(rise)
    return ("+" if rise.best > 0.0 else "") + f"{_number(rise.best, digits)} ({_span(rise, digits)})"


def _digits(rise: Interval) -> int:
    return 2 if max(abs(rise.low), abs(rise.high)) < 0.95 else 1


def _span(one: Interval, digits: int | None = None) -> str:
    places = digits if digits is not None else (0 if max(abs(one.low), abs(one.high)) >= 9.95 else 1)
    return f"{_number(one.low, places)} to {_number(one.high, places)}"


def _rise(rise: Interval) -> str:
    digits = _digits(rise)
    if rise.low > 0.0:
        return f"rising {_number(rise.best, digits)} ppm a day ({_span(rise, digits)})"
    if rise.high < 0.0:
        falls = Interval(-rise.best, -rise.high, -rise.low)
        return f"falling {_number(falls.best, digits)} ppm a day ({_span(falls, digits)})"
    return f"no sure rise ({_span(rise, digits)} ppm a day)"


def _mg_h(one: Interval | None) -> str:
    return "–" if one is None else f"{one.best:.0f} ({one.low:.0f} to {one.high:.0f})"
