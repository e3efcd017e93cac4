"""Sensor Measurement Lists, SenML (RFC 8428, JSON form): a pack of records into resolved ones.

Rules of this file: base fields hold for their own record and all later ones until replaced
(section 4.1); a label that ends in "_" and is not known refuses the pack (section 4.4); a time of
2**28 or more counts seconds since 1970, anything below counts from now (section 4.5.3).
Unit names: the registry of RFC 8428 section 12.1 and the secondary units of RFC 8798.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from monitor.engine.events import Json
from monitor.engine.specification import Measure
from monitor.wire.causes import Cause, Unusable
from monitor.wire.strict import finite

ABSOLUTE_FROM: Final = 2.0**28  # RFC 8428 section 4.5.3
KNOWN_VERSION: Final = 10  # RFC 8428 section 4.1; a pack without "bver" has it
SECONDARY_UNITS: Final = 16  # RFC 9100: the one feature bit we know, on top of version 10

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", re.ASCII)  # section 4.5.1
_TEXTS = ("bn", "bu", "n", "u", "vs", "vd")
_NUMBERS = ("bt", "bv", "bs", "bver", "v", "s", "t", "ut")
_VALUES = ("v", "vs", "vb", "vd")

# Gain into our SI unit (value · gain + offset) of each unit a measure may come in. "%" is missing
# on purpose: RFC 8428 makes it a ratio from 0 to 1, most devices mean per cent, so the unit the
# keeper configured decides.
UNITS: Final[Mapping[Measure, Mapping[str, tuple[float, float]]]] = MappingProxyType(
    {
        Measure.TEMPERATURE: {"Cel": (1.0, 0.0), "K": (1.0, -273.15)},
        Measure.HUMIDITY: {"%RH": (1.0, 0.0), "/": (100.0, 0.0), "/100": (1.0, 0.0)},
        Measure.AMMONIA: {"ppm": (1.0, 0.0), "/": (1e6, 0.0)},
        Measure.CARBON_DIOXIDE: {"ppm": (1.0, 0.0), "/": (1e6, 0.0)},
        Measure.STATIC_PRESSURE: {"Pa": (1.0, 0.0), "hPa": (100.0, 0.0)},
        Measure.LIGHT: {"lx": (1.0, 0.0)},
        Measure.FAN_POWER: {"W": (1.0, 0.0), "kW": (1000.0, 0.0)},
        Measure.FAN_SPEED: {"/": (100.0, 0.0), "/100": (1.0, 0.0)},
        Measure.BATTERY: {"%EL": (1.0, 0.0), "/": (100.0, 0.0), "/100": (1.0, 0.0)},
        Measure.MAINS: {"/": (1.0, 0.0)},
    }
)
AMBIGUOUS_UNIT: Final = "%"
_MAY_BE_PER_CENT: Final = frozenset({Measure.HUMIDITY, Measure.FAN_SPEED, Measure.BATTERY})


@dataclass(frozen=True, slots=True)
class Record:
    """One resolved record. Exactly one of `time_s` (since 1970) and `from_now_s` is meant; see `has_own_time`."""

    name: str
    unit: str | None
    value: Json  # number, boolean, text; None when the record carries only a sum
    sum: float | None  # unit · s
    time_s: float | None  # seconds since 1970 UTC, when the pack told it
    from_now_s: float  # seconds from now, negative in the past, when `time_s` is None
    update_s: float | None = None
    is_octets: bool = False  # `value` is base64url text for octets


@dataclass(slots=True)
class _Base:
    name: str = ""
    time: float = 0.0
    unit: str = ""
    value: float | None = None
    sum: float | None = None


def resolve(pack: Json) -> list[Record]:
    """The records of a pack with the base fields applied, oldest first.

    Args:
        pack: decoded JSON: an array of objects.

    Records that only set base fields are left out.

    Raises:
        Unusable: NOT_SENML when a rule of RFC 8428 is broken, NEWER_SENML when the pack says that
            it needs a newer reader.
    """
    if not isinstance(pack, list):
        raise Unusable(Cause.NOT_SENML)
    base = _Base()
    records = [record for entry in pack if (record := _resolve_one(entry, base)) is not None]
    # Times from now and times since 1970 cannot be compared without a clock; a pack mixes them only by mistake.
    records.sort(key=lambda record: (record.time_s is None, record.from_now_s if record.time_s is None else record.time_s))
    return records


def to_si(measure: Measure, unit: str | None, configured: tuple[float, float]) -> tuple[float, float]:
    """Gain and offset that turn a record's value into SI; the record's own unit wins over the configured one.

    Raises:
        Unusable: the unit is of another kind than the measure.
    """
    if unit is None or (unit == AMBIGUOUS_UNIT and measure in _MAY_BE_PER_CENT):
        return configured
    try:
        return UNITS[measure][unit]
    except KeyError:
        raise Unusable(Cause.WRONG_UNIT) from None


def _resolve_one(entry: Json, base: _Base) -> Record | None:
    if not isinstance(entry, dict):
        raise Unusable(Cause.NOT_SENML)
    _check_labels(entry)
    numbers = {label: finite(entry[label]) for label in _NUMBERS if label in entry}
    _check_version(numbers.get("bver", KNOWN_VERSION))
    _take_base(entry, numbers, base)

    values = [label for label in _VALUES if label in entry]
    if len(values) > 1:
        raise Unusable(Cause.NOT_SENML)  # at most one value field, section 4.2
    value, total = _value(entry, values, numbers, base), numbers.get("s")
    has_sum = total is not None or base.sum is not None
    if value is None and not has_sum:
        return None
    name = base.name + _text(entry, "n", "")
    if not _NAME.fullmatch(name):
        raise Unusable(Cause.NOT_SENML)
    time = finite(base.time + numbers.get("t", 0.0))
    is_absolute = time >= ABSOLUTE_FROM
    return Record(
        name=name,
        unit=_text(entry, "u", base.unit) or None,
        value=value,
        sum=finite((base.sum or 0.0) + (total or 0.0)) if has_sum else None,
        time_s=time if is_absolute else None,
        from_now_s=0.0 if is_absolute else time,
        update_s=numbers.get("ut"),
        is_octets=values == ["vd"],
    )


def _check_labels(entry: dict[str, Json]) -> None:
    for label, value in entry.items():
        if label.endswith("_"):
            raise Unusable(Cause.NOT_SENML)  # "must understand", section 4.4
        if label in _TEXTS and not isinstance(value, str):
            raise Unusable(Cause.NOT_SENML)
        if label in _NUMBERS and (isinstance(value, bool) or not isinstance(value, int | float)):
            raise Unusable(Cause.NOT_SENML)
        if label == "vb" and not isinstance(value, bool):
            raise Unusable(Cause.NOT_SENML)


def _check_version(version: float) -> None:
    if version != int(version) or version < 1:
        raise Unusable(Cause.NOT_SENML)
    if version > KNOWN_VERSION and version != KNOWN_VERSION + SECONDARY_UNITS:
        raise Unusable(Cause.NEWER_SENML)


def _take_base(entry: dict[str, Json], numbers: dict[str, float], base: _Base) -> None:
    base.name = _text(entry, "bn", base.name)
    base.unit = _text(entry, "bu", base.unit)
    base.time = numbers.get("bt", base.time)
    base.value = numbers.get("bv", base.value)
    base.sum = numbers.get("bs", base.sum)


def _value(entry: dict[str, Json], values: list[str], numbers: dict[str, float], base: _Base) -> Json:
    if values and values[0] != "v":
        return entry[values[0]]
    if not values and (base.value is None or "s" in entry or "n" not in entry):
        return None  # only a sum, or only base fields for the records to come
    return finite((base.value or 0.0) + numbers.get("v", 0.0))


def _text(entry: dict[str, Json], label: str, otherwise: str) -> str:
    value = entry.get(label, otherwise)
    assert isinstance(value, str)  # _check_labels has seen it
    return value
