"""How early and how wrongly the foresights speak: heat failing over a thousand nights and more, tonight's low over winters.

    .venv/bin/python tests/bench/foresight.py [--nights 1200] [--first 0] [--jobs 2] [--only steady thermostat low]

Heat: brooders of tests/engine/brooders.py, a day to learn, then nights in which the source is switched off at
random moments (each in a branch of its own, so that the night goes on). Prints delay and false calls for
each time constant, and how they trade against one another. Low: a simulated room under recorded weather (see
tests/published/test_night_low.py). Writes tests/bench/out/foresight.json. Other seeds are other brooders.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import random
import statistics
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from monitor.engine import foresee_heat  # noqa: E402  the tree is not installed as a package
from tests.engine.brooders import NIGHT_MIN, STEP_S, Brooder  # noqa: E402

LEARN_MIN = 2.0 * NIGHT_MIN
WAIT_MIN = 40.0
NIGHTS_EACH = 6

Job = tuple[float, bool, int, float, float]


def nights(job: Job) -> tuple[list[float], int, float]:
    """Delays in minutes (infinite when never called), false calls, and days watched, of one brooder."""
    tau, thermostat, seed, steady_gain, cycling_gain = job
    foresee_heat.STEADY_GAIN, foresee_heat.CYCLING_GAIN = steady_gain, cycling_gain  # type: ignore[misc]  # a constant, tried at other values
    brooder, learned = Brooder(seed, tau, thermostat), foresee_heat.Learned()
    dice = random.Random(f"moments {seed}")
    next_failure, delays, false, standing = LEARN_MIN + dice.uniform(0.0, 360.0), [], 0, False
    for second, warm, room in brooder.run(LEARN_MIN + NIGHTS_EACH * NIGHT_MIN):
        found = foresee_heat.sample(learned, second, STEP_S, {"one": warm}, room, thermostat, 20.0)
        if found is not None and found.signal and not standing:
            standing, false = True, false + 1
        elif found is not None and found.signal is False:
            standing = False
        if brooder.time_min >= next_failure and not standing:
            next_failure = brooder.time_min + dice.uniform(120.0, 480.0)
            delays.append(_delay(brooder.twin(), copy.deepcopy(learned)))
    return delays, false, brooder.time_min / 1440.0


def _delay(brooder: Brooder, learned: foresee_heat.Learned) -> float:
    brooder.dead, began = True, brooder.time_min
    for second, warm, room in brooder.run(WAIT_MIN):
        found = foresee_heat.sample(learned, second, STEP_S, {"one": warm}, room, brooder.thermostat, 20.0)
        if found is not None and found.signal:
            return brooder.time_min - began
    return math.inf


def heat(
    pool: ProcessPoolExecutor, thermostat: bool, brooders: int, first: int, gains: tuple[float, float]
) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for tau in (20.0, 40.0, 60.0):
        jobs = [(tau, thermostat, first + seed, *gains) for seed in range(brooders)]
        results = list(pool.map(nights, jobs, chunksize=4))
        delays = sorted(d for one, _, _ in results for d in one)
        days, false = sum(d for *_, d in results), sum(f for _, f, _ in results)
        row: dict[str, object] = {
            "source": "thermostat" if thermostat else "steady",
            "tau_min": tau,
            "gain": gains[1] if thermostat else gains[0],
            "failures": len(delays),
            "median_min": statistics.median(delays),
            "p95_min": delays[math.ceil(0.95 * len(delays)) - 1],
            "longest_min": delays[-1],
            "missed": sum(math.isinf(d) for d in delays),
            "days": days,
            "false": false,
            "false_per_30_days": 30.0 * false / days,
        }
        rows.append(row)
        print(
            f"{row['source']:<11} {tau:4.0f} {row['gain']:5.1f} {len(delays):6d} {row['median_min']:7.1f} {row['p95_min']:7.1f} "
            f"{row['longest_min']:8.1f} {row['missed']:6d} {days:7.0f} {false:6d} {row['false_per_30_days']:8.2f}",
            flush=True,
        )
    return rows


def low() -> list[dict[str, object]]:
    """Tonight's low over the winters of the weather files."""
    from tests.published.test_night_low import WINTERS, judged, winter_nights  # pvlib is slow to import

    rows: list[dict[str, object]] = []
    print(f"{'winter':<28} {'nights':>6} {'naive':>6} {'own':>6} {'ratio':>6} {'inside 90 %':>12} {'forecast':>9} {'ratio':>6}")
    for name, file, months in WINTERS:
        passed = winter_nights(file, months)
        own, told = judged(passed, None), judged(passed, 1.5)
        rows.append({"winter": name, "own": own, "with_forecast": told})
        print(
            f"{name:<28} {own['nights']:6.0f} {own['naive_c']:6.2f} {own['error_c']:6.2f} {own['error_c'] / own['naive_c']:6.2f} "
            f"{100.0 * own['inside']:11.0f}% {told['error_c']:9.2f} {told['error_c'] / told['naive_c']:6.2f}"
        )
    return rows


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    words.add_argument("--nights", type=int, default=1200, help="of each source, over the three time constants")
    words.add_argument("--first", type=int, default=0, help="first seed; other seeds are other brooders")
    words.add_argument("--jobs", type=int, default=2)
    words.add_argument("--only", nargs="+", default=["steady", "thermostat", "low"])
    words.add_argument("--trade", action="store_true", help="also the gains around the shipped ones")
    given = words.parse_args()
    brooders = max(1, given.nights // (3 * NIGHTS_EACH))
    shipped = (foresee_heat.STEADY_GAIN, foresee_heat.CYCLING_GAIN)
    rows: list[dict[str, object]] = []
    with ProcessPoolExecutor(given.jobs) as pool:
        kinds = [kind for kind in ("steady", "thermostat") if kind in given.only]
        if kinds:
            print("source       tau  gain  fails  median   95 %   longest missed    days  false  per 30 d")
        for kind in kinds:
            for shift in (-1.5, 0.0, 2.0) if given.trade else (0.0,):
                rows += heat(pool, kind == "thermostat", brooders, given.first, (shipped[0] + shift, shipped[1] + shift))
    lows = low() if "low" in given.only else []
    out = ROOT / "tests/bench/out/foresight.json"
    out.parent.mkdir(parents=True, exist_ok=True)
    out.write_text(json.dumps({"first_seed": given.first, "heat": rows, "low": lows}, indent=1) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
