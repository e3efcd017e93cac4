"""A year of eight sensors at 30 s: one sensor drawn in 500 points from roll-ups, against the raw scan.

usage: python tests/bench/store_year.py [--days 365]

Prints a table and writes tests/bench/out/store_year.json. Times are the best of several, the file being in
the kernel's memory; the ratio is what counts.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from monitor.engine.events import Keep  # noqa: E402 — after the path to the package
from monitor.store.backup import backup  # noqa: E402
from monitor.store.keep import Store  # noqa: E402
from monitor.store.reader import Reader  # noqa: E402

DAWN_MS = 1_777_615_200_000
DAY_MS = 86_400_000


def best(act: Callable[[], object], times: int = 5) -> float:
    found = []
    for _ in range(times):
        start = time.perf_counter()
        act()
        found.append(time.perf_counter() - start)
    return min(found)


def fill(folder: Path, days: int) -> float:
    """Readings a second, stored and moved to their place."""
    names = [f"brooder/sensor {n}" for n in range(8)]
    start = time.perf_counter()
    with Store.open(folder) as store:
        for day in range(days):
            first = DAWN_MS + day * DAY_MS
            for six in range(4):
                times = range(first + six * DAY_MS // 4, first + (six + 1) * DAY_MS // 4, 30_000)
                store.add_readings(
                    [
                        Keep(name, 20 + 8 * math.sin(t / 13_750_000 + n), 0.0, t + n, False)
                        for t in times
                        for n, name in enumerate(names)
                    ]
                )
                store.tidy(None)
        while store.tidy(None, move_from=1).more:
            pass
    return days * 2880 * 8 / (time.perf_counter() - start)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    ask.add_argument("--days", type=int, default=365)
    days = ask.parse_args().days
    out = ROOT / "tests" / "bench" / "out"
    out.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(dir=out) as folder:
        rate = fill(Path(folder) / "store", days)
        end = DAWN_MS + days * DAY_MS
        with Reader(Path(folder) / "store") as reader:
            year = best(lambda: reader.series("brooder/sensor 3", DAWN_MS, end, 500))
            week = best(lambda: reader.series("brooder/sensor 3", end - 7 * DAY_MS, end, 500))
            day = best(lambda: reader.series("brooder/sensor 3", end - DAY_MS, end, 500))
            width = days * DAY_MS // 500
            raw_question = f"""SELECT time_ms / {width}, count(*), min(value), avg(value), max(value) FROM dated
                WHERE series = (SELECT id FROM series WHERE name = 'brooder/sensor 3') GROUP BY 1"""

            def raw_scan() -> list[object]:
                with reader.asking() as ask_raw:
                    return ask_raw.execute(raw_question).fetchall()

            raw = best(raw_scan, 3)
            counting = best(reader.counts)
            latest = best(lambda: reader.latest("brooder/sensor 3"))
            size = reader.counts().file_bytes
        copy = best(lambda: backup(Path(folder) / "store", Path(folder) / f"{time.perf_counter_ns()}.sqlite"), 1)
    rows = {
        "year, 500 points, raw scan": raw,
        "year, 500 points, hourly roll-ups": year,
        "week, 500 points, ten-minute roll-ups": week,
        "day, 500 points, raw readings": day,
        "latest reading of one sensor": latest,
        "counts": counting,
        "backup, checked": copy,
    }
    print(f"{days} days of 8 sensors at 30 s: {size / 1e6:.0f} MB, {rate:,.0f} readings/s in")
    print(f"{'question':<40} {'ms':>9} {'raw scan is':>12}")
    for name, seconds in rows.items():
        print(f"{name:<40} {seconds * 1e3:>9.2f} {raw / seconds:>11.0f}×")
    report = {"days": days, "bytes": size, "readings_per_s": rate, "seconds": rows, "rollup_gain": raw / year}
    (out / "store_year.json").write_text(json.dumps(report, indent=1))


if __name__ == "__main__":
    main()
