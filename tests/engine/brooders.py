"""A brooder to try the watch of the heat source on: written for the tests, not the demo's barn.

The warm spot follows its source with one time constant; a door pulls it towards air 8 °C colder than
the room, with a constant of ten minutes, for one to three minutes, twice a day; the room falls over the
night and drifts. Every thermometer has 0.3 °C of noise and shows tenths. One step is half a minute.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, field

STEP_S = 30.0
DOOR_PULL_C, DOOR_MIN = 8.0, 10.0
NIGHT_MIN = 720.0


@dataclass(slots=True)
class Brooder:
    """One brooder. `lift_c` is what the source adds in the end when it stays on."""

    seed: int
    tau_min: float
    thermostat: bool = False
    lift_c: float = 20.0
    set_point_c: float = 32.0
    noise_c: float = 0.3
    doors_a_day: float = 2.0
    room_c: float = 14.0
    warm_c: float = math.nan
    on: bool = True
    dead: bool = False
    time_min: float = 0.0
    door_until: float = -1.0
    next_door: float = 0.0
    drift_c: float = 0.0
    fall_c: float = 0.0
    dice: random.Random = field(default_factory=random.Random)

    def __post_init__(self) -> None:
        self.dice = random.Random(f"brooder {self.seed}")
        if self.thermostat:
            self.lift_c = 30.0
        self.warm_c = self.set_point_c if self.thermostat else self.room_c + self.lift_c
        self.next_door = self.dice.expovariate(self.doors_a_day / 1440.0) if self.doors_a_day else math.inf
        self.fall_c = self.dice.uniform(1.0, 5.0)

    def twin(self) -> Brooder:
        """The same brooder at the same moment, to go another way from here."""
        other = Brooder(self.seed, self.tau_min, self.thermostat)
        for name in self.__slots__:
            setattr(other, name, getattr(self, name))
        other.dice = random.Random(self.dice.random())
        return other

    def step(self) -> tuple[float, float]:
        """Half a minute; what the two thermometers show, (warm spot, room)."""
        minutes = STEP_S / 60.0
        self.time_min += minutes
        # drift with three hours' memory and 1 °C of spread
        kept = math.exp(-minutes / 180.0)
        self.drift_c = self.drift_c * kept + self.dice.gauss(0.0, math.sqrt(1.0 - kept * kept))
        phase = (self.time_min % (2.0 * NIGHT_MIN)) / NIGHT_MIN
        room = self.room_c + self.drift_c - self.fall_c * 0.5 * (1.0 - math.cos(math.pi * phase))
        if self.thermostat:
            if self.warm_c <= self.set_point_c - 1.0:
                self.on = True
            elif self.warm_c >= self.set_point_c + 1.0:
                self.on = False
        if self.time_min >= self.next_door:
            self.door_until = self.time_min + self.dice.uniform(1.0, 3.0)
            self.next_door = self.time_min + self.dice.expovariate(self.doors_a_day / 1440.0)
        if self.time_min < self.door_until:
            aim, tau = room - DOOR_PULL_C, DOOR_MIN
        else:
            aim, tau = room + (self.lift_c if self.on and not self.dead else 0.0), self.tau_min
        self.warm_c = aim + (self.warm_c - aim) * math.exp(-minutes / tau)
        return self._shown(self.warm_c), self._shown(room)

    def _shown(self, true: float) -> float:
        return round(true + self.dice.gauss(0.0, self.noise_c), 1)

    def run(self, minutes: float) -> Iterator[tuple[float, float, float]]:
        """(second, warm spot, room) for so long."""
        for _ in range(round(minutes * 60.0 / STEP_S)):
            warm, room = self.step()
            yield round(self.time_min * 60.0 / STEP_S) * STEP_S, warm, room
