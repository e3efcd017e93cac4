"""Is the heat source failing? Told from how warmth at bird level moves, before birds are cold.

The warm spot under a lamp stands above the room by its *lift* L, which follows the source as

    τ · dL/dt = K − L        K what the source holds up, 0 once it is dead

A dead source and an opened door look alike for as long as a door is open. So each is a hypothesis,
fitted to the last twelve minutes: *dead* means L falls towards 0 with the pen's own τ from some moment
on; *door* means it fell in a straight line for up to three minutes by any amount and is coming back with
τ (or nothing happened at all). The call is made when *dead* explains the readings better by a set
log-likelihood, two moments running. Gas in the air is a witness: a door thins it, a dead source does not
(`heat_gas.py`). A source on a thermostat falls like that in each of its rests: there only what goes on below
the usual turning point counts, and *door* has the source back on since then.

Nothing is given but the kind of source. K is the slow mean of the lift; τ is kept as a log-likelihood on a row
of values, to which each dip, warm-up or lowered lamp adds how well each value fits its 50 minutes; *dead* may have
any τ, at the price of what speaks against it. Of a source that cycles the turning points are the medians of the last
ten, and τ and strength come from how far and how long it falls and rises between them (`heat_cycles.py`); a fall from
far below its usual peak is no rest and is asked at once. Until they are known, only a fall that goes on for eight
minutes and reaches the cold limit within four more is called.

Rules of this file: pure; one sample each half minute on the engine's own grid, so that judgements in
between change nothing; all that is learned is small and JSON. tests/bench/foresight.py measures it, FORESIGHT.md shows it.
Without a thermometer in the room the lift is counted from the slow mean of the place itself.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from monitor.engine.heat_cycles import EDGES_NEEDED, SMOOTH_MIN, cycles, fell_early, follow_cycles, of_cycles, scatter
from monitor.engine.heat_gas import Air, Witness, follow_gas
from monitor.engine.heat_memory import Learned, lamp_moved, load, sampled_at, saved
from monitor.engine.heat_shapes import (
    Curve,
    best_dead,
    best_door,
    cycle_gain,
    end_and_slope,
    likely,
    past_door,
    posterior,
    recovery_gain,
    scatter_about_line,
    smooth,
)

__all__ = ["Air", "Finding", "Learned", "lamp_moved", "load", "sample", "sampled_at", "saved"]

WINDOW_MIN = 12.0
SLOPE_MIN = 4.0
# The room's thermometer brings most of the lift's noise, so it is smoothed, but not so far that a heater's cycle or a gust
# is lost, which moves both: the mean over so long to each side that leaves the least about a straight line in this pen.
ROOM_SMOOTHS_MIN = (0.0, 0.5, 1.0, 2.0)
CYCLING_SMOOTH_MIN = 1.0  # where the source's own cycle hides it
CALM_SHARE = 0.1  # of what one more window says of that
LEARN_EVERY_S = 60.0
SHUT_AFTER_S = 300.0
RECORD_SAMPLES = 50  # one a minute, after a sudden change
FORGET_K = 720.0  # half-minute samples: six hours
ASSUMED_LIFT_C = 12.0  # without a room thermometer; a small lamp lifts its place by 10 to 20 °C. Our own rule.
GATE = 0.6  # of the usual power: above it nothing is fitted
# Log-likelihood by which *dead* must explain the readings better than *door*. With less, healthy fortnights
# ring for doors; what a unit more costs is in FORESIGHT.md, with the barns it was chosen on.
STEADY_GAIN = 2.5
CYCLING_GAIN = 3.0
LOW_STEADY_MIN = 10.0  # below half power this long: called whatever the shape (longest door, slope window, and some)
LOW_CYCLING_MIN = 6.0
ON_EARLIER_MIN = (0.0, 1.0, 2.0)  # that a thermostat may have turned it on before lag and mean show its turning point
BELOW_EDGE_C = 0.4
BLIND_FALL_MIN = 8.0
BLIND_REACH_MIN = 4.0  # a thermostat's rest falls for longer than eight minutes, but is not let so near the limit


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


def sample(
    learned: Learned,
    at: float,
    step_s: float,
    probes: Mapping[str, float],
    room_c: float | None,
    cycling: bool,
    cold_c: float,
    limits: tuple[float, float] = (0.5, 0.75),
    air: Air | None = None,
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
        air: the gas in the room's air and the fan's time; None where no sensor tells.
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
    witness = follow_gas(learned, air, keep, step_s / 60.0, at % (60.0 * WINDOW_MIN) == 0.0)
    if len(learned.room) < keep:
        return None
    rows = list(learned.probes.values())
    warm = rows[0] if len(rows) == 1 else [sum(values) / len(rows) for values in zip(*rows, strict=True)]
    step = step_s / 60.0
    cycling = cycling or cycles(learned, at)
    reach = round(CYCLING_SMOOTH_MIN / step) if cycling else _weigh_smoothing(learned, warm, at, step)
    lift = [a - b for a, b in zip(warm, smooth(learned.room, reach), strict=True)]
    if cycling:
        _weigh_noise(learned, lift[: keep - reach])
    else:
        _learn_time_constant(learned, lift, witness, at, step)
    count = round(SLOPE_MIN / step) + 1
    ends_at, slope = end_and_slope(lift[-count:], step)
    _, tau, longest = posterior(learned.likelihood)
    follow_cycles(learned, warm, lift, at, step)
    if learned.lift_c is None:
        learned.lift_c, learned.seen = median(lift), float(keep)
    power = ends_at + tau * slope
    share = power / learned.lift_c if learned.lift_c > 1.0 else None
    _learn_lift(learned, power, mean_c, step)
    _, warm_slope = end_and_slope(warm[-count:], step)
    curve = Curve(lift, step, learned.variance, tau, likely(learned.likelihood), witness)
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


def _weigh_smoothing(learned: Learned, warm: Sequence[float], at: float, step: float) -> int:
    """How many samples of the room to each side make the quietest lift; what noise that leaves is learned too."""
    reaches = [round(m / step) for m in ROOM_SMOOTHS_MIN]
    known = learned.scatters if len(learned.scatters) == len(reaches) else []
    if not known or at % (60.0 * WINDOW_MIN) == 0.0:
        found = [scatter_about_line([a - b for a, b in zip(warm, smooth(learned.room, r), strict=True)]) for r in reaches]
        pairs = zip(known or found, found, strict=True)
        learned.scatters = [round(old + CALM_SHARE * (min(new, 3.0 * old) - old), 6) for old, new in pairs]
    least = min(range(len(reaches)), key=learned.scatters.__getitem__)
    learned.variance = max(1e-4, learned.scatters[least])
    return reaches[least]


def _learn_time_constant(learned: Learned, lift: Sequence[float], witness: Witness | None, at: float, step: float) -> None:
    """After a sudden change, wait out the door, see what it took of the gas, and ask which τ explains the next 50 minutes."""
    two_min = round(2.0 / step)
    if learned.record_from is None:
        now = sum(lift[-two_min:]) / two_min
        then = sum(lift[: 2 * two_min]) / (2 * two_min)
        if abs(now - then) > max(0.8, 3.5 * math.sqrt(learned.variance)):
            learned.record_from, learned.record, learned.door_takes = at, [], None
            learned.record_of_c = round(then, 3)
    elif at - learned.record_from >= SHUT_AFTER_S:
        if at - learned.record_from == SHUT_AFTER_S and witness is not None:
            door = past_door(Curve(lift, step, learned.variance, posterior(learned.likelihood)[1], ()))
            took = None if door is None else witness.took(*door[:2])
            learned.door_takes = None if door is None or took is None else round(took / door[2], 4)
        if at % LEARN_EVERY_S == 0.0:
            learned.record = [*learned.record, round(0.5 * (lift[-1] + lift[-2]), 3)]
        if len(learned.record) >= RECORD_SAMPLES:
            learned.likelihood = recovery_gain(learned.likelihood, learned.record, learned.variance, learned.record_of_c)
            learned.record, learned.record_from = [], None
            if learned.door_takes is not None and not learned.failing:
                learned.doors_took = [*learned.doors_took, learned.door_takes][-12:]


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
    gain = _over_two_moments(learned, best_door(curve) - best_dead(curve), curve.step_min, at)
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
    on_for = {round(max(0.0, (at - t) / 60.0 + more), 2) for t in turned for more in ON_EARLIER_MIN}
    gain = cycle_gain(curve, tau, since_peak, sorted(on_for), capacity)
    gain = _over_two_moments(learned, gain, curve.step_min, at)
    return (True if gain > CYCLING_GAIN else None), "falling from where the thermostat never turned it off" if early else note


# ---------------------------------------------------------------------- checks


def _over_two_moments(learned: Learned, gain: float, step: float, at: float) -> float:
    """The gain, or its mean with the one before where that is less: the newest sample is the noisiest, and alone calls nobody."""
    former, learned.gained = learned.gained, [at, round(gain, 3)] if math.isfinite(gain) else []
    if len(former) != 2 or at - former[0] > 90.0 * step:
        return -math.inf
    return min(gain, 0.5 * (gain + former[1]))


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
