"""Conditions into alarms: delays counted, life cycle moved, each change told once.

`standing` follows a condition's signal behind its on-delay and off-delay; the life cycle follows
`standing`. What people do to an alarm (acknowledge, shelve, take out of service) moves only the
life cycle, never the condition.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from monitor.engine.alarm_states import Happening, move
from monitor.engine.events import AlarmChanged, Evidence, Json
from monitor.engine.records import replace
from monitor.engine.specification import Priority
from monitor.engine.state import AlarmRecord, AlarmState
from monitor.engine.view import Condition

_URGENCY = {Priority.URGENT: 3, Priority.HIGH: 2, Priority.MEDIUM: 1, Priority.LOW: 0}


@dataclass(slots=True)
class Ledger:
    """The alarms of one pen (or of the site) while one moment is judged, and what changed in it."""

    pen: str
    records: dict[str, AlarmRecord]
    at: float
    wall_ms: int | None
    occurrences: int
    changes: list[AlarmChanged]
    names: set[str]  # of the alarms there is a record of
    due_at: float = float("inf")

    @classmethod
    def open(cls, pen: str, records: Mapping[str, AlarmRecord], at: float, wall_ms: int | None, occurrences: int) -> Ledger:
        return cls(pen, dict(records), at, wall_ms, occurrences, [], {record.name for record in records.values()})

    # ------------------------------------------------------------ conditions

    def weigh(self, condition: Condition) -> None:
        """Carry one condition through its delays into the life cycle."""
        if condition.signal is not True and condition.name not in self.names:
            return
        key = f"{self.pen}/{condition.name}" + (f"/{condition.subject}" if condition.subject else "")
        record = self.records.get(key)
        if record is None:
            if condition.signal is not True:
                return
            record = AlarmRecord(key, condition.name, self.pen, condition.subject, priority=condition.priority)
            self.names.add(condition.name)
        signal = record.standing != (record.pending_since is not None) if condition.signal is None else condition.signal
        limit = condition.limit
        if signal == record.standing:
            if record.pending_since is not None:
                record = replace(record, pending_since=None)
        else:
            since = record.pending_since if record.pending_since is not None else self.at
            delay = limit.on_delay_s if signal else limit.off_delay_s
            if self.at >= since + delay and condition.signal is not None:
                record = replace(record, standing=signal, pending_since=None)
                record = self._stands(record, condition) if signal else self._gone(record, condition)
            else:
                # Inside the deadband, or unknown, at the end of the delay: neither raised nor cleared on that. The next
                # value that says so decides, so that one noisy sample half an hour ago rings nobody.
                if record.pending_since is None:
                    record = replace(record, pending_since=since)
                if since + delay > self.at:
                    self.due_at = min(self.due_at, since + delay)
        if record.standing:
            record = self._while_standing(record, condition)
        if record.shelved_until is not None:
            self.due_at = min(self.due_at, record.shelved_until)
        self.records[key] = record

    def _stands(self, record: AlarmRecord, condition: Condition) -> AlarmRecord:
        evidence = condition.evidence()
        record = replace(record, evidence=evidence, worst=condition.value, priority=condition.priority)
        if record.state in (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE):
            return record
        if condition.covered_by:
            return self._moved(record, move(record.state, Happening.SUPPRESS), evidence, suppressed_by=condition.covered_by)
        return self._raised(record, move(record.state, Happening.RAISE), evidence)

    def _gone(self, record: AlarmRecord, condition: Condition) -> AlarmRecord:
        evidence: dict[str, Json] = dict(condition.evidence())
        if record.worst is not None:
            evidence["worst"] = round(record.worst, 3)
        if record.raised_at is not None:
            evidence["lasted_s"] = round(self.at - record.raised_at + _before(record), 1)
        return self._moved(replace(record, evidence=evidence), move(record.state, Happening.CLEAR), evidence, suppressed_by="")

    def _while_standing(self, record: AlarmRecord, condition: Condition) -> AlarmRecord:
        value = condition.value
        if value is not None and condition.signal is True and _further(condition, value, record.worst):
            record = replace(record, worst=value)
        if condition.covered_by and record.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED):
            return self._moved(
                record, move(record.state, Happening.SUPPRESS), record.evidence, suppressed_by=condition.covered_by
            )
        # A consequence that is already going with its cause is left to clear; ringing for it now would be a second call.
        if not condition.covered_by and condition.signal is not False and record.state is AlarmState.SUPPRESSED:
            return self._raised(
                replace(record, suppressed_by=""), move(record.state, Happening.RELEASE_STANDING), record.evidence
            )
        if condition.again is not None and record.state is AlarmState.ACKNOWLEDGED and condition.signal is not False:
            return self._rung_again(record, condition.again)
        if _URGENCY[condition.priority] > _URGENCY[record.priority]:
            record = replace(record, priority=condition.priority)
            if record.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED):
                return self._raised(record, move(record.state, Happening.WORSEN), condition.evidence())
        return record

    def _rung_again(self, record: AlarmRecord, again: Callable[[], Evidence]) -> AlarmRecord:
        """An answer holds for so long: the same alarm once more, counted from its first ring."""
        due = (self.at if record.changed_at is None else record.changed_at) + ANSWER_HOLDS_S
        if self.at < due:
            self.due_at = min(self.due_at, due)
            return record
        so_far = 0.0 if record.raised_at is None else self.at - record.raised_at
        evidence: dict[str, Json] = {**again(), "again": True, "for_s": round(so_far + _before(record), 1)}
        return self._raised(record, move(record.state, Happening.RING_AGAIN), evidence)

    def _raised(self, record: AlarmRecord, state: AlarmState, evidence: Evidence) -> AlarmRecord:
        self.occurrences += 1
        return self._moved(
            replace(
                record,
                occurrence=self.occurrences,
                raised_at=self.at,
                raised_wall_ms=self.wall_ms,
                acknowledged_by="",
                evidence=evidence,
            ),
            state,
            evidence,
            even_if_same=True,
        )

    def _moved(
        self,
        record: AlarmRecord,
        state: AlarmState,
        evidence: Evidence,
        *,
        by: str = "",
        suppressed_by: str | None = None,
        even_if_same: bool = False,
    ) -> AlarmRecord:
        if suppressed_by is not None:
            record = replace(record, suppressed_by=suppressed_by)
        if state is record.state and not even_if_same:
            return record
        self.changes.append(
            AlarmChanged(
                self.at,
                self.wall_ms,
                record.key,
                record.name,
                record.pen,
                record.subject,
                record.state.value,
                state.value,
                record.priority,
                record.occurrence,
                evidence,
                by,
            )
        )
        return replace(record, state=state, changed_at=self.at)

    # ---------------------------------------------------------------- people

    def acknowledge(self, key: str, by: str) -> None:
        record = self.records.get(key)
        if record is None:
            return
        state = move(record.state, Happening.ACKNOWLEDGE)
        if state is not record.state:
            self.records[key] = self._moved(replace(record, acknowledged_by=by), state, record.evidence, by=by)

    def shelve(self, key: str, by: str, for_s: float) -> None:
        record = self.records.get(key)
        if record is None:
            return
        if for_s <= 0:
            if record.state is AlarmState.SHELVED:
                self.records[key] = self._released(replace(record, shelved_until=None, shelved_by=""), by)
            return
        state = move(record.state, Happening.SHELVE)
        if state is AlarmState.SHELVED:
            record = replace(record, shelved_until=self.at + min(for_s, LONGEST_SHELF_S), shelved_by=by)
            self.records[key] = self._moved(record, state, record.evidence, by=by)

    def take_out(self, key: str, by: str, out: bool) -> None:
        record = self.records.get(key)
        if record is None:
            if not out:
                return
            pen, _, rest = key.partition("/")
            name, _, subject = rest.partition("/")
            record = AlarmRecord(key, name, pen, subject)
            self.names.add(name)
        if out:
            record = replace(record, shelved_until=None, shelved_by="", suppressed_by="")
            self.records[key] = self._moved(record, move(record.state, Happening.TAKE_OUT), record.evidence, by=by)
        elif record.state is AlarmState.OUT_OF_SERVICE:
            self.records[key] = self._released(record, by)

    def end_shelves(self) -> None:
        """Take off the shelf whatever has reached its end."""
        for key, record in self.records.items():
            if record.state is AlarmState.SHELVED and record.shelved_until is not None and self.at >= record.shelved_until:
                self.records[key] = self._released(replace(record, shelved_until=None, shelved_by=""), "")

    def _released(self, record: AlarmRecord, by: str) -> AlarmRecord:
        if record.standing:
            return self._raised(record, move(record.state, Happening.RELEASE_STANDING), record.evidence)
        return self._moved(record, move(record.state, Happening.RELEASE_CLEAR), record.evidence, by=by)

    def forget_settled(self) -> None:
        """Drop records that say nothing any more: normal, not standing, not waiting, and settled for a day."""
        for key, record in list(self.records.items()):
            if record.state is not AlarmState.NORMAL or record.standing or record.pending_since is not None:
                continue
            # The all clear is still to be told from the record for a while.
            if record.occurrence == 0 or record.changed_at is None or self.at - record.changed_at > REMEMBERED_S:
                del self.records[key]


REMEMBERED_S = 24 * 3600.0
ANSWER_HOLDS_S = 30 * 60.0  # then cold birds ring again under a call that was answered; our own rule
LONGEST_SHELF_S = 7 * 24 * 3600.0  # a shelf always has an end a person can remember; our own rule


def _before(record: AlarmRecord) -> float:
    """Seconds that an alarm rung again had already stood when it rang last."""
    before = record.evidence.get("for_s") if record.evidence.get("again") is True else None
    return float(before) if isinstance(before, int | float) else 0.0


def _further(condition: Condition, value: float, worst: float | None) -> bool:
    if worst is None:
        return True
    falling = condition.name in ("birds_cold", "dry") or condition.limit.off > condition.limit.on
    return value < worst if falling else value > worst
