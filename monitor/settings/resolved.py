"""The whole resolved specification, for the keeper to read: every number, every limit with its source."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from monitor.air.units import Kind, display, from_si, show
from monitor.engine.specification import Limit, Limits, Pen, Sensor, WarmthBand
from monitor.engine.wording_english import ENGLISH
from monitor.facts.alarms import DEFAULT_LIMITS
from monitor.facts.ammonia import BIRDS as AMMONIA_BIRDS
from monitor.facts.climate import CARBON_DIOXIDE, HUMIDITY
from monitor.facts.sources import Fact
from monitor.review import calendar as dates
from monitor.review import facts_sheet
from monitor.settings.complaints import Complaint
from monitor.settings.limits import source_in_words
from monitor.settings.plausible import PLAUSIBLE
from monitor.settings.read import Settings

_LIMIT_KINDS: Mapping[str, Kind] = {
    "ppm": Kind.CONCENTRATION,
    "%": Kind.PERCENTAGE,
    "degC": Kind.TEMPERATURE,
    "K": Kind.TEMPERATURE_DIFFERENCE,
}
_UNIT_NAMES = {"ppm": "ppm", "%": "pct", "degC": "c", "K": "k", "fraction": "fraction"}


def limit_shown(name: str, value: float, units: str) -> str:
    """A threshold of this alarm as a keeper reads it."""
    unit = DEFAULT_LIMITS[name].unit
    if unit == "fraction":
        return show(100 * value, Kind.PERCENTAGE, units)
    return show(value, _LIMIT_KINDS[unit], units, digits=1 if unit in ("degC", "K") else None)


def render(settings: Settings, today: date | None = None) -> str:
    """All of it as text, with the flocks' calendar where `today` is known; warnings at the end."""
    return "\n".join(_lines(settings, today))


def _lines(settings: Settings, today: date | None) -> Iterator[str]:
    specification, connections = settings.specification, settings.connections
    units = specification.units
    yield f"{settings.file}: sound"
    yield ""
    altitude = _s(specification.altitude_m, Kind.LENGTH, units, 0)
    yield f"Site {specification.site}: {specification.timezone}, {units} units, {altitude} above the sea"
    broker = connections.broker
    yield f"Broker {broker.host}:{broker.port}, {'encrypted' if broker.tls else 'not encrypted'}, as {broker.client_id}"
    store = connections.store
    kept = f"readings kept {store.raw_days} days" if store.raw_days else "readings kept for ever"
    yield f"Store {store.folder}, written every {store.commit_every_s:g} s, {kept}"
    yield f"Page and API http://{connections.api.host}:{connections.api.port}"
    for tell in connections.tell:
        hours = f", low and medium from {tell.hours[0]} to {tell.hours[1]}" if tell.hours else ""
        yield f"Tell {tell.person}: {', '.join(tell.priorities)}{hours}; order {tell.order}"
    if settings.catalogue.language != ENGLISH.language:
        yield f"Messages in {settings.catalogue.language}"
    if connections.mirror is not None:
        yield f"Mirror {connections.mirror.address}, bucket {connections.mirror.bucket}"
    if connections.ping is not None:
        yield f"Ping to a watcher elsewhere every {_s(connections.ping.every_s, Kind.TIME, units)}"
    if connections.watches_yard:
        yield "Yard: every site this broker carries is shown under /yard"
    for pen in specification.pens.values():
        yield ""
        yield from _pen(pen, units)
    yield ""
    yield "The daemon's own alarms"
    yield from _columns([_limit_row(name, limit, units) for name, limit in specification.site_limits.items()])
    yield ""
    if today is not None:
        entries = dates.calendar(specification, {}, today)
        if entries:
            yield f"Calendar on {today.isoformat()}, by the counts of these settings"
            yield from (f"  {line}".rstrip() for line in dates.as_lines(entries, today))
            yield ""
    if settings.warnings:
        yield "Warnings"
        yield from (f"  {warning}" for warning in settings.warnings)
    else:
        yield "No warnings"


def _s(value: float, kind: Kind, units: str, digits: int | None = None) -> str:
    return show(value, kind, units, digits)


def _pen(pen: Pen, units: str) -> Iterator[str]:
    size = " × ".join(_s(side, Kind.LENGTH, units) for side in (pen.length_m, pen.width_m, pen.height_m))
    yield f"Pen {pen.name}: {size}, {_s(pen.volume_m3, Kind.VOLUME, units)}, {_s(pen.insulation_m2k_w, Kind.INSULATION, units)}"
    yield f"  heat {pen.heat.kind}" + (f", {_s(pen.heat.watts, Kind.POWER, units)}" if pen.heat.watts else "")
    yield "  Sensors"
    yield from _columns([_sensor_row(sensor, units) for sensor in pen.sensors]) if pen.sensors else ["    none"]
    yield from _air_path(pen, units)
    yield "  Birds"
    for flock in pen.flocks:
        yield f"    {flock.name}: {flock.count} {flock.bird_class}, hatched {flock.hatched}"
    if not pen.flocks:
        yield "    none"
    limits = pen.limits
    for bird_class in dict.fromkeys(flock.bird_class for flock in pen.flocks):
        yield f"  Warmth at bird level, {bird_class}"
        yield from _columns([_warmth_row(band, units) for band in limits.warmth[bird_class]])
    clears = _s(limits.warmth_deadband_c, Kind.TEMPERATURE_DIFFERENCE, units)
    yield f"    cold and hot clear {clears} inside"
    yield "  Limits"
    rows = [_limit_row(name, limit, units) for name, limit in limits.alarms.items()]
    yield from _columns([*rows, _limit_row("ammonia_danger", limits.ammonia_danger, units)])
    yield "  Ventilation is reckoned for"
    yield (
        f"    at least {limits.minimum_airflow_m3_h_kg:g} m³/h per kg of live weight to the power 0.75 "
        f"({limits.minimum_airflow_source})"
    )
    for words, value, fact in _targets(limits):
        source = source_in_words(fact.source, fact.sureness) if value == fact.value else "set by the keeper"
        yield f"    {value:g} {words} ({source})"
    yield f"    readings older than {_s(limits.fresh_for_s, Kind.TIME, units)} are not believed"


def _targets(limits: Limits) -> Iterator[tuple[str, float, Fact]]:
    yield "% humidity", limits.humidity_target_pct, HUMIDITY["target"]
    yield "ppm carbon dioxide", limits.carbon_dioxide_ppm, CARBON_DIOXIDE["limit"]
    yield "ppm ammonia", limits.ammonia_target_ppm, AMMONIA_BIRDS["target"]


def _sensor_row(sensor: Sensor, units: str) -> list[str]:
    kind = PLAUSIBLE[sensor.measures].kind
    address = (
        sensor.topic + (f" at {sensor.pointer}" if sensor.pointer else "") + (f" record {sensor.record}" if sensor.record else "")
    )
    stuck = f"stuck after {_s(sensor.stuck_after_s, Kind.TIME, units)}" if sensor.stuck_after_s else "never stuck"
    return [
        sensor.name,
        f"{sensor.measures} at {sensor.place}",
        address,
        f"in {sensor.unit} every {_s(sensor.every_s, Kind.TIME, units)}",
        f"silent after {_s(sensor.silent_after_s, Kind.TIME, units)}, {stuck}",
        f"believed from {_s(sensor.lowest, kind, units)} to {_s(sensor.highest, kind, units)}"
        if kind != Kind.STATE
        else "on or off",
    ]


def _air_path(pen: Pen, units: str) -> Iterator[str]:
    fan, duct, inlet = pen.fan, pen.duct, pen.inlet
    if fan is None:
        yield "  No fan"
        return
    kind = f"variable from {_s(fan.lowest_speed_pct, Kind.PERCENTAGE, units)}" if fan.variable else "on/off"
    yield f"  Fan {kind}, commands to {fan.command_topic}, reports from {fan.report_topic or 'nowhere'}"
    points = [f"{_s(airflow, Kind.AIRFLOW, units)} at {_s(pressure, Kind.PRESSURE, units)}" for airflow, pressure in fan.curve]
    yield f"    {', '.join(points) or 'curve'} ({fan.curve_source})"
    yield (
        f"    on for at least {_s(fan.shortest_on_s, Kind.TIME, units)}, "
        f"off for at least {_s(fan.shortest_off_s, Kind.TIME, units)}, "
        f"timer of {_s(fan.timer_period_s, Kind.TIME, units)}, sent again after {_s(fan.report_within_s, Kind.TIME, units)}"
    )
    if duct is not None:
        size = f"{_bore(duct.diameter_m, units)} wide, {_s(duct.length_m, Kind.LENGTH, units)} long"
        losses = f"{duct.entry_loss:g} + {duct.elbows} × {duct.elbow_loss:g} + {duct.discharge_loss:g}"
        elbows = "1 elbow" if duct.elbows == 1 else f"{duct.elbows} elbows"
        yield f"  Duct {size}, {elbows}, {duct.material}; losses {losses}"
    if inlet is not None:
        yield (
            f"  Inlet {_opening(inlet.area_m2, units)}, coefficient {inlet.discharge_coefficient:g}, "
            f"leaks {_opening(inlet.leakage_area_m2, units)}"
        )


def _bore(diameter_m: float, units: str) -> str:
    """A duct as it is sold: 6 in, 150 mm."""
    return f"{from_si(diameter_m, 'in', Kind.LENGTH):.3g} in" if units == "us" else f"{1000 * diameter_m:.0f} mm"


def _opening(area_m2: float, units: str) -> str:
    unit, symbol = ("in^2", "in²") if units == "us" else ("cm^2", "cm²")
    return f"{from_si(area_m2, unit, Kind.AREA):.0f} {symbol}"


def _warmth_row(band: WarmthBand, units: str) -> list[str]:
    low, high = (_s(value, Kind.TEMPERATURE, units) for value in (band.target_low_c, band.target_high_c))
    cold, vent, hot = (_s(value, Kind.TEMPERATURE, units) for value in (band.cold_c, band.vent_c, band.hot_c))
    heat = "with heat" if band.needs_heat else "no heat"
    return [f"from day {band.from_day}", f"{low} to {high}", f"cold {cold}", f"air from {vent}", f"hot {hot}", heat, band.source]


def _limit_row(name: str, limit: Limit, units: str) -> list[str]:
    delays = f"after {_s(limit.on_delay_s, Kind.TIME, units)}, clears after {_s(limit.off_delay_s, Kind.TIME, units)}"
    if DEFAULT_LIMITS[name].unit == "state":
        threshold = ""
    else:
        threshold = f"{limit_shown(name, limit.on, units)}, clears {limit_shown(name, limit.off, units)}"
    return [name, threshold, delays, limit.priority, limit.source]


def _columns(rows: Sequence[list[str]]) -> Iterator[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        yield ("    " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))).rstrip()


def as_json(settings: Settings, today: date | None = None) -> dict[str, Any]:
    """The same as plain JSON: SI with the unit in the name, and the limits as shown to the keeper.

    With `today` the flocks' calendar and all facts stand beside it.
    """
    specification, connections = settings.specification, settings.connections
    units = specification.units
    return {
        "file": settings.file,
        "sound": True,
        "site": {
            "name": specification.site,
            "timezone": specification.timezone,
            "units": units,
            "altitude_m": specification.altitude_m,
        },
        "broker": {"host": connections.broker.host, "port": connections.broker.port, "tls": connections.broker.tls},
        "store": {"folder": connections.store.folder, "commit_every_s": connections.store.commit_every_s},
        "api": {"host": connections.api.host, "port": connections.api.port},
        "tell": [{"person": t.person, "priorities": list(t.priorities), "order": t.order} for t in connections.tell],
        "pens": {pen.name: _pen_json(pen, units) for pen in specification.pens.values()},
        "site_limits": {name: _limit_json(name, limit, units) for name, limit in specification.site_limits.items()},
        "warnings": list(settings.warnings),
        **({} if today is None else {"calendar": dates.as_json(dates.calendar(specification, {}, today))}),
        **({} if today is None else {"facts": facts_sheet.as_json()}),
    }


def _pen_json(pen: Pen, units: str) -> dict[str, Any]:
    limits = pen.limits
    return {
        "length_m": pen.length_m,
        "width_m": pen.width_m,
        "height_m": pen.height_m,
        "volume_m3": pen.volume_m3,
        "insulation_m2k_w": pen.insulation_m2k_w,
        "heat": pen.heat.kind,
        "sensors": [
            {
                "key": s.key,
                "measures": s.measures.value,
                "place": s.place.value,
                "topic": s.topic,
                "pointer": s.pointer,
                "record": s.record,
                "unit": s.unit,
                "every_s": s.every_s,
                "silent_after_s": s.silent_after_s,
                "stuck_after_s": s.stuck_after_s,
                "lowest": s.lowest,
                "highest": s.highest,
                "largest_step": s.largest_step,
                "calibration": {"gain": s.calibration.gain, "offset": s.calibration.offset},
                "si_unit_shown": display(PLAUSIBLE[s.measures].kind, "metric").symbol,
            }
            for s in pen.sensors
        ],
        "fan": None
        if pen.fan is None
        else {
            "command_topic": pen.fan.command_topic,
            "report_topic": pen.fan.report_topic,
            "variable": pen.fan.variable,
            "curve_m3_s_pa": [list(pair) for pair in pen.fan.curve],
            "curve_source": pen.fan.curve_source,
            "timer_period_s": pen.fan.timer_period_s,
            "shortest_on_s": pen.fan.shortest_on_s,
            "shortest_off_s": pen.fan.shortest_off_s,
        },
        "flocks": [
            {"name": f.name, "class": f.bird_class.value, "hatched": f.hatched.isoformat(), "count": f.count} for f in pen.flocks
        ],
        "warmth": {
            bird_class.value: [
                {
                    "from_day": b.from_day,
                    "target_low_c": b.target_low_c,
                    "target_high_c": b.target_high_c,
                    "cold_c": b.cold_c,
                    "vent_c": b.vent_c,
                    "hot_c": b.hot_c,
                    "needs_heat": b.needs_heat,
                    "source": b.source,
                }
                for b in bands
            ]
            for bird_class, bands in limits.warmth.items()
        },
        "limits": {
            **{name: _limit_json(name, limit, units) for name, limit in limits.alarms.items()},
            "ammonia_danger": _limit_json("ammonia_danger", limits.ammonia_danger, units),
        },
        "minimum_airflow_m3_h_kg": limits.minimum_airflow_m3_h_kg,
        "minimum_airflow_source": limits.minimum_airflow_source,
        "carbon_dioxide_ppm": limits.carbon_dioxide_ppm,
        "humidity_target_pct": limits.humidity_target_pct,
        "ammonia_target_ppm": limits.ammonia_target_ppm,
    }


def _limit_json(name: str, limit: Limit, units: str) -> dict[str, Any]:
    unit = DEFAULT_LIMITS[name].unit
    threshold: dict[str, Any] = {}
    if unit != "state":
        suffix = _UNIT_NAMES[unit]
        threshold = {
            f"on_{suffix}": limit.on,
            f"off_{suffix}": limit.off,
            "shown": f"{limit_shown(name, limit.on, units)}, clears {limit_shown(name, limit.off, units)}",
        }
    return {
        **threshold,
        "on_delay_s": limit.on_delay_s,
        "off_delay_s": limit.off_delay_s,
        "priority": limit.priority.value,
        "source": limit.source,
    }


def unsound(file: str, complaints: Sequence[Complaint]) -> dict[str, Any]:
    """The JSON of settings that cannot be used."""
    return {"file": file, "sound": False, "mistakes": [complaint.as_json() for complaint in complaints]}
