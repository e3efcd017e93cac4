"""What to do with a notice that is late, refused, cut off or of no more use. Pure.

Exactly once cannot be had over a channel whose answer may be lost: killed between the hand-over and its
answer, nobody can say whether the message arrived. So, chosen and kept here:
1. What the next hop accepted is never sent again. What it certainly did not get is tried again.
2. What may have arrived (the answer was lost, or the daemon was killed in between) is sent again only when it
   calls for help (alarms, summaries), says what a damaged store has lost, for nothing else will say it, or goes to a
   siren; then under the same id, and its text says that it may be a repeat. All clears, reports and test calls are not:
   a lost one costs less than a doubted one.
3. What is stale is not sent by itself: one summary takes its place. A repeat that is stale is dropped, for the
   next one says the same.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from random import Random
from types import MappingProxyType

from monitor.engine.connections import Notice, Tell
from monitor.engine.specification import Priority
from monitor.notify.outbox import Row
from monitor.notify.rota import AGAIN, ALARMING, LOSS, RAISED, SUMMARY, TEST, base_key, is_siren, substitute_key

# In front of a row's last answer: its next attempt says that it may be a repeat.
UNCERTAIN = "may have arrived: "

FIRST_RETRY_S = 5.0
LONGEST_RETRY_S: Mapping[Priority, float] = MappingProxyType(
    {Priority.URGENT: 120.0, Priority.HIGH: 120.0, Priority.MEDIUM: 900.0, Priority.LOW: 900.0}
)

# Failed attempts, or seconds since it was due, after which the next channel is tried too. Own choice.
FALLS_AFTER: Mapping[Priority, tuple[int, float]] = MappingProxyType(
    {Priority.URGENT: (2, 20.0), Priority.HIGH: (2, 60.0), Priority.MEDIUM: (4, 900.0), Priority.LOW: (4, 900.0)}
)

# A summary is one screen: this many lines, then "+37".
SUMMARY_LINES = 20

# An alarm acknowledged or over so soon, before it went out, is not told at all.
ANSWERED_AT_ONCE_S = 60.0

FOREVER = 1e12


def backoff_s(attempts: int, priority: Priority, dice: Random) -> float:
    """Seconds to the next attempt after so many failed ones: doubling, bounded, ± a quarter by chance."""
    longest = LONGEST_RETRY_S[priority]
    return min(longest, FIRST_RETRY_S * 2.0 ** min(attempts - 1, 16)) * dice.uniform(0.75, 1.25)


def sends_again_when_uncertain(notice: Notice, tell: Sequence[Tell]) -> bool:
    """Rule 2: is a possible repeat better than a possible loss?"""
    siren = notice.channel < len(tell) and is_siren(tell[notice.channel])
    return siren or notice.kind in ALARMING or notice.kind in (SUMMARY, LOSS)


def falls(row: Row, at: float) -> bool:
    """Has its own channel failed it long enough for another to be tried?"""
    attempts, seconds = FALLS_AFTER[row.notice.priority]
    return row.notice.kind in (*ALARMING, LOSS) and (row.attempts >= attempts or at - row.notice.due_at >= seconds)


def direct_key(notice: Notice, channel: int, tell: Sequence[Tell]) -> str:
    """The key under which the rota itself tells this channel the same thing: then nothing need fall to it."""
    number = base_key(notice.key).rpartition("/")[2]
    return f"{notice.occurrence}/{notice.kind}/{tell[channel].person}/{channel}/{number}"


def others(notice: Notice, tell: Sequence[Tell]) -> list[int]:
    """The channels to fall to, in order: the same person's, for high and urgent the next people's, the sirens.

    What a damaged store has lost goes by any channel of that person's, and to nobody else: it is no alarm.
    """
    if notice.kind == LOSS:
        return [c for c, one in enumerate(tell) if one.person == notice.person and c != notice.channel and not is_siren(one)]
    serious = notice.priority in (Priority.URGENT, Priority.HIGH)
    own = tell[notice.channel].order if notice.channel < len(tell) else 0
    people: list[tuple[int, int]] = []
    for channel, entry in enumerate(tell):
        if channel == notice.channel or notice.priority not in entry.priorities or is_siren(entry):
            continue
        if entry.person == notice.person:
            people.append((-1, channel))
        elif serious and entry.order >= own:
            people.append((entry.order, channel))
    sirens = [c for c, entry in enumerate(tell) if is_siren(entry) and (serious or notice.priority in entry.priorities)]
    return [channel for _, channel in sorted(people)] + [c for c in sirens if c != notice.channel]


def substitute(notice: Notice, channel: int, tell: Sequence[Tell], at: float) -> Notice:
    """The same notice by another channel, under a key of its own that is the same on every run."""
    return Notice(
        substitute_key(notice.key, channel),
        notice.occurrence,
        notice.alarm,
        notice.kind,
        tell[channel].person,
        channel,
        notice.priority,
        notice.title,
        notice.body,
        at,
        notice.stale_after,
    )


def is_moot(row: Row, matters: bool, at: float) -> bool:
    """Of no use to anyone any more: neither by itself nor as a line of a summary."""
    notice = row.notice
    late = at > notice.stale_after
    if notice.kind in (AGAIN, TEST):
        return late or (notice.kind == AGAIN and not matters)
    # Answered before it went out: whoever answered knows. Later, it may be all that a person hears of it.
    return notice.kind in ALARMING and not matters and row.attempts == 0 and at - notice.due_at < ANSWERED_AT_ONCE_S


def is_late(row: Row, matters: bool, at: float) -> bool:
    """To be told as one line of a summary instead of by itself."""
    if row.notice.kind == SUMMARY:
        return False
    return at > row.notice.stale_after or (row.notice.kind in ALARMING and not matters)


def summary(rows: Sequence[Row], title: Callable[[int], str], when: Callable[[float], str], due_at: float) -> Notice:
    """One notice in place of many that came too late; earlier summaries that still wait are taken in.

    Args:
        rows: of one channel and person, at least one.
        title: the title for so many messages.
        when: an elapsed second as local day and time, or "" when that is not known.
        due_at: elapsed second from which it may be sent.
    """
    lines: list[tuple[int, float, str]] = []
    uncounted = 0
    rank = list(Priority)
    for row in rows:
        notice = row.notice
        if notice.kind != SUMMARY:
            said = f"{when(notice.due_at)} {notice.title}".strip()
            lines.append((rank.index(notice.priority) if notice.kind == RAISED else len(rank), notice.due_at, said))
            continue
        for number, line in enumerate(notice.body.splitlines()):
            if line.startswith("+") and line[1:].isdigit():
                uncounted += int(line[1:])
            else:
                lines.append((len(rank) - 1, notice.due_at - 1.0 + number * 1e-3, line))
    # Too many for a screen: repeats and good news go first, then the lesser alarms; what stays stands in time.
    kept = sorted(sorted(lines)[:SUMMARY_LINES], key=lambda line: line[1])
    uncounted += len(lines) - len(kept)
    body = [text for _, _, text in kept] + ([f"+{uncounted}"] if uncounted else [])
    first = rows[0].notice
    digest = hashlib.sha256("\n".join(sorted(row.notice.key for row in rows)).encode()).hexdigest()[:16]
    return Notice(
        f"{SUMMARY}/{first.person}/{first.channel}/{digest}",
        0,
        "",
        SUMMARY,
        first.person,
        first.channel,
        Priority.MEDIUM,
        title(len(kept) + uncounted),
        "\n".join(body),
        due_at,
        FOREVER,
    )
