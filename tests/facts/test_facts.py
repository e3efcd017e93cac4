"""Every row of the trade's tables has its source and stands in a sane order."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from itertools import pairwise
from types import ModuleType
from typing import Any

import pytest

from monitor.facts import airflow, alarms, ammonia, brooding, climate, growth, lay, space
from monitor.facts.alarms import DEFAULT_LIMITS, LimitRow
from monitor.facts.brooding import LOHMANN_LAYER, ONTARIO_MEAT, PENN_STATE, WARMTH, WarmthRow
from monitor.facts.sources import SOURCES, SURENESS, Fact

MODULES = (airflow, alarms, ammonia, brooding, climate, growth, lay, space)
TABLES = {"Penn State": PENN_STATE, "Lohmann": LOHMANN_LAYER, "Ontario": ONTARIO_MEAT}


def rows_of(module: ModuleType) -> Iterator[tuple[str, Any]]:
    """Every dataclass row in every public table of a module, by name."""

    def unfold(name: str, thing: Any) -> Iterator[tuple[str, Any]]:
        if dataclasses.is_dataclass(thing) and not isinstance(thing, type):
            yield name, thing
        elif isinstance(thing, Mapping):
            for key, value in thing.items():
                yield from unfold(f"{name}[{key}]", value)
        elif isinstance(thing, tuple):
            for index, value in enumerate(thing):
                yield from unfold(f"{name}[{index}]", value)

    for name, thing in vars(module).items():
        if name.isupper() and not name.startswith("_"):
            yield from unfold(f"{module.__name__}.{name}", thing)


ROWS = [row for module in MODULES for row in rows_of(module)]


def test_the_walk_finds_the_tables() -> None:
    """The checks below look at real rows, not at an empty list."""
    assert len(ROWS) > 180
    assert {type(row).__name__ for _, row in ROWS} >= {
        "Fact",
        "WarmthRow",
        "LimitRow",
        "Band",
        "AgeRate",
        "SpaceRow",
        "Tightness",
    }


@pytest.mark.parametrize(("name", "row"), ROWS, ids=[name for name, _ in ROWS])
def test_a_row_names_a_source_and_how_surely_it_is_known(name: str, row: Any) -> None:
    """Nobody has to take a number on trust: each row's source is listed, its sureness one of four words."""
    assert row.source in SOURCES, name
    assert row.sureness in SURENESS, name


@pytest.mark.parametrize(("name", "row"), ROWS, ids=[name for name, _ in ROWS])
def test_a_number_nobody_published_says_why(name: str, row: Any) -> None:
    """A row filed under our own reasoning carries that reasoning, and is never called seen."""
    if row.source == "inference":
        assert row.sureness != "seen", name
        assert row.note, name


def test_every_source_is_used_and_named() -> None:
    """The list of sources holds no dead entry, and each says how it is known."""
    assert set(SOURCES) == {row.source for _, row in ROWS}
    for source in SOURCES.values():
        assert source.title
        assert source.how_known
        assert source.year is None or 1900 < source.year < 2030


@pytest.mark.parametrize("table", TABLES.values(), ids=list(TABLES))
def test_warmth_stands_in_order(table: tuple[WarmthRow, ...]) -> None:
    """At any age: cold < wanted < fan helps < hot, with more than a sensor's noise between alarm and wish."""
    for row in table:
        assert row.cold_c + 1.0 < row.target_low_c < row.target_high_c < row.vent_c < row.hot_c
        assert row.target_high_c + 0.5 <= row.hot_c


@pytest.mark.parametrize("table", TABLES.values(), ids=list(TABLES))
def test_warmth_falls_with_age(table: tuple[WarmthRow, ...]) -> None:
    """Birds want no more warmth as they grow, and once heat is off it stays off."""
    assert table[0].from_day == 0
    for younger, older in pairwise(table):
        assert younger.from_day < older.from_day
        for field in ("target_low_c", "target_high_c", "cold_c", "vent_c", "hot_c"):
            assert getattr(older, field) <= getattr(younger, field), (older.from_day, field)
        assert younger.needs_heat or not older.needs_heat


@pytest.mark.parametrize("table", TABLES.values(), ids=list(TABLES))
def test_the_alarms_of_warmth_follow_their_rule(table: tuple[WarmthRow, ...]) -> None:
    """Cold is 5.5 °C below the target while heat is needed (Renwick & Washburn 1982: harm at that gap); hot is
    36–37 °C for two weeks (van der Hel et al.: upper critical temperature of chicks); heat lasts about six weeks."""
    for row in table:
        if row.needs_heat:
            assert row.cold_c == pytest.approx(row.target_low_c - 5.5)
        if row.from_day < 14:
            assert 36.0 <= row.hot_c <= 37.0
        assert row.needs_heat == (row.from_day < 42)
    assert table[-1].cold_c == -1.0  # Cornell Bulletin 947: keep the laying house above 30 °F


def test_each_class_has_a_table() -> None:
    """Layers and dual-purpose birds follow Penn State, meat birds Ontario."""
    assert WARMTH == {"layer": PENN_STATE, "meat": ONTARIO_MEAT, "dual-purpose": PENN_STATE}


@pytest.mark.parametrize(
    ("day", "low_f", "high_f"),
    [(0, 92, 95), (7, 85, 90), (14, 85, 90), (21, 80, 85), (35, 70, 80)],
)
def test_the_first_weeks_are_penn_states(day: int, low_f: float, high_f: float) -> None:
    """Penn State Extension (Clauer), brooding temperature by age, whole °F: half a degree is the rounding."""
    row = next(row for row in PENN_STATE if row.from_day == day)
    assert row.target_low_c * 1.8 + 32 == pytest.approx(low_f, abs=0.1)
    assert row.target_high_c * 1.8 + 32 == pytest.approx(high_f, abs=0.1)


def test_every_alarm_of_the_house_has_its_default() -> None:
    """No alarm goes without a limit, a delay and a priority."""
    assert set(DEFAULT_LIMITS) == {
        "birds_cold",
        "birds_hot",
        "heat_failing",
        "heat_rising",
        "cold_by_morning",
        "ammonia_birds",
        "ammonia_people",
        "ammonia_by_morning",
        "damp",
        "dry",
        "condensation",
        "frostbite",
        "airflow_short",
        "fan_not_obeying",
        "fan_weak",
        "sensor_silent",
        "sensor_stuck",
        "sensor_implausible",
        "sensors_disagree",
        "mains_lost",
        "broker_lost",
        "clock_not_trusted",
        "store_failing",
        "notice_not_delivered",
        "mirror_behind",
        "ammonia_danger",
    }


@pytest.mark.parametrize(("name", "row"), DEFAULT_LIMITS.items(), ids=list(DEFAULT_LIMITS))
def test_an_alarm_clears_on_the_far_side_of_its_deadband(name: str, row: LimitRow) -> None:
    """Alarms from below are named as such, and the deadband is at least three times a usual sensor's noise."""
    from_below = row.off > row.on
    assert from_below == ("from below" in row.note), name
    assert abs(row.on - row.off) >= {"ppm": 3.0, "%": 3.0, "degC": 1.0, "K": 1.0, "fraction": 0.1 - 1e-9, "state": 1.0}[row.unit]
    assert row.on_delay_s >= 0
    assert row.off_delay_s >= 0
    if row.unit == "state":
        assert (row.on, row.off) == (1, 0)


def test_what_kills_tonight_is_urgent() -> None:
    """Cold, heat, a dying lamp, gas that harms people and lost mains wake the keeper."""
    for name in ("birds_cold", "birds_hot", "heat_failing", "ammonia_people", "mains_lost"):
        assert DEFAULT_LIMITS[name].priority == "urgent"


def test_ammonia_limits_rise_from_birds_to_danger() -> None:
    """Target < bird limit < people's short-term limit < danger < immediately dangerous."""
    rising = [
        ammonia.BIRDS["target"].value,
        DEFAULT_LIMITS["ammonia_birds"].on,
        DEFAULT_LIMITS["ammonia_people"].on,
        DEFAULT_LIMITS["ammonia_danger"].on,
        ammonia.PEOPLE["immediately dangerous to life or health"].value,
    ]
    assert rising == sorted(rising)
    assert DEFAULT_LIMITS["ammonia_people"].on == ammonia.PEOPLE["NIOSH short-term limit, 15 min"].value


@pytest.mark.parametrize("table", [growth.LAYER, growth.DUAL_PURPOSE, growth.DUAL_PURPOSE_MALE, growth.MEAT])
def test_birds_only_grow(table: growth.GrowthTable) -> None:
    """Live weight starts at a hatchling's and rises with every row."""
    assert table[0][0] == 0
    assert 0.03 <= table[0][1] <= 0.05
    for (day, weight), (later, heavier) in pairwise(table):
        assert day < later
        assert weight < heavier


def test_meat_birds_outgrow_the_others() -> None:
    """At 8 weeks a fast meat bird weighs more than a dual-purpose one, and that more than a layer."""
    at_56 = [dict(table)[56] for table in (growth.LAYER, growth.DUAL_PURPOSE, growth.DUAL_PURPOSE_MALE, growth.MEAT)]
    assert at_56 == sorted(at_56)


def test_room_and_air_rise_with_age() -> None:
    """Space and minimum airflow never shrink as birds grow."""
    for younger, older in pairwise(space.SPACE):
        assert younger.from_day < older.from_day
        assert younger.floor_m2 < older.floor_m2
        assert younger.feeder_m <= older.feeder_m
        assert younger.water_m <= older.water_m
    for rate, later in pairwise(airflow.BROILER_MINIMUM):
        assert rate.from_day < later.from_day
        assert rate.per_bird_m3_h < later.per_bird_m3_h


@pytest.mark.parametrize(
    ("day", "cfm"), [(0, 0.094), (7, 0.25), (14, 0.35), (21, 0.49), (28, 0.55), (35, 0.69), (42, 0.79), (49, 0.89)]
)
def test_broiler_minimum_is_the_printed_one(day: int, cfm: float) -> None:
    """Ontario Ministry of Agriculture (after Ross 2009), minimum cfm per broiler by age; ±0.01 m³/h is our rounding."""
    row = next(row for row in airflow.BROILER_MINIMUM if row.from_day == day)
    assert row.per_bird_m3_h == pytest.approx(cfm * 1.699, abs=0.01)


@pytest.mark.parametrize(("day", "square_feet", "inches"), [(0, 0.25, 1), (7, 0.5, 1.5), (21, 0.75, 2), (35, 1, 2)])
def test_space_is_the_printed_one(day: int, square_feet: float, inches: float) -> None:
    """Penn State Extension (Clauer): floor and feeder by age; 1 ft² = 0.0929 m², 1 in = 0.0254 m."""
    row = next(row for row in space.SPACE if row.from_day == day)
    assert row.floor_m2 == pytest.approx(square_feet * 0.0929, abs=0.0005)
    assert row.feeder_m == pytest.approx(inches * 0.0254, abs=0.0005)


@pytest.mark.parametrize("bands", climate.HEAT_STRESS.values(), ids=list(climate.HEAT_STRESS))
def test_heat_bands_cover_everything_in_order(bands: tuple[climate.Band, ...]) -> None:
    """Any index value falls into exactly one band, the first has no lower end."""
    assert bands[0].from_value == float("-inf")
    for lower, upper in pairwise(bands):
        assert lower.from_value < upper.from_value


def test_no_table_can_be_changed_at_run_time() -> None:
    """A row read twice is the same row."""
    with pytest.raises(TypeError):
        DEFAULT_LIMITS["damp"] = DEFAULT_LIMITS["dry"]  # type: ignore[index]  # the refusal is the point
    with pytest.raises(dataclasses.FrozenInstanceError):
        ammonia.BIRDS["limit"].value = 99.0  # type: ignore[misc]  # the refusal is the point
    assert isinstance(ammonia.BIRDS["limit"], Fact)
