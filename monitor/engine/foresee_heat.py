"""Is the heat source failing? Told from how warmth at bird level moves, before birds are cold.

The warm spot under a lamp stands above the room by its *lift* L, which follows the source as

    τ · dL/dt = K − L        K what the source holds up, 0 once it is dead

A dead source and an opened door look alike for as long as a door is open. So each is a hypothesis,
fitted to the last twelve minutes: *dead* means L falls towards 0 with the pen's own τ from some moment
on; *door* means it fell in a straight line for up to three minutes by any amount and is coming back with
τ (or nothing happened at all). The call is made when *dead* explains the readings better by a set
log-likelihood. A source on a thermostat falls like that in each of its rests: there only what goes on below
the usual turning point counts, and *door* has the source back on since then.

Nothing is given but the kind of source. K is the slow mean of the lift; τ is kept as a log-likelihood on a row
of values, to which each dip, warm-up or lowered lamp adds how well each value fits its 50 minutes. Of a source that
cycles the turning points are the medians of the last ten, and τ and strength come from how far and how long it falls
and rises between them (`heat_cycles.py`); a fall from far below its usual peak is no rest and is asked at once. Until
they are known, only a fall that goes on for eight minutes and reaches the cold limit within four more is called.

Rules of this file: pure; one sample each half minute on the engine's own grid, so that judgements in
between change nothing; all that is learned is small and JSON. tests/bench/foresight.py measures it, FORESIGHT.md shows it.
Without a thermometer in the room the lift is counted from the slow mean of the place itself.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from operator import attrgetter
from statistics import median
from typing import Any

from monitor.engine.events import Json
from monitor.engine.heat_cycles import EDGES_NEEDED, SMOOTH_MIN, cycles, fell_early, follow_cycles, of_cycles, scatter
from monitor.engine.heat_shapes import (
    Curve,
    best_dead,
    best_door,
    cycle_gain,
    end_and_slope,
    posterior,
    recovery_gain,
    smooth,
)

WINDOW_MIN = 12.0
SLOPE_MIN = 4.0
# The room's air moves slowly, but its thermometer brings half of the lift's noise: a mean over so long to each side.
ROOM_SMOOTH_MIN = 2.0
LEARN_EVERY_S = 60.0
RECORD_SAMPLES = 50  # one a minute, after a sudden change
FORGET_K = 720.0  # half-minute samples: six hours
ASSUMED_LIFT_C = 12.0  # without a room thermometer; a small lamp lifts its place by 10 to 20 °C. Our own rule.
GATE = 0.6  # of the usual power: above it nothing is fitted
# Log-likelihood by which *dead* must explain the readings better than *door*. With less, healthy fortnights
# ring for doors; what a unit more costs is in FORESIGHT.md, with the barns it was chosen on.
STEADY_GAIN = 3.0
CYCLING_GAIN = 4.5
LOW_STEADY_MIN = 10.0  # below half power this long: called whatever the shape (longest door, slope window, and some)
LOW_CYCLING_MIN = 6.0
BELOW_EDGE_C = 0.4
BLIND_FALL_MIN = 8.0
BLIND_REACH_MIN = 4.0  # a thermostat's rest falls for longer than eight minutes, but is not let so near the limit


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
    likelihood: list[float] = field(default_factory=list)  # of each of TAUS_MIN
    record: list[float] = field(default_factory=list)
    record_from: float | None = None
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


@dataclass(frozen=True, slots=True)
class Finding:
    """What the last samples say.

    `signal` as a condition's: True failing, False not, None hold. `share` is the part of the usual power
    still seen, where that can be told.
    """

    signal: bool | None
    value_c: float
    slope_per_min: float
    share: float | None
    note: str


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


def sample(
    learned: Learned,
    at: float,
    step_s: float,
    probes: Mapping[str, float],
    room_c: float | None,
    cycling: bool,
    cold_c: float,
    limits: tuple[float, float] = (0.5, 0.75),
) -> Finding | None:
    """Take the readings of one sampling moment in, and say what they come to; None while there are too few.

    Args:
        learned: changed in place.
        at: of this moment, s, on the grid of step_s.
        step_s: from sample to sample, 30 or 60.
        probes: believable thermometers at bird level, °C, by key; at least one.
        room_c: the room's air, °C; None when no thermometer tells.
        cycling: the source hangs on a thermostat.
        cold_c: the birds' cold limit, °C.
        limits: shares of the usual heat; for long below the first it fails, above the second it is back.
    """
    if at - learned.at > 1.5 * step_s or set(probes) != set(learned.probes) or (room_c is not None) != learned.has_room:
        _begin_window(learned, room_c is not None)
    learned.at = at
    keep = round(WINDOW_MIN * 60.0 / step_s)
    mean_c = sum(probes.values()) / len(probes)
    if room_c is None:
        learned.usual_c = mean_c if learned.usual_c is None else learned.usual_c
        room_c = learned.usual_c - ASSUMED_LIFT_C
    learned.probes = {key: [*learned.probes.get(key, ()), round(value, 3)][-keep:] for key, value in probes.items()}
    learned.room = [*learned.room, round(room_c, 3)][-keep:]
    if len(learned.room) < keep:
        return None
    rows = list(learned.probes.values())
    warm = rows[0] if len(rows) == 1 else [sum(values) / len(rows) for values in zip(*rows, strict=True)]
    step = step_s / 60.0
    cycling = cycling or cycles(learned, at)
    reach = 0 if cycling else round(ROOM_SMOOTH_MIN / step)
    lift = [a - b for a, b in zip(warm, smooth(learned.room, reach), strict=True)]
    _weigh_noise(learned, lift[: keep - reach])
    if not cycling:
        _learn_time_constant(learned, lift, at, step)
    count = round(SLOPE_MIN / step) + 1
    ends_at, slope = end_and_slope(lift[-count:], step)
    shortest, tau, longest = posterior(learned.likelihood)
    follow_cycles(learned, warm, lift, at, step)
    if learned.lift_c is None:
        learned.lift_c, learned.seen = median(lift), float(keep)
    power = ends_at + tau * slope
    share = power / learned.lift_c if learned.lift_c > 1.0 else None
    _learn_lift(learned, power, mean_c, step)
    _, warm_slope = end_and_slope(warm[-count:], step)
    curve = Curve(lift, step, learned.variance, tau, (shortest, tau, longest))
    if cycling:
        signal, note = _cycling(learned, warm, curve, at)
        share = None
    else:
        signal, note = _steady(learned, curve, ends_at + longest * slope, share, at, limits)
    unlearned = len(learned.troughs) < EDGES_NEEDED if cycling else learned.seen < 2.0 * keep
    if unlearned and not learned.failing:
        signal, note = _falls_blindly(warm, step, cold_c) or None, "nothing learned yet of this heat source: it falls and goes on"
        share = None
    if signal and not _all_fall(rows, step):
        signal, note = None, "only one thermometer falls"
    if signal is not None:
        learned.failing = signal
    return Finding(True if learned.failing else signal, mean_c, warm_slope, share, note)


# ------------------------------------------------------------------ learning


def _begin_window(learned: Learned, has_room: bool) -> None:
    learned.probes, learned.room = {}, []
    if has_room != learned.has_room:
        learned.lift_c, learned.seen, learned.has_room = None, 0.0, has_room
    learned.record, learned.record_from = [], None
    learned.low_since = learned.neared_at = learned.crossed_at = learned.peak_at = learned.trough_at = learned.extreme = None
    learned.direction = 1


def _weigh_noise(learned: Learned, lift: Sequence[float]) -> None:
    """Variance of a sample, from second differences: a fall, a rise and a cycle leave them nearly at rest."""
    bend = lift[-1] - 2.0 * lift[-2] + lift[-3]
    square = min(bend * bend, 96.0 * learned.variance) / 6.0
    learned.variance = max(1e-4, round(learned.variance + (square - learned.variance) / 200.0, 6))


def _learn_time_constant(learned: Learned, lift: Sequence[float], at: float, step: float) -> None:
    """After a sudden change, wait out the door, then record 50 minutes and ask which τ explains them."""
    two_min = round(2.0 / step)
    if learned.record_from is None:
        now = sum(lift[-two_min:]) / two_min
        then = sum(lift[: 2 * two_min]) / (2 * two_min)
        if abs(now - then) > max(0.8, 3.5 * math.sqrt(learned.variance)):
            learned.record_from, learned.record = at, []
    elif at - learned.record_from >= 300.0 and at % LEARN_EVERY_S == 0.0:
        learned.record = [*learned.record, round(0.5 * (lift[-1] + lift[-2]), 3)]
        if len(learned.record) >= RECORD_SAMPLES:
            learned.likelihood = recovery_gain(learned.likelihood, learned.record, learned.variance)
            learned.record, learned.record_from = [], None


def _learn_lift(learned: Learned, power: float, mean_c: float, step: float) -> None:
    usual = learned.lift_c
    if usual is None or learned.failing or power < GATE * usual:
        return
    learned.seen = min(FORGET_K, learned.seen + 2.0 * step)
    share = 2.0 * step / max(learned.seen, 1.0)
    learned.lift_c = round(usual + share * (min(power, (2.0 - GATE) * usual) - usual), 5)
    if learned.usual_c is not None:
        learned.usual_c = round(learned.usual_c + share * (mean_c - learned.usual_c), 5)


# -------------------------------------------------------------- a steady source


def _steady(
    learned: Learned, curve: Curve, most_pessimistic: float, share: float | None, at: float, limits: tuple[float, float]
) -> tuple[bool | None, str]:
    low, clear = limits
    if share is None or learned.lift_c is None:
        return None, "the source adds too little warmth to be watched"
    if learned.failing:
        return (False if share > clear else None), "no heat is coming from the source"
    if share >= low:
        learned.low_since = None
    elif learned.low_since is None:
        learned.low_since = at
    if learned.low_since is not None and at - learned.low_since >= LOW_STEADY_MIN * 60.0:
        return True, "the source has given far less than its usual heat for ten minutes"
    if most_pessimistic > GATE * learned.lift_c:
        return (False if share > clear else None), ""
    y, few = curve.values, round(1.5 / curve.step_min)
    fallen = sum(y[: 3 * few]) / (3 * few) - sum(y[-few:]) / few
    if fallen < 2.0 * math.sqrt(curve.variance / few):
        return None, ""  # not worth fitting
    gain = best_door(curve) - best_dead(curve)
    return (True if gain > STEADY_GAIN else None), "it falls as with no heat at all, longer than a door stays open"


# ------------------------------------------------------- a source on a thermostat


def _cycling(learned: Learned, warm: Sequence[float], curve: Curve, at: float) -> tuple[bool | None, str]:
    note = "below where the thermostat always turned it on, and falling as with no heat"
    tau, capacity = of_cycles(learned) or (curve.tau_min, 1.6 * curve.values[0])
    count = round(3.0 / curve.step_min) + 1
    _, slope = end_and_slope(curve.values[-count:], curve.step_min)
    if learned.failing:
        gaining = 0.4 * max(1.0, capacity - curve.values[-1]) / tau
        return (False if slope > gaining else None), note
    if len(learned.troughs) < EDGES_NEEDED or learned.direction >= 0 or learned.peak_at is None:
        learned.neared_at = learned.crossed_at = learned.low_since = None
        return False, ""
    few = max(2, round(SMOOTH_MIN / curve.step_min))
    now = sum(warm[-few:]) / few
    edge = median(learned.troughs)
    margin = max(BELOW_EDGE_C, math.sqrt(0.5 * curve.variance), 1.5 * scatter(learned.troughs))
    if learned.neared_at is None and now < edge + 2.0 * math.sqrt(curve.variance / few):
        learned.neared_at = at - 30.0 * curve.step_min * (few - 1)
    if now >= edge:
        learned.crossed_at = None
    elif learned.crossed_at is None:
        learned.crossed_at = at - 30.0 * curve.step_min * (few - 1)
    fall = sum(curve.values[-count:]) / count / tau
    early = fell_early(learned, curve.variance / few)
    if (now > edge - margin and not early) or slope > -0.3 * fall:
        learned.low_since = None
        return (False if now >= edge and not early else None), ""
    if slope > -0.5 * fall or now > edge - margin:
        learned.low_since = None
    elif learned.low_since is None:
        learned.low_since = at
    if learned.low_since is not None and at - learned.low_since >= LOW_CYCLING_MIN * 60.0:
        return True, note
    since_peak = (at - learned.peak_at) / 60.0
    turned = [at - 60.0 * since_peak] if early else [learned.crossed_at or at, learned.neared_at or at]
    on_for = {round(max(0.0, (at - t) / 60.0 - later), 2) for t in turned for later in (0.0,)}
    gain = cycle_gain(curve, tau, since_peak, sorted(on_for), capacity)
    return (True if gain > CYCLING_GAIN else None), "falling from where the thermostat never turned it off" if early else note


# ---------------------------------------------------------------------- checks


def _all_fall(rows: Sequence[Sequence[float]], step: float) -> bool:
    """Every thermometer that moves at all falls now, and has fallen on the whole: it is the air, not a probe."""
    if len(rows) < 2:
        return True
    count, few = round(6.0 / step), max(2, round(1.5 / step))
    moving = [row for row in rows if max(row[-count:]) > min(row[-count:])]
    slopes = [end_and_slope(row[-count:], step)[1] for row in moving]
    fallen = [sum(row[:count]) / count - sum(row[-few:]) / few for row in moving]
    return not slopes or (max(slopes) < 0.3 * sum(slopes) / len(slopes) and min(fallen) > 0.3 * sum(fallen) / len(fallen))


def _falls_blindly(warm: Sequence[float], step: float, cold_c: float) -> bool:
    """The rule of the first hour: falling without a break, and soon at the cold limit."""
    half = round(BLIND_FALL_MIN / 2.0 / step)
    ends_at, late = end_and_slope(warm[-half - 1 :], step)
    _, early = end_and_slope(warm[-2 * half - 1 : -half], step)
    return late < -0.1 and early < -0.1 and ends_at + BLIND_REACH_MIN * late <= cold_c
