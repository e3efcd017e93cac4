"""The scenario bank, many seeds: was each trouble found, how soon, and what rang for nothing.

    .venv/bin/python tests/bench/scenarios.py [--seeds 30] [--first 0] [--only NAME …] [--jobs 2] [--list]

Prints one line a scenario and writes tests/bench/out/scenarios.json. Other seeds are other barns.
"""

from __future__ import annotations

import argparse
import json
import math
import statistics
import sys
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import date, timedelta
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from demo.scenarios import BANK_DAY, SCENARIOS, Scenario  # noqa: E402  the tree is not installed as a package
from demo.scoring import Verdict, judge, run  # noqa: E402
from demo.settings_text import specification  # noqa: E402


def one(job: tuple[str, int]) -> tuple[str, int, Verdict, int, float, float]:
    """Play and judge one seed; runs in a process of its own."""
    name, seed = job
    scenario = next(s for s in SCENARIOS if s.name == name)
    told = specification(scenario.heat, date(*BANK_DAY) - timedelta(days=scenario.age_days))
    began = time.process_time()
    outcome = run(scenario, seed, told)
    took = time.process_time() - began
    return name, seed, judge(outcome), outcome.readings, outcome.played_s, took


def summary(scenario: Scenario, verdicts: Sequence[tuple[int, Verdict]]) -> dict[str, Any]:
    """What all seeds of one scenario come to."""
    looked_for = [(seed, v) for seed, v in verdicts if v.found is not None]
    delays = sorted(v.delay_s / 60.0 for _, v in looked_for if v.found and v.delay_s is not None)
    days = sum(v.calm_days for _, v in verdicts)
    false: Counter[str] = sum((v.false for _, v in verdicts), Counter())
    urgent: Counter[str] = sum((v.false_urgent for _, v in verdicts), Counter())
    per_30 = 30.0 / days if days > 0 else math.nan
    return {
        "scenario": scenario.name,
        "seeds": len(verdicts),
        "found_pct": 100.0 * sum(bool(v.found) for _, v in looked_for) / len(looked_for) if looked_for else None,
        "missed_seeds": [seed for seed, v in looked_for if not v.found],
        "delay_median_min": statistics.median(delays) if delays else None,
        "delay_95_min": delays[max(0, math.ceil(0.95 * len(delays)) - 1)] if delays else None,
        "delay_longest_min": delays[-1] if delays else None,
        "not_exactly_one_urgent_call": sum(v.too_many_urgent for _, v in verdicts),
        "calls_in_trouble_mean": statistics.mean(v.calls_in_trouble for _, v in looked_for) if looked_for else None,
        "urgent_in_trouble_mean": statistics.mean(v.urgent_in_trouble for _, v in looked_for) if looked_for else None,
        "reminders_mean": statistics.mean(v.reminders for _, v in verdicts),
        "calm_days": days,
        "false": dict(false),
        "false_per_30_days": {alarm: count * per_30 for alarm, count in false.items()} if days > 0.5 else {},
        "false_urgent_per_30_days": sum(urgent.values()) * per_30 if days > 0.5 else None,
        "false_urgent_seeds": [seed for seed, v in verdicts if v.false_urgent],
        "unjudged": dict(sum((v.unjudged for _, v in verdicts), Counter())),
        "right": dict(sum((v.right for _, v in verdicts), Counter())),
    }


def _shown(value: object, digits: int = 1) -> str:
    return f"{value:.{digits}f}" if isinstance(value, float) else ("–" if value is None else str(value))


def _print(row: dict[str, Any]) -> None:
    false = ", ".join(f"{alarm} {count}" for alarm, count in sorted(row["false"].items()))
    print(
        f"{row['scenario']:<22} {row['seeds']:>5} {_shown(row['found_pct'], 0):>6} "
        f"{_shown(row['delay_median_min']):>7} {_shown(row['delay_95_min']):>7} {_shown(row['delay_longest_min']):>8} "
        f"{_shown(row['calls_in_trouble_mean']):>6} {_shown(row['false_urgent_per_30_days'], 2):>7}  {false or 'none'}"
        + (f"   reminders {row['reminders_mean']:.1f}" if row["reminders_mean"] else "")
        + (f"   missed {row['missed_seeds']}" if row["missed_seeds"] else "")
        + (f"   not one call: {row['not_exactly_one_urgent_call']}" if row["not_exactly_one_urgent_call"] else ""),
        flush=True,
    )


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    words.add_argument("--seeds", type=int, default=30)
    words.add_argument("--first", type=int, default=0, help="first seed; other seeds are other barns")
    words.add_argument("--only", nargs="+", default=None, metavar="NAME")
    words.add_argument("--jobs", type=int, default=2)
    words.add_argument("--out", default=str(ROOT / "tests/bench/out/scenarios.json"))
    words.add_argument("--list", action="store_true", help="name the scenarios and stop")
    given = words.parse_args()
    if given.list:
        for scenario in SCENARIOS:
            print(f"{scenario.name:<22} {scenario.says}")
        return 0
    unknown = set(given.only or ()) - {s.name for s in SCENARIOS}
    if unknown:
        words.error(f"no such scenario: {', '.join(sorted(unknown))}; --list names them")
    chosen = [s for s in SCENARIOS if given.only is None or s.name in given.only]
    seeds = range(given.first, given.first + given.seeds)
    rows, played, took = [], 0.0, 0.0
    print(f"{'scenario':<22} seeds found% med min 95% min  longest  calls urg/30d  false alarms (all seeds)")
    with ProcessPoolExecutor(given.jobs) as pool:
        for scenario in chosen:
            results = list(pool.map(one, [(scenario.name, seed) for seed in seeds]))
            rows.append(summary(scenario, [(seed, verdict) for _, seed, verdict, *_ in results]))
            played += sum(r[4] for r in results)
            took += sum(r[5] for r in results)
            _print(rows[-1])
    quiet = [r for r in rows if str(r["scenario"]).startswith("quiet")]
    speed = played / took if took else 0.0
    print(f"{played / 86400:.0f} days played, {speed:,.0f} × real time per second of processor")
    out = Path(given.out)
    out.parent.mkdir(parents=True, exist_ok=True)
    report = {
        "first_seed": given.first,
        "seeds": given.seeds,
        "times_real_time_per_core": speed,
        "rows": rows,
        "quiet": len(quiet),
    }
    out.write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
