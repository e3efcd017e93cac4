"""Mill Rise itself: the invented shed, birds, season and chores that the demo plays.

Rules of this file: numbers of this one barn only. Everything that comes from the keeper's settings
(size, insulation, fan, duct, sensors, flocks) is taken from the pen; the rest is invented here.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace

from demo.barn import Barn, Lamp, Shed
from demo.flock import Flock, Group
from demo.litter import DAY_S, Litter
from demo.weather import SPRING, Climate, Weather
from demo.world import Deed, World
from monitor.engine.specification import Pen

DRY_SHAVINGS_KG_M2 = 7.0  # 10 cm of pine shavings at 70 kg/m³ (invented, of usual size)


@dataclass(frozen=True, slots=True)
class Barnyard:
    """One invented barn: what the settings do not say about it."""

    climate: Climate = SPRING
    start_hour: float = 0.0
    days: float = 60.0
    lamp: Lamp = field(default_factory=Lamp)
    heater_w: float = 1800.0
    heater_on_below_c: float = 13.0
    leakage_cm2: float = 150.0
    coupling_w_k: float = 170.0
    mass_j_k: float = 2.5e6
    litter_age_days: float = 0.0
    litter_moisture_pct: float = 12.0
    coarseness: float = 1.0
    loss: float = 0.004


def raise_world(
    pen: Pen,
    yard: Barnyard,
    seed: int,
    hatched_s: float,
    arrives_s: float = -1.0,
    deeds: tuple[Deed, ...] = (),
) -> World:
    """The whole world of one pen, at time 0; birds hatched at model time `hatched_s` (before 0 when negative)."""
    shed = Shed(
        pen.length_m,
        pen.width_m,
        pen.height_m,
        pen.insulation_m2k_w,
        leakage_cm2=yard.leakage_cm2,
        coupling_w_k=yard.coupling_w_k,
        mass_j_k=yard.mass_j_k,
    )
    weather = Weather(yard.climate, seed, yard.days, yard.start_hour)
    dry_kg = DRY_SHAVINGS_KG_M2 * shed.floor_m2
    litter = Litter(shed.floor_m2, dry_kg, 0.0)
    litter.change(dry_kg, yard.litter_moisture_pct)
    litter.age_days = yard.litter_age_days
    start_c = weather.at(0.0).temperature_c + 6.0
    warmest = max(start_c, yard.heater_on_below_c) if yard.heater_w else start_c
    barn = Barn(shed, replace(yard.lamp), litter, air_c=warmest, mass_c=warmest)
    barn.lift_c = yard.lamp.lift_c if yard.lamp.kind != "none" else 0.0
    if yard.lamp.kind == "thermostat":  # no story begins hotter than its thermostat lets it be
        barn.lift_c = min(barn.lift_c, max(yard.lamp.set_point_c - warmest, 0.0))
    barn.heater_w, barn.heater_on_below_c = yard.heater_w, yard.heater_on_below_c
    groups = [Group(f.bird_class, hatched_s, f.count, arrives_s) for f in pen.flocks]
    flock = Flock(groups, start_hour=yard.start_hour)
    return World.of(pen, weather, barn, flock, deeds, seed, yard.coarseness, yard.loss)


def chores(seed: int, days: float, start_hour: float, doors_a_day: float = 2.0) -> list[Deed]:
    """The door opened for one to three minutes, morning and evening and now and then between."""
    dice = random.Random(f"chores {seed}")
    deeds: list[Deed] = []
    for day in range(int(days) + 1):
        for hour in (7.3, 18.2):
            if dice.random() < doors_a_day / 2.0:
                deeds += _door((day * 24.0 + hour - start_hour + dice.gauss(0.0, 0.4)) * 3600.0, dice.uniform(60.0, 180.0))
        if dice.random() < 0.25 * doors_a_day / 2.0:
            deeds += _door((day * 24.0 + dice.uniform(9.0, 21.0) - start_hour) * 3600.0, dice.uniform(60.0, 180.0))
    return [deed for deed in deeds if deed.time_s >= 0.0]


def _door(time_s: float, for_s: float) -> list[Deed]:
    def move(is_open: bool) -> Deed:
        def does(world: World) -> None:
            world.barn.door_open = is_open

        return Deed(time_s if is_open else time_s + for_s, does, name="door opened" if is_open else "door shut")

    return [move(True), move(False)]


def rearing(hatched_s: float, lift_of_week: tuple[float, ...], start_day: float = 0.0) -> list[Deed]:
    """The keeper raises the lamp a week at a time, and writes it down."""
    deeds = []
    for week, lift in enumerate(lift_of_week[1:], start=1):

        def does(world: World, lift: float = lift) -> None:
            world.barn.lamp.lift_c = lift

        at = hatched_s + week * 7 * DAY_S + 9.5 * 3600.0
        if at >= start_day * DAY_S:
            deeds.append(Deed(at, does, ("lamp raised", None, None), "lamp raised"))
    return deeds


def litter_deed(time_s: float, what: str, dry_kg_m2: float = DRY_SHAVINGS_KG_M2) -> Deed:
    """Bedding changed, topped or turned, and written down."""

    def does(world: World) -> None:
        litter = world.barn.litter
        if what == "litter changed":
            litter.change(dry_kg_m2 * litter.floor_m2, 12.0)
        elif what == "litter topped":
            litter.top(dry_kg_m2 * litter.floor_m2, 12.0)
        else:
            litter.turn()

    return Deed(time_s, does, (what, None, None), what)
