"""Who is told, by which channel, when and again. Pure: time and the ledger of what was told come in.

Rules of this file:
1. It is level-triggered: from the alarms as they stand and what has been told, it says what is due now. Asked
   again with the same ledger it gives the same keys; asked with its own answer in the ledger it gives nothing.
2. Each order of the rota is told in turn: order 0 at once, the next when `escalate_after_s` has passed since
   the former was told and nobody has acknowledged. A person is told by their first channel that takes this
   priority; their others are for when that one fails (see `worker`). A siren topic is always sounded.
3. Hours hold back low and medium until they begin; high and urgent are never held. An unknown local time
   holds nothing back.
4. Only an unacknowledged alarm is told. Acknowledged, shelved, suppressed by design and out of service are
   silent, so a consequence suppressed under its cause never rings.
5. Whoever was told of an occurrence is told when it is over, by the channel that reached them; a siren is also
   told when it was acknowledged. What the worker told by another channel instead belongs into the ledger too.

The stretch of repeats by priority (urgent and high every interval, medium and low rarely) is our own choice:
a keeper who is rung all day for damp litter stops listening.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import time
from types import MappingProxyType

from monitor.engine.connections import Notice, Tell
from monitor.engine.specification import Priority
from monitor.engine.state import AlarmRecord, AlarmState
from monitor.engine.wording import Words

SIREN = "mqtt:"

RAISED, AGAIN, ESCALATED, ALL_CLEAR, ACKNOWLEDGED = "raised", "again", "escalated", "all clear", "acknowledged"
REPORT, TEST, STARTED, LOSS, SUMMARY = "report", "test", "started", "loss", "summary"
ALARMING = frozenset({RAISED, AGAIN, ESCALATED})

# Multiples of the keeper's repeat interval; own choice.
REPEAT_STRETCH: Mapping[Priority, float] = MappingProxyType(
    {Priority.URGENT: 1.0, Priority.HIGH: 1.0, Priority.MEDIUM: 16.0, Priority.LOW: 96.0}
)

# How long a message is worth being read by itself; later it is one line of a summary. Own choice.
WORTH_S: Mapping[str, float] = MappingProxyType(
    {
        RAISED: 2 * 3600.0,
        ESCALATED: 2 * 3600.0,
        ALL_CLEAR: 2 * 3600.0,
        ACKNOWLEDGED: 60.0,
        REPORT: 6 * 3600.0,
        STARTED: 12 * 3600.0,
        LOSS: 12 * 3600.0,
        TEST: 600.0,
    }
)

Compose = Callable[[AlarmRecord, Tell, str], Words]


@dataclass(frozen=True, slots=True)
class Told:
    """One line of the ledger: this was written for this channel at this elapsed second."""

    key: str
    occurrence: int
    kind: str
    channel: int
    at: float


@dataclass(frozen=True, slots=True)
class Now:
    """Elapsed seconds, and the site's local time of day when it is trusted."""

    at: float
    local: time | None


def told(notice: Notice) -> Told:
    """The ledger's line for a notice."""
    return Told(notice.key, notice.occurrence, notice.kind, notice.channel, notice.due_at)


def substitute_key(key: str, channel: int) -> str:
    """The key of the same notice by another channel, when its own has failed it."""
    return f"{base_key(key)}/by/{channel}"


def base_key(key: str) -> str:
    """The key of the notice that a substitute stands for; its own for any other."""
    return key.partition("/by/")[0]


def is_siren(entry: Tell) -> bool:
    """A siren or lamp on the spot: a topic, not a person's phone."""
    return entry.channel.reveal().startswith(SIREN)


def due(records: Iterable[AlarmRecord], ledger: Iterable[Told], tell: Sequence[Tell], now: Now, compose: Compose) -> list[Notice]:
    """Every notice that is due now and not in the ledger, the most urgent first.

    Args:
        records: the alarms as they stand, those that returned to normal included.
        ledger: what was told of these occurrences so far.
        tell: the keeper's `[[tell]]` entries; a notice names its channel by the place in this list.
        now: elapsed seconds and local time.
        compose: the words for one alarm, one person and one kind.
    """
    by_occurrence: dict[int, list[Told]] = defaultdict(list)
    for line in ledger:
        by_occurrence[line.occurrence].append(line)
    notices: list[Notice] = []
    for record in records:
        if record.occurrence == 0:
            continue
        so_far = by_occurrence.get(record.occurrence, [])
        if record.state is AlarmState.UNACKNOWLEDGED:
            notices += _alarming(record, so_far, tell, now, compose)
        elif record.state in (AlarmState.RETURNED, AlarmState.NORMAL):
            notices += _over(record, so_far, tell, now, compose)
        elif record.state is AlarmState.ACKNOWLEDGED:
            notices += _silence(record, so_far, tell, now, compose)
    rank = list(Priority)
    return sorted(notices, key=lambda notice: rank.index(notice.priority))


def recall(records: Iterable[AlarmRecord], tell: Sequence[Tell], at: float, find: Callable[[str], Notice | None]) -> list[Told]:
    """The ledger of these alarms after a start, from what stands in the outbox.

    Keys follow from alarm, person, channel and number alone, so asking for each that could have been written,
    until one is missing, finds all that were, however many rows the outbox holds. A ledger that misses lines
    would number its repeats from 1 again, and a key that is there already is not sent.

    Args:
        records: the alarms as they stand.
        tell: the keeper's entries.
        at: elapsed seconds now.
        find: the notice written under a key, or None.
    """
    now = Now(at, None)  # an unknown hour holds nothing back
    ledger: list[Told] = []
    for record in records:
        lines: list[Told] = []
        for state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED):
            as_if = replace(record, state=state)
            while True:
                asked = due([as_if], lines, tell, now, lambda *_: Words("", ""))
                found = [told(notice) for one in asked if (notice := find(one.key)) is not None]
                if not found:
                    break
                instead = [substitute_key(line.key, channel) for line in found for channel in range(len(tell))]
                lines += found + [told(notice) for key in instead if (notice := find(key)) is not None]
        ledger += lines
    return ledger


def is_held(entry: Tell, priority: Priority, local: time | None) -> bool:
    """May this priority not be told now? Never true for urgent and high, nor when the hour is unknown."""
    if priority in (Priority.URGENT, Priority.HIGH) or local is None:
        return False
    return held_for_s(entry, local) > 0.0


def held_for_s(entry: Tell, local: time) -> float:
    """Seconds until this person's hours begin; 0 within them or when none are set."""
    if entry.hours is None:
        return 0.0
    try:
        begin, end = (_second_of_day(time.fromisoformat(text)) for text in entry.hours)
    except ValueError:
        return 0.0  # hours that cannot be read hold nothing back
    second = _second_of_day(local)
    within = begin <= second < end if begin <= end else second >= begin or second < end
    return 0.0 if within or begin == end else float((begin - second) % 86400)


def announce(
    kind: str, words: Words, tell: Sequence[Tell], now: Now, *, name: str, priority: Priority = Priority.LOW
) -> list[Notice]:
    """A message that is no alarm: a report, a start after an unclean stop, or what a damaged store has lost.

    Args:
        kind: "report" goes to the entries that ask for reports, "started" and "loss" to each person of the first order.
        name: names this one for its key: the day of a report, the segment of a start.
        priority: low and medium wait for the person's hours.
    """
    notices = []
    seen: set[str] = set()
    for channel, entry in enumerate(tell):
        wanted = entry.reports if kind == REPORT else entry.order == min(e.order for e in tell)
        if not wanted or is_siren(entry) or entry.person in seen:
            continue
        seen.add(entry.person)
        wait_s = held_for_s(entry, now.local) if now.local is not None and is_held(entry, priority, now.local) else 0.0
        key = f"{kind}/{name}/{entry.person}/{channel}"
        at = now.at + wait_s
        notices.append(
            Notice(key, 0, "", kind, entry.person, channel, priority, words.title, words.message, at, at + WORTH_S[kind])
        )
    return notices


def _alarming(record: AlarmRecord, so_far: list[Told], tell: Sequence[Tell], now: Now, compose: Compose) -> list[Notice]:
    notices: list[Notice] = []
    former: list[int] | None = None  # the channels of the order before
    for order in sorted({entry.order for entry in tell if record.priority in entry.priorities}):
        channels = _channels(order, record.priority, tell)
        if former is not None and not _may_escalate(former, so_far, tell, now):
            break
        kind = RAISED if former is None else ESCALATED
        for channel in channels:
            entry = tell[channel]
            if is_held(entry, record.priority, now.local):
                continue
            lines = [line for line in so_far if line.channel == channel and line.kind in ALARMING]
            every_s = entry.repeat_every_s * REPEAT_STRETCH[record.priority]
            if not lines:
                notices.append(_notice(record, entry, channel, kind, 1, record.priority, now, compose))
            elif now.at - max(line.at for line in lines) >= every_s:
                number = sum(line.kind == AGAIN for line in lines) + 1
                notices.append(_notice(record, entry, channel, AGAIN, number, record.priority, now, compose))
        former = channels
    return notices


def _channels(order: int, priority: Priority, tell: Sequence[Tell]) -> list[int]:
    """One channel a person, the first listed that takes this priority; and every siren."""
    chosen: list[int] = []
    people: set[str] = set()
    for channel, entry in enumerate(tell):
        if entry.order != order or priority not in entry.priorities:
            continue
        if is_siren(entry):
            chosen.append(channel)
        elif entry.person not in people:
            people.add(entry.person)
            chosen.append(channel)
    return chosen


def _may_escalate(former: list[int], so_far: list[Told], tell: Sequence[Tell], now: Now) -> bool:
    """Has one of the former order been told, long enough ago, without an answer?"""
    return any(
        line.channel in former and line.kind in ALARMING and now.at - line.at >= tell[line.channel].escalate_after_s
        for line in so_far
        if line.channel < len(tell)
    )


def _over(record: AlarmRecord, so_far: list[Told], tell: Sequence[Tell], now: Now, compose: Compose) -> list[Notice]:
    """The all clear: to each siren that sounded, and to each person by the channel that reached them last."""
    rung = [line for line in so_far if line.kind in ALARMING and line.channel < len(tell)]
    people = {
        tell[line.channel].person: line.channel for line in sorted(rung, key=lambda line: line.at) if not _to_siren(line, tell)
    }
    cleared = {line.channel for line in so_far if line.kind == ALL_CLEAR and line.channel < len(tell)}
    cleared_people = {tell[channel].person for channel in cleared if not is_siren(tell[channel])}
    sirens = {line.channel for line in rung if _to_siren(line, tell)} - cleared
    channels = {channel for person, channel in people.items() if person not in cleared_people} | sirens
    return [
        _notice(record, tell[channel], channel, ALL_CLEAR, 1, _calmer(record.priority), now, compose)
        for channel in sorted(channels)
        if not is_held(tell[channel], record.priority, now.local)
    ]


def _to_siren(line: Told, tell: Sequence[Tell]) -> bool:
    return is_siren(tell[line.channel])


def _silence(record: AlarmRecord, so_far: list[Told], tell: Sequence[Tell], now: Now, compose: Compose) -> list[Notice]:
    """A siren that was sounded is told that somebody has it."""
    rung = {line.channel for line in so_far if line.kind in ALARMING and line.channel < len(tell)}
    silenced = {line.channel for line in so_far if line.kind == ACKNOWLEDGED}
    return [
        _notice(record, tell[channel], channel, ACKNOWLEDGED, 1, record.priority, now, compose)
        for channel in sorted(rung - silenced)
        if is_siren(tell[channel])
    ]


def _calmer(priority: Priority) -> Priority:
    """Good news never stands in front of a notice that wakes someone, yet need not wait for morning."""
    return Priority.HIGH if priority is Priority.URGENT else priority


def _notice(
    record: AlarmRecord, entry: Tell, channel: int, kind: str, number: int, priority: Priority, now: Now, compose: Compose
) -> Notice:
    said = compose(record, entry, kind)
    # A repeat is worth nothing once the next one is due.
    worth_s = entry.repeat_every_s * REPEAT_STRETCH[record.priority] if kind == AGAIN else WORTH_S[kind]
    key = f"{record.occurrence}/{kind}/{entry.person}/{channel}/{number}"
    return Notice(
        key,
        record.occurrence,
        record.key,
        kind,
        entry.person,
        channel,
        priority,
        said.title,
        said.message,
        now.at,
        now.at + worth_s,
    )


def _second_of_day(local: time) -> int:
    return (local.hour * 60 + local.minute) * 60 + local.second
