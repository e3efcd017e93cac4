"""What was written, once it is sound, into the frozen specification the engine runs on and the connections.

Rules of this file: no unit is converted here but a sensor's own, for all else was read as SI.
"""

from __future__ import annotations

from pathlib import Path as FilePath
from typing import Any

from monitor.air.units import UnknownUnit, from_si, linear
from monitor.engine.connections import ApiAddress, Broker, Connections, DeadManPing, Mirror, StoreKeeping, Tell
from monitor.engine.specification import (
    BirdClass,
    Calibration,
    Duct,
    Fan,
    Flock,
    HeatSource,
    Inlet,
    Measure,
    Pen,
    Place,
    Priority,
    Sensor,
    Specification,
)
from monitor.facts.airflow import ROUGHNESS
from monitor.settings.complaints import Complaint, Origin
from monitor.settings.limits import pen_limits, site_limits
from monitor.settings.lines import Path
from monitor.settings.plausible import PLAUSIBLE, Plausible, silent_after_s
from monitor.settings.quantities import NotAQuantity, parse
from monitor.settings.secret_files import beside
from monitor.settings.written import DAY_S, CalibrationTable, FanTable, FlockTable, PenTable, SensorTable, Written

# Bounds a keeper may narrow but not widen: air beyond them is outside every formula the judging uses.
_NARROWER_ONLY = (Measure.TEMPERATURE, Measure.HUMIDITY)
_GAINS = (0.5, 2.0)  # a sensor whose true slope is beyond these is broken, or the points are mistyped


def resolve(model: Written, origin: Origin) -> tuple[Specification, Connections, list[Complaint]]:
    """Specification and connections; the complaints are of what only shows when values meet."""
    complaints: list[Complaint] = []
    site_layer: list[tuple[Path, Any]] = []
    if model.limits is not None:
        site_layer.append((("limits",), model.limits))
    pens: dict[str, Pen] = {}
    sensors: dict[str, Sensor] = {}
    for index, table in enumerate(model.pen):
        pen, wrong = _pen(table, ("pen", index), site_layer, origin)
        complaints.extend(wrong)
        pens[pen.name] = pen
        sensors.update({sensor.key: sensor for sensor in pen.sensors})
    own, wrong = site_limits(site_layer, origin)
    complaints.extend(wrong)
    winter, summer = model.design.winter_night, model.design.summer_day
    specification = Specification(
        site=model.site.name,
        timezone=model.site.timezone,
        units=model.site.units,
        altitude_m=model.site.altitude,
        pens=pens,
        sensors=sensors,
        site_limits=own,
        winter_night=(winter.temperature, winter.humidity),
        summer_day=(summer.temperature, summer.humidity),
    )
    return specification, _connections(model, FilePath(origin.file).parent), complaints


def _pen(table: PenTable, path: Path, site_layer: list[tuple[Path, Any]], origin: Origin) -> tuple[Pen, list[Complaint]]:
    layers = [*site_layer, *([((*path, "limits"), table.limits)] if table.limits is not None else [])]
    limits, complaints = pen_limits(layers, origin)
    sensors = []
    for index, written in enumerate(table.sensor):
        sensor, wrong = _sensor(table.name, written, (*path, "sensor", index), origin)
        complaints.extend(wrong)
        sensors.append(sensor)
    fan = None
    if table.fan is not None:
        fan, wrong = _fan(table.fan, (*path, "fan"), origin)
        complaints.extend(wrong)
    duct = table.duct
    inlet = table.inlet
    heat = table.heat
    return (
        Pen(
            name=table.name,
            length_m=table.length,
            width_m=table.width,
            height_m=table.height,
            insulation_m2k_w=table.insulation,
            sensors=tuple(sensors),
            fan=fan,
            duct=None
            if duct is None
            else Duct(
                diameter_m=duct.diameter,
                length_m=duct.length,
                elbows=duct.elbows,
                elbow_loss=duct.elbow_loss,
                entry_loss=duct.entry_loss,
                discharge_loss=duct.discharge_loss,
                roughness_m=ROUGHNESS[duct.material].value,
                compression=duct.compression,
                material=duct.material,
            ),
            inlet=None if inlet is None else Inlet(inlet.area, inlet.discharge_coefficient, inlet.leakage_area),
            flocks=tuple(map(_flock, table.flock)),
            limits=limits,
            heat=HeatSource("steady") if heat is None else HeatSource(heat.kind, heat.watts, heat.set_point),
        ),
        complaints,
    )


def _flock(table: FlockTable) -> Flock:
    def days(age_s: float | None) -> int | None:
        return None if age_s is None else round(age_s / DAY_S)

    return Flock(
        name=table.name,
        bird_class=BirdClass(table.class_),
        hatched=table.hatched,
        count=table.count,
        processing_age_days=days(table.processing_age),
        start_of_lay_days=days(table.start_of_lay),
        end_of_lay_days=days(table.end_of_lay),
    )


def _fan(table: FanTable, path: Path, origin: Origin) -> tuple[Fan, list[Complaint]]:
    complaints: list[Complaint] = []
    curve: tuple[tuple[float, float], ...] = ()
    source = "not given: what the fan moves is not known"
    if table.curve is not None:
        curve = table.curve
        source = f"curve set by the keeper, {origin.place((*path, 'curve'))}"
        complaints.extend(
            origin.complain((*path, key), "either curve, or free_air and shut_off, not both", "take it out")
            for key in ("free_air", "shut_off")
            if getattr(table, key) is not None
        )
    elif table.free_air is not None and table.shut_off is not None:
        curve = ((0.0, table.shut_off), (table.free_air, 0.0))
        source = f"free air and shut-off set by the keeper, {origin.place((*path, 'free_air'))}"
    elif table.free_air is not None or table.shut_off is not None:
        missing, right = ("free_air", "400 cfm") if table.free_air is None else ("shut_off", "1.6 inH2O")
        expected = "both free_air and shut_off from the data sheet, or its curve, or neither: then nobody knows what it moves"
        complaints.append(origin.complain((*path, missing), expected, f'{missing} = "{right}"', got="nothing"))
    return (
        Fan(
            command_topic=table.command_topic,
            report_topic=table.report_topic,
            report_pointer=table.report_pointer,
            on_word=table.on_word,
            off_word=table.off_word,
            variable=table.kind == "variable",
            lowest_speed_pct=table.lowest_speed,
            shortest_on_s=table.shortest_on,
            shortest_off_s=table.shortest_off,
            timer_period_s=table.timer_period,
            report_within_s=table.report_within,
            curve=curve,
            curve_source=source,
        ),
        complaints,
    )


def _sensor(pen: str, table: SensorTable, path: Path, origin: Origin) -> tuple[Sensor, list[Complaint]]:
    measure = Measure(table.measures)
    bounds = PLAUSIBLE[measure]
    complaints: list[Complaint] = []

    def complain(key: str, expected: str, right: str, got: str | None = None) -> None:
        complaints.append(origin.complain((*path, key), expected, f'{key} = "{right}"', got))

    unit, gain, offset = table.unit, 1.0, 0.0
    if unit is None:
        unit = bounds.usual_unit or ""
    try:
        gain, offset = linear(unit, bounds.kind)
    except UnknownUnit as mistake:
        also = f"; this is a unit of {mistake.other_kind}" if mistake.other_kind else ""
        complain("unit", mistake.expected + also, mistake.example, "nothing" if table.unit is None else None)

    place = Place(table.place) if table.place is not None else Place.ROOM
    if table.place is None and measure not in (Measure.BATTERY, Measure.MAINS, Measure.FAN_POWER, Measure.FAN_SPEED):
        complain("place", 'where it hangs: one of "bird level", "room", "supply", "outside"', "bird level", "nothing")

    def bound(key: str, kind_default: float, is_difference: bool = False) -> float:
        written = getattr(table, key)
        if written is None:
            return kind_default
        try:
            return parse(written, bounds.difference if is_difference else bounds.kind)[0]
        except NotAQuantity as mistake:
            complain(key, mistake.expected, mistake.example)
            return kind_default

    lowest, highest = bound("lowest", bounds.lowest), bound("highest", bounds.highest)
    if measure in _NARROWER_ONLY:
        if lowest < bounds.lowest:
            complain(
                "lowest", f"at least {_written(bounds, 'lowest')}: the physics reaches no further", _written(bounds, "lowest")
            )
        if highest > bounds.highest:
            complain(
                "highest", f"at most {_written(bounds, 'highest')}: the physics reaches no further", _written(bounds, "highest")
            )
    if lowest >= highest:
        key = "lowest" if table.lowest is not None else "highest"
        complain(key, "lowest below highest", _written(bounds, key))
    calibration, wrong = _calibration(table.calibration, bounds, (*path, "calibration"), origin)
    complaints.extend(wrong)
    return (
        Sensor(
            key=f"{pen}/{table.name}",
            pen=pen,
            name=table.name,
            measures=measure,
            place=place,
            topic=table.topic,
            pointer=table.pointer,
            record=table.record,
            unit=unit,
            unit_gain=gain,
            unit_offset=offset,
            every_s=table.every,
            calibration=calibration,
            lowest=lowest,
            highest=highest,
            largest_step=abs(bound("largest_step", bounds.largest_step, is_difference=True)),
            silent_after_s=table.silent_after if table.silent_after is not None else silent_after_s(table.every),
            stuck_after_s=table.stuck_after if table.stuck_after is not None else bounds.stuck_after_s,
            lag_s=table.lag,
        ),
        complaints,
    )


def _written(bounds: Plausible, key: str) -> str:
    unit = bounds.usual_unit or {"temperature": "degC", "pressure": "Pa"}[bounds.kind]
    return f"{from_si(getattr(bounds, key), unit, bounds.kind):g} {unit}"


def _calibration(
    table: CalibrationTable | None, bounds: Plausible, path: Path, origin: Origin
) -> tuple[Calibration, list[Complaint]]:
    if table is None:
        return Calibration(), []
    example = "0.5 degF" if bounds.kind == "temperature" else f"-2 {bounds.usual_unit or 'Pa'}"
    if (table.offset is None) == (table.points is None):
        wanted = "either an offset or two points"
        return Calibration(), [origin.complain(path, wanted, f'calibration = {{ offset = "{example}" }}')]
    if table.offset is not None:
        try:
            return Calibration(offset=parse(table.offset, bounds.difference)[0]), []
        except NotAQuantity as mistake:
            return Calibration(), [origin.complain((*path, "offset"), mistake.expected, f'offset = "{mistake.example}"')]
    write = 'points = [["32.0 degF", "33.1 degF"], ["98.0 degF", "97.2 degF"]]'
    try:
        (x1, y1), (x2, y2) = (_pair(pair, bounds) for pair in table.points)
    except (NotAQuantity, TypeError, ValueError) as mistake:
        also = f": {mistake.expected}" if isinstance(mistake, NotAQuantity) else ""
        return Calibration(), [origin.complain((*path, "points"), f"two pairs, each measured and true{also}", write)]
    gain = (y2 - y1) / (x2 - x1) if x1 != x2 else 0.0
    if not _GAINS[0] <= gain <= _GAINS[1]:
        wanted = f"two pairs, each measured and true, well apart; these give a slope of {gain:.3g}, a sound sensor's is near 1"
        return Calibration(), [origin.complain((*path, "points"), wanted, write)]
    return Calibration(gain, y1 - gain * x1), []


def _pair(pair: Any, bounds: Plausible) -> tuple[float, float]:
    measured, true = pair
    return parse(measured, bounds.kind)[0], parse(true, bounds.kind)[0]


def _connections(model: Written, folder: FilePath) -> Connections:
    def path(written: str | None) -> str | None:
        return None if written is None else beside(folder, written)

    broker, store, api, mirror, ping = model.broker, model.store, model.api, model.mirror, model.ping
    return Connections(
        broker=Broker(
            host=broker.host,
            port=broker.port,
            tls=broker.tls,
            ca_file=path(broker.ca_file),
            certificate_file=path(broker.certificate_file),
            key_file=path(broker.key_file),
            username=broker.username,
            password=broker.password,
            client_id=broker.client_id,
            session_expiry_s=round(broker.session_expiry),
            receive_maximum=broker.receive_maximum,
            keepalive_s=round(broker.keepalive),
        ),
        store=StoreKeeping(beside(folder, store.folder), store.commit_every, store.raw_days),
        api=ApiAddress(api.host, api.port, path(api.token_file), path(api.password_file), api.public_address),
        tell=tuple(
            Tell(
                person=tell.person,
                channel=tell.channel,
                priorities=tuple(map(Priority, tell.priorities)),
                hours=tell.hours,
                order=tell.order,
                escalate_after_s=tell.escalate_after,
                repeat_every_s=tell.repeat_every,
                reports=tell.reports,
            )
            for tell in model.tell
            if tell.channel is not None
        ),
        mirror=None if mirror is None else Mirror(mirror.address, mirror.organisation, mirror.bucket, mirror.token),
        ping=None if ping is None or ping.address is None else DeadManPing(ping.address, ping.every),
        clock="kept" if model.clock.kept_by == "battery" else "synchronised",
        watches_yard=model.yard.watch,
    )
