"""What the mirror sends: readings, decisions and journal as line protocol, version 2, in milliseconds.

Rules of this file: numbers are always floats, for a server refuses a field that is a whole number once and a
fraction later; every line has a time; names are ours and say the unit of time series they hold.

| measurement | tags | fields |
| --- | --- | --- |
| `warmstraw_reading` | site, pen, sensor, measure, place, unit | value (SI) |
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
from monitor.store.reader import StoredReading

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
        self._heads: dict[str, str] = {}

    def reading(self, reading: StoredReading) -> str:
        head = self._heads.get(reading.sensor)
        if head is None:
            head = self._heads[reading.sensor] = self._head(reading.sensor)
        return f"{head} value={float(reading.value)!r} {reading.time_ms}"

    def decision(self, decision: Decision) -> str | None:
        """None for a decision whose time is not known yet."""
        if decision.time_ms is None:
            return None
        if decision.kind == "fan":
            head = self._tags("warmstraw_fan", pen=decision.pen, reason=decision.reason)
            fields = {"running": float(decision.state == "running"), "speed_pct": decision.speed_pct}
        else:
            tags = {"alarm": decision.what, "subject": decision.subject, "priority": decision.priority}
            head = self._tags("warmstraw_alarm", pen=decision.pen, **tags)
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
        head = self._tags("warmstraw_journal", pen=entry.pen, what=entry.what, flock=entry.flock or "")
        fields = _fields({"entry": 1.0, "count": _number(entry.count)})
        note = f",note={_text(entry.note)}" if entry.note else ""
        return f"{head} {fields}{note} {entry.wall_ms}"

    def _head(self, key: str) -> str:
        sensor = self._specification.sensors.get(key)
        pen, _, name = key.partition("/")
        if sensor is None:  # no longer in the settings
            return self._tags("warmstraw_reading", pen=pen, sensor=name)
        tags = {"measure": str(sensor.measures), "place": str(sensor.place), "unit": SI_UNIT[sensor.measures]}
        return self._tags("warmstraw_reading", pen=pen, sensor=name, **tags)

    def _tags(self, measurement: str, **tags: str) -> str:
        # An empty tag is an error of the protocol, so it is left out.
        told = {"site": self._specification.site, **tags}
        return measurement + "".join(f",{name}={_tag(value)}" for name, value in told.items() if value)


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
