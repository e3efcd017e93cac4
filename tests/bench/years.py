"""Years of simulated barns, each run under a seed that draws its own odds of everything failing: is every promise kept?

usage: python tests/bench/years.py [--days 10000] [--run-days 5] [--first 1] [--processes 2] [--minutes M] [--go-on]
       python tests/bench/years.py --seed N [--run-days 5]     replays one run and prints its trace

The promises stand at the top of tests/simulation/world.py, how finely a barn is lived in tests/simulation/pace.py. About a
second of one core a day. A failing seed is printed with what it broke, and the bench ends with exit code 1. With --minutes no
run begins after that; the table says how many days were lived. Prints a table and writes tests/bench/out/years.json, anew
after each run; with --go-on what stands there counts along, so that a long bench may be cut off (name another --first then).
"""

from __future__ import annotations

import argparse
import gc
import json
import logging
import math
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from itertools import count
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
    gc.set_threshold(50_000, 20, 20)  # a run makes little that goes in circles
    with TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        world = World(seed, Path(folder))
        try:
            return seed, world.run(days), world.trace.hexdigest(), ""
        except Broken as broken:
            return seed, world.tally, world.trace.hexdigest(), str(broken)


def runs(first: int, days: float, processes: int, may_begin: Callable[[int], bool]) -> Iterator[tuple[int, Tally, str, str]]:
    """As they end; a few at a time are given out, so that the end may come early: `may_begin` is asked with so many under way."""
    seeds, held = count(first), set()
    with ProcessPoolExecutor(processes) as pool:
        while True:
            while len(held) < 2 * processes and may_begin(len(held)):
                held.add(pool.submit(run, next(seeds), days))
            if not held:
                return
            done, held = wait(held, return_when=FIRST_COMPLETED)
            yield from (one.result() for one in done)


def so_far() -> tuple[Tally, list[str], int]:
    """What was seen, what was broken, and the seconds of a bench that was cut off."""
    rows = json.loads(OUT.read_text())
    wrong, seconds = rows.pop("broken"), rows.pop("seconds", 0)
    return Tally(**{**rows, "faults": Counter(rows["faults"])}), wrong, seconds


def main() -> int:
    ask = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    ask.add_argument("--days", type=float, default=10_000.0)
    ask.add_argument("--run-days", type=float, default=5.0)
    ask.add_argument("--first", type=int, default=1, help="the first seed")
    ask.add_argument("--processes", type=int, default=2)
    ask.add_argument("--minutes", type=float, default=math.inf, help="begin no run after so many")
    ask.add_argument("--go-on", action="store_true", help="count along what stands in the file of the last bench")
    ask.add_argument("--seed", type=int, help="replay this one")
    asked = ask.parse_args()
    if asked.seed is not None:
        _, tally, trace, broken = run(asked.seed, asked.run_days)
        print(broken or f"seed {asked.seed} kept every promise over {tally.days:.1f} days", f"\ntrace {trace}")
        return 1 if broken else 0
    began, seen, wrong, before_s = time.monotonic(), Tally(), [], 0
    if asked.go_on:
        seen, wrong, before_s = so_far()

    def may_begin(held: int) -> bool:
        return seen.days + held * asked.run_days < asked.days and time.monotonic() - began < asked.minutes * 60.0

    OUT.parent.mkdir(exist_ok=True)
    for seed, tally, _, broken in runs(asked.first, asked.run_days, asked.processes, may_begin):
        seen.add(tally)
        if broken:
            wrong.append(broken)
            print(f"{broken}\n  replay: python tests/bench/years.py --seed {seed} --run-days {asked.run_days:g}", flush=True)
        rows = {**vars(seen), "broken": wrong, "seconds": before_s + round(time.monotonic() - began)}
        OUT.write_text(json.dumps(rows, indent=1))
    rows = {**vars(seen), "broken": wrong}
    for name, value in rows.items():
        if isinstance(value, int | float):
            print(f"{name:<24} {value:>12,.0f}")
    for name, times in sorted(seen.faults.items()):
        print(f"  {name:<22} {times:>12,}")
    print(f"promises: urgent told within {URGENT_WITHIN_S:.0f} s, all well within {WELL_WITHIN_S:.0f} s; broken: {len(wrong)}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
