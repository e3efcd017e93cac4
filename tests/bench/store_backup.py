"""What the card bears each day from a store of one year: readings, commits, hourly chores, and the nightly backup.

usage: python tests/bench/store_backup.py [--days 365] [--nights 6] [--changes 144] [--folder FOLDER]

Eight sensors at 30 s and a fan change every 10 minutes for the year before; then some days as the daemon lives them with its
default settings: usual commits, each fan change at once (3 to 17 minutes apart, 10 in the mean), one more when its window is
full, the chore each hour, old readings dropped, and a backup each night. Bytes are `write_bytes` of /proc/self/io, the
backup's own process included, so the folder must not lie in memory; the files are synced after each commit, as the kernel
does by itself within half a minute, the index of the log (`-shm`) among them. A whole copy stands beside it in the
same run. Prints a table and writes tests/bench/out/store_backup.json; exit code 1 above 25 MB a day.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from monitor.daemon.core import WINDOW  # noqa: E402 — after the path to the package
from monitor.daemon.writer import WAITS_AFTER_EARLY  # noqa: E402
from monitor.engine.connections import Delivery, StoreKeeping  # noqa: E402
from monitor.engine.events import Keep, SwitchFan  # noqa: E402
from monitor.store.backup import backup  # noqa: E402
from monitor.store.keep import Batch, Store  # noqa: E402
from monitor.store.nightly import KEPT, nightly  # noqa: E402
from tests.bench.store_bytes import DAWN_MS, EVERY_S, FAN_EVERY_S, SENSORS, settle, state, written  # noqa: E402

MOST_MB = 25.0
DAY_S, COMMIT_S = 86_400, StoreKeeping().commit_every_s
EVIDENCE = {"value": 81.5, "unit": "%", "limit": 75.0, "source": "common practice", "sensor": "brooder/sensor 3"}


def change(second: int, running: bool) -> SwitchFan:
    return SwitchFan(float(second), DAWN_MS + second * 1000, "brooder", running, None, "damp", EVIDENCE)


def round_of(second: int, dice: random.Random) -> list[Keep]:
    return [
        Keep(name, round(dice.uniform(18, 35), 2), float(second), DAWN_MS + second * 1000 + n * 37, False)
        for n, name in enumerate(SENSORS)
    ]


def fill(store: Store, days: int, dice: random.Random) -> None:
    """The year before, in large steps."""
    for start in range(0, days * DAY_S, DAY_S // 4):
        end = start + DAY_S // 4
        keeps = [keep for second in range(start, end, EVERY_S) for keep in round_of(second, dice)]
        decided = [change(second, second // FAN_EVERY_S % 2 == 0) for second in range(start, end, FAN_EVERY_S)]
        store.commit(Batch(keeps, [], decided, [], [], None, float(end), DAWN_MS, 1, "boot", 0.0, False))
        store.tidy(DAWN_MS + end * 1000)
    while store.tidy(DAWN_MS + days * DAY_S * 1000, move_from=1).more:
        pass


def live(store: Store, day: int, dice: random.Random, gap_s: float) -> None:
    """One day as the daemon lives it."""
    keeps: list[Keep] = []
    due, changes_at, running = float(day * DAY_S), float(day * DAY_S), False
    for second in range(day * DAY_S, (day + 1) * DAY_S, EVERY_S):
        keeps += round_of(second, dice)
        changes = second >= changes_at
        if changes:
            running, changes_at = not running, second + dice.uniform(0.3 * gap_s, 1.7 * gap_s)
        is_full = len(keeps) >= WINDOW
        if changes or second >= due or is_full:
            due = second + COMMIT_S * (WAITS_AFTER_EARLY if second < due and not is_full else 1)
            told = [Delivery(1, (second + n) % 65_535 + 1, 1, os.urandom(16)) for n in range(len(keeps))]
            decided = [change(second, running)] if changes else []
            store.commit(Batch(keeps, told, decided, [], [], state(dice), float(second), DAWN_MS, 1, "boot", 0.0, bool(changes)))
            keeps = []
            settle(store.folder)
        if second % 3600 == 3570:
            while store.tidy(DAWN_MS + second * 1000).more:
                pass
            settle(store.folder)


def main() -> int:
    ask = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    ask.add_argument("--days", type=int, default=365)
    ask.add_argument("--nights", type=int, default=6)
    ask.add_argument(
        "--changes", type=float, default=DAY_S / FAN_EVERY_S, help="of the fan in a day; other than 144 leaves no table"
    )
    ask.add_argument("--folder", default=str(ROOT / "tests" / "bench" / "out"))
    asked = ask.parse_args()
    Path(asked.folder).mkdir(parents=True, exist_ok=True)
    dice = random.Random(1)
    days_bytes, night_bytes, night_s = [], [], []
    with tempfile.TemporaryDirectory(dir=asked.folder) as place:
        with Store.open(Path(place) / "store", raw_days=asked.days) as store:
            fill(store, asked.days, dice)
            for night in range(KEPT):
                nightly(store.folder, f"{night:04}.sqlite", store.at_rest)
            for day in range(asked.days, asked.days + asked.nights):
                settle(store.folder)
                before = written()
                live(store, day, dice, DAY_S / asked.changes)
                between = written()
                began = time.monotonic()
                store.move_all(DAWN_MS + (day + 1) * DAY_S * 1000)
                made = nightly(store.folder, f"{day:04}.sqlite", store.at_rest)
                night_s.append(time.monotonic() - began)
                days_bytes.append(between - before)
                night_bytes.append(written() - between)
        before = written()
        whole = backup(Path(place) / "store", Path(place) / "whole.sqlite")
        settle(Path(place))
        whole_bytes = written() - before
    last = slice(KEPT, None)  # by then each file that is brought up to date was written a day apart
    found = {
        "store_mb": made.size_bytes / 1e6,
        "day_mb": sum(days_bytes) / len(days_bytes) / 1e6,
        "night_mb": sum(night_bytes[last]) / len(night_bytes[last]) / 1e6,
        "whole_copy_mb": whole_bytes / 1e6,
        "night_s": sum(night_s[last]) / len(night_s[last]),
    }
    found["all_mb"] = found["day_mb"] + found["night_mb"]
    print(f"store of {asked.days} days: {found['store_mb']:.0f} MB, {sum(whole.rows.values()):,} rows")
    print(f"{'written each day':<44} {'MB':>8}")
    print(f"{'the daemon: readings, fan, state, chores':<44} {found['day_mb']:>8.1f}")
    print(f"{'the nightly backup':<44} {found['night_mb']:>8.1f}   in {found['night_s']:.1f} s, checked")
    print(f"{'both':<44} {found['all_mb']:>8.1f}   at most {MOST_MB:.0f}")
    print(f"{'a whole copy would be':<44} {found['whole_copy_mb']:>8.1f}")
    if asked.changes == DAY_S / FAN_EVERY_S:
        (ROOT / "tests" / "bench" / "out" / "store_backup.json").write_text(json.dumps(found, indent=1))
    return 0 if found["all_mb"] <= MOST_MB else 1


if __name__ == "__main__":
    sys.exit(main())
