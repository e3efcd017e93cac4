"""How the early call of a failing heat source trades delay against false calls, over the gain asked.

    .venv/bin/python tests/bench/heat_trade.py [--seeds 30] [--first 100] [--days 10] [--jobs 2] [--gains 2 2.5 3 4]
    .venv/bin/python tests/bench/heat_trade.py --fan [--seeds 4]

The demo's barns without the engine around the watch: each seed's readings are played once, failures and quiet days, and
shown to the watch at each gain. The fan runs on a plain timer. With --fan: the fan called weaker, half its duct blocked
after five days, and sixty days of a sound one. Prints tables and writes tests/bench/out/heat_trade.json.
"""

from __future__ import annotations

import argparse
import json
import math
import statistics
import sys
from concurrent.futures import ProcessPoolExecutor
from datetime import date, timedelta
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from demo.closed_loop import si  # noqa: E402  the tree is not installed as a package
from demo.litter import DAY_S  # noqa: E402
from demo.scenarios import BANK_DAY, SCENARIOS  # noqa: E402
from demo.settings_text import specification  # noqa: E402
from monitor.air.balance import OUTSIDE_CARBON_DIOXIDE_PPM  # noqa: E402
from monitor.engine import foresee_heat  # noqa: E402
from monitor.engine.specification import Measure, Place, Sensor  # noqa: E402
from tests.demo.test_fan_weaker import days_until_weak  # noqa: E402

GRID_S, STALE_S, OFF_DELAY_S = 30.0, 90.0, 300.0
COLD_C, COLD_STEP_C = 27.0, 2.8  # the chicks' cold limit in their first week, and what it falls each week
FAN_EVERY_S, FAN_FOR_S = 900.0, 40.0  # about what the engine gives chicks of that age
WATCHED = (Measure.TEMPERATURE, Measure.CARBON_DIOXIDE)
Sample = tuple[float, dict[str, float], float | None, foresee_heat.Air | None]
Outcome = tuple[list[float], float]  # seconds at which it called, and seconds watched before a failure


def readings(name: str, seed: int, days: float) -> tuple[list[Sample | None], float | None, float]:
    """What the watch would be shown each half minute (None: the keeper moved the lamp), when the source failed, the end."""
    scenario = next(s for s in SCENARIOS if s.name == name)
    told = specification(scenario.heat, date(*BANK_DAY) - timedelta(days=scenario.age_days))
    play = scenario.build(next(iter(told.pens.values())), scenario, seed)
    world, last = play.world, dict[str, tuple[Sensor, float, float]]()
    before: dict[str, tuple[float, float]] = {}
    for post in world.posts:
        post.probes = [p for p in post.probes if p.sensor.measures in WATCHED and p.sensor.place is not Place.OUTSIDE]
    world.posts = [post for post in world.posts if post.probes]
    shown: list[Sample | None] = []
    grid, until, ran_s = GRID_S, (play.days if play.truths else days) * DAY_S, 0.0
    while world.time_s < until:
        running = world.time_s % FAN_EVERY_S < FAN_FOR_S
        world.command(running, None)
        heard = world.step()
        ran_s += world.step_s if running else 0.0
        shown += [None for deed in world.done if deed.journal is not None and deed.journal[0] == "lamp raised"]
        for one in heard:
            while one.time_s >= grid:
                sample = _sample(grid, last, before, ran_s)
                if sample is not None:
                    shown.append(sample)
                grid += GRID_S
            key = one.sensor.key
            if key in last:
                before[key] = last[key][1:]
            last[key] = (one.sensor, si(one.sensor, one.value), one.time_s)
    return shown, play.truths[0].from_s if play.truths else None, until


def _sample(
    grid: float, last: dict[str, tuple[Sensor, float, float]], before: dict[str, tuple[float, float]], ran_s: float
) -> Sample | None:
    """What is believed at this half minute, as the engine takes it: two readings of one half minute by their mean."""
    probes, room, air = dict[str, float](), None, None
    for key, (sensor, value, at) in last.items():
        if grid - at >= STALE_S:
            continue
        if sensor.measures is Measure.CARBON_DIOXIDE:
            air = foresee_heat.Air(value - OUTSIDE_CARBON_DIOXIDE_PPM, ran_s / 60.0)
            continue
        former = before.get(key, (value, -math.inf))
        late = 0.5 * (value + former[0]) if former[1] > grid - GRID_S else value
        if sensor.place is Place.BIRD_LEVEL:
            probes[key] = late
        elif sensor.place is Place.ROOM:
            room = late
    return (grid, probes, room, air) if probes else None


def calls(shown: list[Sample | None], cycling: bool, age_days: int, gain: float) -> list[float]:
    """When the watch calls, at this gain."""
    setattr(foresee_heat, "CYCLING_GAIN" if cycling else "STEADY_GAIN", gain)
    learned, standing, clear_since, out = foresee_heat.Learned(), False, math.inf, list[float]()
    for sample in shown:
        if sample is None:
            learned = foresee_heat.load(foresee_heat.lamp_moved({"heat": foresee_heat.saved(learned)}))
            continue
        at, probes, room, air = sample
        cold_c = COLD_C - COLD_STEP_C * ((age_days * DAY_S + at) // (7 * DAY_S))
        found = foresee_heat.sample(learned, at, GRID_S, probes, room, cycling, cold_c, air=air)
        if found is not None and found.signal:
            clear_since = math.inf
            if not standing:
                standing = True
                out.append(at)
        elif found is not None and found.signal is False:
            clear_since = min(clear_since, at)
            standing = standing and at - clear_since < OFF_DELAY_S
    return out


def one(job: tuple[str, int, float, tuple[float, ...]]) -> dict[float, tuple[float | None, int, float]]:
    """By gain: delay of the failure, s (infinite when missed, None when none was played), false calls, days without failure."""
    name, seed, days, gains = job
    scenario = next(s for s in SCENARIOS if s.name == name)
    shown, failed_s, until = readings(name, seed, days)
    found: dict[float, tuple[float | None, int, float]] = {}
    for gain in gains:
        at = calls(shown, scenario.heat == "thermostat", scenario.age_days, gain)
        if failed_s is None:
            found[gain] = (None, len(at), until / DAY_S)
        else:
            delay = min((t - failed_s for t in at if t >= failed_s), default=math.inf)
            found[gain] = (delay, sum(t < failed_s for t in at), failed_s / DAY_S)
    return found


def heat(pool: ProcessPoolExecutor, kind: str, given: argparse.Namespace) -> list[dict[str, float | str]]:
    gains, seeds = tuple(given.gains), range(given.first, given.first + given.seeds)
    jobs = [(f"{name}-{kind}", seed, given.days, gains) for seed in seeds for name in ("lamp-dies", "quiet")]
    results = list(pool.map(one, jobs))
    rows: list[dict[str, float | str]] = []
    for gain in gains:
        delays = sorted(r[gain][0] / 60.0 for r in results if r[gain][0] is not None)  # type: ignore[operator]  # None is left out
        false, days = sum(r[gain][1] for r in results), sum(r[gain][2] for r in results)
        row: dict[str, float | str] = {"source": kind, "gain": gain, "failures": len(delays), "false": false, "days": days}
        row["median_min"], row["p95_min"] = statistics.median(delays), delays[math.ceil(0.95 * len(delays)) - 1]
        row["longest_min"], row["false_per_30_days"] = delays[-1], 30.0 * false / days
        rows.append(row)
        print(
            f"{kind:<11} {gain:5.1f} {len(delays):6d} {row['median_min']:7.1f} {row['p95_min']:7.1f} {row['longest_min']:8.1f} "
            f"{days:7.0f} {false:6d} {row['false_per_30_days']:9.2f}",
            flush=True,
        )
    return rows


def fan(pool: ProcessPoolExecutor, given: argparse.Namespace) -> list[dict[str, object]]:
    seeds = list(range(given.first, given.first + given.seeds))
    n = len(seeds)
    blocked = list(pool.map(days_until_weak, seeds, [7.0] * n, [5.0] * n))
    sound = list(pool.map(days_until_weak, seeds, [60.0] * n))
    hours = sorted(24.0 * found for found in blocked if found is not None)
    in_time = sum(0.0 < h <= 48.0 for h in hours)
    print(f"half a duct blocked: called within two days in {in_time} of {n}; after hours {[round(h) for h in hours]}")
    print(f"sixty sound days: called in {sum(found is not None for found in sound)} of {n}")
    return [{"seed": s, "blocked_days": b, "sound_called_on_day": q} for s, b, q in zip(seeds, blocked, sound, strict=True)]


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    words.add_argument("--seeds", type=int, default=30)
    words.add_argument("--first", type=int, default=100, help="first seed; other seeds are other barns")
    words.add_argument("--days", type=float, default=10.0, help="of each quiet play")
    words.add_argument("--jobs", type=int, default=2)
    words.add_argument("--gains", type=float, nargs="+", default=[2.0, 2.5, 3.0, 4.0])
    words.add_argument("--only", nargs="+", default=["steady", "thermostat"])
    words.add_argument("--fan", action="store_true", help="the fan called weaker, instead")
    given = words.parse_args()
    with ProcessPoolExecutor(given.jobs) as pool:
        rows: list[object] = []
        if given.fan:
            rows += fan(pool, given)
        else:
            print("source       gain  fails  median    95 %  longest    days  false  per 30 d")
            for kind in given.only:
                rows += heat(pool, kind, given)
    out = ROOT / "tests/bench/out" / ("fan_weaker.json" if given.fan else "heat_trade.json")
    out.parent.mkdir(parents=True, exist_ok=True)
    out.write_text(json.dumps({"first_seed": given.first, "rows": rows}, indent=1) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
