"""Air changes measured week by week: gases of known fading, the model barn's own air, and every reason for no figure."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.air.decay import Decay
from monitor.review.airflow import FanRun
from monitor.review.measured_air import MOST_A_WEEK, WEEKS, AirWeek, Faded, Gas, Verdict, long_runs, weeks
from monitor.review.measured_air_text import as_json, week_text
from tests.engine.barns import fan, pen

ZONE = ZoneInfo("Europe/Dublin")
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
MONDAY = round(datetime(2026, 11, 16, tzinfo=UTC).timestamp() * 1000)
NOW_MS = MONDAY + 6 * DAY_MS


def run(day: float, minutes: float, speed_pct: float | None = None) -> FanRun:
    begin = MONDAY + round(day * DAY_MS)
    return FanRun(begin, begin + round(minutes * 60_000), speed_pct)


def fading(of: FanRun, per_hour: float, gas: Gas, start: float, settles: float, noise: float, seed: int) -> Faded:
    """A gas that fades exactly, read every half minute with noise."""
    dice = random.Random(seed)
    times = [30.0 * step for step in range(round((of.end_ms - of.begin_ms) / 30_000))]
    values = [settles + (start - settles) * math.exp(-per_hour * t / 3600.0) + dice.gauss(0.0, noise) for t in times]
    return Faded(of, gas, Decay(times, values, 420.0 if gas is Gas.CARBON_DIOXIDE else 0.0, 0.0001, 0.0), 15.0, 5.0)


def week_of(
    per_hour: float, gas: Gas, count: int = 4, start: float = 2500.0, settles: float = 600.0, noise: float = 30.0
) -> AirWeek:
    runs = [run(n + 0.3, 30.0) for n in range(count)]
    faded = [fading(one, per_hour, gas, start, settles, noise, n) for n, one in enumerate(runs)]
    return weeks(pen(), ZONE, faded, runs, NOW_MS)[-1]


def expected_per_hour() -> float:
    known = week_of(15.0, Gas.CARBON_DIOXIDE).expected_per_hour
    assert known is not None
    return known.best


def test_carbon_dioxide_that_fades_as_it_should_is_as_expected() -> None:
    """Four runs at the expected rate: the interval holds it, within 15 %, and the verdict says so."""
    truth = expected_per_hour()
    found = week_of(truth, Gas.CARBON_DIOXIDE)
    assert found.measured.per_hour == pytest.approx(truth, rel=0.15)
    assert found.verdict is Verdict.AS_EXPECTED
    assert found.gases == (Gas.CARBON_DIOXIDE,)
    assert "16 Nov: the fan changes the air" in week_text(found)


def test_a_fan_at_half_its_air_is_fewer_than_expected() -> None:
    """A duct half blocked: the week says fewer, and what to look at."""
    found = week_of(0.5 * expected_per_hour(), Gas.CARBON_DIOXIDE)
    assert found.verdict is Verdict.FEWER
    assert "fewer than expected. Look at the fan's wheel, shutter, duct" in week_text(found)


def test_ammonia_counts_only_from_twenty_ppm() -> None:
    """30 to 3 ppm tells; 12 to 2 does not, for a cell is good for a few ppm only."""
    assert week_of(15.0, Gas.AMMONIA, start=30.0, settles=3.0, noise=0.5).measured.per_hour == pytest.approx(15.0, rel=0.15)
    low = week_of(15.0, Gas.AMMONIA, start=12.0, settles=2.0, noise=0.5)
    assert low.measured.per_hour is None
    assert low.verdict is Verdict.CANNOT_TELL
    assert "too few decays: 0" in low.measured.reason


def test_moisture_alone_is_a_cross_check_and_no_figure() -> None:
    """It stands beside, with the word that it reads high."""
    found = week_of(15.0, Gas.MOISTURE, start=9.0, settles=5.0, noise=0.05)
    assert found.measured.per_hour is None
    assert found.by_moisture is not None
    assert found.by_moisture.per_hour == pytest.approx(15.0, rel=0.15)
    assert "no reading of ammonia or carbon dioxide" in week_text(found)
    assert "by moisture, which reads high" in week_text(found)


@pytest.mark.parametrize(
    ("found", "reason"),
    [
        (lambda: weeks(pen(), ZONE, [], [], NOW_MS)[-1], "never ran for five minutes at a stretch"),
        (lambda: week_of(15.0, Gas.CARBON_DIOXIDE, count=2), "too few decays: 2 usable of 2, 3 needed"),
        (lambda: week_of(15.0, Gas.CARBON_DIOXIDE, start=640.0, settles=600.0), "too few decays"),
        (lambda: week_of(4.5, Gas.CARBON_DIOXIDE, start=5000.0, noise=5.0), "at so slow a change 5 are needed"),
    ],
    ids=["no runs", "two runs", "nothing to fade", "slow"],
)
def test_what_cannot_be_told_says_why(found, reason) -> None:  # type: ignore[no-untyped-def]  # of any kind
    """No figure without ground: each case names its own."""
    week = found()
    assert week.measured.per_hour is None
    assert reason in week.measured.reason
    assert week.verdict is Verdict.CANNOT_TELL


def test_without_a_fan_curve_nothing_is_expected() -> None:
    """Measured all the same, and said that nobody knows what to expect."""
    bare = pen(the_fan=fan(curve=()))
    runs = [run(n + 0.3, 30.0) for n in range(4)]
    faded = [fading(one, 15.0, Gas.CARBON_DIOXIDE, 2500.0, 600.0, 30.0, n) for n, one in enumerate(runs)]
    found = weeks(bare, ZONE, faded, runs, NOW_MS)[-1]
    assert found.measured.per_hour is not None
    assert found.verdict is Verdict.CANNOT_TELL
    assert "not known without the fan's curve" in week_text(found)


def test_which_runs_count() -> None:
    """Five minutes or more after five of rest, a command said again no new run, an hour at most, the longest of a week."""
    told = [run(0.1, 4.0), run(0.2, 3.0), replace(run(0.2, 3.0), begin_ms=run(0.2, 3.0).end_ms, end_ms=run(0.2, 15.0).end_ms)]
    told += [
        run(0.3, 30.0),
        replace(run(0.3, 31.0), begin_ms=run(0.3, 33.0).end_ms, end_ms=run(0.3, 60.0).end_ms),
        run(0.5, 300.0),
    ]
    found = long_runs(told, ZONE, NOW_MS)
    assert [(each.begin_ms - MONDAY) / DAY_MS for each in found] == pytest.approx([0.2, 0.3, 0.5])
    assert [(each.end_ms - each.begin_ms) / 60_000 for each in found] == pytest.approx([15.0, 30.0, 60.0])
    many = [run(1.0 + n / 24.0, 20.0 + n) for n in range(20)]
    assert len(long_runs(many, ZONE, NOW_MS)) == MOST_A_WEEK
    assert min(each.end_ms - each.begin_ms for each in long_runs(many, ZONE, NOW_MS)) == 28 * 60_000
    assert long_runs([run(-7.0 * WEEKS, 30.0)], ZONE, NOW_MS) == []


def test_every_week_has_its_line() -> None:
    """Eight weeks, oldest first; the sentence is that of the last that has a figure."""
    runs = [run(n + 0.3 - 14.0, 30.0) for n in range(4)]
    faded = [fading(one, 15.0, Gas.CARBON_DIOXIDE, 2500.0, 600.0, 30.0, n) for n, one in enumerate(runs)]
    found = weeks(pen(), ZONE, faded, runs, NOW_MS)
    assert [each.begins for each in found][-3:] == [date(2026, 11, 2), date(2026, 11, 9), date(2026, 11, 16)]
    told = as_json(pen(), found)
    assert isinstance(told, dict)
    assert str(told["sentence"]).startswith("Week of 2 Nov: the fan changes the air")
    assert len(told["weeks"]) == WEEKS  # type: ignore[arg-type]  # a list
    assert told["lines"] == [
        told["sentence"],
        "In 7 of the last 8 weeks the fan never ran five minutes at a stretch after a rest.",
    ]


def _speeds(found: Sequence[AirWeek]) -> list[float | None]:
    return [each.speed_pct for each in found]


def test_a_fan_of_many_speeds_is_held_to_the_one_it_mostly_had() -> None:
    """Three runs at half speed and one at full: half speed is measured and expected."""
    runs = [run(n + 0.3, 30.0, 50.0) for n in range(3)] + [run(3.3, 30.0, 100.0)]
    faded = [fading(one, 8.0, Gas.CARBON_DIOXIDE, 2500.0, 600.0, 20.0, n) for n, one in enumerate(runs)]
    found = weeks(pen(), ZONE, faded, runs, NOW_MS)
    assert _speeds(found)[-1] == 50.0
    assert found[-1].measured.decays == 3
    full = expected_per_hour()
    assert found[-1].expected_per_hour is not None
    assert found[-1].expected_per_hour.best == pytest.approx(0.5 * full, rel=0.1)  # fan laws, resistances all quadratic
