"""What a person may do: acknowledge, shelve, hand-set the fan, write in the journal.

Each act becomes an event that the engine judges at once; what comes back is the state after it.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from monitor.api.barn import Barn
from monitor.api.moments import parse
from monitor.api.problems import Refused
from monitor.api.slug import unslug
from monitor.api.status import find_alarm
from monitor.engine.alarm_states import OPEN
from monitor.engine.events import JOURNAL_WORDS, Acknowledge, HandSet, JournalEntry, Shelve
from monitor.engine.specification import Pen, Priority
from monitor.engine.state import AlarmRecord, AlarmState

# Longest times an override may last. Our own rules: an urgent alarm set aside must come back within the
# hour, anything else within the day; a fan set by hand for longer than a night is a change of settings.
LONGEST_SHELF_S = 24 * 3600.0
LONGEST_URGENT_SHELF_S = 3600.0
LONGEST_HAND_SET_S = 12 * 3600.0
SHORTEST_S = 60.0

COUNTED = ("birds in", "birds out", "deaths", "eggs")
LITTER_WORK = ("litter changed", "litter topped", "litter turned")
LONGEST_BACK_MS = 400 * 86_400_000  # as far as the bedding looks back


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)


class ShelveBody(_Body):
    """Set an alarm aside for `for_s` seconds; 0 takes it off the shelf."""

    for_s: Annotated[float, Field(ge=0, le=LONGEST_SHELF_S, allow_inf_nan=False)]


class HandSetBody(_Body):
    """Run or rest the fan for `for_s` seconds, then back to the rule; 0 gives it back now."""

    running: bool
    speed_pct: Annotated[float | None, Field(ge=0, le=100, allow_inf_nan=False)] = None
    for_s: Annotated[float, Field(ge=0, le=LONGEST_HAND_SET_S, allow_inf_nan=False)]


def _journal_word(text: str) -> str:
    if text not in JOURNAL_WORDS:
        raise ValueError(f"must be one of: {', '.join(JOURNAL_WORDS)}")
    return text


class JournalBody(_Body):
    """What the keeper did. `count` goes with birds in, birds out, deaths and eggs."""

    pen: str
    what: Annotated[str, AfterValidator(_journal_word), Field(json_schema_extra={"enum": list(JOURNAL_WORDS)})]
    flock: str | None = None
    count: Annotated[int | None, Field(ge=0, le=100_000)] = None
    note: Annotated[str, Field(max_length=1000)] = ""
    done: Annotated[
        str | None,
        Field(max_length=40, description="when litter was worked on, if not now: RFC 3339 with an offset, or ms since 1970"),
    ] = None


def pen_named(barn: Barn, name: str) -> Pen:
    """The pen of this name. Raises Refused."""
    pen = barn.specification.pens.get(name)
    if pen is None:
        names = ", ".join(f'"{each}"' for each in barn.specification.pens)
        raise Refused(404, f'there is no pen "{name[:60]}"; there is {names}')
    return pen


def alarm_named(barn: Barn, alarm_id: str) -> AlarmRecord:
    """The alarm behind an id of /api/alarms. Raises Refused."""
    key = unslug(alarm_id)
    record = find_alarm(barn.state(), key) if key is not None else None
    if record is None:
        raise Refused(404, f'there is no alarm "{alarm_id[:80]}"; /api/alarms lists them with their ids')
    return record


def acknowledge(barn: Barn, record: AlarmRecord, by: str) -> AlarmRecord:
    """Say that a person has it. Doing so twice is no mistake: two people may tap at the same time."""
    if record.state is AlarmState.ACKNOWLEDGED:
        return record
    if record.state not in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED):
        raise Refused(409, f"there is nothing to acknowledge: this alarm is {record.state}")
    at, wall_ms = barn.now()
    return _after(barn, Acknowledge(at, wall_ms, record.key, by), record)


def shelve(barn: Barn, record: AlarmRecord, by: str, for_s: float) -> AlarmRecord:
    """Set it aside until an end, or take it off the shelf."""
    if for_s == 0:
        if record.state is not AlarmState.SHELVED:
            raise Refused(409, f"this alarm is not on the shelf: it is {record.state}")
    else:
        if record.state not in OPEN and record.state is not AlarmState.SHELVED:
            raise Refused(409, f"only an open alarm can be shelved: this one is {record.state}")
        longest = LONGEST_URGENT_SHELF_S if record.priority is Priority.URGENT else LONGEST_SHELF_S
        if not SHORTEST_S <= for_s <= longest:
            raise Refused(422, f"for_s must be {SHORTEST_S:.0f} to {longest:.0f} s for an alarm of {record.priority} priority")
    at, wall_ms = barn.now()
    return _after(barn, Shelve(at, wall_ms, record.key, by, for_s), record)


def hand_set(barn: Barn, pen: Pen, by: str, body: HandSetBody) -> None:
    """Override the fan until an end. The engine's own safety comes first: it may still refuse to obey."""
    fan = pen.fan
    if fan is None:
        raise Refused(409, f"{pen.name} has no fan in the settings")
    if 0 < body.for_s < SHORTEST_S:
        raise Refused(422, f"for_s must be 0, or {SHORTEST_S:.0f} to {LONGEST_HAND_SET_S:.0f} s")
    speed = body.speed_pct
    if speed is not None and not fan.variable:
        raise Refused(422, "this fan is on or off; leave speed_pct out")
    if fan.variable and body.running and body.for_s > 0:
        speed = 100.0 if speed is None else speed
        if speed < fan.lowest_speed_pct:
            raise Refused(422, f"speed_pct must be {fan.lowest_speed_pct:.0f} to 100: below that this fan stalls")
    at, wall_ms = barn.now()
    barn.act(HandSet(at, wall_ms, pen.name, by, body.running, speed if body.running else None, body.for_s))


def write_journal(barn: Barn, by: str, body: JournalBody) -> JournalEntry:
    """Write down what was done."""
    pen = pen_named(barn, body.pen)
    flock = body.flock
    if flock is not None and flock not in {each.name for each in pen.flocks}:
        names = ", ".join(f'"{each.name}"' for each in pen.flocks) or "none"
        raise Refused(422, f'there is no flock "{flock[:60]}" in {pen.name}; there is {names}')
    if body.what in COUNTED:
        if body.count is None:
            raise Refused(422, f'"{body.what}" needs a count')
        if flock is None:
            if len(pen.flocks) != 1:
                names = ", ".join(each.name for each in pen.flocks) or "none is set"
                raise Refused(422, f'"{body.what}" needs the flock: {names}')
            flock = pen.flocks[0].name
    elif body.count is not None:
        raise Refused(422, f'"{body.what}" takes no count')
    if body.what == "note" and not body.note:
        raise Refused(422, "a note needs some words in `note`")
    at, wall_ms = barn.now()
    done_ms = None if body.done is None else _done_ms(body.done, body.what, wall_ms)
    entry = JournalEntry(at, wall_ms, pen.name, body.what, by, flock, body.count, body.note, done_ms)
    barn.act(entry)
    return entry


def _done_ms(text: str, what: str, now_ms: int | None) -> int:
    """When the litter was worked on. Only that may be written down late: all else changes what holds now."""
    if what not in LITTER_WORK:
        raise Refused(422, f'only litter work is written down for an earlier time; leave `done` out for "{what}"')
    if now_ms is None:
        raise Refused(409, "the clock is not trusted, so an earlier time cannot be told from a later one")
    done_ms = parse(text)
    if done_ms is None:
        raise Refused(422, f'`done` is "{text[:40]}"; write RFC 3339 with an offset, such as 2026-04-02T06:30:00Z')
    if not now_ms - LONGEST_BACK_MS <= done_ms <= now_ms:
        raise Refused(422, f'`done` is "{text[:40]}"; it must lie in the last {LONGEST_BACK_MS // 86_400_000} days')
    return done_ms


def _after(barn: Barn, event: Acknowledge | Shelve, record: AlarmRecord) -> AlarmRecord:
    return find_alarm(barn.act(event), record.key) or record
