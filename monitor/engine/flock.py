"""The birds of a pen as a source of heat, moisture and carbon dioxide, from their age and count."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from monitor.air import birds
from monitor.engine.specification import Flock, Pen
from monitor.facts.growth import GROWTH, GROWTH_FACTS

# Weight when the calendar is not known: six weeks, the middle of what the daemon watches over. Our own rule.
AGE_WHEN_UNKNOWN_DAYS = 42
COLDEST_C, HOTTEST_C = -20.0, 45.0  # range of the heat formulas


@dataclass(frozen=True, slots=True)
class Output:
    """What all birds of a pen give off at one temperature."""

    count: int
    live_weight_kg: float  # all together
    metabolic_kg: float  # sum of live weight to the power 0.75
    total_w: float
    sensible_w: float
    moisture_g_h: float
    carbon_dioxide_m3_h: float


def age_days(flock: Flock, day: int | None) -> int | None:
    """Days since hatch on a calendar day (proleptic ordinal); None while the day is not known."""
    return None if day is None else day - flock.hatched.toordinal()


def live_weight_kg(flock: Flock, day: int | None) -> float:
    """Live weight of one bird of this flock by its class's growth table, kg."""
    age = age_days(flock, day)
    if age is None:
        age = AGE_WHEN_UNKNOWN_DAYS
    return birds.live_weight_kg(float(min(max(age, 0), 5000)), GROWTH[flock.bird_class.value])


def is_laying(flock: Flock, day: int | None) -> bool:
    """Is this flock past its start of lay and not beyond its end?"""
    age = age_days(flock, day)
    if age is None or flock.bird_class.value == "meat":
        return False
    start = flock.start_of_lay_days
    if start is None:
        start = int(GROWTH_FACTS[f"start of lay, {flock.bird_class.value}"].value)
    return age >= start and (flock.end_of_lay_days is None or age < flock.end_of_lay_days)


def egg_kg_day(flock: Flock, day: int | None) -> float:
    """Egg mass one bird lays in a day, kg; what the trade's table says of a hen in lay."""
    return float(GROWTH_FACTS["egg mass of a laying hen"].value) if is_laying(flock, day) else 0.0


def output(pen: Pen, counts: Mapping[str, int], day: int | None, temperature_c: float) -> Output:
    """What the birds of this pen give off at this air temperature."""
    return output_of(living(pen, counts, day), temperature_c)


# Of each flock that has hatched and is not gone: its count, class, live weight and eggs a day of one bird, kg.
Living = tuple[tuple[int, str, float, float], ...]


def living(pen: Pen, counts: Mapping[str, int], day: int | None) -> Living:
    """The birds of this pen on a calendar day, as their output is reckoned from them."""
    return tuple(
        (number, *bird)
        for flock in pen.flocks
        if (number := counts.get(flock.name, flock.count)) > 0 and (bird := _bird(flock, day)) is not None
    )


@lru_cache(maxsize=256)
def _bird(flock: Flock, day: int | None) -> tuple[str, float, float] | None:
    """Class, live weight and eggs a day of one bird of this flock, kg; None before it has hatched."""
    age = age_days(flock, day)
    if age is not None and age < 0:
        return None
    return flock.bird_class.value, live_weight_kg(flock, day), egg_kg_day(flock, day)


@lru_cache(maxsize=128)  # asked at each judgement, mostly at the same temperature
def output_of(birds_here: Living, temperature_c: float) -> Output:
    """What these birds give off at this air temperature."""
    inside = min(max(temperature_c, COLDEST_C), HOTTEST_C)
    count, weight, metabolic, total, sensible, moisture, dioxide = 0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for number, kind, each, eggs in birds_here:
        heat = birds.heat(kind, each, inside, eggs)
        count += number
        weight += number * each
        metabolic += number * birds.metabolic_weight(each)
        total += number * heat.total_w
        sensible += number * heat.sensible_w
        moisture += number * birds.moisture_g_h(kind, each, inside, eggs)
        dioxide += number * birds.carbon_dioxide_m3_h(kind, each, inside, eggs)
    return Output(count, weight, metabolic, total, sensible, moisture, dioxide)
