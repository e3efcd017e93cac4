"""One hour of gas under a fan that comes and goes: what share of its promised air changes the fan makes.

    dC/dt = source − (leak + share · N₀ · on) · (C − outside)

For each of a row of shares the start, a steady source and its drift are fitted behind the sensor's own lag; the best
share and its spread follow from the parabola through the lowest three.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

LEAK_H = 0.5  # air changes an hour while the fan rests; a closed small barn has 0.3 to 1.5. Our own rule.
SHARES = tuple(0.2 * (2.0 / 0.2) ** (i / 17.0) for i in range(18))
LEAST_DUTY = 0.015  # a minute in the hour, of running or of rest
WIDEST_SD = 0.8  # of the logarithm of one hour's share; a less certain hour is left out


def share_of(
    values: Sequence[float], on: Sequence[float], outside: float, changes_h: float, lag_s: float
) -> tuple[float, float] | None:
    """The fan's share of its promised air changes during one block, and its standard deviation, both as logarithms.

    Args:
        values: one a minute, in any unit of concentration.
        on: part of the minute before each value that the fan ran, times its relative airflow, 0 to 1.
        outside: level of the air coming in.
        changes_h: promised with the fan on, per hour.
        lag_s: of the sensor, s.

    Returns:
        None when the block cannot tell: the fan hardly changed, or no share fits best.
    """
    n, duty = len(values), sum(on) / len(on)
    if not LEAST_DUTY <= duty <= 1.0 - LEAST_DUTY or max(on) - min(on) < 0.2:
        return None
    losses = [_loss(values, on, outside, share * changes_h, lag_s) for share in SHARES]
    best = min(range(len(SHARES)), key=losses.__getitem__)
    if best in (0, len(SHARES) - 1):
        return None
    step = math.log(SHARES[1] / SHARES[0])
    before, least, after = losses[best - 1 : best + 2]
    bend = before - 2.0 * least + after
    if bend <= 0.0:
        return None
    found = math.log(SHARES[best]) + 0.5 * step * (before - after) / bend
    # 2 for the parabola's half, 2 more because neighbouring minutes resemble one another
    sd = math.sqrt(4.0 * max(least, 1e-12) / (n - 4) / (bend / (step * step)))
    return (found, sd) if sd <= WIDEST_SD else None


def _loss(values: Sequence[float], on: Sequence[float], outside: float, changes_h: float, lag_s: float) -> float:
    """Sum of squares with the best start, source and drift at this many changes an hour."""
    # Spelled out: these are a thousand minutes for each hour of each pen, and a judgement waits for them.
    minute, n = 1.0 / 60.0, len(values)
    kept = math.exp(-60.0 / lag_s) if lag_s > 0.0 else 0.0
    half = (1.0 - kept) * 0.5
    start, steady, drift = 1.0, 0.0, 0.0
    a, b, c = 1.0, 0.0, 0.0  # the same three, as the sensor shows them behind its lag
    aa = ab = ac = bb = bc = cc = ay = by = cy = squares = 0.0
    for i, (value, part) in enumerate(zip(values, on, strict=True)):
        if i:
            rate = LEAK_H + changes_h * part
            fade = math.exp(-rate * minute)
            gain = (1.0 - fade) / rate
            start_now, steady_now, drift_now = start * fade, steady * fade + gain, drift * fade + gain * i / n
            a = a * kept + half * (start + start_now)
            b = b * kept + half * (steady + steady_now)
            c = c * kept + half * (drift + drift_now)
            start, steady, drift = start_now, steady_now, drift_now
        y = value - outside
        squares += y * y
        ay, by, cy = ay + a * y, by + b * y, cy + c * y
        aa, ab, ac = aa + a * a, ab + a * b, ac + a * c
        bb, bc, cc = bb + b * b, bc + b * c, cc + c * c
    sums, right = [[aa, ab, ac], [ab, bb, bc], [ac, bc, cc]], [ay, by, cy]
    solution = _solve(sums, right)
    if solution is None:
        return math.inf
    return max(0.0, squares - sum(c * r for c, r in zip(solution, right, strict=True)))


def _solve(matrix: Sequence[Sequence[float]], right: Sequence[float]) -> list[float] | None:
    """Three equations by elimination with pivots; None when they do not hold three unknowns."""
    rows = [[*row, r] for row, r in zip(matrix, right, strict=True)]
    for i in range(3):
        pivot = max(range(i, 3), key=lambda k: abs(rows[k][i]))
        if abs(rows[pivot][i]) < 1e-15:
            return None
        rows[i], rows[pivot] = rows[pivot], rows[i]
        for k in range(i + 1, 3):
            factor = rows[k][i] / rows[i][i]
            rows[k] = [x - factor * y for x, y in zip(rows[k], rows[i], strict=True)]
    out = [0.0, 0.0, 0.0]
    for i in (2, 1, 0):
        out[i] = (rows[i][3] - sum(rows[i][k] * out[k] for k in range(i + 1, 3))) / rows[i][i]
    return out
