"""An MQTT payload into readings, in SI and calibrated; or into the reason why it is none.

Rules of this file: it never raises for anything that comes from the network; a reading is finite;
whether it is plausible, the engine judges. One message may serve several sensors and be a fan's
report as well. Where a message holds something for some of its sensors and nothing for others
(devices send their quantities in turn), the others are not complained about; when it holds
nothing for any of them, all are.

A payload's own time (SenML only) is believed within bounds: seconds since 1970 only while our own
clock is trusted, at most 60 s ahead of it and 30 days behind; otherwise the reading counts as taken
when it arrived, for then the device's clock is wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from paho.mqtt.client import topic_matches_sub

from monitor.engine.events import FanReport, Json, Reading, Unreadable
from monitor.engine.specification import Fan, Measure, Sensor, Specification
from monitor.wire import senml
from monitor.wire.causes import Cause, Unusable
from monitor.wire.pointer import Pointer
from monitor.wire.relay import report_or_unusable
from monitor.wire.strict import finite, json_value, number, sample, text

AHEAD_S: Final = 60.0  # our own choice: clocks set by radio differ by seconds
BEHIND_S: Final = 30 * 86400.0  # our own choice: no device in a barn saves up more
MOST_TOPICS: Final = 4096  # remembered resolutions; a wildcard meets strangers' topics without end
MOST_RECORDS: Final = 1000  # readings from one message

_ON = frozenset({"on", "true", "1"})
_OFF = frozenset({"off", "false", "0"})
_NOTHING_FOR_IT = (Cause.NOTHING_THERE, Cause.NO_RECORD)

Heard = Reading | Unreadable | FanReport


@dataclass(frozen=True, slots=True)
class _Wired:
    """A sensor with all that can be worked out before the first message."""

    key: str
    measures: Measure
    record: str | None
    pointer: Pointer | None
    unit: tuple[float, float]  # raw into SI
    calibration: tuple[float, float]
    gain: float  # both of them together, raw into calibrated SI
    offset: float
    is_switch: bool


@dataclass(frozen=True, slots=True)
class _Fan:
    pen: str
    fan: Fan
    pointer: Pointer | None


@dataclass(frozen=True, slots=True)
class _Route:
    """Who listens to one topic. `bare` is set when that is one sensor that sends a plain number."""

    sensors: tuple[_Wired, ...]
    fans: tuple[_Fan, ...]
    bare: _Wired | None


class PayloadReader:
    """Turns messages into events for one specification."""

    def __init__(self, specification: Specification) -> None:
        """Prepare for the sensors and fans of this specification.

        Raises:
            ValueError: a JSON pointer in it is not one.
        """
        self._filters: list[tuple[str, _Wired | _Fan]] = []
        for sensor in specification.sensors.values():
            self._filters.append((sensor.topic, _wire(sensor)))
        for pen in specification.pens.values():
            if pen.fan is not None and pen.fan.report_topic is not None:
                pointer = Pointer.parse(pen.fan.report_pointer) if pen.fan.report_pointer is not None else None
                self._filters.append((pen.fan.report_topic, _Fan(pen.name, pen.fan, pointer)))
        self._routes: dict[str, _Route] = {}

    @property
    def topics(self) -> tuple[str, ...]:
        """Every topic filter to subscribe to, once each, in the order of the settings."""
        return tuple(dict.fromkeys(topic for topic, _ in self._filters))

    def read(
        self, topic: str, payload: bytes, retained: bool, at: float, wall_ms: int | None
    ) -> list[Reading | Unreadable | FanReport]:
        """What this message says.

        Args:
            topic, payload: as they came.
            retained: the broker's memory, of unknown age. Readings are marked so; a retained fan
                report is dropped, for it proves nothing about the fan now.
            at: elapsed seconds of the arrival.
            wall_ms: milliseconds since 1970 UTC of the arrival, None while the clock is not trusted.

        A topic nobody listens to gives an empty list.
        """
        route = self._routes.get(topic)
        if route is None:
            route = self._resolve(topic)
        wired = route.bare
        if wired is not None and payload[:1] not in (b"[", b"{"):
            try:
                value = wired.gain * number(payload) + wired.offset
                if value - value == 0.0:
                    return [Reading(at, wall_ms, wired.key, value, None, None, retained)]
                cause = Cause.NOT_FINITE
            except Unusable as why:
                cause = why.cause
            return [Unreadable(at, wall_ms, topic, wired.key, cause, sample(payload))]
        return self._read_any(route, topic, payload, retained, at, wall_ms)

    def _resolve(self, topic: str) -> _Route:
        listeners = [listener for pattern, listener in self._filters if _matches(pattern, topic)]
        sensors = tuple(listener for listener in listeners if isinstance(listener, _Wired))
        fans = tuple(listener for listener in listeners if isinstance(listener, _Fan))
        is_bare = len(sensors) == 1 and not fans and _is_bare(sensors[0]) and not sensors[0].is_switch
        route = _Route(sensors, fans, sensors[0] if is_bare else None)
        if len(self._routes) >= MOST_TOPICS:
            self._routes.clear()
        self._routes[topic] = route
        return route

    def _read_any(self, route: _Route, topic: str, payload: bytes, retained: bool, at: float, wall_ms: int | None) -> list[Heard]:
        heard: list[Heard] = []
        missed: list[Unreadable] = []
        message = _Message(payload)
        for wired in route.sensors:
            try:
                heard.extend(_readings(wired, message, retained, at, wall_ms))
            except Unusable as why:
                complaint = Unreadable(at, wall_ms, topic, wired.key, why.cause, sample(payload))
                (missed if why.cause in _NOTHING_FOR_IT else heard).append(complaint)
        if not any(isinstance(event, Reading) for event in heard):
            heard.extend(missed)
        for listener in route.fans if not retained else ():
            try:
                running, speed_pct = report_or_unusable(listener.fan, payload, listener.pointer)
                heard.append(FanReport(at, wall_ms, listener.pen, running, speed_pct))
            except Unusable as why:
                heard.append(Unreadable(at, wall_ms, topic, None, why.cause, sample(payload)))
        return heard


class _Message:
    """One payload, decoded at most once however many sensors share it."""

    __slots__ = ("_json", "_refused", "_resolved", "payload")

    def __init__(self, payload: bytes) -> None:
        self.payload = payload
        self._json: tuple[Json] | None = None
        self._resolved: list[senml.Record] | None = None
        self._refused: dict[str, Unusable] = {}

    def json(self) -> Json:
        if self._json is None:
            self._raise_again("json")
            try:
                self._json = (json_value(self.payload),)
            except Unusable as why:
                self._refused["json"] = why
                raise
        return self._json[0]

    def records(self) -> list[senml.Record]:
        if self._resolved is None:
            self._raise_again("senml")
            try:
                self._resolved = senml.resolve(self.json())
            except Unusable as why:
                self._refused["senml"] = why
                raise
        return self._resolved

    def _raise_again(self, what: str) -> None:
        if what in self._refused:
            raise Unusable(self._refused[what].cause)


def _wire(sensor: Sensor) -> _Wired:
    unit = (sensor.unit_gain, sensor.unit_offset)
    calibration = (sensor.calibration.gain, sensor.calibration.offset)
    return _Wired(
        key=sensor.key,
        measures=sensor.measures,
        record=sensor.record,
        pointer=Pointer.parse(sensor.pointer) if sensor.pointer is not None else None,
        unit=unit,
        calibration=calibration,
        gain=calibration[0] * unit[0],
        offset=calibration[0] * unit[1] + calibration[1],
        is_switch=sensor.measures is Measure.MAINS,
    )


def _is_bare(wired: _Wired) -> bool:
    return wired.pointer is None and wired.record is None


def _matches(pattern: str, topic: str) -> bool:
    return pattern == topic or (("+" in pattern or "#" in pattern) and topic_matches_sub(pattern, topic))


def _readings(wired: _Wired, message: _Message, retained: bool, at: float, wall_ms: int | None) -> Sequence[Reading]:
    if wired.record is not None or (_is_bare(wired) and message.payload.lstrip()[:1] == b"["):
        return [
            Reading(at, wall_ms, wired.key, value, *_own_time(record, at, wall_ms), retained)
            for record, value in _chosen(wired, message.records())
        ]
    if wired.pointer is not None:
        value = _value(wired, wired.pointer.follow(message.json()))
    elif wired.is_switch:
        value = _switch(text(message.payload))
    else:
        value = _calibrated(wired, number(message.payload))
    return [Reading(at, wall_ms, wired.key, value, None, None, retained)]


def _chosen(wired: _Wired, records: list[senml.Record]) -> list[tuple[senml.Record, float]]:
    """The records of this sensor, with their values; those that carry only a sum are no readings."""
    if wired.record is None and len({record.name for record in records}) > 1:
        raise Unusable(Cause.SEVERAL_RECORDS)
    mine = [record for record in records if wired.record is None or record.name == wired.record]
    if not mine:
        raise Unusable(Cause.NO_RECORD)
    if len(mine) > MOST_RECORDS:
        raise Unusable(Cause.TOO_LONG)
    with_value = [record for record in mine if record.value is not None]
    if not with_value:
        raise Unusable(Cause.NOT_A_NUMBER)
    return [(record, _record_value(wired, record)) for record in with_value]


def _record_value(wired: _Wired, record: senml.Record) -> float:
    if wired.is_switch:
        return _value(wired, record.value)
    gain, offset = senml.to_si(wired.measures, record.unit, wired.unit)
    si = gain * finite(record.value) + offset
    return finite(wired.calibration[0] * si + wired.calibration[1])


def _value(wired: _Wired, value: Json) -> float:
    if not wired.is_switch:
        return _calibrated(wired, finite(value))
    if isinstance(value, bool):
        return 1.0 if value else 0.0
    if isinstance(value, str):
        return _switch(value)
    if isinstance(value, float | int) and value in (0, 1):
        return float(value)
    raise Unusable(Cause.NOT_ON_OFF)


def _calibrated(wired: _Wired, raw: float) -> float:
    return finite(wired.gain * raw + wired.offset)


def _switch(word: str) -> float:
    said = word.strip(" \t\r\n\0").casefold()
    if said in _ON:
        return 1.0
    if said in _OFF:
        return 0.0
    raise Unusable(Cause.NOT_ON_OFF if said else Cause.EMPTY)


def _own_time(record: senml.Record, at: float, wall_ms: int | None) -> tuple[float | None, int | None]:
    """(measured_at, measured_wall_ms) of a record; (None, None) for one taken now or whose time cannot be believed."""
    if record.time_s is None:
        ago_s = -record.from_now_s
        told_ms = None if wall_ms is None else wall_ms - round(min(ago_s, BEHIND_S) * 1000.0)
    elif wall_ms is None:
        return (None, None)
    else:
        told_ms = round(record.time_s * 1000.0)
        ago_s = (wall_ms - told_ms) / 1000.0
    if ago_s == 0.0 and record.time_s is None:
        return (None, None)  # "roughly now"
    if not -AHEAD_S <= ago_s <= BEHIND_S:
        return (None, None)
    return (at - max(ago_s, 0.0), told_ms)  # a device slightly ahead has measured now, not in our future
