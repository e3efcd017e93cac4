"""How well the alarms serve the keeper: rate, standing, chattering, fleeting, longest. Pure.

The measures are those that ANSI/ISA-18.2 and IEC 62682 name for judging an alarm system. Targets: [1] gives
for one person in steady state about one alarm in 10 min and 120 a day on average; that is a process plant's
figure, and one keeper asleep wants far fewer, so no target is built in here.
Standing for 24 h as the bound of a stale alarm is a value from memory, widely quoted with those standards.
Their first test for chattering, 3 a minute, cannot happen with readings every 30 s and delays on top; ours is
3 activations of one alarm within 10 min. Fleeting is back to normal within 2 min. Both are our own rules.

[1] EEMUA 191, Alarm systems: a guide to design, management and procurement, as reprinted in trade articles.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from monitor.engine.events import AlarmChanged
from monitor.engine.specification import Priority
from monitor.engine.state import AlarmState

DAY_S = 86400.0
CHATTER_COUNT = 3
CHATTER_WITHIN_S = 600.0
FLEETING_S = 120.0
STALE_S = DAY_S
PEAK_WITHIN_S = 600.0

_OVER = frozenset({AlarmState.RETURNED, AlarmState.NORMAL})
_ASIDE = frozenset({AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})


@dataclass(frozen=True, slots=True)
class Spell:
    """One alarm from its raising until it was over; `ended_at` None while it stands. Elapsed seconds."""

    key: str
    name: str
    priority: Priority
    began_at: float
    ended_at: float | None
    acknowledged_at: float | None

    def lasted_s(self, until: float) -> float:
        return (until if self.ended_at is None else self.ended_at) - self.began_at


@dataclass(frozen=True, slots=True)
class Measures:
    """The alarms of one stretch of time."""

    days: float
    activations: int
    a_day: float
    by_priority: Mapping[Priority, int]
    most_in_ten_minutes: int
    chattering: tuple[str, ...]  # keys
    fleeting: int  # spells
    standing: tuple[Spell, ...]  # at the end, the longest first
    stale: tuple[Spell, ...]  # those that have stood a day or longer
    longest: Spell | None
    longest_s: float  # how long that one had lasted by the end of the stretch
    contributors: tuple[tuple[str, int], ...]  # key and its activations, the most frequent first, at most ten
    acknowledged_after_s: float | None  # median, of those that were


def spells(changes: Iterable[AlarmChanged]) -> list[Spell]:
    """Raisings and their ends, from the changes in order of time.

    An occurrence counts once; one that was suppressed under its cause before it ever rang does not count, for
    nobody heard it. An alarm that rings anew (it became worse, or came off the shelf) ends its former spell.
    """
    latest: dict[str, int] = {}
    began: dict[int, AlarmChanged] = {}
    ended: dict[int, float] = {}
    acknowledged: dict[int, float] = {}
    for change in changes:
        number = change.occurrence
        if change.state == AlarmState.UNACKNOWLEDGED:
            former = latest.get(change.key)
            if former is not None and former != number:
                ended.setdefault(former, change.at)
            latest[change.key] = number
            began.setdefault(number, change)
            ended.pop(number, None)
        elif number in began:
            if change.state == AlarmState.ACKNOWLEDGED:
                acknowledged.setdefault(number, change.at)
            elif change.state in _OVER or change.state in _ASIDE:
                ended.setdefault(number, change.at)
    return [
        Spell(first.key, first.name, first.priority, first.at, ended.get(number), acknowledged.get(number))
        for number, first in began.items()
    ]


def measures(changes: Iterable[AlarmChanged], from_at: float, to_at: float) -> Measures:
    """The measures of the stretch from_at to to_at, elapsed seconds; spells that began before count as standing only.

    Raises:
        ValueError: the stretch has no length.
    """
    if not to_at > from_at:
        raise ValueError(f"a stretch of time from {from_at} to {to_at} s has no length")
    known = [spell for spell in spells(changes) if spell.began_at <= to_at]
    within = sorted((spell for spell in known if spell.began_at >= from_at), key=lambda spell: spell.began_at)
    days = (to_at - from_at) / DAY_S
    standing = sorted(
        (spell for spell in known if spell.ended_at is None or spell.ended_at > to_at), key=lambda spell: spell.began_at
    )
    overlapping = [spell for spell in known if spell.ended_at is None or spell.ended_at >= from_at]
    answers = [spell.acknowledged_at - spell.began_at for spell in within if spell.acknowledged_at is not None]
    counted = Counter(spell.key for spell in within)
    longest = max(overlapping, key=lambda spell: _by(spell, to_at), default=None)
    return Measures(
        days=days,
        activations=len(within),
        a_day=len(within) / days,
        by_priority=Counter(spell.priority for spell in within),
        most_in_ten_minutes=most_within([spell.began_at for spell in within], PEAK_WITHIN_S),
        chattering=chattering(within),
        fleeting=sum(spell.ended_at is not None and spell.lasted_s(to_at) < FLEETING_S for spell in within),
        standing=tuple(standing),
        stale=tuple(spell for spell in standing if spell.lasted_s(to_at) >= STALE_S),
        longest=longest,
        longest_s=0.0 if longest is None else _by(longest, to_at),
        contributors=tuple(sorted(counted.items(), key=lambda one: (-one[1], one[0]))[:10]),
        acknowledged_after_s=median(answers) if answers else None,
    )


def _by(spell: Spell, to_at: float) -> float:
    """Seconds it had lasted by then."""
    return min(spell.lasted_s(to_at), to_at - spell.began_at)


def chattering(within: Iterable[Spell]) -> tuple[str, ...]:
    """The keys of alarms that were raised three times within ten minutes."""
    times: dict[str, list[float]] = defaultdict(list)
    for spell in within:
        times[spell.key].append(spell.began_at)
    return tuple(sorted(key for key, at in times.items() if most_within(at, CHATTER_WITHIN_S) >= CHATTER_COUNT))


def most_within(times: Sequence[float], seconds: float) -> int:
    """The largest number of these instants that lie within any stretch of so many seconds."""
    ordered = sorted(times)
    most, start = 0, 0
    for index, at in enumerate(ordered):
        while at - ordered[start] > seconds:
            start += 1
        most = max(most, index - start + 1)
    return most
