"""How fast stored readings go through the engine, and where the time goes: a part of spine.py."""

from __future__ import annotations

import cProfile
import pstats
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from monitor.engine.decisions import rfc3339
from monitor.engine.events import Keep
from monitor.engine.specification import Specification
from monitor.rehearse import read_csv, rehearse
from monitor.store.keep import Store
from monitor.store.reader import Reader
from tests.engine.barns import START_MS, pen, site


def invented(specification: Specification, readings: int) -> Iterator[tuple[int, str, float]]:
    """Quiet weather with a little noise: each sensor every half minute, and an ammonia that rises into its alarm and back."""
    sensors = list(specification.sensors.values())
    usual = {"temperature": 31.0, "humidity": 61.0, "ammonia": 12.0}
    for n in range(readings):
        turn, place = divmod(n, len(sensors))
        sensor = sensors[place]
        value = usual[sensor.measures.value] + (n * 7919 % 97) / 97
        if sensor.measures.value == "ammonia":
            value += 12.0 * (turn % 2880 / 2880)
        yield START_MS + turn * 30_000 + place * 30_000 // len(sensors), sensor.key, value


def best(act: Any, rounds: int = 3) -> float:
    """Seconds of processor time, so that a busy machine does not count."""
    found = []
    for _ in range(rounds):
        began = time.process_time()
        act()
        found.append(time.process_time() - began)
    return min(found)


class Rehearsal(NamedTuple):
    """Readings a second: rehearsed from the store, rows from SQLite alone, the engine on rows at hand, a CSV read alone.

    `judgements`: of a pen, for one reading. `shares`: of the engine's time, by function, the greatest first.
    """

    stored_per_s: float
    rows_per_s: float
    engine_per_s: float
    csv_per_s: float
    judgements: float
    shares: dict[str, float]


def shares_of(act: Any, most: int = 12) -> tuple[dict[str, float], int]:
    """Each function's own part of the time, and how often a pen was judged; the profiler weighs small functions up."""
    profile = cProfile.Profile()
    profile.runcall(act)
    rows = {f"{Path(code[0]).stem}.{code[2]}": row for code, row in pstats.Stats(profile).stats.items()}  # type: ignore[attr-defined]
    total = sum(row[2] for row in rows.values())
    judged = rows["step._judge_pen"][0]
    greatest = sorted(rows, key=lambda name: -rows[name][2])[:most]
    return {name: rows[name][2] / total for name in greatest}, judged


def rehearsal(folder: Path, readings: int) -> Rehearsal:
    """The same readings each way."""
    specification = site(pen(), pen("hen house"))
    with Store.open(folder) as store:
        store.add_readings([Keep(key, value, ms / 1000, ms, False) for ms, key, value in invented(specification, readings)])
        while store.tidy(None, move_from=1).more:
            pass
    with Reader(folder) as reader:
        rows = best(lambda: sum(1 for _ in reader.readings(None)))
        ours = best(
            lambda: rehearse(((r.time_ms, r.sensor, r.value) for r in reader.readings(None)), specification, lambda _told: None)
        )
    at_hand = list(invented(specification, readings))
    engine = best(lambda: rehearse(at_hand, specification, lambda _told: None))
    lines = ["time,sensor,value", *(f"{rfc3339(ms)},{key},{value:.2f}" for ms, key, value in at_hand)]
    parsed = best(lambda: sum(1 for _ in read_csv(lines, specification, lambda _line, _why: None)))
    shares, judged = shares_of(lambda: rehearse(at_hand, specification, lambda _told: None))
    each = (readings / seconds for seconds in (ours, rows, engine, parsed))
    return Rehearsal(*each, judged / readings, shares)


def said(lived: Mapping[str, Any]) -> str:
    """What it comes to, in three lines."""
    engine, row, line = (1e6 / lived[key] for key in ("engine_per_s", "rows_per_s", "csv_per_s"))
    shares = ", ".join(f"{name} {100 * share:.0f} %" for name, share in lived["shares"].items())
    return (
        f"rehearsal, µs a reading: engine {engine:.1f}, a row from SQLite {row:.1f}, a row from a CSV {line:.1f}\n"
        f"a pen is judged {lived['judgements']:.2f} times for each reading; of the engine's time, each function's own part:\n"
        f"  {shares}"
    )
