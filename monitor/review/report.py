"""The morning line and the weekly sheet: from figures to what a keeper reads with the first coffee. Pure.

Rules of this file: figures come in as SI; a figure that is None was not measured and the text says so in
words, never with a number; the title carries the verdict in its first 60 characters. What counts as night and
dawn is the caller's to decide: from the evening's last light to eight in the morning is usual here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

from monitor.air.units import Kind, show
from monitor.engine.wording import GLANCE, Words, capitalised
from monitor.review.alarm_measures import Measures


@dataclass(frozen=True, slots=True)
class Night:
    """One pen's night. Temperatures at bird level, °C; times as local "HH:MM"; None was not measured."""

    pen: str
    low_c: float | None = None
    low_at: str = ""
    high_c: float | None = None
    high_at: str = ""
    cold_c: float | None = None  # at or below: too cold for these birds
    hot_c: float | None = None
    ammonia_peak_ppm: float | None = None  # near dawn
    ammonia_peak_at: str = ""
    ammonia_limit_ppm: float | None = None
    fan_s: float | None = None  # how long it ran
    unwatched_s: float = 0.0  # of the night without a believable bird-level reading
    due: tuple[str, ...] = ()  # what the calendar asks for today


@dataclass(frozen=True, slots=True)
class PenDay:
    """One day of one pen for the weekly sheet; SI, None was not measured."""

    day: date
    low_c: float | None = None
    high_c: float | None = None
    ammonia_dawn_ppm: float | None = None
    fan_s: float | None = None
    eggs: int | None = None
    deaths: int | None = None


@dataclass(frozen=True, slots=True)
class PenWeek:
    """One pen's week, with sentences from others' work: bedding, sizing, forecast."""

    pen: str
    days: tuple[PenDay, ...]
    notes: tuple[str, ...] = ()
    due: tuple[str, ...] = field(default_factory=tuple)


def morning_line(site: str, nights: Sequence[Night], units: str, open_alarms: Sequence[str] = ()) -> Words:
    """The one message of the morning.

    Args:
        site: its name.
        nights: one a pen.
        units: "us" or "metric".
        open_alarms: titles of alarms that still stand; they come first.
    """
    troubles = [trouble for night in nights for trouble in _troubles(night, units)]
    if open_alarms:
        title = f"{site}: {len(open_alarms)} open, {open_alarms[0]}"
    elif troubles:
        title = f"{site}: {troubles[0]}"
    elif not nights or all(night.low_c is None for night in nights):
        title = f"{site}: the night was not measured"
    else:
        title = f"{site}: night fine" + _lowest(nights, units)
    lines = [f"Open: {alarm}" for alarm in open_alarms] + [_night(night, units) for night in nights]
    return Words(_cut(title), "\n".join(lines))


def weekly_sheet(site: str, weeks: Sequence[PenWeek], units: str, alarms: Measures | None = None) -> Words:
    """The sheet of the week: one table a pen, then how the alarms behaved.

    Args:
        site: its name.
        weeks: one a pen; days in order.
        units: "us" or "metric".
        alarms: the week's measures; None when they could not be counted.
    """
    days = [day.day for week in weeks for day in week.days]
    span = f", {min(days):%d %b} to {max(days):%d %b}" if days else ""
    parts = [part for week in weeks for part in (_week(week, units), "")]
    parts.append(alarm_sentences(alarms) if alarms is not None else "Alarms: not counted this week.")
    return Words(_cut(f"{site}: the week{span}"), "\n".join(parts))


def alarm_sentences(alarms: Measures) -> str:
    """The alarm measures as a keeper reads them."""
    if not alarms.activations and not alarms.standing:
        return f"Alarms: none in {alarms.days:.0f} days."
    urgent = sum(count for priority, count in alarms.by_priority.items() if priority == "urgent")
    said = [f"Alarms: {alarms.activations} in {alarms.days:.0f} days, {urgent} of them urgent."]
    if alarms.contributors:
        key, count = alarms.contributors[0]
        said.append(f"Most often: {key} ({count}).")
    if alarms.longest is not None:
        said.append(f"Longest: {alarms.longest.key} ({show(alarms.longest_s, Kind.TIME)}).")
    if alarms.acknowledged_after_s is not None:
        said.append(f"Answered after {show(alarms.acknowledged_after_s, Kind.TIME)} at the median.")
    if alarms.chattering:
        said.append(f"Came and went too often: {', '.join(alarms.chattering)}; a wider deadband or a longer delay would help.")
    if alarms.stale:
        said.append(f"Standing for a day or longer: {', '.join(spell.key for spell in alarms.stale)}; mend it or shelve it.")
    return " ".join(said)


def _troubles(night: Night, units: str) -> list[str]:
    """What of the night is not fine, the worst first, short enough for a title."""
    pen, said = night.pen, []
    if night.low_c is not None and night.cold_c is not None and night.low_c <= night.cold_c:
        said.append(f"{pen} was cold, {show(night.low_c, Kind.TEMPERATURE, units)}")
    if night.high_c is not None and night.hot_c is not None and night.high_c >= night.hot_c:
        said.append(f"{pen} was hot, {show(night.high_c, Kind.TEMPERATURE, units)}")
    if _over(night):
        said.append(f"{pen} ammonia {show(night.ammonia_peak_ppm or 0.0, Kind.CONCENTRATION, units)} at dawn")
    if night.unwatched_s >= 1800.0:
        said.append(f"{pen} unwatched {show(night.unwatched_s, Kind.TIME)}")
    return said


def _over(night: Night) -> bool:
    peak, limit = night.ammonia_peak_ppm, night.ammonia_limit_ppm
    return peak is not None and limit is not None and peak >= limit


def _lowest(nights: Sequence[Night], units: str) -> str:
    known = [(night.low_c, night.pen) for night in nights if night.low_c is not None]
    low_c, pen = min(known)
    return f", {pen} low {show(low_c, Kind.TEMPERATURE, units)}"


def _night(night: Night, units: str) -> str:
    said = []
    if night.low_c is None:
        said.append("birds' place not measured")
    else:
        said.append(f"low {show(night.low_c, Kind.TEMPERATURE, units)}{_at(night.low_at)}")
        if night.high_c is not None:
            said.append(f"high {show(night.high_c, Kind.TEMPERATURE, units)}{_at(night.high_at)}")
    if night.ammonia_peak_ppm is None:
        said.append("ammonia not measured")
    else:
        limit = "" if night.ammonia_limit_ppm is None else f" (limit {show(night.ammonia_limit_ppm, Kind.CONCENTRATION, units)})"
        said.append(f"ammonia {show(night.ammonia_peak_ppm, Kind.CONCENTRATION, units)}{_at(night.ammonia_peak_at)}{limit}")
    if night.fan_s is not None:
        said.append(f"fan {_hours(night.fan_s)}")
    if night.unwatched_s >= 600.0:
        said.append(f"not watched for {show(night.unwatched_s, Kind.TIME)}")
    text = f"{capitalised(night.pen)}: {', '.join(said)}."
    return f"{text} Today: {'; '.join(night.due)}." if night.due else text


def _week(week: PenWeek, units: str) -> str:
    head = ("day", "low", "high", "ammonia", "fan")
    extras = [name for name in ("eggs", "deaths") if any(getattr(day, name) is not None for day in week.days)]
    rows = [(*head, *extras)]
    for day in week.days:
        fan = "–" if day.fan_s is None else _hours(day.fan_s)
        rows.append(
            (
                f"{day.day:%a %d}",
                _or_dash(day.low_c, Kind.TEMPERATURE, units),
                _or_dash(day.high_c, Kind.TEMPERATURE, units),
                _or_dash(day.ammonia_dawn_ppm, Kind.CONCENTRATION, units),
                fan,
                *("–" if getattr(day, name) is None else str(getattr(day, name)) for name in extras),
            )
        )
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    table = ["  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)) for row in rows]
    due = [f"Due: {'; '.join(week.due)}."] if week.due else []
    return "\n".join([capitalised(week.pen), *table, *week.notes, *due])


def _or_dash(value: float | None, kind: Kind, units: str) -> str:
    return "–" if value is None else show(value, kind, units)


def _hours(seconds: float) -> str:
    return f"{seconds / 3600.0:.1f} h"


def _at(time: str) -> str:
    return f" at {time}" if time else ""


def _cut(title: str) -> str:
    return title if len(title) <= GLANCE else title[: GLANCE - 1].rstrip() + "…"
