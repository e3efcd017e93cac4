"""How fast stored readings go through the engine, what one judgement costs, and where the time goes: a part of spine.py."""

from __future__ import annotations

import cProfile
import pstats
import statistics
import time
from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from demo.closed_loop import Loop
from demo.scenarios import BANK_DAY, BANK_WALL0_MS, SCENARIOS
from demo.settings_text import specification as mill_rise
from monitor.engine import step as stepping
from monitor.engine.decisions import rfc3339
from monitor.engine.events import Event, Keep, Reading
from monitor.engine.settled import NOT_SETTLED
from monitor.engine.specification import Specification
from monitor.engine.state import State
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
    `judging`: as `Judging`.
    """

    stored_per_s: float
    rows_per_s: float
    engine_per_s: float
    csv_per_s: float
    judgements: float
    shares: dict[str, float]
    judging: dict[str, float]


def shares_of(act: Any, most: int = 12) -> tuple[dict[str, float], int]:
    """Each function's own part of the time, and how often a pen was judged; the profiler weighs small functions up."""
    profile = cProfile.Profile()
    profile.runcall(act)
    rows = {f"{Path(code[0]).stem}.{code[2]}": row for code, row in pstats.Stats(profile).stats.items()}  # type: ignore[attr-defined]  # not in its stub
    total = sum(row[2] for row in rows.values())
    judged = rows["step._judge_pen"][0]
    greatest = sorted(rows, key=lambda name: -rows[name][2])[:most]
    return {name: rows[name][2] / total for name in greatest}, judged


def rehearsal(folder: Path, readings: int, hours: float) -> Rehearsal:
    """The same readings each way, and so many hours of the demo's brooder judged."""
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
    return Rehearsal(*each, judged / readings, shares, judging(hours)._asdict())


class Judging(NamedTuple):
    """Medians, µs, in the demo's brooder: heat source, twins, room, gases, outside air, fan and its power.

    A quiet reading with all of its `step`; a judgement of the pen with all conditions; one that takes the half minute's
    sample of the heat source, and one that takes the whole minute's samples of all foresights. `per_s`: readings rehearsed.
    """

    quiet_us: float
    judged_us: float
    half_minute_us: float
    minute_us: float
    per_s: float


def brooder_events(hours: float, seed: int = 1) -> tuple[list[Event], Specification]:
    """What happens in a quiet week's first hours of the demo's brooder, in a closed loop with its fan."""
    scenario = next(one for one in SCENARIOS if one.name == "quiet-steady")
    specification = mill_rise(scenario.heat, date(*BANK_DAY) - timedelta(days=scenario.age_days))
    play = scenario.build(specification.pens["brooder"], scenario, seed)
    events: list[Event] = []
    loop = Loop(play.world, specification, wall0_ms=BANK_WALL0_MS, told=lambda event, _actions: events.append(event))
    loop.run(hours * 3600.0)
    return events, specification


def judging(hours: float, rounds: int = 2) -> Judging:
    """Each judgement of a play timed by itself, caches as cold or warm as they are in it."""
    events, specification = brooder_events(hours)
    times: dict[str, list[float]] = {"quiet": [], "all": [], "half minute": [], "minute": []}
    judge, judged = stepping._judge_pen, 0

    def timed(state: State, name: str, at: float, *more: Any, **how: Any) -> State:
        nonlocal judged
        judged += 1
        began = time.perf_counter()
        after = judge(state, name, at, *more, **how)
        took = time.perf_counter() - began
        if after.pens[name].memory is not state.pens[name].memory:
            times["minute" if at % 60.0 == 0.0 else "half minute"].append(took)
        elif after.pens[name].believed_until == NOT_SETTLED:  # else the foresights alone were asked
            times["all"].append(took)
        return after

    stepping._judge_pen = timed
    try:
        for _ in range(rounds):
            state = State()
            for event in events:
                before, began = judged, time.perf_counter()
                state, _ = stepping.step(state, event, specification)
                took = time.perf_counter() - began
                if judged == before and isinstance(event, Reading):
                    times["quiet"].append(took)
    finally:
        stepping._judge_pen = judge
    rows = [(one.wall_ms, one.sensor, one.value) for one in events if isinstance(one, Reading) and one.wall_ms is not None]
    lived = best(lambda: rehearse(rows, specification, lambda _told: None))
    return Judging(*(statistics.median(found) * 1e6 for found in times.values()), len(rows) / lived)


def said(lived: Mapping[str, Any]) -> str:
    """What it comes to, in four lines."""
    engine, row, line = (1e6 / lived[key] for key in ("engine_per_s", "rows_per_s", "csv_per_s"))
    shares = ", ".join(f"{name} {100 * share:.0f} %" for name, share in lived["shares"].items())
    judged = Judging(**lived["judging"])
    return (
        f"rehearsal, µs a reading: engine {engine:.1f}, a row from SQLite {row:.1f}, a row from a CSV {line:.1f}\n"
        f"a pen is judged {lived['judgements']:.2f} times for each reading; of the engine's time, each function's own part:\n"
        f"  {shares}\n"
        f"in the demo's brooder, medians: a quiet reading {judged.quiet_us:.1f} µs, a judgement with all conditions "
        f"{judged.judged_us:.0f}, with the half minute's sample {judged.half_minute_us:.0f}, with the minute's "
        f"{judged.minute_us:.0f}; {judged.per_s:,.0f} readings rehearsed a second"
    )
