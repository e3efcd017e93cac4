"""What was decided: each change of the fan and of an alarm, with its evidence."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.engine.events import AlarmChanged, Evidence, SwitchFan


@dataclass(frozen=True, slots=True)
class Decision:
    """One stored decision. `at` is elapsed seconds; `time_ms` is None while its clock is not known."""

    id: int
    kind: str  # "fan" or "alarm"
    pen: str
    at: float
    time_ms: int | None
    key: str  # of an alarm; "" for a fan
    what: str  # "fan", or the alarm's name
    subject: str
    former: str
    state: str
    priority: str  # "" for a fan
    occurrence: int
    speed_pct: float | None
    reason: str  # the rung, for a fan
    by: str
    evidence: Evidence


_COLUMNS = """id, kind, pen, at_ms, time_ms, key, what, subject, former, state, priority, occurrence, speed_pct, reason,
 by_whom, evidence"""


def write(connection: sqlite3.Connection, decisions: Iterable[SwitchFan | AlarmChanged], segment: int) -> int:
    """Store decisions, inside the caller's transaction; a re-sent standing command is no decision. Returns how many."""
    rows = [_row(decision, segment) for decision in decisions if not (isinstance(decision, SwitchFan) and decision.again)]
    connection.executemany(
        """INSERT INTO decision (kind, pen, segment, at_ms, time_ms, key, what, subject, former, state, priority, occurrence,
           speed_pct, reason, by_whom, evidence) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)""",
        rows,
    )
    return len(rows)


def _row(decision: SwitchFan | AlarmChanged, segment: int) -> tuple[object, ...]:
    evidence = json.dumps(dict(decision.evidence), separators=(",", ":"), ensure_ascii=False, default=str)
    at_ms = round(decision.at * 1000)
    if isinstance(decision, SwitchFan):
        state = "running" if decision.running else "resting"
        head = ("fan", decision.pen, segment, at_ms, decision.wall_ms, "", "fan", "", "", state, "", 0)
        return (*head, decision.speed_pct, decision.reason, "", evidence)
    return (
        *("alarm", decision.pen, segment, at_ms, decision.wall_ms, decision.key, decision.name, decision.subject),
        *(decision.former, decision.state, str(decision.priority), decision.occurrence, None, "", decision.by, evidence),
    )


def between(
    connection: sqlite3.Connection,
    pen: str | None,
    from_ms: int | None,
    to_ms: int | None,
    kinds: Sequence[str] = ("fan", "alarm"),
    limit: int = 100_000,
) -> list[Decision]:
    """Dated decisions from `from_ms` up to before `to_ms`, oldest first; the newest `limit` of them.

    `pen` None asks for all pens, "" for the site's own alarms.
    """
    marks = ", ".join("?" * len(kinds))
    pens = [pen] if pen is not None else [name for (name,) in connection.execute("SELECT DISTINCT pen FROM decision")]
    rows = connection.execute(
        f"""SELECT {_COLUMNS} FROM decision WHERE pen IN ({", ".join("?" * len(pens))}) AND kind IN ({marks}) AND time_ms >= ?
            AND time_ms < ? ORDER BY time_ms DESC, id DESC LIMIT ?""",  # noqa: S608 — only question marks are put in
        (*pens, *kinds, -(2**62) if from_ms is None else from_ms, 2**62 if to_ms is None else to_ms, limit),
    )
    return [read(row) for row in rows][::-1]


def of_alarm(connection: sqlite3.Connection, key: str | None, limit: int) -> list[Decision]:
    """The last changes of one alarm (or of all), oldest first, dated or not."""
    if key is None:
        rows = connection.execute(
            f"SELECT {_COLUMNS} FROM decision WHERE kind = 'alarm' ORDER BY id DESC LIMIT ?",  # noqa: S608 — a constant
            (limit,),
        )
    else:
        rows = connection.execute(
            f"SELECT {_COLUMNS} FROM decision WHERE kind = 'alarm' AND key = ? ORDER BY id DESC LIMIT ?",  # noqa: S608
            (key, limit),
        )
    return [read(row) for row in rows][::-1]


def after(connection: sqlite3.Connection, number: int, limit: int) -> Iterator[Decision]:
    """Decisions in the order they were made, after the one with this number."""
    asked = f"SELECT {_COLUMNS} FROM decision WHERE id > ? ORDER BY id LIMIT ?"  # noqa: S608 — a constant
    return map(read, connection.execute(asked, (number, limit)))


def read(row: Sequence[Any]) -> Decision:
    """One row, in the order of the columns, as a decision."""
    number, kind, pen, at_ms, time_ms, key, what, subject, former, state, priority, occurrence, speed, reason, by, evidence = row
    return Decision(
        id=number,
        kind=kind,
        pen=pen,
        at=at_ms / 1000,
        time_ms=time_ms,
        key=key,
        what=what,
        subject=subject,
        former=former,
        state=state,
        priority=priority,
        occurrence=occurrence,
        speed_pct=speed,
        reason=reason,
        by=by,
        evidence=json.loads(evidence),
    )
