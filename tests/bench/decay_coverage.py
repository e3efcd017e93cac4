"""How often the 95 % interval of `air_changes` covers the truth, and how close the figure comes.

Synthetic decays, seeded: exact exponential with a steady source, first-order sensor lag solved on a fine
grid, noise, rounding. Run: python tests/bench/decay_coverage.py [runs], prints a table and then JSON.
"""

from __future__ import annotations

import json
import math
import statistics
import sys
import time
from collections.abc import Callable

import numpy as np

from monitor.air.decay import FOR_ANY_GAS, Decay, air_changes, pool


def synthetic_decay(
    generator: np.random.Generator,
    per_hour: float,
    minutes: float,
    start: float,
    settles: float,
    noise: float,
    step: float,
    lag_s: float,
    every_s: float = 30.0,
) -> tuple[list[float], list[float]]:
    """Readings of a fading gas as a lagging, noisy, rounding sensor gives them; the lag integrated numerically."""
    fine_s = 0.5
    rate_s = per_hour / 3600.0
    times, values = [], []
    shown = start
    for i in range(int(minutes * 60.0 / fine_s) + 1):
        t = i * fine_s
        if i % int(every_s / fine_s) == 0:
            reading = shown + generator.normal(0.0, noise)
            times.append(t)
            values.append(round(reading / step) * step if step else reading)
        # middle of the coming step, exact relaxation towards it
        room = settles + (start - settles) * math.exp(-rate_s * (t + fine_s / 2.0))
        shown = room + (shown - room) * math.exp(-fine_s / lag_s) if lag_s else room
    return times, values


GASES: dict[str, tuple[float, float, float, float]] = {
    # start, settles, noise, step
    "ammonia 30 to 5 ppm": (30.0, 5.0, 1.0, 1.0),
    "ammonia 50 to 5 ppm": (50.0, 5.0, 1.0, 1.0),
    "humidity ratio 7 to 4 g/kg": (7.0, 4.0, 0.1, 0.0),
}


def one_cell(gas: str, per_hour: float, minutes: float, runs: int, lag_s: float, fitted_lag_s: float | None) -> dict[str, object]:
    """Bias, spread and coverage over many decays of one kind."""
    generator = np.random.default_rng([len(gas), int(per_hour * 10), int(minutes), int(lag_s), int(fitted_lag_s or 0)])
    start, settles, noise, step = GASES[gas]
    ratios, covered, told, told_covered = [], 0, 0, 0
    for _ in range(runs):
        times, values = synthetic_decay(generator, per_hour, minutes, start, settles, noise, step, lag_s)
        found = air_changes(times, values, 0.0, fitted_lag_s, FOR_ANY_GAS)
        if found.low is None or found.high is None or found.fitted_per_hour is None:
            continue
        ratios.append(found.fitted_per_hour / per_hour)
        inside = found.low <= per_hour <= found.high
        covered += inside
        if found.per_hour is not None:
            told += 1
            told_covered += inside
    ordered = sorted(ratios)
    return {
        "gas": gas,
        "per_hour": per_hour,
        "minutes": minutes,
        "lag_s": lag_s,
        "fitted_lag_s": fitted_lag_s,
        "median_bias": statistics.median(ratios) - 1.0,
        "robust_sd": (ordered[int(0.84 * len(ordered))] - ordered[int(0.16 * len(ordered))]) / 2.0,
        "coverage": covered / runs,
        "told": told / runs,
        "coverage_of_told": told_covered / told if told else None,
    }


def pooled_cell(gas: str, per_hour: float, minutes: float, count: int, groups: int, lag_s: float) -> dict[str, object]:
    """The same for pools of several decays."""
    generator = np.random.default_rng([7, len(gas), int(per_hour * 10), int(minutes), count])
    start, settles, noise, step = GASES[gas]
    near, covered, told = 0, 0, 0
    for _ in range(groups):
        decays = [
            Decay(*synthetic_decay(generator, per_hour, minutes, start, settles, noise, step, lag_s), 0.0, lag_s)
            for _ in range(count)
        ]
        found = pool(decays)
        assert found.low is not None
        assert found.high is not None
        assert found.fitted_per_hour is not None
        near += abs(found.fitted_per_hour / per_hour - 1.0) <= 0.10
        covered += found.low <= per_hour <= found.high
        told += found.per_hour is not None
    return {
        "gas": gas,
        "per_hour": per_hour,
        "minutes": minutes,
        "decays": count,
        "within_10_pct": near / groups,
        "coverage": covered / groups,
        "told": told / groups,
    }


def main(runs: int, say: Callable[[str], None] = print) -> None:
    started = time.perf_counter()
    singles = [
        one_cell(gas, per_hour, minutes, runs, lag_s, fitted)
        for gas in GASES
        for per_hour, minutes in ((5.0, 20.0), (10.0, 15.0), (10.0, 20.0), (17.0, 15.0), (20.0, 20.0))
        for lag_s, fitted in ((0.0, 0.0), (60.0, 60.0), (60.0, 0.0), (60.0, None))
    ]
    say("gas | N /h | min | lag s | fitted s | bias | robust sd | coverage | told | coverage of told")
    for row in singles:
        of_told = row["coverage_of_told"]
        say(
            f"{row['gas']} | {row['per_hour']} | {row['minutes']} | {row['lag_s']} | {row['fitted_lag_s']} | "
            f"{row['median_bias']:+.3f} | {row['robust_sd']:.3f} | {row['coverage']:.3f} | {row['told']:.2f} | "
            + ("–" if of_told is None else f"{of_told:.3f}")
        )
    pools = [
        pooled_cell("ammonia 30 to 5 ppm", per_hour, minutes, count, max(20, runs // 5), 60.0)
        for per_hour, minutes in ((3.0, 40.0), (5.0, 20.0), (10.0, 15.0), (17.0, 15.0))
        for count in (3, 5, 8)
    ]
    say("pool | N /h | min | decays | within 10 % | coverage | told")
    for row in pools:
        say(
            f"{row['gas']} | {row['per_hour']} | {row['minutes']} | {row['decays']} | {row['within_10_pct']:.2f} | "
            f"{row['coverage']:.3f} | {row['told']:.2f}"
        )
    say(json.dumps({"runs": runs, "seconds": round(time.perf_counter() - started, 1), "singles": singles, "pools": pools}))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
