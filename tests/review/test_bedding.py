"""The whole review of one pen's litter: periods, changes, warnings, words and JSON, on one season of known truth."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from monitor.engine.events import JournalEntry
from monitor.review.airflow import FanRun
from monitor.review.bedding import Bedding, Due, review
from monitor.review.bedding_text import as_json, due_text, effect_text, sheet, warning_text
from monitor.review.effects import Effect, Verdict
from monitor.review.periods import DAY_MS
from monitor.review.robust import Interval
from tests.review.seasons import HOUR_MS, START_MS, Room, Season, Work, play

WORKS = (
    Work(20, "litter changed"),
    Work(34, "litter turned"),
    Work(44, "litter topped"),
    Work(60, "litter changed", written=False),
)


def the_duty(day: float, _ppm: float) -> float:
    return 0.05 if day < 50 else 0.09


@pytest.fixture(scope="module")
def season() -> Season:
    """80 days of fifty growing birds: changed, turned, topped, changed once more without an entry, and the fan turned up."""
    room = Room(days=80, works=WORKS, seed=4, birds=50, moisture_pct=30.0, duty=the_duty, spill_kg_day=0.5, leakage_cm2=40.0)
    return play(room)


def looked(season: Season, *more: JournalEntry, until_day: float = 80.0, fan: list[FanRun] | None = None) -> Bedding:
    return review(
        season.specification,
        "brooder",
        season.ammonia,
        season.warmth,
        [*season.journal, *more],
        season.fan if fan is None else fan,
        START_MS + round(until_day * DAY_MS),
        season.outside,
    )


@pytest.fixture(scope="module")
def whole(season: Season) -> Bedding:
    return looked(season)


def wrote(what: str, day: float, count: int | None = None) -> JournalEntry:
    return JournalEntry(0.0, START_MS + round(day * DAY_MS), "brooder", what, "keeper", None, count)


def said(found: Bedding) -> set[str]:
    return {warned.what for warned in found.warnings}


def test_each_deed_begins_a_period(whole: Bedding) -> None:
    """Before the first deed, and after each of the three written ones; the last still lasts."""
    assert [(p.stretch.what, p.is_open) for p in whole.periods] == [
        ("first readings", False),
        ("litter changed", False),
        ("litter turned", False),
        ("litter topped", True),
    ]
    assert whole.now is whole.periods[-1]


def test_what_each_deed_did_is_near_the_truth(season: Season, whole: Bedding) -> None:
    """Changed and topped helped, turned did nothing that lasts; each interval holds what the untouched copy shows."""
    assert [c.effect.verdict for c in whole.changes] == [Verdict.HELPED, Verdict.CANNOT_TELL, Verdict.HELPED]
    for number, change in enumerate(whole.changes):
        after = [n for p in whole.periods if p.stretch.began_ms == change.deed.time_ms for n in p.stretch.nights]
        hours = [
            h
            for n in after
            if n.time_ms < change.deed.time_ms + 7 * DAY_MS
            for h in season.true_ppm
            if abs(h + HOUR_MS // 2 - n.time_ms) <= n.hours * HOUR_MS // 2
        ]
        truth = sum(season.untouched_ppm[number][h] - season.true_ppm[h] for h in hours) / len(hours)
        between = change.effect.helped_ppm
        assert between is not None
        assert between.low <= truth <= between.high, change.deed.what


def test_the_forgotten_change_is_asked_about(whole: Bedding) -> None:
    """Day 60 is 31 October; the fan that was turned up on day 50 asks nothing."""
    assert [s.day for s in whole.suggested] == [date(2026, 10, 31)]
    assert "It looks as if the litter was changed on 31 Oct" in sheet(whole, "us")


def test_no_rise_is_carried_across_a_forgotten_change(whole: Bedding) -> None:
    """The course of the present litter uses the nights since then: it rises, though the period as a whole fell."""
    course = whole.periods[-1].course
    assert course is not None
    assert course.rise_ppm_day.low > 0.0


def test_emission_holds_the_truth(season: Season, whole: Bedding) -> None:
    """What the litter gave off in the last five nights lies within the interval; leakage there is right, the wind a guess."""
    last = whole.periods[-1]
    assert last.emission_last_mg_h is not None
    few = last.stretch.nights[-5:]
    hours = [h for n in few for h in season.true_mg_h if abs(h + HOUR_MS // 2 - n.time_ms) <= 5 * HOUR_MS]
    truth = sum(season.true_mg_h[h] for h in hours) / len(hours)
    assert last.emission_last_mg_h.low <= truth <= last.emission_last_mg_h.high


@pytest.mark.parametrize(
    ("entry", "what"),
    [
        (wrote("sensor calibrated", 18.0), "calibrated between"),
        (wrote("fan cleaned", 19.0), "fan cleaned between"),
        (wrote("birds out", 21.0, 20), "birds changed"),
    ],
)
def test_what_could_fool_a_comparison_is_named(season: Season, entry: JournalEntry, what: str) -> None:
    """Each between the nights before and after the change of day 20; a month later it would fool nothing there."""
    assert [w.what for w in looked(season, entry).changes[0].warnings] == [what]
    late = replace(entry, wall_ms=START_MS + 75 * DAY_MS)
    assert looked(season, late).changes[0].warnings == ()


def test_a_new_fan_setting_is_named_and_reckoned_out(season: Season) -> None:
    """Fan share 5 to 9 % on the day the litter was topped: said with both figures, and the effect is still near."""
    turned_up = play(
        Room(days=35, works=(Work(24, "litter topped"),), seed=8, birds=50, duty=lambda day, _: 0.05 if day < 24.4 else 0.09)
    )
    change = looked(turned_up, until_day=35.0).changes[0]
    assert [w.what for w in change.warnings] == ["fan changed, reckoned out"]
    assert change.warnings[0].figures == pytest.approx((5.0, 9.0), abs=0.1)
    assert "5 % of the night before and 9 % after" in warning_text(change.warnings[0], "Europe/Dublin")


def test_without_the_fans_doings_nobody_can_tell(season: Season) -> None:
    """No fan decision is stored: no effect is claimed, and the sheet says why."""
    found = looked(season, fan=[])
    assert {c.effect.verdict for c in found.changes} == {Verdict.CANNOT_TELL}
    assert "airflow not known" in said(found)
    assert "cannot tell litter from ventilation" in sheet(found, "us")


def test_fresh_litter_that_reads_high_doubts_the_sensor() -> None:
    """A sensor 8 ppm too high shows it in the first nights of fresh litter; a sound one does not."""
    room = Room(days=24, works=(Work(14, "litter changed"),), seed=2, birds=30, sensor_error_ppm=8.0)
    assert "fresh reads high" in said(looked(play(room), until_day=24.0))
    assert "fresh reads high" not in said(looked(play(replace(room, sensor_error_ppm=0.0)), until_day=24.0))


def test_a_creeping_zero_shows_between_fresh_litters() -> None:
    """0.1 ppm a day between two changes 30 days apart: 3 ppm more on the same fresh litter."""
    works = (Work(10, "litter changed"), Work(40, "litter changed"))
    room = Room(days=50, works=works, seed=2, birds=30, sensor_error_ppm=0.0, creep_ppm_day=0.1)
    assert "zero crept" in said(looked(play(room), until_day=50.0))
    assert "zero crept" not in said(looked(play(replace(room, creep_ppm_day=0.0)), until_day=50.0))


def test_a_sensor_not_calibrated_for_three_months_is_said(season: Season) -> None:
    """Within 80 days nothing is said; 95 days after the last entry it is, with the days."""
    assert "not calibrated" not in said(looked(season))
    late = looked(season, wrote("sensor calibrated", 1.0), until_day=96.0)
    (warned,) = [w for w in late.warnings if w.what == "not calibrated"]
    assert warned.figures == (95.0,)


def test_an_empty_store_says_so() -> None:
    """No reading at all: no period, no figure, a sentence."""
    season = play(Room(days=1))
    found = review(season.specification, "brooder", [], [], [], [], START_MS)
    assert sheet(found, "us").splitlines()[2] == "No night of this litter has been measured yet."
    assert said(found) == {"no nights"}
    assert as_json(found)["periods"] == []


def test_the_sheet_fits_and_reads_as_it_should(whole: Bedding) -> None:
    """At most 100 columns; the periods stand side by side from day 0; each verdict in words."""
    text = sheet(whole, "us")
    assert max(len(line) for line in text.splitlines()) <= 100
    assert "  Litter turned 5 Oct: cannot tell; between " in text
    assert "  Litter changed 21 Sep: helped by " in text
    assert "day    first seen 1 Sep  changed 21 Sep  turned 5 Oct  topped 15 Oct" in text
    assert "°F" in text
    assert "°C" in sheet(whole, "metric")


def test_json_is_what_the_page_draws(whole: Bedding) -> None:
    """Each period from its day nought with its level; sentences for what is said; plain JSON without NaN or infinity."""
    told: dict[str, Any] = as_json(whole)
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    for period in told["periods"]:
        assert len(period["day"]) == len(period["level_ppm"]) == len(period["dawn_ppm"]) == len(period["emission_mg_h"])
        assert period["day"] == sorted(period["day"])
        assert 0.0 <= period["day"][0] < 2.5
    assert told["limit_ppm"] == 20
    assert told["sentence"].startswith("Litter topped 35 days ago: ")
    assert told["changes"][-1]["text"].startswith("Litter topped 15 Oct: helped by ")
    assert told["changes"][-1]["effect"]["helped_ppm"]["low"] > 0.0


def test_the_future_does_not_count(season: Season) -> None:
    """Looked at on day 40, deeds and nights of later days are not there, and the last deed's verdict stands alike."""
    early = looked(season, until_day=41.0)
    assert [c.deed.what for c in early.changes] == ["litter changed", "litter turned"]
    assert early.changes[0].effect == looked(season).changes[0].effect


@pytest.mark.parametrize(
    ("effect", "words"),
    [
        (Effect(Verdict.HELPED, Interval(6.2, 4.1, 8.3), 12.0, 5.0, 11.2, True, 10, 5), "helped by 6.2 ppm (4.1 to 8.3)."),
        (
            Effect(Verdict.WORSE, Interval(-3.0, -5.0, -1.0), 9.0, 13.0, 10.0, True, 10, 5),
            "made it worse by 3.0 ppm (1.0 to 5.0).",
        ),
        (
            Effect(Verdict.CANNOT_TELL, Interval(0.4, -1.2, 2.0), 9.0, 9.0, 9.4, True, 10, 5),
            "cannot tell; between 1.2 ppm worse and 2.0 ppm better.",
        ),
        (Effect(Verdict.TOO_SOON, None, 9.0, 4.0, None, True, 10, 1), "too soon to tell, 1 of 3 nights so far."),
        (
            Effect(Verdict.CANNOT_TELL, None, None, None, None, False, 2, 0),
            "cannot tell, too few nights to compare (2 before, 0 after).",
        ),
    ],
)
def test_a_verdict_in_words(effect: Effect, words: str) -> None:
    """Helped, worse, cannot tell, too soon, too few: each with its figures."""
    assert effect_text("litter changed", date(2026, 9, 27), effect) == f"Litter changed 27 Sep: {words}"


def test_what_is_due_may_be_overdue() -> None:
    """Ahead it is next, past it was due; the reason stands beside."""
    today = date(2026, 9, 27)
    assert due_text(Due(today + timedelta(days=3), "limit"), today) == (
        "Next litter work about 30 Sep: the limit for birds is reached then."
    )
    assert due_text(Due(today - timedelta(days=3), "habit"), today) == (
        "Litter work was due about 24 Sep: as long as your litter usually lies."
    )
