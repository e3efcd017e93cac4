"""Many barns: what a seed makes of one, so that nothing measured on the bank fits Mill Rise alone.

Rules of this file: every number is drawn from a range of usual size; a scenario's name is part of the
seed, so that two scenarios do not share their barns.
"""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any, Protocol

from demo.barn import Lamp
from demo.litter import DAY_S
from demo.mill_rise import Barnyard, chores, raise_world, rearing
from demo.weather import SPRING, Climate
from demo.world import Deed, World
from monitor.engine.specification import Pen

HOUR_S = 3600.0
MINUTE_S = 60.0
START_HOUR = 12.0  # every play starts at noon


class Recipe(Protocol):
    """What of a scenario decides on its barn."""

    @property
    def name(self) -> str: ...
    @property
    def heat(self) -> str: ...
    @property
    def age_days(self) -> int: ...
    @property
    def days(self) -> float: ...


COOL_SPRING = replace(SPRING, mean_c=6.0, swing_c=4.5)  # brooding weather


def barnyard(scenario: Recipe, seed: int, climate: Climate = COOL_SPRING, **changes: Any) -> Barnyard:
    """One barn of many: other lamp, other draughts, other weight of walls, other probes."""
    dice = random.Random(f"{scenario.name} barn {seed}")
    young = scenario.heat != "none"
    time_constant_s = dice.uniform(18.0, 60.0) * MINUTE_S
    heater_c = dice.uniform(13.0, 15.0)
    if scenario.heat == "steady":
        # the keeper hangs it so that the chicks' place is right on a cold night
        lamp = Lamp("steady", dice.uniform(175.0, 375.0), dice.uniform(30.4, 31.8) - heater_c, time_constant_s)
    elif scenario.heat == "thermostat":
        set_point_c = 32.5 + dice.uniform(-0.7, 0.7)
        lamp = Lamp("thermostat", dice.uniform(250.0, 500.0), dice.uniform(25.0, 34.0), time_constant_s, set_point_c)
    else:
        lamp = Lamp("none")
    yard = Barnyard(
        climate=climate,
        start_hour=START_HOUR,
        days=scenario.days + 1,
        lamp=lamp,
        heater_w=dice.uniform(1800.0, 2500.0) if young else 0.0,
        heater_on_below_c=heater_c,
        leakage_cm2=dice.uniform(100.0, 260.0),
        coupling_w_k=dice.uniform(130.0, 220.0),
        mass_j_k=dice.uniform(2.0e6, 4.5e6),
        litter_age_days=0.0 if young else dice.uniform(20.0, 120.0),
        litter_moisture_pct=12.0 if young else dice.uniform(20.0, 28.0),
        coarseness=dice.uniform(0.8, 2.0),
        loss=dice.uniform(0.001, 0.01),
    )
    return replace(yard, **changes)


def world_of(pen: Pen, scenario: Recipe, seed: int, yard: Barnyard, deeds: list[Deed], doors_a_day: float = 2.0) -> World:
    hatched_s = -scenario.age_days * DAY_S
    everyday = chores(seed, scenario.days, START_HOUR, doors_a_day)
    if yard.lamp.kind == "steady":
        lift = yard.lamp.lift_c
        everyday += rearing(hatched_s, tuple(max(lift - 2.8 * week, 0.0) for week in range(6)), 0.0)
    if yard.lamp.kind == "thermostat":
        everyday += _set_points(hatched_s, yard.lamp.set_point_c)
    return raise_world(pen, yard, seed, hatched_s, deeds=(*everyday, *deeds))


def _set_points(hatched_s: float, first_c: float) -> list[Deed]:
    deeds = []
    for week in range(1, 6):

        def does(world: World, week: int = week) -> None:
            world.barn.lamp.set_point_c = first_c - 2.8 * week

        at = hatched_s + week * 7 * DAY_S + 9.5 * HOUR_S
        if at >= 0:
            deeds.append(Deed(at, does, ("lamp raised", None, None), "thermostat set lower"))
    return deeds
