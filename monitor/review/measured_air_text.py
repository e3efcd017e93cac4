"""Measured air changes in words and as JSON: a figure with its interval, or why there is none. Pure."""

from __future__ import annotations

from monitor.air.decay import AirChanges
from monitor.engine.events import Json
from monitor.engine.specification import Pen
from monitor.review.measured_air import AirWeek, Gas, Verdict
from monitor.review.robust import Interval

_LOOK = {
    Verdict.FEWER: "Look at the fan's wheel, shutter, duct and the inlets: dirt, a stuck flap or a slipping belt.",
    Verdict.MORE: "More leaks in than the settings say, or a door stood open.",
}
# Six minutes are two time constants at 20 air changes an hour; the rest lets the gases gather. Our own advice.
_TRY = (
    "To measure it: on three evenings of a week, when the fan has rested and the shed is shut, set it by hand to run for "
    "15 minutes. Not while chicks are cold."
)


def as_json(pen: Pen, found: list[AirWeek]) -> Json:
    """What the API serves; air changes an hour."""
    return {
        "pen": pen.name,
        "volume_m3": round(pen.volume_m3, 2),
        "sentence": sentence(found),
        "weeks": [_week(each) for each in found],
        "lines": lines(found),
        "notes": [
            *_expected(found),
            *([] if found[-1].measured.per_hour is not None else [_TRY]),
            "Measured while the fan runs, from ammonia and carbon dioxide that fade; a week's runs are taken together.",
            "Moisture is a cross-check only: litter and walls give it back, so that it reads high.",
        ],
    }


def sentence(found: list[AirWeek]) -> str:
    """The last week that has a figure; else why the last week that had runs has none."""
    told = next((each for each in reversed(found) if each.measured.per_hour is not None), None)
    if told is not None:
        return week_text(told)
    tried = next((each for each in reversed(found) if each.runs), None)
    if tried is None:
        return f"Air changes cannot be measured: in {len(found)} weeks the fan never ran five minutes at a stretch after a rest."
    return week_text(tried)


def lines(found: list[AirWeek]) -> list[Json]:
    """The weeks worth a line, the latest first; those in which nothing could fade are one line together."""
    still = sum(week.runs == 0 for week in found)
    said: list[Json] = [week_text(week) for week in reversed(found) if week.runs]
    if still:
        which = "the last week" if len(found) == 1 else f"{still} of the last {len(found)} weeks"
        said.append(f"In {which} the fan never ran five minutes at a stretch after a rest.")
    return said


def _expected(found: list[AirWeek]) -> list[str]:
    expected = found[-1].expected_per_hour if found else None
    if expected is None:
        return []
    span = _span(expected.low, expected.high)
    return [
        f"Expected while it runs: {_number(expected.best)} an hour ({span}), from fan, duct, inlets, leaks and the room's size."
    ]


def week_text(week: AirWeek) -> str:
    """One week in a line or two."""
    head = f"Week of {week.begins:%-d %b}"
    told, expected = week.measured, week.expected_per_hour
    hoped = "" if expected is None else f"; {_number(expected.best)} expected ({_span(expected.low, expected.high)})"
    if told.per_hour is None or told.low is None or told.high is None:
        return f"{head}: air changes cannot be told, {told.reason.replace('decays', 'fadings')}{_checked(week)}."
    by = " and ".join(week.gases)
    text = (
        f"{head}: the fan changes the air {_number(told.per_hour)} times an hour ({_span(told.low, told.high)}, "
        f"{told.decays} fadings of {by}){hoped}"
    )
    if week.verdict is Verdict.CANNOT_TELL:
        return f"{text}; what to expect is not known without the fan's curve."
    return " ".join(part for part in (f"{text}: {week.verdict}.", _LOOK.get(week.verdict, "")) if part)


def _checked(week: AirWeek) -> str:
    told = week.by_moisture
    if told is None or told.per_hour is None:
        return ""
    return f"; by moisture, which reads high, {_number(told.per_hour)}"


def _week(week: AirWeek) -> Json:
    return {
        "begins": week.begins.isoformat(),
        "text": week_text(week),
        "verdict": week.verdict,
        "measured": _changes(week.measured),
        "gases": [gas for gas in Gas if gas in week.gases],
        "by_moisture": None if week.by_moisture is None else _changes(week.by_moisture),
        "expected": _interval(week.expected_per_hour),
        "speed_pct": week.speed_pct,
        "long_runs": week.runs,
    }


def _changes(told: AirChanges) -> Json:
    stands = told.per_hour is not None
    return {
        "per_hour": _rounded(told.per_hour),
        "low": _rounded(told.low) if stands else None,
        "high": _rounded(told.high) if stands else None,
        "decays": told.decays,
        "reason": told.reason,
        "warning": told.warning if stands else "",
    }


def _interval(one: Interval | None) -> Json:
    return None if one is None else {"best": _rounded(one.best), "low": _rounded(one.low), "high": _rounded(one.high)}


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def _number(value: float) -> str:
    return f"{value:.1f}" if value < 9.95 else f"{value:.0f}"


def _span(low: float, high: float) -> str:
    return f"{_number(low)} to {_number(high)}"
