"""The gas in the air as a witness: an opened door thins it, a dead heat source leaves it alone."""

from __future__ import annotations

import copy
import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest

from monitor.engine import foresee_heat
from monitor.engine.foresee_heat import Air, Learned
from monitor.engine.heat_gas import MOST, Witness, follow_gas
from tests.engine.brooders import STEP_S, Brooder

COLD_C = 20.0
USUAL_PPM, GATHERS_MIN, DOOR_MIN, FAN_MIN, LAG_MIN = 150.0, 30.0, 4.0, 6.0, 1.0


@dataclass
class Room:
    """The air of a brooder's room, one box: gathers, thins out through an open door or by the fan, is seen with lag and noise."""

    brooder: Brooder
    noise_ppm: float = 6.0
    fan_every_min: float = math.inf
    opened: bool = True  # False: a door that leaves this sensor alone
    gas: float = USUAL_PPM
    seen: float = USUAL_PPM
    fan_min: float = 0.0
    dice: random.Random = field(default_factory=lambda: random.Random(5))

    def run(self, minutes: float) -> Iterator[tuple[float, float, float, Air]]:
        for second, warm, room in self.brooder.run(minutes):
            step = STEP_S / 60.0
            rate = 1.0 / GATHERS_MIN
            if self.opened and self.brooder.time_min < self.brooder.door_until:
                rate += 1.0 / DOOR_MIN
            if self.brooder.time_min % self.fan_every_min < step:
                rate, self.fan_min = rate + 1.0 / FAN_MIN, self.fan_min + step
            aim = USUAL_PPM / GATHERS_MIN / rate
            self.gas = aim + (self.gas - aim) * math.exp(-rate * step)
            self.seen += (self.gas - self.seen) * (1.0 - math.exp(-step / LAG_MIN))
            yield second, warm, room, Air(round(self.seen + self.dice.gauss(0.0, self.noise_ppm)), self.fan_min)


def watch(room: Room, learned: Learned, minutes: float, with_gas: bool = True) -> list[float]:
    """Minutes at which it begins to call, over so long."""
    calls, standing = [], False
    for second, warm, air_c, air in room.run(minutes):
        found = foresee_heat.sample(learned, second, STEP_S, {"one": warm}, air_c, False, COLD_C, air=air if with_gas else None)
        if found is not None and found.signal and not standing:
            calls.append(second / 60.0)
        standing = bool(found is not None and (found.signal or (standing and found.signal is None)))
    return calls


@pytest.fixture(scope="module")
def after_three_days() -> tuple[Room, Learned, Learned]:
    """A room whose doors it has seen, watched with and without the gas."""
    room, with_gas, without = Room(Brooder(3, 40.0, noise_c=0.15, doors_a_day=3.0), fan_every_min=15.0), Learned(), Learned()
    for second, warm, air_c, air in room.run(3 * 1440.0):
        foresee_heat.sample(with_gas, second, STEP_S, {"one": warm}, air_c, False, COLD_C, air=air)
        foresee_heat.sample(without, second, STEP_S, {"one": warm}, air_c, False, COLD_C)
    return room, with_gas, without


def shut_and_dead(room: Room, seed: int) -> Room:
    other = copy.deepcopy(room)
    other.brooder.dead, other.brooder.next_door = True, math.inf
    other.brooder.dice, other.dice = random.Random(seed), random.Random(seed)
    return other


def test_gas_that_holds_still_makes_the_call_earlier(after_three_days):
    """The same deaths, the same thermometers: with the gas as witness the mean delay is shorter, and none is missed."""
    room, with_gas, without = after_three_days
    began = room.brooder.time_min
    delays = {True: [], False: []}
    for seed in range(12):
        for gas, learned in ((True, with_gas), (False, without)):
            calls = watch(shut_and_dead(room, seed), copy.deepcopy(learned), 30.0, gas)
            delays[gas].append(calls[0] - began)
    assert max(delays[True]) <= 12.0
    assert sum(delays[True]) < sum(delays[False]) - 4.0


def test_what_a_door_takes_is_learned_from_doors(after_three_days):
    """A door of two minutes costs this place some 4 °C and takes some third of the gas: about a tenth for each °C."""
    _, learned, _ = after_three_days
    assert len(learned.doors_took) >= 3
    assert 0.03 < sorted(learned.doors_took)[len(learned.doors_took) // 2] < 0.25


def test_what_the_fan_takes_is_learned_and_is_no_door(after_three_days):
    """A minute of the fan takes some 1 − exp(−1/6) of the gas; less what gathers and what the lag hides."""
    _, learned, _ = after_three_days
    assert learned.fan_takes == pytest.approx(1.0 - math.exp(-1.0 / FAN_MIN), abs=0.06)


@pytest.mark.parametrize("opened", [True, False])
def test_doors_ring_nobody_whether_the_gas_shows_them_or_not(opened):
    """Twelve days with three doors a day: no call, also where the gas sensor hangs too far away to see a door."""
    room = Room(Brooder(8, 40.0, noise_c=0.15, doors_a_day=3.0), opened=opened)
    assert watch(room, Learned(), 12 * 1440.0) == []


def test_a_gas_that_no_door_reaches_never_speaks(after_three_days):
    """Doors that took nothing of it: the witness neither speaks for a door nor against one."""
    values = [1.0 + random.Random(i).gauss(0.0, 0.1) for i in range(24)]
    assert Witness(values, 0.5, 0.01, 0.0).against(4.0, 2.0, 3.0) == 0.0


def test_the_witness_is_bounded_and_one_sided_until_it_has_learned():
    """Level gas: nothing before doors were seen, MOST against a door after. Thinned gas: MOST for one."""
    level, thinned = [1.0] * 24, [1.0] * 18 + [0.9, 0.8, 0.7, 0.6, 0.5, 0.5]
    assert Witness(level, 0.5, 0.001, None).against(3.0, 2.0, 3.0) == 0.0
    assert Witness(level, 0.5, 0.001, 0.2).against(3.0, 2.0, 3.0) == MOST
    assert Witness(thinned, 0.5, 0.001, None).against(3.0, 2.0, 3.0) == -MOST
    assert Witness(thinned, 0.5, 0.001, 0.2).against(3.0, 2.0, 3.0) == -MOST


def test_a_silent_sensor_or_a_fan_that_runs_long_leaves_no_witness():
    """No reading, or a fan on for most of the window: what is seen then could be anything."""
    learned = Learned()
    for i in range(24):
        seen = follow_gas(learned, Air(150.0, 0.5 * i), 24, 0.5, False)
    assert seen is None
    for _ in range(24):
        seen = follow_gas(learned, Air(150.0, 12.0), 24, 0.5, False)
    assert seen is not None
    assert follow_gas(learned, None, 24, 0.5, False) is None
    assert follow_gas(learned, Air(150.0, 12.0), 24, 0.5, False) is None
