"""What one pen's heat source has shown, as `foresee_heat` keeps it: a copy to work on, and JSON to and fro.

Rules of this file: pure; small, and whatever an older or broken memory holds, it loads.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from operator import attrgetter
from typing import Any

from monitor.engine.events import Json


@dataclass(slots=True)
class Learned:
    """What one pen's heat source has shown. Worked on as a copy; kept as JSON."""

    at: float = 0.0  # of the last sample
    probes: dict[str, list[float]] = field(default_factory=dict)  # bird level, °C, oldest first
    room: list[float] = field(default_factory=list)
    has_room: bool = True
    usual_c: float | None = None  # slow mean at bird level, for a pen without a room thermometer
    lift_c: float | None = None  # K
    seen: float = 0.0  # samples behind K, up to FORGET_K
    variance: float = 0.03
    scatters: list[float] = field(default_factory=list)  # °C² about a straight line, by smoothing of the room
    likelihood: list[float] = field(default_factory=list)  # of each of TAUS_MIN
    record: list[float] = field(default_factory=list)
    record_from: float | None = None
    record_of_c: float | None = None  # the lift before the change
    gas: list[float] = field(default_factory=list)  # above outside air, oldest first
    fan: list[float] = field(default_factory=list)  # minutes that the fan had run at each
    gas_usual: float | None = None
    gas_variance: float = 0.04  # of a value over the usual one
    fan_takes: float = 0.0  # part of the usual gas that a minute of the fan takes away
    door_takes: float | None = None  # part of it for each °C that what may have been a door cost
    doors_took: list[float] = field(default_factory=list)  # of those that were doors
    gained: list[float] = field(default_factory=list)  # second and gain of the last time it was asked
    low_since: float | None = None
    failing: bool = False
    # a source that cycles
    direction: int = 1  # 1 on the way up, -1 on the way down
    extreme: float | None = None
    extreme_at: float = 0.0
    peak_at: float | None = None
    trough_at: float | None = None
    neared_at: float | None = None
    crossed_at: float | None = None
    troughs: list[float] = field(default_factory=list)
    trough_times: list[float] = field(default_factory=list)
    peaks: list[float] = field(default_factory=list)
    falls_c: list[float] = field(default_factory=list)  # of the last rests: how far, how long, from what lift
    falls_min: list[float] = field(default_factory=list)
    fall_lifts_c: list[float] = field(default_factory=list)
    rises_min: list[float] = field(default_factory=list)


def load(memory: Mapping[str, Json]) -> Learned:
    """What was learned, from JSON; what does not fit is begun anew."""
    found = memory.get("heat")
    if not isinstance(found, dict):
        return Learned()
    if tuple(found) == Learned.__slots__ and _are_ours(*map(type, found.values())):
        # As `saved` wrote it, which is all but always: a copy at once.
        copied: list[Any] = [value[:] if type(value) is list else value for value in found.values()]
        copied[_PROBES] = {key: list(row) for key, row in copied[_PROBES].items()}
        return Learned(*copied)
    learned = Learned()
    values: dict[str, Any] = dict(found)
    for name in Learned.__slots__:
        default = getattr(learned, name)
        value = values.get(name, default)
        if isinstance(default, list):
            value = list(value) if isinstance(value, list) else default
        elif isinstance(default, dict):
            value = {k: list(v) for k, v in value.items()} if isinstance(value, dict) else default
        elif isinstance(default, bool):
            value = bool(value)
        elif value is not None and not isinstance(value, int | float):
            value = default
        setattr(learned, name, value)
    return learned


_PROBES = Learned.__slots__.index("probes")
_values_of = attrgetter(*Learned.__slots__)


@lru_cache(maxsize=64)
def _are_ours(*kinds: type) -> bool:
    """Are these, in the order of `Learned`, the types of what it holds? Then nothing is to be begun anew."""
    fresh = Learned()
    for name, kind in zip(Learned.__slots__, kinds, strict=True):
        usual = type(getattr(fresh, name))
        if usual in (list, dict, bool):
            if kind is not usual:
                return False
        elif kind not in (type(None), int, float):
            return False
    return True


def saved(learned: Learned) -> Json:
    return dict(zip(Learned.__slots__, _values_of(learned), strict=True))


def sampled_at(memory: Mapping[str, Json]) -> float | None:
    """Second of the last sample in this memory, as `load` would find it."""
    found = memory.get("heat")
    at = found.get("at", 0.0) if isinstance(found, dict) else 0.0
    return at if at is None or isinstance(at, int | float) else 0.0


def lamp_moved(memory: Mapping[str, Json]) -> dict[str, Json]:
    """The keeper moved the lamp or its thermostat: turning points are learned anew, the lift quickly."""
    learned = load(memory)
    learned.troughs, learned.trough_times, learned.peaks = [], [], []
    learned.seen = min(learned.seen, 40.0)
    learned.low_since = learned.neared_at = learned.crossed_at = None
    return {**memory, "heat": saved(learned)}
