"""What litter work did to the ammonia: what came, against what would have come without it. Pure.

Each night's ammonia is turned into what the litter gave off at one warmth (or, where the airflow is not
known, into ppm at one warmth and the same fan). Curves of build-up through the nights before the deed are
carried on and say what the nights after would have been. The difference, put back into ppm at the warmth
and air that really were, is the effect.

Rules of this file: the same hours each night; the night after the deed is left out; the interval comes from
resampled nights and is 95 %; below MIN_NIGHTS on either side, or with an interval that holds 0, the verdict
is that nobody can tell.

Sources
    [1] Emission rises 4 to 17 % per kelvin (aviary litter: 4 % of its ammoniacal nitrogen, 17 % of emission);
        8 % is taken, in the middle.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import fmean, median

from monitor.air.litter import mg_m3_of_one_ppm
from monitor.review.build_up import build_up, grown
from monitor.review.periods import DAY_MS, Night
from monitor.review.robust import Interval, quantile

PER_KELVIN = 0.08  # [1]
PER_KELVIN_UNSURE = 0.025  # one standard uncertainty: 4 to 17 % are published, most near the middle
REFERENCE_C = 15.0
LEAKAGE_UNSURE = 0.3  # in the logarithm: wind and cracks are guessed within about a third; our own assumption
BEND_UNSURE = 0.1  # the carried-on rise is good to a tenth of itself beyond what its curves differ by; our own assumption
WINDOW_BEFORE_DAYS, WINDOW_AFTER_DAYS = 14.0, 6.0
SAME_FAN_SHARE, SAME_FAN_LEAST = 0.25, 0.03  # of the usual share of time, and of the hour: so far it is the same fan
MIN_NIGHTS = 4
MIN_NIGHTS_AFTER = 3
ROUNDS = 400
OUTSIDE = 0.0175  # of the drawn, either side: few nights drawn anew are a little too alike; our own choice


class Verdict(StrEnum):
    HELPED = "helped"
    WORSE = "made it worse"
    CANNOT_TELL = "cannot tell"
    TOO_SOON = "too soon to tell"


@dataclass(frozen=True, slots=True)
class Effect:
    """What one deed did, ppm; positive `helped` is ammonia that did not come.

    Attributes:
        verdict: in one of four words.
        helped_ppm: with its interval; None while it cannot be worked out.
        before_ppm, after_ppm: mean of the matched hours as measured.
        expected_ppm: what the nights after would have had.
        emission_known: True when litter was told apart from ventilation by the airflow.
        nights_before, nights_after: how many went in.
    """

    verdict: Verdict
    helped_ppm: Interval | None
    before_ppm: float | None
    after_ppm: float | None
    expected_ppm: float | None
    emission_known: bool
    nights_before: int
    nights_after: int


def around(told: Sequence[Night], deed_ms: int, earliest_ms: int, latest_ms: int) -> tuple[list[Night], list[Night]]:
    """Nights before and after a deed, within the windows and between the neighbouring deeds."""
    before = [n for n in told if max(earliest_ms, deed_ms - WINDOW_BEFORE_DAYS * DAY_MS) <= n.time_ms < deed_ms]
    after = [n for n in told if deed_ms < n.time_ms < min(latest_ms, deed_ms + (WINDOW_AFTER_DAYS + 1.0) * DAY_MS)]
    return before, after


@dataclass(frozen=True, slots=True)
class Scaled:
    """A night as days from the deed, strength at the reference, the ppm one unit of strength made, and what bends them."""

    day: float
    strength: float
    ppm_each: float
    warmer_k: float
    leak_share: float  # of the airflow; 0 where the airflow is not used


def scaled(nights: Sequence[Night], deed_ms: int, with_air: bool) -> list[Scaled]:
    found = []
    for night in nights:
        warmer = 0.0 if night.litter_c is None else min(max(night.litter_c, -40.0), 60.0) - REFERENCE_C
        room_c = REFERENCE_C if night.temperature_c is None else min(max(night.temperature_c, -40.0), 60.0)
        each, leaks = math.exp(PER_KELVIN * warmer), 0.0
        strength = night.ppm / each
        if with_air and night.airflow_m3_h is not None and night.emission_mg_h is not None:
            each /= mg_m3_of_one_ppm(room_c) * night.airflow_m3_h
            strength = max(night.emission_mg_h, 0.0) / math.exp(PER_KELVIN * warmer)
            leaks = (night.leakage_m3_h or 0.0) / night.airflow_m3_h
        found.append(Scaled((night.time_ms - deed_ms) / DAY_MS, strength, each, warmer, leaks))
    return found


def with_air(nights: Sequence[Night]) -> bool:
    """Is the airflow of every night known, and above nothing?"""
    return bool(nights) and all(n.airflow_m3_h is not None and n.airflow_m3_h > 0.0 for n in nights)


def same_fan(nights: Sequence[Night], like: Sequence[Night]) -> list[Night]:
    """Of the nights those in which the fan ran as in `like`: all, where nobody knows how the fan ran."""
    shares = [n.fan_share for n in like if n.fan_share is not None]
    if not shares:
        return list(nights)
    usual = median(shares)
    room = max(SAME_FAN_SHARE * usual, SAME_FAN_LEAST)
    return [n for n in nights if n.fan_share is not None and abs(n.fan_share - usual) <= room]


def effect(before: Sequence[Night], after: Sequence[Night], seed: int = 0, still_open: bool = False) -> Effect:
    """What a deed between these nights did.

    Args:
        before, after: matched nights, as `around` gives them.
        seed: of the resampling; the same nights and seed give the same answer.
        still_open: further nights after are to come, so that too few of them means too soon.
    """
    known = with_air([*before, *after])
    ventilation_known = known or all(n.fan_share is not None for n in (*before, *after))
    if not known:
        before, after = same_fan(before, after), same_fan(after, after)
    before_ppm = fmean(n.ppm for n in before) if before else None
    after_ppm = fmean(n.ppm for n in after) if after else None
    counts = (known, len(before), len(after))
    if len(before) < MIN_NIGHTS or len(after) < MIN_NIGHTS_AFTER:
        soon = still_open and len(before) >= MIN_NIGHTS
        return Effect(Verdict.TOO_SOON if soon else Verdict.CANNOT_TELL, None, before_ppm, after_ppm, None, *counts)
    if not ventilation_known:  # a fall may as well be the fan's doing
        return Effect(Verdict.CANNOT_TELL, None, before_ppm, after_ppm, None, *counts)
    helped, expected = _helped(before, after, known, seed)
    verdict = Verdict.CANNOT_TELL
    if helped.excludes_zero():
        verdict = Verdict.HELPED if helped.best > 0.0 else Verdict.WORSE
    return Effect(verdict, helped, before_ppm, after_ppm, expected, *counts)


def _helped(before: Sequence[Night], after: Sequence[Night], known: bool, seed: int) -> tuple[Interval, float]:
    dice = random.Random(seed)  # noqa: S311 — resampling, no secrets
    past, came = scaled(before, before[-1].time_ms, known), scaled(after, before[-1].time_ms, known)
    fit = build_up([n.day for n in past], [n.strength for n in past])
    best = fmean(max(fit.mean_at(n.day), 0.0) * n.ppm_each for n in came)
    drawn = []
    for _ in range(ROUNDS):
        per_kelvin = dice.gauss(0.0, PER_KELVIN_UNSURE)
        leaks = math.exp(dice.gauss(0.0, LEAKAGE_UNSURE)) - 1.0 if known else 0.0
        curve = fit.draw(dice, [1.0 / _bent(n, per_kelvin, leaks) for n in past])
        bend = 1.0 + dice.gauss(0.0, BEND_UNSURE)
        nights = [
            max(curve.level + curve.rise * bend * grown(n.day, curve.slowness_days), 0.0)
            * n.ppm_each
            * _bent(n, per_kelvin, leaks)
            for n in came
        ]
        drawn.append(fmean(nights) * (1.0 + fit.nightly(dice, len(came))))
    middle = fmean(drawn)
    helped = best - fmean(n.ppm for n in after)
    return Interval(helped, helped + quantile(drawn, OUTSIDE) - middle, helped + quantile(drawn, 1.0 - OUTSIDE) - middle), best


def _bent(night: Scaled, per_kelvin: float, leaks: float) -> float:
    """By how much a night's ppm for one unit of strength changes when warmth acts otherwise, or more leaks than reckoned."""
    return math.exp(per_kelvin * night.warmer_k) / (1.0 + leaks * night.leak_share)
