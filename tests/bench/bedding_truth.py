"""How far the bedding's verdicts can be trusted: seasons of known truth, judged as the command judges them.

Four questions. Does the interval of a deed's effect cover the truth, and is "cannot tell" said when nothing
was done? Is fresh bedding told from a fan turned up? Is a change that nobody wrote down found, and none
invented? Are the days left right when the limit is a week ahead?

The truth of a deed is the ammonia of an untouched copy of the litter in the same air, less the ammonia that
was. The truth of the days left is when the litter, in the usual warmth and air of the last nights, brings
the sensor to 20 ppm. Invented rooms: 30 to 60 growing birds on 11 m², the demo's weather and litter, whose
build-up is made slower or faster, wetter or drier, than the demo's own; the leakage in the settings is wrong
by up to 40 %. Run: python -m tests.bench.bedding_truth [seasons of each kind]; prints tables, writes JSON.
"""

from __future__ import annotations

import json
import math
import random
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import fmean, median

from demo.weather import Climate
from monitor.review.days_left import course
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
    """The limit a week ahead: true days, and what was said (None: no date)."""

    true_days: float
    best: float | None
    low: float
    high: float
    rise_ppm: float  # in that week


def a_week_ahead(seed: int) -> Ahead | None:
    """One season that comes to the limit; None when it never does."""
    room, dice = barn("days left", seed)
    room = replace(
        room, days=45, birds=dice.randint(40, 70), moisture_pct=dice.uniform(20.0, 40.0), leakage_cm2=dice.uniform(20.0, 60.0)
    )
    season = play(room)
    seen = told(season)
    levels = [fmean(season.true_ppm[h] for h in hours_of(night)) for night in seen]

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
            found = course(seen[:today], True, LIMIT_PPM, seed)
            assert found is not None
            rise = LIMIT_PPM - read(last_ms)
            if found.days_left is None:
                return Ahead(quarters[0] / 4, None, 0.0, math.inf, rise)
            return Ahead(quarters[0] / 4, found.days_left.best, found.days_left.low, found.days_left.high, rise)
    return None


# ---------------------------------------------------------------- tables


def share(hits: int, trials: int) -> str:
    found = share_interval(hits, trials)
    return f"{100 * found.best:.0f} % ({100 * found.low:.0f} to {100 * found.high:.0f})"


def effects_table(count: int, airflow_known: bool = True) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    print(f"\nEffect of a deed, {count} seasons each" + ("" if airflow_known else ", airflow not known, fan steady"))
    print(f"{'kind':22} {'covered':20} {'helped':>7} {'worse':>7} {'cannot':>7} {'bias':>7} {'width':>7} {'before':>7}")
    for kind in KINDS:
        found = [judge(kind, seed, airflow_known) for seed in range(count)]
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


def causes_table(count: int) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    print(f"\nWhy did it fall, {count} seasons each")
    for which in (Cause.BEDDING, Cause.FAN, Cause.BOTH):
        found = [cause(which, seed) for seed in range(count)]
        right, near = sum(named is which for named, _ in found), sum(suggested for _, suggested in found)
        print(f"{which:18} named right {share(right, count)}; fresh litter suggested {share(near, count)}")
        rows.append({"cause": which, "seasons": count, "named_right": right / count, "suggested": near / count})
    false = [invented(seed) for seed in range(count)]
    print(f"nobody did anything: {sum(false)} suggestions in {count} seasons of 45 days")
    rows.append({"cause": "nothing", "seasons": count, "suggestions": sum(false)})
    return rows


def days_table(count: int) -> dict[str, object]:
    found = [one for seed in range(count) if (one := a_week_ahead(seed)) is not None]
    dated = [one for one in found if one.best is not None]
    off = [abs((one.best or 0.0) - one.true_days) for one in dated]
    quick = [o for o, one in zip(off, dated, strict=True) if one.rise_ppm >= 3.5]
    covered = sum(one.low <= one.true_days <= one.high for one in dated)
    print(f"\nDays left, the limit a week ahead: {len(found)} of {count} seasons come to it, {len(dated)} are given a date")
    near = share(sum(o <= 2 for o in off), len(off))
    print(f"within 2 days {near}, median miss {median(off):.1f} days; covered {share(covered, len(dated))}")
    if quick:
        print(f"of those that rise by 3.5 ppm or more in that week within 2 days {share(sum(o <= 2 for o in quick), len(quick))}")
    return {
        "seasons": count,
        "reach_the_limit": len(found),
        "dated": len(dated),
        "within_2_days": sum(o <= 2 for o in off) / len(off),
        "median_miss_days": median(off),
        "covered": covered / len(dated),
        "quick": len(quick),
        "quick_within_2_days": sum(o <= 2 for o in quick) / len(quick) if quick else None,
    }


def main(count: int) -> None:
    began = time.perf_counter()
    answer = {
        "effects": [*effects_table(count), *effects_table(max(count // 4, 10), airflow_known=False)],
        "causes": causes_table(count),
        "days_left": days_table(2 * count),
    }
    print(f"\n{time.perf_counter() - began:.0f} s")
    out = Path(__file__).parent / "out"
    out.mkdir(exist_ok=True)
    (out / "bedding_truth.json").write_text(json.dumps(answer, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
