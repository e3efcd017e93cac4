"""The limits of a pen: the facts' defaults, under the site's [limits], under the pen's own.

Rules of this file: each limit ends with its source in words, the publication or "set by the keeper"
with file and line; a keeper's `on` alone moves `off` with it, so the deadband stays.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from monitor.engine.specification import BirdClass, Limit, Limits, Priority, WarmthBand
from monitor.facts.airflow import RATES
from monitor.facts.alarms import DEFAULT_LIMITS, FRESH_FOR_S, WARMTH_DEADBAND_C
from monitor.facts.ammonia import BIRDS as AMMONIA_BIRDS
from monitor.facts.brooding import WARMTH, WarmthRow
from monitor.facts.climate import CARBON_DIOXIDE, HUMIDITY
from monitor.facts.sources import SOURCES, Sureness
from monitor.settings.complaints import Complaint, Origin
from monitor.settings.limit_tables import PEN_ALARMS, SITE_ALARMS
from monitor.settings.lines import Path

# A layer of limits: the path it was written under, and what was written there.
Layer = tuple[Path, Any]

_UNSURE = {"memory": ", value from memory", "calculated": ", calculated", "inference": "", "seen": ""}


def source_in_words(key: str, sureness: Sureness) -> str:
    """'Council Directive 2007/43/EC: protection of chickens kept for meat production (2007)'."""
    source = SOURCES[key]
    if key == "inference":
        return "common practice, no published source"
    year = f" ({source.year})" if source.year else ""
    drawn = ", our inference from it" if sureness == "inference" else _UNSURE[sureness]
    return f"{source.title}{year}{drawn}"


def pen_limits(layers: Sequence[Layer], origin: Origin) -> tuple[Limits, list[Complaint]]:
    """The limits of one pen, from the site's and the pen's own entries, and what is wrong with them."""
    complaints: list[Complaint] = []
    alarms = {}
    for name in PEN_ALARMS:
        alarms[name], wrong = _limit(name, layers, origin)
        complaints.extend(wrong)
    warmth = {}
    for bird_class in BirdClass:
        warmth[bird_class], wrong = _warmth(bird_class, layers, origin)
        complaints.extend(wrong)
    airflow = RATES["minimum per kg^0.75"]
    danger = alarms.pop("ammonia_danger")
    return (
        Limits(
            warmth=warmth,
            alarms=alarms,
            ammonia_danger=danger,
            warmth_deadband_c=_said("warmth_deadband", layers, WARMTH_DEADBAND_C),
            fresh_for_s=_said("fresh_for", layers, FRESH_FOR_S),
            minimum_airflow_m3_h_kg=_said("minimum_airflow", layers, airflow.value),
            minimum_airflow_source=_said_by("minimum_airflow", layers, origin)
            or source_in_words(airflow.source, airflow.sureness),
            carbon_dioxide_ppm=_said("carbon_dioxide", layers, CARBON_DIOXIDE["limit"].value),
            humidity_target_pct=_said("humidity_target", layers, HUMIDITY["target"].value),
            ammonia_target_ppm=_said("ammonia_target", layers, AMMONIA_BIRDS["target"].value),
        ),
        complaints,
    )


def site_limits(layers: Sequence[Layer], origin: Origin) -> tuple[dict[str, Limit], list[Complaint]]:
    """The limits of the daemon's own alarms."""
    limits, complaints = {}, []
    for name in SITE_ALARMS:
        limits[name], wrong = _limit(name, layers, origin)
        complaints.extend(wrong)
    return limits, complaints


def _said(key: str, layers: Sequence[Layer], default: float) -> float:
    for _, table in reversed(layers):
        if (value := getattr(table, key, None)) is not None:
            return float(value)
    return default


def _said_by(key: str, layers: Sequence[Layer], origin: Origin) -> str | None:
    for path, table in reversed(layers):
        if getattr(table, key, None) is not None:
            return _keeper(origin, (*path, key))
    return None


def _keeper(origin: Origin, path: Path) -> str:
    return f"set by the keeper, {origin.place(path).replace(', line', ' line')}"


def _limit(name: str, layers: Sequence[Layer], origin: Origin) -> tuple[Limit, list[Complaint]]:
    row = DEFAULT_LIMITS[name]
    on, off, on_delay_s, off_delay_s, priority = row.on, row.off, row.on_delay_s, row.off_delay_s, row.priority
    source = source_in_words(row.source, row.sureness)
    complaints = []
    is_from_above = row.off < row.on
    delays_by: str | None = None
    for path, table in layers:
        entry = getattr(table, name, None)
        if entry is None:
            continue
        here = (*path, name)
        new_on, new_off = getattr(entry, "on", None), getattr(entry, "off", None)
        if new_on is not None:
            off = new_on + (off - on)
            on = new_on
        if new_off is not None:
            off = new_off
            if (off > on) if is_from_above else (off < on):
                side = "below" if is_from_above else "above"
                complaints.append(
                    origin.complain(
                        (*here, "off"),
                        f"a value at or {side} `on`, for {name} clears on that side",
                        "leave it out: the deadband stays",
                    )
                )
        if new_on is not None or new_off is not None:
            source = _keeper(origin, (*here, "on" if new_on is not None else "off"))
        if entry.on_delay is not None:
            on_delay_s = entry.on_delay
        if entry.off_delay is not None:
            off_delay_s = entry.off_delay
        if entry.priority is not None:
            priority = entry.priority
        if new_on is None and new_off is None:
            changed = next((key for key in ("on_delay", "off_delay", "priority") if getattr(entry, key) is not None), "")
            delays_by = _keeper(origin, (*here, changed)) if changed else None
    if delays_by is not None:
        source = f"{source}; delay or priority {delays_by}"
    return Limit(on, off, on_delay_s, off_delay_s, Priority(priority), source), complaints


def _default_band(row: WarmthRow) -> WarmthBand:
    return WarmthBand(
        row.from_day,
        row.target_low_c,
        row.target_high_c,
        row.cold_c,
        row.vent_c,
        row.hot_c,
        row.needs_heat,
        source_in_words(row.source, row.sureness),
    )


def _warmth(bird_class: BirdClass, layers: Sequence[Layer], origin: Origin) -> tuple[tuple[WarmthBand, ...], list[Complaint]]:
    """The keeper's rows stand from their first day on; before it the built-in ones."""
    bands = tuple(map(_default_band, WARMTH[bird_class]))
    complaints: list[Complaint] = []
    for path, table in layers:
        rows = [(index, row) for index, row in enumerate(getattr(table, "warmth", ())) if row.class_ == bird_class]
        if not rows:
            continue
        rows.sort(key=lambda numbered: numbered[1].from_day)
        first = rows[0][1].from_day
        written: list[WarmthBand] = []
        for index, row in rows:
            here = (*path, "warmth", index)
            pattern = [band for band in bands if band.from_day <= row.from_day][-1]
            band = WarmthBand(
                from_day=row.from_day,
                target_low_c=row.target_low,
                target_high_c=row.target_high,
                cold_c=row.cold if row.cold is not None else row.target_low - (pattern.target_low_c - pattern.cold_c),
                vent_c=row.vent if row.vent is not None else row.target_high + (pattern.vent_c - pattern.target_high_c),
                hot_c=row.hot if row.hot is not None else max(pattern.hot_c, row.target_high + 1.0),
                needs_heat=row.needs_heat if row.needs_heat is not None else pattern.needs_heat,
                source=_keeper(origin, here),
            )
            if row.vent is None and band.vent_c >= band.hot_c:
                band = _with_vent_between(band)
            complaints.extend(_disorder(band, here, origin))
            if written and written[-1].from_day == band.from_day:
                complaints.append(
                    origin.complain((*here, "from_day"), f'a day no other row of class "{bird_class}" begins on', "from_day = …")
                )
            written.append(band)
        bands = (*(band for band in bands if band.from_day < first), *written)
    return bands, complaints


def _with_vent_between(band: WarmthBand) -> WarmthBand:
    middle = (band.target_high_c + band.hot_c) / 2
    return WarmthBand(
        band.from_day, band.target_low_c, band.target_high_c, band.cold_c, middle, band.hot_c, band.needs_heat, band.source
    )


def _disorder(band: WarmthBand, here: Path, origin: Origin) -> list[Complaint]:
    order = "cold below target_low, target_low at most target_high, vent between target_high and hot"
    wrong = [
        key
        for key, is_wrong in (
            ("target_high", band.target_high_c < band.target_low_c),
            ("cold", band.cold_c >= band.target_low_c),
            ("vent", not band.target_high_c <= band.vent_c <= band.hot_c),
            ("hot", band.hot_c <= band.target_high_c),
        )
        if is_wrong
    ]
    return [origin.complain((*here, key), order, f"{key} = a value in that order") for key in wrong[:1]]
