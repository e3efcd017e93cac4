"""The birds as the room feels them: heat, water, carbon dioxide and droppings, by class, age and count.

Rules of this file: heat and gases come from `monitor.air.birds` (CIGR 2002); the day's rhythm and
the droppings' strength are the model's own. Outputs are worked out anew only when the room has moved
by half a kelvin or five minutes have gone by.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

from demo.barn import Breath
from monitor.air.birds import carbon_dioxide_m3_h, heat
from monitor.engine.specification import BirdClass
from monitor.facts.growth import DUAL_PURPOSE_MALE, LAYER, MEAT, GrowthTable

DAY_S = 86_400.0
# Ammonia the droppings of one kilogram of live weight could give, g a day at 20 °C in old litter.
# Growing birds on litter: 11.9 g a bird to 42 days (CSIRO AN15561), over a mean weight near 1 kg; grown
# hens: 0.231 g a hen a day from litter (experimental aviary), at 2 kg.
GROWING_G_DAY_KG = 0.28
GROWN_G_DAY_KG = 0.125
GROWTH: dict[BirdClass, GrowthTable] = {BirdClass.LAYER: LAYER, BirdClass.DUAL_PURPOSE: DUAL_PURPOSE_MALE, BirdClass.MEAT: MEAT}


@dataclass(slots=True)
class Group:
    """Birds of one hatch; `hatched_s` is the model time of hatching and may lie before the start."""

    bird_class: BirdClass
    hatched_s: float
    count: int
    arrives_s: float = -math.inf  # before this the pen stands empty
    leaves_s: float = math.inf  # from then on it does again

    def is_in(self, time_s: float) -> bool:
        return self.arrives_s <= time_s < self.leaves_s


@dataclass(slots=True)
class Flock:
    """All groups in the pen."""

    groups: list[Group]
    rhythm: float = 0.12  # by how much the day's heat is above and the night's below the mean (assumption)
    start_hour: float = 0.0
    ammonia_factor: float = 1.0
    _breath: Breath = field(default_factory=Breath)
    _worked_out_s: float = -math.inf
    _worked_out_c: float = 0.0

    def live_kg(self, time_s: float) -> float:
        return sum(g.count * weight_kg(g, time_s) for g in self.groups if g.is_in(time_s))

    def breath(self, time_s: float, air_c: float) -> Breath:
        """The flock's output at this moment in air of this temperature."""
        if time_s - self._worked_out_s >= 300.0 or abs(air_c - self._worked_out_c) > 0.5:
            self._breath = self._work_out(time_s, air_c)
            self._worked_out_s, self._worked_out_c = time_s, air_c
        return self._breath

    def _work_out(self, time_s: float, air_c: float) -> Breath:
        hour = (self.start_hour + time_s / 3600.0) % 24.0
        lively = 1.0 - self.rhythm * math.cos(2 * math.pi * (hour - 1.0) / 24.0)  # quietest at one in the morning
        total = latent = gas = live = droppings = 0.0
        for group in self.groups:
            if not group.is_in(time_s) or group.count <= 0:
                continue
            kg = weight_kg(group, time_s)
            warmth = min(max(air_c, 0.0), 35.0)
            bird = heat(group.bird_class.value, kg, warmth)
            total += group.count * bird.total_w
            latent += group.count * bird.latent_w
            gas += group.count * carbon_dioxide_m3_h(group.bird_class.value, kg, warmth) / 3600.0
            live += group.count * kg
            grown = (time_s - group.hatched_s) / DAY_S > 140
            droppings += group.count * kg * (GROWN_G_DAY_KG if grown else GROWING_G_DAY_KG)
        return Breath(total * lively, latent * lively, gas * lively, live, droppings * self.ammonia_factor)


def weight_kg(group: Group, time_s: float) -> float:
    """Live weight of one bird of the group at this time, from its class's growth table."""
    table = GROWTH[group.bird_class]
    age = max((time_s - group.hatched_s) / DAY_S, 0.0)
    for (day, kg), (next_day, next_kg) in pairwise(table):
        if age < next_day:
            return kg + (next_kg - kg) * max(age - day, 0.0) / (next_day - day)
    return table[-1][1]
