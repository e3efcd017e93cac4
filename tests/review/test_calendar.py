"""The keeper's calendar: what holds now, what comes next, and what is not known.

Ages, room and temperatures are Penn State Extension's for small flocks (P. Clauer) unless a test names another source.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo.settings_text import specification as mill_rise
from monitor.engine.specification import BirdClass, Specification
from monitor.facts.sources import SOURCES
from monitor.review.calendar import Entry, as_json, as_lines, calendar

HATCHED = date(2026, 4, 2)
PULLETS, COCKERELS = "brown-egg pullets", "heavy cockerels"


def on_day(
    age: int, outside_c: float | None = None, spec: Specification | None = None, counts: Mapping[str, int] | None = None
) -> list[Entry]:
    chosen = spec or mill_rise("steady", HATCHED)
    return calendar(chosen, {"brooder": counts or {}}, HATCHED + timedelta(days=age), outside_c)


def one(entries: list[Entry], words: str, flock: str | None = None) -> Entry:
    found = [e for e in entries if words in e.what and flock in (None, e.flock)]
    assert len(found) == 1, [e.what for e in entries]
    return found[0]


def with_flock(**changed: object) -> Specification:
    spec = mill_rise("steady", HATCHED)
    pen = spec.pens["brooder"]
    flock = replace(pen.flocks[0], **changed)  # type: ignore[arg-type] # names of Flock's own fields
    return replace(spec, pens={"brooder": replace(pen, flocks=(flock,))})


# --------------------------------------------------------------------- warmth


@pytest.mark.parametrize(
    ("age", "now", "lower_on", "lower_to"),
    [
        (0, "92 to 95 °F", 7, "85 to 90 °F"),
        (6, "92 to 95 °F", 7, "85 to 90 °F"),
        (7, "85 to 90 °F", 21, "80 to 85 °F"),
        (15, "85 to 90 °F", 21, "80 to 85 °F"),  # the step at 14 days changes no target and is not told
        (21, "80 to 85 °F", 35, "70 to 80 °F"),
    ],
)
def test_the_brooding_target_of_today_and_the_day_it_is_lowered(age: int, now: str, lower_on: int, lower_to: str) -> None:
    """Penn State: 92–95 °F in week 1, 85–90 in weeks 2 and 3, 80–85 in weeks 3 to 5, 70–80 in weeks 5 to 8."""
    entries = on_day(age)
    today = one(entries, f"warmth at bird level {now}", PULLETS)
    assert today.due
    coming = one(entries, f"lower the warmth at bird level to {lower_to}", PULLETS)
    assert not coming.due
    assert coming.day == HATCHED + timedelta(days=lower_on)


@pytest.mark.parametrize(
    ("age", "outside_c", "words", "due"),
    [
        (20, 22.0, "heat off, once the air outside stays at 65 °F or more", False),  # warm, but not feathered
        (42, None, "heat stays on: how cold it gets outside is not known", False),
        (42, 5.0, "heat stays on: 41 °F at the coldest outside", False),
        (42, 18.2, "heat stays on: 65 °F at the coldest outside", False),  # a hair below the limit of 18.3 °C
        (42, 18.4, "heat off: 65 °F at the coldest outside", True),
    ],
)
def test_heat_goes_when_feathered_and_warm_enough(age: int, outside_c: float | None, words: str, due: bool) -> None:
    """Agricultural University Plovdiv: feathered at about 5 to 6 weeks and 65–70 °F outside; never on one of the two, and not
    on what is not known."""
    entry = one(on_day(age, outside_c), words, PULLETS)
    assert entry.due is due
    assert entry.day == HATCHED + timedelta(days=42)
    assert "fire" in entry.why


def test_a_pen_without_a_heat_source_is_not_told_to_take_it_away() -> None:
    """No lamp, no entry."""
    assert not [e for e in on_day(42, 20.0, mill_rise("none", HATCHED)) if "heat" in e.what]


# ----------------------------------------------------------------------- room


@pytest.mark.parametrize(
    ("age", "square_feet", "feeder", "water"),
    [
        # ¼, ½, ¾, 1 ft² a bird; 1, 1½, 2, 2 in of feeder; ½, ½, ½, ¾ in of water; thirty birds.
        (0, 7.5, 2.5, 1.25),
        (7, 15.0, 3.75, 1.25),
        (21, 22.5, 5.0, 1.25),
        (35, 30.0, 5.0, 1.875),
        (56, 60.0, 8.75, 3.75),  # 2 ft² of the printed 1½ to 3, 3½ in of 3 to 4, 1½ in of 1 to 2
    ],
)
def test_room_by_age_is_penn_states(age: int, square_feet: float, feeder: float, water: float) -> None:
    """The table's rows times thirty birds, within the rounding of what is shown (½ ft², 0.05 ft)."""
    entries = on_day(age)
    floor = next(e for e in entries if e.due and "ring or floor of at least" in e.what)
    assert float(floor.what.split("at least ")[1].split(" ")[0]) == pytest.approx(square_feet, abs=0.6)
    edge = next(e for e in entries if e.due and "feeder edge" in e.what)
    words = edge.what.split(" ")
    assert (float(words[0]), float(words[6])) == pytest.approx((feeder, water), abs=0.06)


def test_the_ring_is_widened_by_the_difference() -> None:
    """At five weeks thirty birds go from ¾ to 1 ft² each: 7.5 ft² more, told a week ahead."""
    entry = one(on_day(28), "widen the ring by")
    assert entry.day == HATCHED + timedelta(days=35)
    assert "to at least 30 ft² for 30 birds" in entry.what
    assert float(entry.what.split("by ")[1].split(" ")[0]) == pytest.approx(7.5, abs=0.6)


def test_a_floor_that_will_be_tight_is_told_early() -> None:
    """100 pullets want 200 ft² at eight weeks and the pen has 120: said from the first day, with the birds that would fit."""
    entry = one(on_day(1, spec=with_flock(count=100)), "birds want 200 ft²")
    assert entry.day == HATCHED + timedelta(days=56)
    assert "60 birds" in entry.what
    assert "80 ft² more" in entry.what


def test_deaths_leave_more_room() -> None:
    """The journal's count, not the settings', makes the want."""
    assert "for 20 birds" in one(on_day(0, counts={PULLETS: 6}), "ring or floor").what


# ------------------------------------------------------------------- housing


def test_nests_roosts_light_and_first_eggs() -> None:
    """Cooperative Extension: a nest for 4 hens, 8 in of roost a hen; Michigan State: lengthen the day from 16 weeks."""
    entries = on_day(0)
    nests = one(entries, "nests open", PULLETS)
    assert (nests.what, nests.day) == ("nests open: 4 for 16 birds", HATCHED + timedelta(days=133 - 14))
    roosts = one(entries, "low roosts", PULLETS)
    assert float(roosts.what.split(", ")[1].split(" ")[0]) == pytest.approx(16 * 8 / 12, abs=0.2)
    light = one(entries, "lengthen the day by 1 h a week to 14 h, at most 16 h", PULLETS)
    assert light.day == HATCHED + timedelta(weeks=16)
    assert one(entries, "first eggs", PULLETS).day == HATCHED + timedelta(days=133)


def test_what_happens_once_is_due_for_two_weeks() -> None:
    """Nests: ahead, then due, then gone from the list."""
    opens = 133 - 14
    assert not one(on_day(opens - 1), "nests open", PULLETS).due
    assert one(on_day(opens + 14), "nests open", PULLETS).due
    assert not [e for e in on_day(opens + 15) if "nests open" in e.what and e.flock == PULLETS]


def test_the_keepers_own_start_of_lay_moves_the_nests() -> None:
    """A start of lay in the settings counts, and the entry says so."""
    entries = on_day(0, spec=with_flock(start_of_lay_days=150))
    assert one(entries, "first eggs").day == HATCHED + timedelta(days=150)
    assert one(entries, "first eggs").source == "the settings"
    assert one(entries, "nests open").day == HATCHED + timedelta(days=136)


def test_birds_to_be_processed_are_not_told_to_lay() -> None:
    """Nothing is due on or after the processing day but itself."""
    entries = on_day(0, spec=with_flock(bird_class=BirdClass.DUAL_PURPOSE, processing_age_days=112))
    gone = HATCHED + timedelta(days=112)
    assert [e.what for e in entries if e.day >= gone] == ["processing"]
    assert one(entries, "processing").day == gone


def test_after_the_processing_day_only_that_is_left() -> None:
    """Three days after, nothing else is asked of birds that are gone."""
    entries = on_day(115, spec=with_flock(processing_age_days=112))
    assert [(e.what, e.due) for e in entries] == [("processing", True)]


def test_no_room_is_asked_for_birds_that_leave() -> None:
    """Shortly before processing the next step is the empty pen: nothing to widen."""
    entries = on_day(100, spec=with_flock(processing_age_days=112))
    assert not [e.what for e in entries if "for 0 birds" in e.what or "0.0 ft of feeder" in e.what]


def test_a_keeper_who_heats_longer_is_told_later() -> None:
    """Bands in the settings that want heat to seven weeks move the day it may go."""
    spec = with_flock()
    pen = spec.pens["brooder"]
    bands = tuple(replace(band, from_day=49) if band.from_day == 42 else band for band in pen.limits.warmth[BirdClass.LAYER])
    warmth = {**pen.limits.warmth, BirdClass.LAYER: bands}
    spec = replace(spec, pens={"brooder": replace(pen, limits=replace(pen.limits, warmth=warmth))})
    assert one(on_day(20, 20.0, spec), "heat off").day == HATCHED + timedelta(days=49)


def test_a_flock_long_gone_leaves_no_entry() -> None:
    """Two weeks after processing the pen's calendar is empty."""
    assert on_day(127, spec=with_flock(processing_age_days=112)) == []
    assert on_day(30, spec=with_flock(), counts={PULLETS: 0}) == []


# ------------------------------------------------------------ whatever comes


@given(
    st.integers(-40, 900),
    st.one_of(st.none(), st.floats(-40, 50)),
    st.sampled_from(list(BirdClass)),
    st.one_of(st.none(), st.integers(30, 300)),
    st.integers(0, 400),
    st.sampled_from(["us", "metric"]),
)
def test_any_day_has_a_calendar(
    age: int, outside_c: float | None, bird_class: BirdClass, processing: int | None, count: int, units: str
) -> None:
    """Any age, class and weather: sorted, in words, each with a ground and a source; what is due is not in the future."""
    spec = replace(with_flock(bird_class=bird_class, processing_age_days=processing, count=count), units=units)
    today = HATCHED + timedelta(days=age)
    entries = calendar(spec, {}, today, outside_c)
    assert [e.day for e in entries] == sorted(e.day for e in entries)
    for entry in entries:
        assert entry.what
        assert entry.why
        assert entry.source
        assert entry.day <= today or not entry.due
    assert len(as_lines(entries, today)) == len(entries)
    json.dumps(as_json(entries))


def test_sources_are_named_in_full() -> None:
    """No bare key of a table reaches the keeper."""
    assert not {entry.source for entry in on_day(0)} & set(SOURCES)


def test_flock_names_and_pens_stand_with_each_line() -> None:
    """A line can be read on its own: when, which pen, which flock, what."""
    lines = as_lines(on_day(0), HATCHED)
    assert f"now                brooder, {PULLETS}: warmth at bird level 92 to 95 °F" in lines
    assert any(line.startswith("9 April 2026 ") for line in lines)
