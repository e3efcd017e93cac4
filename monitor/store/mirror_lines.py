"""What the mirror sends: readings, decisions and journal as line protocol, version 2, in milliseconds.

Rules of this file: numbers are always floats, for a server refuses a field that is a whole number once and a
fraction later; every line has a time; names are ours and say the unit of time series they hold.

| measurement | tags | fields |
| --- | --- | --- |
| `warmstraw_reading` | site, pen, sensor, measure, place, unit | value (SI) |
| `warmstraw_hour` | as a reading | n, low, mean, high of one hour, at its start |
| `warmstraw_fan` | site, pen, reason | running (1 or 0), speed_pct |
| `warmstraw_alarm` | site, pen, alarm, subject, priority | open (1 or 0), state (below), value, limit |
| `warmstraw_journal` | site, pen, what, flock | entry (1), count, note (text) |
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

from monitor.engine.specification import SI_UNIT, Specification
from monitor.store.decisions import Decision
from monitor.store.journal import JournalRow
from monitor.store.reader import Bucket, StoredReading

# The states of ANSI/ISA-18.2 as numbers, for a server that keeps only numbers.
STATE_NUMBER: Mapping[str, float] = MappingProxyType(
    {
        "normal": 0.0,
        "unacknowledged": 1.0,
        "acknowledged": 2.0,
        "returned": 3.0,
        "shelved": 4.0,
        "suppressed": 5.0,
        "out of service": 6.0,
    }
)
_OPEN = frozenset({"unacknowledged", "acknowledged"})


class Lines:
    """Turns stored rows into lines; keeps the part of a line that is the same for each reading of a sensor."""

    def __init__(self, specification: Specification) -> None:
        self._specification = specification
        self._sensor_tags: dict[str, str] = {}

    def reading(self, reading: StoredReading) -> str:
        return f"warmstraw_reading{self._tags_of(reading.sensor)} value={float(reading.value)!r} {reading.time_ms}"

    def hour(self, sensor: str, hour: Bucket) -> str:
        fields = {"n": float(hour.n), "low": float(hour.low), "mean": float(hour.mean), "high": float(hour.high)}
        return f"warmstraw_hour{self._tags_of(sensor)} {_fields(fields)} {hour.time_ms}"

    def decision(self, decision: Decision) -> str | None:
        """None for a decision whose time is not known yet."""
        if decision.time_ms is None:
            return None
        if decision.kind == "fan":
            head = "warmstraw_fan" + self._tags(pen=decision.pen, reason=decision.reason)
            fields = {"running": float(decision.state == "running"), "speed_pct": decision.speed_pct}
        else:
            tags = {"alarm": decision.what, "subject": decision.subject, "priority": decision.priority}
            head = "warmstraw_alarm" + self._tags(pen=decision.pen, **tags)
            fields = {
                "open": float(decision.state in _OPEN),
                "state": STATE_NUMBER.get(decision.state),
                "value": _number(decision.evidence.get("value")),
                "limit": _number(decision.evidence.get("limit")),
            }
        return f"{head} {_fields(fields)} {decision.time_ms}"

    def journal(self, row: JournalRow) -> str | None:
        """None for an entry whose time is not known yet."""
        entry = row.entry
        if entry.wall_ms is None:
            return None
        head = "warmstraw_journal" + self._tags(pen=entry.pen, what=entry.what, flock=entry.flock or "")
        fields = _fields({"entry": 1.0, "count": _number(entry.count)})
        note = f",note={_text(entry.note)}" if entry.note else ""
        return f"{head} {fields}{note} {entry.wall_ms}"

    def _tags_of(self, key: str) -> str:
        known = self._sensor_tags.get(key)
        if known is None:
            pen, _, name = key.partition("/")
            sensor = self._specification.sensors.get(key)
            about: dict[str, str] = {}
            if sensor is not None:  # else it is no longer in the settings
                about = {"measure": str(sensor.measures), "place": str(sensor.place), "unit": SI_UNIT[sensor.measures]}
            known = self._sensor_tags[key] = self._tags(pen=pen, sensor=name, **about)
        return known

    def _tags(self, **tags: str) -> str:
        # An empty tag is an error of the protocol, so it is left out.
        told = {"site": self._specification.site, **tags}
        return "".join(f",{name}={_tag(value)}" for name, value in told.items() if value)


def _fields(fields: Mapping[str, float | None]) -> str:
    return ",".join(f"{name}={value!r}" for name, value in fields.items() if value is not None)


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def _tag(value: str) -> str:
    # A backslash at the end would swallow the comma after it, and a line end would end the line.
    plain = value.replace("\\", "/").replace("\n", " ").replace("\r", " ")
    return plain.replace(",", "\\,").replace("=", "\\=").replace(" ", "\\ ")


def _text(value: str) -> str:
    plain = value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", " ").replace("\r", " ")
    return f'"{plain}"'
