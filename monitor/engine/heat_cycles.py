"""What the cycles of a source on a thermostat tell: where it turns, its time constant, and how strong it is.

Rules of this file: pure; works on what `foresee_heat` has learned of one pen. A turning point is one of the mean over
SMOOTH_MIN, and counts once the warmth has left it by more than noise. Medians of the last ten, so that a door does no harm.
With the lift L nearly steady and a swing S that lasts t_rest down and t_run up,

    τ = L · t_rest / S        and the lift of a source that stays on = L · (1 + t_rest / t_run)

S is counted up for what thermometer and mean take off it (`heat_shapes.seen_swing`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median
from typing import TYPE_CHECKING

from monitor.engine.heat_shapes import TAUS_MIN, seen_swing

if TYPE_CHECKING:
    from monitor.engine.heat_memory import Learned

SMOOTH_MIN = 1.5
EDGES_NEEDED = 4
EARLY_SHARE = 0.4  # of the usual swing: a fall from so far below the usual peak is no rest


def follow_cycles(learned: Learned, warm: Sequence[float], lift: Sequence[float], at: float, step: float) -> None:
    """Turning points of the smoothed warmth; how far and how long it falls and rises between them."""
    few = max(2, round(SMOOTH_MIN / step))
    now = sum(warm[-few:]) / few
    when = at - 30.0 * step * (few - 1)
    turn = max(0.4, 4.0 * math.sqrt(learned.variance / (2.0 * few)))
    if learned.extreme is None:
        learned.extreme, learned.extreme_at = round(now, 3), when
    if learned.direction > 0:
        if now > learned.extreme:
            learned.extreme, learned.extreme_at = round(now, 3), when
        elif now < learned.extreme - turn:
            if learned.trough_at is not None:
                learned.rises_min = [*learned.rises_min, round((learned.extreme_at - learned.trough_at) / 60.0, 2)][-10:]
            learned.peaks = [*learned.peaks, learned.extreme][-10:]
            learned.peak_at, learned.direction = learned.extreme_at, -1
            learned.extreme, learned.extreme_at = round(now, 3), when
    elif now < learned.extreme:
        learned.extreme, learned.extreme_at = round(now, 3), when
    elif now > learned.extreme + turn:
        if learned.peak_at is not None and learned.peaks:
            learned.falls_c = [*learned.falls_c, round(learned.peaks[-1] - learned.extreme, 3)][-10:]
            learned.falls_min = [*learned.falls_min, round((learned.extreme_at - learned.peak_at) / 60.0, 2)][-10:]
            learned.fall_lifts_c = [*learned.fall_lifts_c, round(sum(lift) / len(lift), 3)][-10:]
        learned.troughs = [*learned.troughs, learned.extreme][-10:]
        learned.trough_times = [*learned.trough_times, at][-10:]
        learned.trough_at, learned.peak_at, learned.direction = learned.extreme_at, None, 1
        learned.extreme, learned.extreme_at = round(now, 3), when


def of_cycles(learned: Learned) -> tuple[float, float] | None:
    """τ, minutes, and the lift that the source would reach if it stayed on, from the last ten rests and runs."""
    if min(len(learned.falls_min), len(learned.rises_min)) < EDGES_NEEDED:
        return None
    rest, run, lift = median(learned.falls_min), median(learned.rises_min), median(learned.fall_lifts_c)
    if lift <= 1.0 or min(rest, run) <= 0.0:
        return None
    fall = median(learned.falls_c) / seen_swing(rest, run)
    tau = min(max(lift * rest / fall, TAUS_MIN[0]), TAUS_MIN[-1])
    return tau, lift * (1.0 + rest / run)


def cycles(learned: Learned, at: float) -> bool:
    """Does the source cycle although nobody said so? Eight even turning points within four hours say it."""
    recent = [c for c, t in zip(learned.troughs, learned.trough_times, strict=True) if at - t < 4.0 * 3600.0]
    if len(recent) < 8 or len(learned.peaks) < 8:
        return False
    swing = median(learned.peaks) - median(recent)
    even = max(scatter(recent), scatter(learned.peaks)) < 0.12 * swing
    return even and swing > max(1.2, 8.0 * math.sqrt(learned.variance))


def scatter(values: Sequence[float]) -> float:
    middle = median(values)
    return 1.48 * median(abs(v - middle) for v in values)


def fell_early(learned: Learned, smooth_variance: float) -> bool:
    """Did this fall begin so far below the usual turning points, and below each of the last ones, that it is no rest?

    A heater of the room that comes and goes makes every second or third peak a low one.
    """
    *former, last = learned.peaks
    usual = median(learned.peaks)
    swing = max(0.0, usual - median(learned.troughs))
    noise = math.sqrt(smooth_variance)
    below = usual - max(EARLY_SHARE * swing, 3.0 * scatter(learned.peaks), 3.0 * noise)
    return last < below and last < min(former, default=math.inf) - max(0.1 * swing, 2.0 * noise)
