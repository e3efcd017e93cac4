"""A State as plain JSON text, and back. A text from an older or newer version loads too: unknown keys
are passed over, missing ones take their default, so that an update never forgets an open alarm.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from enum import StrEnum
from typing import Any

from monitor.engine.specification import Priority
from monitor.engine.state import AlarmRecord, AlarmState, FanState, HandSetting, Health, PenState, SensorState, State


class Unloadable(ValueError):  # noqa: N818 - reads as a statement, like the others
    """The saved state cannot be read; the message says where."""


def save(state: State) -> str:
    """The state as one line of JSON."""
    return json.dumps(_plain(state), separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    # By exact type, the commonest first: a state of a hundred pens has ten thousand values, saved at each commit.
    kind = type(value)
    if kind in _AS_IT_IS:
        return value
    if kind is float:
        return value if math.isfinite(value) or math.isnan(value) else None
    if kind is dict:
        return {k: _plain(v) for k, v in value.items()}
    names = _names(kind)
    if names:
        return {name: _plain(getattr(value, name)) for name in names}
    if isinstance(value, StrEnum):
        return value.value
    if isinstance(value, Mapping):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return value


_AS_IT_IS = frozenset({str, int, bool, type(None)})


_NAMES: dict[type[Any], tuple[str, ...]] = {}


def _names(kind: type[Any]) -> tuple[str, ...]:
    """The fields of a dataclass; none for any other type."""
    names = _NAMES.get(kind)
    if names is None:
        names = _NAMES[kind] = tuple(f.name for f in fields(kind)) if is_dataclass(kind) else ()
    return names


def load(text: str) -> State:
    """The state of a saved text.

    Raises:
        Unloadable: the text is not a saved state.
    """
    try:
        found = json.loads(text)
        if not isinstance(found, dict):
            raise TypeError("expected an object")
        return _state(found)
    except (ValueError, TypeError, KeyError, AttributeError) as trouble:
        raise Unloadable(f"the saved state cannot be read: {trouble}") from trouble


def _known(kind: type[Any], found: Mapping[str, Any], shapes: Mapping[str, Callable[[Any], Any]]) -> Any:
    names = {f.name for f in fields(kind)}
    given = {}
    for name, value in found.items():
        if name in names:
            shape = shapes.get(name)
            given[name] = shape(value) if shape is not None and value is not None else value
    # A None where the default is a number (an infinity is saved as none) takes the default.
    defaults = {f.name: f.default for f in fields(kind)}
    return kind(**{k: v for k, v in given.items() if not (v is None and isinstance(defaults[k], float | int | str))})


def _sensor(found: Mapping[str, Any]) -> SensorState:
    made: SensorState = _known(SensorState, found, {"health": Health})
    return made


def _fan(found: Mapping[str, Any]) -> FanState:
    made: FanState = _known(FanState, found, {"needs": tuple, "evidence": dict})
    return made


def _alarm(found: Mapping[str, Any]) -> AlarmRecord:
    made: AlarmRecord = _known(AlarmRecord, found, {"state": AlarmState, "priority": Priority, "evidence": dict})
    return made


def _hand(found: Mapping[str, Any]) -> HandSetting:
    made: HandSetting = _known(HandSetting, found, {})
    return made


def _each(shape: Callable[[Any], Any]) -> Callable[[Mapping[str, Any]], dict[str, Any]]:
    return lambda table: {name: shape(value) for name, value in table.items()}


def _pen(found: Mapping[str, Any]) -> PenState:
    shapes = {"sensors": _each(_sensor), "fan": _fan, "hand": _hand, "alarms": _each(_alarm), "memory": dict}
    made: PenState = _known(PenState, found, shapes)
    return made


def _state(found: Mapping[str, Any]) -> State:
    made: State = _known(State, found, {"pens": _each(_pen), "alarms": _each(_alarm)})
    return made
