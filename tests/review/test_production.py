"""Eggs and deaths, honest about small numbers."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.events import JournalEntry
from monitor.engine.specification import BirdClass, Flock
from monitor.review.production import Production, Said, as_json, production, sentences
from tests.engine.barns import pen

HATCHED = date(2025, 10, 1)
FIRST, LAST = date(2026, 6, 1), date(2026, 6, 28)
HENS = Flock("hens", BirdClass.LAYER, HATCHED, 20)
PEN = replace(pen(), flocks=(HENS,))
WITH_COCKERELS = replace(pen(), flocks=(HENS, Flock("cockerels", BirdClass.DUAL_PURPOSE, date(2026, 4, 2), 14)))


def wrote(what: str, day: date, count: int | None, flock: str | None = None) -> JournalEntry:
    noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
    return JournalEntry(0.0, round(noon.timestamp() * 1000), "brooder", what, "keeper", flock, count)


def every_day(eggs: int, times: int = 28) -> list[JournalEntry]:
    return [wrote("eggs", FIRST + timedelta(days=n), eggs) for n in range(times)]


def look(journal: list[JournalEntry], hot: list[date] | None = None, the_pen: object = PEN) -> Production:
    return production(the_pen, "Europe/Dublin", journal, FIRST, LAST, hot)  # type: ignore[arg-type]  # a Pen, replaced


def test_hen_day_production_is_eggs_over_hens_times_days() -> None:
    """18 eggs a day of 20 hens: 90 %, 504 of 560, Wilson 87.2 to 92.2 by hand from his formula."""
    found = look(every_day(18))
    assert (found.eggs, found.hen_days) == (504, 560.0)
    assert found.hen_day_pct is not None
    assert [found.hen_day_pct.best, found.hen_day_pct.low, found.hen_day_pct.high] == pytest.approx([90.0, 87.2, 92.2], abs=0.1)


def test_deaths_and_sales_move_the_count_of_hens() -> None:
    """Two die on the 3rd, four go on the 5th: 20, 20, 18, 18, 14 hens."""
    moved = [wrote("deaths", date(2026, 6, 3), 2), wrote("birds out", date(2026, 6, 5), 4)]
    found = look([*every_day(14, 5), *moved])
    assert [d.hens for d in found.lay_days] == [20, 20, 18, 18, 14]


def test_birds_too_young_to_lay_are_no_hens() -> None:
    """Fourteen cockerels of eight weeks beside the hens: the eggs are the hens'."""
    assert look(every_day(18), the_pen=WITH_COCKERELS).hen_days == 560.0


def test_the_flock_named_with_the_eggs_is_the_one_that_lays() -> None:
    """A keeper who writes eggs for the hens means them, whatever the ages say."""
    named = [replace(entry, flock="hens") for entry in every_day(18)]
    assert look(named, the_pen=WITH_COCKERELS).hen_days == 560.0


def test_eggs_after_a_short_gap_belong_to_its_days_and_after_a_long_one_to_their_own() -> None:
    """36 eggs two days after: 18 a day. After a week the days between are not known."""
    gap = [wrote("eggs", FIRST, 18), wrote("eggs", FIRST + timedelta(days=2), 36), wrote("eggs", FIRST + timedelta(days=9), 17)]
    found = look(gap)
    assert [(d.day.day, d.eggs) for d in found.lay_days] == [(1, 18.0), (2, 18.0), (3, 18.0), (10, 17.0)]


def test_more_eggs_than_hens_is_said_to_be_wrong() -> None:
    """21 eggs a day of 20 hens cannot be; no percentage is given for them."""
    found = look(every_day(21))
    assert found.impossible
    assert found.hen_day_pct is None
    assert sentences(found)[0].startswith("Lay: 588 eggs of 560 hens times days cannot be: check the counts")


def test_no_deaths_still_have_an_upper_end() -> None:
    """None in 560 bird-days: 0 to 6.6 in 1000, for the exact upper end of 0 is 3.689 (Garwood 1936)."""
    rate = look([]).deaths_per_1000_bird_days
    assert rate is not None
    assert [rate.best, rate.low, rate.high] == pytest.approx([0.0, 0.0, 3.689 / 560 * 1000], rel=1e-3)


HOT = [FIRST + timedelta(days=n) for n in range(14, 20)]


def test_a_large_fall_on_hot_days_is_seen() -> None:
    """18 eggs a day, 11 on six hot days and the day after: 35 points lower."""
    hot_and_next = {*HOT, HOT[-1] + timedelta(days=1)}
    entries = [
        wrote("eggs", FIRST + timedelta(days=n), 11 if FIRST + timedelta(days=n) in hot_and_next else 18) for n in range(28)
    ]
    (against,) = look(entries, HOT).against
    assert against.lay is Said.LESS
    assert against.lay_points is not None
    assert against.lay_points.best == pytest.approx(-35.0, abs=1.0)


def test_level_lay_shows_no_sure_difference_and_two_days_are_too_few() -> None:
    """The same eggs on hot days: no sure difference. One hot day with its next: too few to tell."""
    assert look(every_day(18), HOT).against[0].lay is Said.NO_SURE_DIFFERENCE
    assert look(every_day(18), HOT[:1]).against[0].lay is Said.TOO_FEW


def test_days_that_scatter_count_for_less() -> None:
    """Lay that swings from 10 to 20 by itself: five points less on hot days are no sure difference, in level lay they are."""
    level = [wrote("eggs", FIRST + timedelta(days=n), 15 if 14 <= n <= 20 else 18) for n in range(28)]
    swings = [wrote("eggs", FIRST + timedelta(days=n), (12 if n % 2 else 18) - (3 if 14 <= n <= 20 else 0)) for n in range(28)]
    assert look(level, HOT).against[0].lay is Said.LESS
    assert look(swings, HOT).against[0].lay is Said.NO_SURE_DIFFERENCE


@pytest.mark.parametrize(
    ("hot_deaths", "other_deaths", "said"), [(1, 1, Said.TOO_FEW), (3, 4, Said.NO_SURE_DIFFERENCE), (7, 1, Said.MORE)]
)
def test_few_deaths_are_too_few(hot_deaths: int, other_deaths: int, said: Said) -> None:
    """Two deaths say nothing, seven against one in a third of the time do."""
    journal = [wrote("deaths", HOT[0], hot_deaths), wrote("deaths", FIRST, other_deaths)]
    assert look(journal, HOT).against[0].deaths is said


def test_what_was_not_measured_is_not_compared() -> None:
    """Without a warmth sensor there are no hot days to compare with, and no sentence about them."""
    assert look(every_day(18)).against == ()


def test_the_comparison_reads_as_what_it_is() -> None:
    """77 of 140 against 378 of 420: Newcombe's interval by hand is −43.6 to −26.4. No hot day: nothing to compare."""
    journal = [wrote("eggs", FIRST + timedelta(days=n), 11 if 14 <= n <= 20 else 18) for n in range(28)]
    said = sentences(look(journal, HOT))[-1]
    assert said.startswith("On hot days and the day after (7 of 28): lay 35 points lower (−44 to −26); ")
    assert said.endswith("; deaths 0 against 0: too few to tell.")
    assert sentences(look(journal, []))[-1] == "No hot days among these 28: nothing to compare."


def test_equal_lay_is_seldom_called_different() -> None:
    """Binomial lay without any effect, 300 months: at most 7 % are called different (5 % is meant, dice ±1.3)."""
    dice = random.Random(3)
    called = 0
    for _ in range(300):
        eggs = [sum(dice.random() < 0.85 for _ in range(20)) for _ in range(28)]
        journal = [wrote("eggs", FIRST + timedelta(days=n), count) for n, count in enumerate(eggs)]
        called += look(journal, HOT).against[0].lay in (Said.LESS, Said.MORE)
    assert called <= 21


_ENTRIES = st.builds(
    lambda what, day, count, flock: wrote(what, FIRST + timedelta(days=day), count, flock),
    st.sampled_from(["eggs", "deaths", "birds in", "birds out", "note"]),
    st.integers(-300, 40),
    st.none() | st.integers(-5, 40),
    st.sampled_from([None, "hens", "cockerels", "unknown"]),
)


@given(st.lists(_ENTRIES, max_size=40), st.lists(st.integers(0, 30), max_size=10))
def test_any_journal_is_looked_through(journal: list[JournalEntry], hot: list[int]) -> None:
    """Wild counts, unknown flocks and gaps never raise; shares stay between 0 and 100."""
    found = look(journal, [FIRST + timedelta(days=n) for n in hot], WITH_COCKERELS)
    assert found.hen_day_pct is None or 0.0 <= found.hen_day_pct.low <= found.hen_day_pct.high <= 100.0
    assert as_json(found)["deaths"] == found.deaths
