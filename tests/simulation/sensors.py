"""The barn's sensors: what they say of its air, and what they still hold when nobody takes it."""

from __future__ import annotations

import math
from collections.abc import Container
from random import Random

from tests.simulation.broker import Message, SimulatedBroker
from tests.simulation.pace import Pace

MOST_HELD = 40  # by each of them: a small controller's buffer


class Sensors:
    def __init__(self, dice: Random, pace: Pace, broker: SimulatedBroker) -> None:
        self._dice = dice
        self._pace = pace
        self._broker = broker
        self.messages: list[Message] = []
        self.unsent: list[Message] = []
        self._last_said = 0.0
        self._lamp_c = 31.5

    def pass_time(self, now: float, turn_s: float, faults: Container[str]) -> None:
        """A turn of the world: the air moves on, what is due is said, what was held is offered again."""
        wanted = 15.0 if "lamp out" in faults else 31.5 + math.sin(now / 5000.0)
        self._lamp_c += (wanted - self._lamp_c) * -math.expm1(-turn_s / 900.0)
        ammonia = 8.0 + 2.0 * math.sin(now / 9000.0)
        if "ammonia up" in faults:
            ammonia = 28.0
        if "ammonia dangerous" in faults:
            ammonia = 70.0
        air = {"warm": self._lamp_c, "warm too": self._lamp_c + 0.3, "damp": 55.0, "ammonia": ammonia}
        times = 10 if "sensors flood" in faults else 1
        if "sensors silent" not in faults and (self._pace.is_time_for_readings(now, turn_s) or times > 1):
            for name, value in air.items():
                for _ in range(times):
                    self._say(name, value + self._dice.uniform(-0.1, 0.1))
        while self.unsent and self._broker.publish(self.unsent[0]):
            self.unsent.pop(0)
            self._last_said = now

    def hear_nothing(self, now: float, turn_s: float) -> None:
        """The broker died: the sender of what was said last may never have got its answer, and says it again."""
        if self.messages and now - self._last_said < turn_s and self._dice.random() < 0.3:
            again = self.messages[-1]
            again.copies += 1
            again.is_lost = False
            self.unsent.append(again)

    def _say(self, name: str, about: float) -> None:
        number = len(self.messages) + 1
        value = round(round(about, 1) + number % 90_000 * 1e-6, 6)  # every reading can be told from the others
        message = Message(number, f"millrise/brooder/{name}", repr(value), f"brooder/{name}", value)
        self.messages.append(message)
        self.unsent.append(message)
        if len(self.unsent) > 10 * MOST_HELD:
            self.unsent.pop(0).is_lost = True
