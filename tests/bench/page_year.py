"""Three years in the store: how long the board takes to answer the page's questions over a day, a season and a year.

usage: python tests/bench/page_year.py [--days 1096]

Asks over HTTP, as the page does, and prints a table; writes tests/bench/out/page_year.json. Best of several.
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

import httpx

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from monitor.api.app import create_app  # noqa: E402 — after the path to the package
from monitor.api.server import WebServer  # noqa: E402
from monitor.engine.events import Keep, SwitchFan  # noqa: E402
from monitor.store.keep import Batch, Store  # noqa: E402
from tests.api.barn_at_hand import TOKEN, BarnAtHand  # noqa: E402
from tests.engine.barns import START_MS  # noqa: E402

DAY_MS = 86_400_000
SENSORS = ("brooder/chick height", "brooder/nose")


def fill(folder: Path, days: int) -> None:
    """Two sensors every 30 s and a fan that turns on and off every five minutes, up to the barn's present."""
    with Store.open(folder) as store:
        for day in range(days):
            first = START_MS - (days - day) * DAY_MS
            store.add_readings(
                [
                    Keep(name, 20 + 8 * math.sin(t / 13_750_000 + n), 0.0, t + n, False)
                    for t in range(first, first + DAY_MS, 30_000)
                    for n, name in enumerate(SENSORS)
                ]
            )
            turns = [
                SwitchFan(0.0, t, "brooder", t // 60_000 % 5 == 0, None, "minimum timer", {"timer_on_s": 60.0})
                for t in range(first, first + DAY_MS, 300_000)
                for t in (t, t + 60_000)
            ]
            store.commit(Batch((), (), turns, (), (), None, 0.0, first, 1, "boot", 0.0, False))
            if day % 10 == 9:
                store.tidy(None)
                print(f"\rfilling: {day + 1} of {days} days", end="", file=sys.stderr, flush=True)
        # as the nights of those years would have left it: fan commands of more than eight weeks are sums
        while store.tidy(START_MS, move_from=1).more:
            pass
        for _ in range(days):
            store.tidy(START_MS)
    print(file=sys.stderr)


def best(act: Callable[[], httpx.Response], times: int = 7) -> tuple[float, int]:
    found = []
    size = 0
    for _ in range(times):
        start = time.perf_counter()
        answer = act()
        found.append(time.perf_counter() - start)
        answer.raise_for_status()
        size = len(answer.content)
    return min(found) * 1000, size


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--days", type=int, default=1096)
    days = asked.parse_args().days
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fill(folder / "store", days)
        (folder / "token").write_text(TOKEN)
        barn = BarnAtHand(folder / "store", token_file=folder / "token")
        server = WebServer(create_app(barn), "127.0.0.1", 0)
        server.start()
        rows = []
        with httpx.Client(base_url=server.address, headers={"Authorization": f"Bearer {TOKEN}"}, timeout=60) as client:
            for span, length in (("day", 1), ("season", 90), ("year", 365)):
                since = START_MS - length * DAY_MS
                stretch = f"from={since}&to={START_MS}"
                for what, path in (
                    ("warmth, 500 points", f"/api/pens/brooder/series?measure=temperature&place=bird level&points=500&{stretch}"),
                    ("ammonia, 500 points", f"/api/pens/brooder/series?measure=ammonia&points=500&{stretch}"),
                    ("fan, 120 steps", f"/api/pens/brooder/fan?points=120&{stretch}"),
                ):
                    took_ms, size = best(lambda path=path: client.get(path))  # type: ignore[misc]  # a default that keeps the path
                    rows.append({"over": span, "what": what, "ms": round(took_ms, 1), "bytes": size})
            took_ms, size = best(lambda: client.get("/api/status"))
            rows.append({"over": "now", "what": "status", "ms": round(took_ms, 1), "bytes": size})
        server.stop()
        barn.close()
    print(f"{'over':8} {'what':22} {'ms':>8} {'bytes':>8}")
    for row in rows:
        print(f"{row['over']:8} {row['what']:22} {row['ms']:8} {row['bytes']:8}")
    out = Path(__file__).parent / "out"
    out.mkdir(exist_ok=True)
    (out / "page_year.json").write_text(json.dumps({"days": days, "rows": rows}, indent=1))


if __name__ == "__main__":
    main()
