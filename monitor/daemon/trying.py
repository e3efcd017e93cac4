"""Try other limits on the last weeks, in a process of its own: the watch must not share its processor time.

`tried` starts this module as a child, gives it the question as JSON on standard input and reads the answer.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace

from monitor.engine.events import Event, Json
from monitor.engine.specification import Specification
from monitor.rehearse import Rehearsed, rehearse
from monitor.settings.read import read
from monitor.store.reader import Reader

LONGEST_DAYS = 60.0
PATIENCE_S = 300.0
DAY_MS = 86_400_000


class NotTried(RuntimeError):  # noqa: N818 - said in words
    """The rehearsal could not be made; the sentence says why."""


def tried(settings_file: str, pen: str, limits: dict[str, dict[str, float]], days: float, now_ms: int) -> Json:
    """Alarms and fan hours of one pen under the present limits and under others.

    Raises:
        NotTried: the child failed or took too long.
    """
    asked = {"settings": settings_file, "pen": pen, "limits": limits, "days": min(days, LONGEST_DAYS), "now_ms": now_ms}
    try:
        done = subprocess.run(
            [sys.executable, "-m", "monitor.daemon.trying"],
            input=json.dumps(asked),
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            check=False,
        )
    except subprocess.TimeoutExpired as late:
        raise NotTried(f"the rehearsal took more than {PATIENCE_S:.0f} s; try fewer days") from late
    if done.returncode:
        raise NotTried(done.stderr.strip().splitlines()[-1] if done.stderr.strip() else "the rehearsal failed")
    answer: Json = json.loads(done.stdout)
    return answer


def with_limits(specification: Specification, pen: str, limits: dict[str, dict[str, float]]) -> Specification:
    """The specification with some of one pen's limits moved."""
    present = specification.pens[pen]
    alarms = dict(present.limits.alarms)
    for name, edges in limits.items():
        if name in alarms:
            alarms[name] = replace(alarms[name], on=edges.get("on", alarms[name].on), off=edges.get("off", alarms[name].off))
    changed = replace(present, limits=replace(present.limits, alarms=alarms))
    return replace(specification, pens={**specification.pens, pen: changed})


def _one_pen(specification: Specification, pen: str) -> Specification:
    chosen = specification.pens[pen]
    return replace(specification, pens={pen: chosen}, sensors={s.key: s for s in chosen.sensors})


def _run(folder: str, specification: Specification, from_ms: int, to_ms: int) -> Rehearsed:
    with Reader(folder) as reader:
        rows = (
            (row.time_ms, row.sensor, row.value)
            for row in reader.readings(None, from_ms, to_ms)
            if row.sensor in specification.sensors
        )
        entries: list[Event] = [
            replace(entry, at=entry.wall_ms / 1000.0)
            for entry in reader.journal(None, from_ms, to_ms)
            if entry.wall_ms is not None and entry.pen in specification.pens
        ]
        return rehearse(rows, specification, lambda _told: None, entries)


def _figures(tally: Rehearsed, pen: str) -> dict[str, Json]:
    return {"alarms": dict(tally.alarms), "fan_hours": round(tally.fan_on_s.get(pen, 0.0) / 3600.0, 1)}


def answer(asked: dict[str, Json]) -> Json:
    """What the child answers."""
    settings = read(str(asked["settings"]))
    pen, now_ms, days = str(asked["pen"]), int(str(asked["now_ms"])), float(str(asked["days"]))
    limits = asked["limits"]
    assert isinstance(limits, dict)
    edges = {name: {k: float(str(v)) for k, v in given.items()} for name, given in limits.items() if isinstance(given, dict)}
    folder = settings.connections.store.folder
    from_ms = now_ms - round(days * DAY_MS)
    present = _one_pen(settings.specification, pen)
    before = _run(folder, present, from_ms, now_ms)
    after = _run(folder, with_limits(present, pen, edges), from_ms, now_ms)
    return {
        "days": days,
        "readings": before.readings,
        "present": _figures(before, pen),
        "tried": _figures(after, pen),
        "sentence": _sentence(before, after, pen, days),
    }


def _sentence(before: Rehearsed, after: Rehearsed, pen: str, days: float) -> str:
    if not before.readings:
        return "No readings are stored for those days."
    rings = (sum(before.alarms.values()), sum(after.alarms.values()))
    hours = (before.fan_on_s.get(pen, 0.0) / 3600.0, after.fan_on_s.get(pen, 0.0) / 3600.0)
    return (
        f"In the last {days:g} days: {rings[1]} alarm{'' if rings[1] == 1 else 's'} instead of {rings[0]}, "
        f"{hours[1]:.1f} fan hours instead of {hours[0]:.1f}. The air itself is taken as it was."
    )


if __name__ == "__main__":
    os.nice(15)
    print(json.dumps(answer(json.load(sys.stdin))))
