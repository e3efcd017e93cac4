"""How far the bedding's verdicts can be trusted: seasons of known truth, judged as the command judges them.

Four questions. Does the interval of a deed's effect cover the truth, and is "cannot tell" said when nothing
was done? Is fresh bedding told from a fan turned up? Is a change that nobody wrote down found, and none
invented? Are the days left right when the limit is a week ahead?

The truth of a deed is the ammonia of an untouched copy of the litter in the same air, less the ammonia that
was. The truth of the days left is when the litter, in the usual warmth and air of the last nights, brings
the sensor to 20 ppm. Invented rooms: 30 to 60 growing birds on 11 m², the demo's weather and litter, whose
build-up is made slower or faster, wetter or drier, than the demo's own, for the days left also of another shape;
the leakage in the settings is wrong by up to 40 %.

Run: python -m tests.bench.bedding_truth [seasons of each kind [first seed]]; prints tables, writes JSON.
"""

from __future__ import annotations

import json
import math
import random
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from statistics import fmean, median
from zoneinfo import ZoneInfo

from demo.weather import Climate
from monitor.review.days_left import course, weight_of
from monitor.review.effects import Verdict, around, effect
from monitor.review.periods import DAY_MS, Night, Stretch, nights
from monitor.review.robust import share_interval
from monitor.review.unmarked import Cause, cause_of_fall, suggestions
from tests.review.seasons import HOUR_MS, START_MS, ZONE, Room, Season, Work, play

LIMIT_PPM = 20.0
KINDS: dict[str, tuple[Work, ...]] = {
    "litter changed": (Work(0, "litter changed"),),
    "litter topped, 10 cm": (Work(0, "litter topped", 7.0),),
    "litter topped, 3 cm": (Work(0, "litter topped", 2.0),),
    "litter turned": (Work(0, "litter turned"),),
    "nothing done": (Work(0, "litter topped", 0.0),),
}


def barn(kind: str, seed: int) -> tuple[Room, random.Random]:
    """An invented room without any deed, and the dice it came from."""
    dice = random.Random(f"{kind} {seed}")
    share = dice.uniform(0.02, 0.08)
    room = Room(
        seed=seed,
        climate=Climate(mean_c=dice.uniform(2.0, 12.0), swing_c=dice.uniform(3.0, 6.0), front_sd_c=dice.uniform(1.5, 3.5)),
        duty=lambda _day, _ppm: share,
        moisture_pct=dice.uniform(15.0, 35.0),
        leakage_cm2=dice.uniform(20.0, 80.0),
        leakage_known=dice.uniform(0.7, 1.4),
        birds=dice.randint(30, 60),
        hen_days=dice.randint(60, 120),
        spill_kg_day=dice.choice((0.0, 0.5, 1.5)),
        build_up_days=dice.choice((12.0, 21.0, 35.0)),
        litter_age_days=dice.choice((0.0, 0.0, 10.0)),
    )
    return room, dice


def told(season: Season, worked_ms: Sequence[int] = ()) -> list[Night]:
    """The nights as the review sees them."""
    return nights(
        season.pen, ZONE, 0.0, season.ammonia, season.warmth, season.fan, season.end_ms, season.outside, list(worked_ms)
    )


def hours_of(night: Night) -> Iterable[int]:
    """The hours of a whole matched night, by its middle."""
    first = (night.time_ms - night.hours * HOUR_MS // 2) // HOUR_MS * HOUR_MS
    return range(first, first + night.hours * HOUR_MS, HOUR_MS)


# ---------------------------------------------------------------- one season of each question


@dataclass(frozen=True, slots=True)
class Judged:
    """One deed: truth and verdict."""

    truth_ppm: float
    best: float
    low: float
    high: float
    verdict: Verdict
    before_ppm: float

    @property
    def covered(self) -> bool:
        return self.low <= self.truth_ppm <= self.high


def judge(kind: str, seed: int, airflow_known: bool = True) -> Judged:
    """One season with one deed."""
    room, dice = barn(kind, seed)
    work = replace(KINDS[kind][0], day=dice.randint(12, 30))
    season = play(replace(room, days=work.day + 9, works=(work,)))
    if not airflow_known and season.pen.fan is not None:
        season.pen = replace(season.pen, fan=replace(season.pen.fan, curve=()))
    deed_ms = START_MS + work.day * DAY_MS + 10 * HOUR_MS
    before, after = around(told(season, [deed_ms]), deed_ms, 0, season.end_ms)
    did = effect(before, after, seed)
    assert did.helped_ppm is not None
    assert did.before_ppm is not None
    truth = fmean(fmean(season.untouched_ppm[0][h] - season.true_ppm[h] for h in hours_of(night)) for night in after)
    return Judged(truth, did.helped_ppm.best, did.helped_ppm.low, did.helped_ppm.high, did.verdict, did.before_ppm)


def cause(which: Cause, seed: int) -> tuple[Cause, bool]:
    """One unwritten change, of litter or fan: the cause named at that moment, and whether fresh litter is suggested."""
    room, dice = barn(f"cause {which}", seed)
    day, share, times = dice.randint(14, 26), room.duty(0.0, 0.0), dice.uniform(1.6, 2.5)
    change = [Work(day, "litter changed", written=False)] if which in (Cause.BEDDING, Cause.BOTH) else []
    turned_up = which in (Cause.FAN, Cause.BOTH)

    def duty(now: float, _ppm: float) -> float:
        return share * times if turned_up and now >= day + 10.0 / 24.0 else share

    season = play(replace(room, days=day + 9, works=tuple(change), duty=duty))
    moment = START_MS + day * DAY_MS + 10 * HOUR_MS
    seen = told(season)
    before, after = around(seen, moment, 0, season.end_ms)
    period = Stretch(START_MS, None, "first readings", tuple(seen))
    near = any(abs(found.after_ms + DAY_MS // 2 - moment) <= 1.5 * DAY_MS for found in suggestions(period))
    return cause_of_fall(before, after, seed), near


def invented(seed: int) -> int:
    """How many changes are suggested in 45 days in which nobody touched the litter."""
    room, _ = barn("quiet", seed)
    seen = told(play(replace(room, days=45)))
    return len(suggestions(Stretch(START_MS, None, "first readings", tuple(seen))))


@dataclass(frozen=True, slots=True)
class Ahead:
    """The limit a week ahead: true days, and what was said (middle None: no date at all)."""

    true_days: float
    middle: float | None
    low: float
    high: float
    named: bool  # the day was named, not only a span
    rise_ppm: float  # in that week

    @property
    def miss(self) -> float:
        return abs((self.middle or 0.0) - self.true_days)

    @property
    def covered(self) -> bool:
        return self.low <= self.true_days <= self.high


def a_week_ahead(seed: int, build_up: str = "first order") -> Ahead | None:
    """The first litter of a pen, of any dampness, that comes to the limit; None when it never does."""
    room, dice = barn("days left", seed)
    room = replace(
        room, days=45, birds=dice.randint(40, 70), moisture_pct=dice.uniform(20.0, 40.0), leakage_cm2=dice.uniform(20.0, 60.0)
    )
    season = play(replace(room, build_up=build_up))
    return _ahead(season, [(START_MS, told(season))], seed)


def a_week_ahead_again(seed: int, build_up: str = "first order") -> Ahead | None:
    """The third litter of a pen, all three of one kind of bedding; None when it never comes to the limit."""
    room, dice = barn("days left again", seed)
    first = dice.randint(24, 38)
    second = first + dice.randint(24, 38)
    room = replace(
        room,
        days=second + 45,
        birds=dice.randint(45, 75),
        hen_days=dice.randint(50, 100),
        moisture_pct=15.0,
        leakage_cm2=dice.uniform(15.0, 50.0),
        litter_age_days=0.0,
        build_up=build_up,
        works=(Work(first, "litter changed"), Work(second, "litter changed")),
    )
    season = play(room)
    laid = [START_MS, *(START_MS + work.day * DAY_MS + 10 * HOUR_MS for work in room.works)]
    seen = told(season, laid[1:])
    ends = [*laid[1:], 2**62]
    return _ahead(
        season, [(begin, [n for n in seen if begin <= n.time_ms < end]) for begin, end in zip(laid, ends, strict=True)], seed
    )


def _ahead(season: Season, litters: Sequence[tuple[int, Sequence[Night]]], seed: int) -> Ahead | None:
    """The last of these litters on the first morning on which the limit is truly a week ahead."""
    *former, (laid_ms, seen) = litters
    levels = [fmean(season.true_ppm[h] for h in hours_of(night)) for night in seen]
    weight = weight_of(season.pen.flocks, lambda ms: datetime.fromtimestamp(ms / 1000, ZoneInfo(ZONE)).date())

    def strength(time_ms: int) -> float:
        return season.strength[min(max(time_ms // HOUR_MS * HOUR_MS, START_MS), season.end_ms - HOUR_MS)]

    for today in range(9, len(seen) - 7):
        last_ms = seen[today - 1].time_ms
        # what one unit of strength brought in clean air, in the usual warmth and air of the last fortnight
        each = math.exp(
            fmean(
                math.log(levels[i] / (1.0 - levels[i] / 100.0) / strength(seen[i].time_ms))
                for i in range(max(0, today - 14), today)
            )
        )

        def read(time_ms: int, each: float = each) -> float:
            clean = strength(time_ms) * each
            return clean / (1.0 + clean / 100.0) + season.error  # litter gives off less into air that is full of it

        if read(last_ms) >= LIMIT_PPM:
            return None
        quarters = [k for k in range(1, 33) if read(last_ms + k * 6 * HOUR_MS) >= LIMIT_PPM]
        if quarters and 6.5 <= quarters[0] / 4 <= 7.5:
            found = course(seen[:today], True, LIMIT_PPM, seed, laid_ms, weight, former)
            assert found is not None
            rise, left = LIMIT_PPM - read(last_ms), found.days_left
            if left is None:
                return Ahead(quarters[0] / 4, None, 0.0, math.inf, False, rise)
            return Ahead(quarters[0] / 4, left.best, left.low, left.high, found.to_the_day, rise)
    return None


# ---------------------------------------------------------------- tables


def share(hits: int, trials: int) -> str:
    found = share_interval(hits, trials)
    return f"{100 * found.best:.0f} % ({100 * found.low:.0f} to {100 * found.high:.0f})"


def effects_table(count: int, first: int, airflow_known: bool = True) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    print(f"\nEffect of a deed, {count} seasons each" + ("" if airflow_known else ", airflow not known, fan steady"))
    print(f"{'kind':22} {'covered':20} {'helped':>7} {'worse':>7} {'cannot':>7} {'bias':>7} {'width':>7} {'before':>7}")
    for kind in KINDS:
        found = [judge(kind, seed, airflow_known) for seed in range(first, first + count)]
        said = [
            sum(one.verdict is verdict for one in found) / count
            for verdict in (Verdict.HELPED, Verdict.WORSE, Verdict.CANNOT_TELL)
        ]
        covered = sum(one.covered for one in found)
        bias, width = fmean(one.best - one.truth_ppm for one in found), median(one.high - one.low for one in found)
        before = median(one.before_ppm for one in found)
        print(f"{kind:22} {share(covered, count):20} " + " ".join(f"{each:7.2f}" for each in (*said, bias, width, before)))
        rows.append(
            {
                "kind": kind,
                "airflow_known": airflow_known,
                "seasons": count,
                "covered": covered / count,
                "helped": said[0],
                "worse": said[1],
                "cannot_tell": said[2],
                "bias_ppm": bias,
                "width_ppm": width,
                "before_ppm": before,
            }
        )
    return rows


def causes_table(count: int, first: int) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    print(f"\nWhy did it fall, {count} seasons each")
    for which in (Cause.BEDDING, Cause.FAN, Cause.BOTH):
        found = [cause(which, seed) for seed in range(first, first + count)]
        right, near = sum(named is which for named, _ in found), sum(suggested for _, suggested in found)
        print(f"{which:18} named right {share(right, count)}; fresh litter suggested {share(near, count)}")
        rows.append({"cause": which, "seasons": count, "named_right": right / count, "suggested": near / count})
    false = [invented(seed) for seed in range(first, first + count)]
    print(f"nobody did anything: {sum(false)} suggestions in {count} seasons of 45 days")
    rows.append({"cause": "nothing", "seasons": count, "suggestions": sum(false)})
    return rows


def days_table(count: int, first: int, what: str, ask: Callable[[int], Ahead | None]) -> dict[str, object]:
    found = [one for seed in range(first, first + count) if (one := ask(seed)) is not None]
    given = [one for one in found if one.middle is not None]
    named = [one for one in given if one.named]
    covered, near = sum(one.covered for one in given), sum(one.miss <= 2.0 for one in named)
    print(f"\nDays left, the limit a week ahead, {what}: {len(found)} of {count} seasons come to it")
    print(
        f"a span is given in {len(given)}, covered {share(covered, len(given))}; its middle misses by {_middle(given):.1f} days"
    )
    said = f", within 2 days {share(near, len(named))}" if named else ""
    print(f"the day is named in {len(named)}{said}; in the others it is said that nobody can tell closer yet")
    middle_near = sum(one.miss <= 2.0 for one in given)
    return {
        "litter": what,
        "seasons": count,
        "reach_the_limit": len(found),
        "span_given": len(given),
        "span_covered": covered / len(given),
        "middle_within_2_days": middle_near / len(given),
        "middle_median_miss_days": _middle(given),
        "day_named": len(named),
        "day_within_2_days": near / len(named) if named else None,
    }


def _middle(given: Sequence[Ahead]) -> float:
    return median(one.miss for one in given)


def main(count: int, first: int = 0) -> None:
    began = time.perf_counter()
    answer = {
        "first_seed": first,
        "effects": [*effects_table(count, first), *effects_table(max(count // 2, 10), first, airflow_known=False)],
        "causes": causes_table(count, first),
        "days_left": [
            days_table(count, first, f"{which} litter, build-up {shape}", partial(ask, build_up=shape))
            for which, ask in (("first", a_week_ahead), ("third", a_week_ahead_again))
            for shape in ("first order", "slow start", "straight")
        ],
    }
    print(f"\n{time.perf_counter() - began:.0f} s")
    out = Path(__file__).parent / "out"
    out.mkdir(exist_ok=True)
    (out / "bedding_truth.json").write_text(json.dumps(answer, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3] or ("200",)))
