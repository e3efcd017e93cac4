"""The fan over time, from its stored decisions: how much of each step it ran, and why."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from monitor.api.answer import because
from monitor.api.barn import Barn
from monitor.api.moments import rfc3339
from monitor.engine.events import Json
from monitor.engine.specification import Pen
from monitor.store.reader import Reader

_LAST = 40  # changes told one by one
_LONG_MS = 8 * 24 * 3_600_000  # longer stretches are summed in the store
_LONG_POINTS = 120
_BEFORE_MS = 3_600_000  # the command that stood when the stretch began is found in the hour before it


@dataclass(frozen=True, slots=True)
class Turn:
    """One change of the fan's command."""

    time_ms: int
    running: bool
    speed_pct: float | None
    reason: str
    evidence: Json


def shares(turns: Iterable[Turn], from_ms: int, to_ms: int, points: int) -> list[float | None]:
    """Share of each step during which the fan was told to run, 0 to 1; None before the first known turn.

    A variable fan counts with its speed. `turns` are in order of time and may begin before `from_ms`.
    """
    step = (to_ms - from_ms) / points
    ran = [0.0] * points
    first: float | None = None
    last: Turn | None = None
    for turn in [*turns, None]:
        end = to_ms if turn is None else turn.time_ms
        if last is not None and last.running:
            load = 1.0 if last.speed_pct is None else last.speed_pct / 100
            _spread(ran, max(last.time_ms, from_ms) - from_ms, min(end, to_ms) - from_ms, step, load)
        if first is None and turn is not None:
            first = max(turn.time_ms, from_ms) - from_ms
        last = turn
    known_from = points if first is None else int(first // step)
    return [None if i < known_from else round(min(1.0, each / step), 3) for i, each in enumerate(ran)]


def _spread(ran: list[float], begin: float, end: float, step: float, load: float) -> None:
    index = int(begin // step)
    while begin < end and index < len(ran):
        edge = min(end, (index + 1) * step)
        ran[index] += (edge - begin) * load
        begin, index = edge, index + 1


def _turns(reader: Reader, pen: str, from_ms: int, to_ms: int) -> list[Turn]:
    """The stored fan changes of this stretch and the hour before it, oldest first."""
    rows = reader.decisions(pen, from_ms - _BEFORE_MS, to_ms, kinds=("fan",))
    return [
        Turn(row.time_ms, row.state == "running", row.speed_pct, row.reason, dict(row.evidence))
        for row in rows
        if row.time_ms is not None
    ]


def _long_shares(reader: Reader, pen: str, from_ms: int, to_ms: int, points: int) -> list[float | None]:
    """The same from sums kept short: a season has a hundred thousand turns. A fan's speed does not count here."""
    step_s = (to_ms - from_ms) / points / 1000
    found = [ran_s / step_s for ran_s in reader.fan_seconds_each(pen, from_ms, to_ms, points)]
    first = next((index for index, each in enumerate(found) if each > 0), points)
    return [None if index < first else round(min(1.0, each), 3) for index, each in enumerate(found)]


def track(barn: Barn, pen: Pen, from_ms: int, to_ms: int, points: int) -> dict[str, Json]:
    """Shares for drawing, hours, and the last changes in words."""
    with barn.reader() as reader:
        if to_ms - from_ms > _LONG_MS:
            share = _long_shares(reader, pen.name, from_ms, to_ms, min(points, _LONG_POINTS))
            turns = _turns(reader, pen.name, to_ms - 4 * _BEFORE_MS, to_ms)
        else:
            turns = _turns(reader, pen.name, from_ms, to_ms)
            share = shares(turns, from_ms, to_ms, points)
    known = [each for each in share if each is not None]
    step_h = (to_ms - from_ms) / len(share) / 3_600_000
    return {
        "pen": pen.name,
        "from_ms": from_ms,
        "to_ms": to_ms,
        "share": list(share),
        "ran_hours": round(sum(known) * step_h, 2),
        "known_hours": round(len(known) * step_h, 2),
        "changes": [_told(turn) for turn in reversed(_within(turns, from_ms)[-_LAST:])],
    }


def _within(turns: Sequence[Turn], from_ms: int) -> list[Turn]:
    return [turn for turn in turns if turn.time_ms >= from_ms]


def _told(turn: Turn) -> Json:
    return {
        "time": rfc3339(turn.time_ms),
        "state": "running" if turn.running else "resting",
        "speed_pct": turn.speed_pct,
        "reason": turn.reason,
        "reason_shown": because(turn.reason),
        "evidence": turn.evidence,
    }
