"""Actions as lines of the decisions file, one a change."""

from __future__ import annotations

import json
from datetime import UTC, datetime

from monitor.engine.alarm_states import OPEN
from monitor.engine.events import AlarmChanged, Json, Keep, SwitchFan
from monitor.engine.specification import Priority
from monitor.engine.state import State


def decision(action: SwitchFan | AlarmChanged | Keep) -> dict[str, Json] | None:
    """The decision an action is, or None: kept readings and re-sent commands decide nothing."""
    if isinstance(action, AlarmChanged):
        evidence: dict[str, Json] = dict(action.evidence)
        if action.subject:
            evidence["subject"] = action.subject
        evidence["occurrence"] = action.occurrence
        if action.by:
            evidence["by"] = action.by
        return {
            "time": rfc3339(action.wall_ms),
            "pen": action.pen,
            "kind": "alarm",
            "what": action.name,
            "state": action.state,
            "priority": action.priority.value,
            "evidence": evidence,
        }
    if isinstance(action, SwitchFan) and not action.again:
        found: dict[str, Json] = {
            "time": rfc3339(action.wall_ms),
            "pen": action.pen,
            "kind": "fan",
            "what": "exhaust fan",
            "state": "running" if action.running else "resting",
            "priority": None,
            "reason": action.reason,
            "evidence": dict(action.evidence),
        }
        if action.speed_pct is not None:
            found["speed_pct"] = action.speed_pct
        return found
    return None


def open_there(state: State, pen: str) -> dict[str, Json]:
    """What stands open in a pen ("" for the site), worst first: `open`, and `worst`, its priority or None."""
    records = state.alarms if not pen else (state.pens[pen].alarms if pen in state.pens else {})
    ranks = list(Priority)
    standing = sorted((r for r in records.values() if r.state in OPEN), key=lambda r: (ranks.index(r.priority), r.key))
    return {
        "worst": standing[0].priority.value if standing else None,
        "open": [{"what": r.name, "subject": r.subject, "state": r.state.value, "priority": r.priority.value} for r in standing],
    }


def line(found: dict[str, Json]) -> str:
    """One line of JSON, without its line end."""
    return json.dumps(found, separators=(",", ":"), ensure_ascii=False)


def rfc3339(wall_ms: int | None) -> str | None:
    """UTC, milliseconds; None while the clock was not trusted."""
    if wall_ms is None:
        return None
    moment = datetime.fromtimestamp(wall_ms / 1000, UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{wall_ms % 1000:03d}Z"
