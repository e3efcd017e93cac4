"""Falls of ammonia that the journal does not explain: was it new bedding, or did the fan run more? Pure.

A fall of the air's ammonia alone says nothing: the litter's strength, with airflow and warmth taken out, must
have fallen too, and stay down. The fan's part is what its airflow alone would have done.

Rules of this file: a suggestion is a question to the keeper, never an entry; it needs a large fall, four
nights before and three after, and an interval far from 0, for every day of a season is looked at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from statistics import median

from monitor.review.effects import MIN_NIGHTS, MIN_NIGHTS_AFTER, Effect, Verdict, around, effect, scaled, with_air
from monitor.review.periods import Night, Stretch

FALL_SHARE = 0.40  # of the expected level that must be gone before new bedding is suggested
FALL_PPM = 2.0
SURENESS = 2.0  # the fall is this many times its interval's half width
NEIGHBOURS_NIGHTS = 5  # one suggestion within this many nights
NOTABLE_SHARE = 0.15  # of the former level; a smaller part is not named as a cause


class Cause(StrEnum):
    BEDDING = "the bedding"
    FAN = "the fan"
    BOTH = "bedding and fan"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Suggestion:
    """It looks as if litter was worked on this day and nobody wrote it down."""

    day: date
    after_ms: int  # the last night before…
    before_ms: int  # …and the first after
    effect: Effect


def cause_of_fall(before: Sequence[Night], after: Sequence[Night], seed: int = 0) -> Cause:
    """Why the ammonia of the nights after is lower than before; "cannot tell" where the airflow is not known.

    Args:
        before, after: matched nights, as `effects.around` gives them.
        seed: of the resampling.
    """
    if len(before) < MIN_NIGHTS or len(after) < MIN_NIGHTS_AFTER or not with_air([*before, *after]):
        return Cause.CANNOT_TELL
    found = effect(before, after, seed)
    if found.helped_ppm is None or found.expected_ppm is None or found.before_ppm is None:
        return Cause.CANNOT_TELL
    level = max(found.before_ppm, 0.1)
    bedding = found.verdict is Verdict.HELPED and found.helped_ppm.best >= NOTABLE_SHARE * max(found.expected_ppm, 0.1)
    past, came = (median(n.airflow_m3_h or 0.0 for n in nights) for nights in (before, after))
    fan = came > past and level * (1.0 - past / came) >= NOTABLE_SHARE * level
    if bedding and fan:
        return Cause.BOTH
    if bedding:
        return Cause.BEDDING
    return Cause.FAN if fan else Cause.CANNOT_TELL


def suggestions(period: Stretch, seed: int = 0) -> list[Suggestion]:
    """Days of this period on which litter seems to have been worked without an entry."""
    nights = period.nights
    if not with_air(nights) and any(n.fan_share is None for n in nights):
        return []
    known = with_air(nights)
    strengths = [n.strength for n in scaled(nights, period.began_ms, known)]
    falls: list[tuple[float, int]] = []
    for index in range(MIN_NIGHTS, len(nights) - MIN_NIGHTS_AFTER + 1):
        past, came = median(strengths[index - MIN_NIGHTS : index]), median(strengths[index : index + MIN_NIGHTS_AFTER + 1])
        if past > 0.0 and came <= (1.0 - 0.75 * FALL_SHARE) * past:
            falls.append((came / past, index))
    found: list[tuple[int, Suggestion]] = []
    for _, index in sorted(falls):
        if any(abs(index - other) < NEIGHBOURS_NIGHTS for other, _ in found):
            continue
        index = max(range(max(index - 2, MIN_NIGHTS), min(index + 3, len(nights))), key=lambda i: strengths[i - 1] - strengths[i])
        suggestion = _suggestion(nights, index, period, seed)
        if suggestion is not None:
            found.append((index, suggestion))
    return [suggestion for _, suggestion in sorted(found, key=lambda one: one[0])]


def _suggestion(nights: Sequence[Night], index: int, period: Stretch, seed: int) -> Suggestion | None:
    middle_ms = (nights[index - 1].time_ms + nights[index].time_ms) // 2
    before, after = around(nights, middle_ms, period.began_ms, 2**62)
    told = effect(before, after, seed)
    if told.verdict is not Verdict.HELPED or told.helped_ppm is None or told.expected_ppm is None:
        return None
    best, half = told.helped_ppm.best, told.helped_ppm.best - told.helped_ppm.low
    if best < max(FALL_PPM, FALL_SHARE * told.expected_ppm) or best < SURENESS * half:
        return None
    return Suggestion(nights[index - 1].day, nights[index - 1].time_ms, nights[index].time_ms, told)
