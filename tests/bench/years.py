"""Years of simulated barns, each run under a seed that draws its own odds of everything failing: is every promise kept?

usage: python tests/bench/years.py [--days 10000] [--run-days 5] [--first 1] [--processes 2] [--minutes M]
       python tests/bench/years.py --seed N [--run-days 5]     replays one run and prints its trace

The promises stand at the top of tests/simulation/world.py, how finely a barn is lived in tests/simulation/pace.py. About half a
second of one core a day. A failing seed is printed with what it broke, and the bench ends with exit code 1. With --minutes no
run begins after that; the table says how many days were lived. Prints a table and writes tests/bench/out/years.json.
"""

from __future__ import annotations

import argparse
import json
import logging
import math
import sys
import time
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from pathlib import Path
from tempfile import TemporaryDirectory

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.simulation.judging import Broken, Tally  # noqa: E402 - the path is set above
from tests.simulation.world import URGENT_WITHIN_S, WELL_WITHIN_S, World  # noqa: E402

OUT = ROOT / "tests" / "bench" / "out" / "years.json"


def run(seed: int, days: float) -> tuple[int, Tally, str, str]:
    """Seed, what was seen, trace, and what was broken."""
    logging.disable(logging.CRITICAL)
    with TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        world = World(seed, Path(folder))
        try:
            return seed, world.run(days), world.trace.hexdigest(), ""
        except Broken as broken:
            return seed, world.tally, world.trace.hexdigest(), str(broken)


def runs(seeds: range, days: float, processes: int, until: float) -> Iterator[tuple[int, Tally, str, str]]:
    """As they end; a few at a time are given out, so that the end may come early."""
    left, held = iter(seeds), set()
    with ProcessPoolExecutor(processes) as pool:
        while True:
            while len(held) < 2 * processes and time.monotonic() < until and (seed := next(left, None)) is not None:
                held.add(pool.submit(run, seed, days))
            if not held:
                return
            done, held = wait(held, return_when=FIRST_COMPLETED)
            yield from (one.result() for one in done)


def main() -> int:
    ask = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    ask.add_argument("--days", type=float, default=10_000.0)
    ask.add_argument("--run-days", type=float, default=5.0)
    ask.add_argument("--first", type=int, default=1, help="the first seed")
    ask.add_argument("--processes", type=int, default=2)
    ask.add_argument("--minutes", type=float, default=math.inf, help="begin no run after so many")
    ask.add_argument("--seed", type=int, help="replay this one")
    asked = ask.parse_args()
    if asked.seed is not None:
        _, tally, trace, broken = run(asked.seed, asked.run_days)
        print(broken or f"seed {asked.seed} kept every promise over {tally.days:.1f} days", f"\ntrace {trace}")
        return 1 if broken else 0
    began, seen, wrong = time.monotonic(), Tally(), []
    seeds = range(asked.first, asked.first + round(asked.days / asked.run_days))
    for seed, tally, _, broken in runs(seeds, asked.run_days, asked.processes, began + asked.minutes * 60.0):
        seen.add(tally)
        if broken:
            wrong.append(broken)
            print(f"{broken}\n  replay: python tests/bench/years.py --seed {seed} --run-days {asked.run_days:g}", flush=True)
    rows = {**vars(seen), "faults": dict(seen.faults), "broken": wrong, "seconds": round(time.monotonic() - began)}
    for name, value in rows.items():
        if isinstance(value, int | float):
            print(f"{name:<24} {value:>12,.0f}")
    for name, count in sorted(seen.faults.items()):
        print(f"  {name:<22} {count:>12,}")
    print(f"promises: urgent told within {URGENT_WITHIN_S:.0f} s, all well within {WELL_WITHIN_S:.0f} s; broken: {len(wrong)}")
    OUT.parent.mkdir(exist_ok=True)
    OUT.write_text(json.dumps(rows, indent=1))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
