"""The barn with everything around it: weather, birds, fan, sensors, and what the keeper does.

Rules of this file: one seed decides everything; time is seconds since the start of the play; a step
is STEP_S and returns what the radio carried in it. Chores and troubles are deeds with a time, done in
order. Nothing here knows a broker or the engine.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from demo.barn import Barn
from demo.exhaust import Exhaust
from demo.flock import Flock
from demo.instruments import Probe, Trouble, truth_of
from demo.weather import Sky, Weather
from monitor.engine.specification import Pen, Sensor

STEP_S = 10.0


@dataclass(frozen=True, slots=True)
class Heard:
    """One number on the air, in the sensor's published unit."""

    time_s: float
    sensor: Sensor
    value: float


@dataclass(frozen=True, slots=True)
class Deed:
    """Something the keeper or fate does. `journal` is what the keeper writes down: (word, flock, count)."""

    time_s: float
    does: Callable[[World], None]
    journal: tuple[str, str | None, int | None] | None = None
    name: str = ""


@dataclass(slots=True)
class Post:
    """All sensors of one topic: they are read, lost and silent together."""

    topic: str
    probes: list[Probe]
    every_s: float
    next_s: float
    loss: float
    dice: random.Random
    gap_until_s: float = -1.0
    silent: bool = False


@dataclass(slots=True)
class World:
    """One pen and all that acts on it."""

    pen: Pen
    weather: Weather
    barn: Barn
    flock: Flock
    exhaust: Exhaust | None
    posts: list[Post]
    deeds: list[Deed] = field(default_factory=list)
    time_s: float = 0.0
    sky: Sky = field(default_factory=lambda: Sky(5.0, 80.0, 2.0, 0.0))
    relay_deaf: bool = False  # takes no commands, says what it last did
    relay_mute: bool = False  # says nothing
    radio: bool = True  # False: nothing at all is carried
    step_s: float = STEP_S
    done: list[Deed] = field(default_factory=list)  # deeds of the last step
    _next_deed: int = 0

    @classmethod
    def of(
        cls,
        pen: Pen,
        weather: Weather,
        barn: Barn,
        flock: Flock,
        deeds: Iterable[Deed] = (),
        seed: int = 0,
        coarseness: float = 1.0,
        loss: float = 0.004,
    ) -> World:
        """Hang one probe for each of the pen's sensors and put the deeds in order."""
        by_topic: dict[str, list[Probe]] = {}
        for sensor in pen.sensors:
            by_topic.setdefault(sensor.topic, []).append(Probe.usual(sensor, seed, coarseness))
        posts = [
            Post(topic, probes, probes[0].sensor.every_s, probes[0].next_s, loss, random.Random(f"{topic} {seed}"))
            for topic, probes in by_topic.items()
        ]
        return cls(pen, weather, barn, flock, Exhaust.of(pen), posts, sorted(deeds, key=lambda d: d.time_s))

    # ------------------------------------------------------------- what the daemon can do to it

    def command(self, running: bool, speed_pct: float | None) -> None:
        """The relay takes a command."""
        if self.exhaust is not None and not self.relay_deaf and self.barn.mains:
            self.exhaust.speed_pct = (100.0 if speed_pct is None else speed_pct) if running else 0.0

    def report(self) -> tuple[bool, float | None] | None:
        """What the relay says: whether current flows through it; None when it cannot speak."""
        if self.exhaust is None or self.relay_mute or not self.barn.mains or not self.radio:
            return None
        return self.exhaust.turns(self.barn.mains), self.exhaust.speed_pct

    # ------------------------------------------------------------- troubles reach in here

    def probe(self, name: str) -> Probe:
        return next(p for post in self.posts for p in post.probes if p.sensor.name == name)

    def trouble(self, name: str) -> Trouble:
        return self.probe(name).trouble

    def post(self, name: str) -> Post:
        """The transmitter that carries the sensor of this name."""
        return next(post for post in self.posts if any(p.sensor.name == name for p in post.probes))

    # ------------------------------------------------------------- time

    def add(self, deeds: Iterable[Deed]) -> None:
        """Further deeds, none of them in the past."""
        ahead = sorted((*self.deeds[self._next_deed :], *deeds), key=lambda d: d.time_s)
        self.deeds = [*self.deeds[: self._next_deed], *ahead]

    def step(self) -> list[Heard]:
        """Move by `step_s`; returns what was heard on the way, in order of time."""
        self.done = []
        while self._next_deed < len(self.deeds) and self.deeds[self._next_deed].time_s <= self.time_s:
            deed = self.deeds[self._next_deed]
            deed.does(self)
            self.done.append(deed)
            self._next_deed += 1
        barn, exhaust = self.barn, self.exhaust
        sky = self.sky = self.weather.at(self.time_s)
        if exhaust is not None:
            barn.fan_m3_s = exhaust.airflow_m3_s(barn.mains)
        barn.step(self.step_s, sky, self.flock.breath(self.time_s, barn.air_c))
        self.time_s += self.step_s
        return self._listen(sky)

    def _listen(self, sky: Sky) -> list[Heard]:
        power = self.exhaust.power_w(self.barn.mains) if self.exhaust is not None else 0.0
        heard: list[Heard] = []
        for post in self.posts:
            for probe in post.probes:
                true = probe.true(self.barn, sky, power)
                if probe.trouble.in_litter:
                    true = self.barn.litter.warm_c + 0.3 * self.barn.lift_c
                probe.follow(true, self.step_s)
            while post.next_s < self.time_s:
                at, post.next_s = post.next_s, post.next_s + post.every_s
                lost = post.dice.random() < post.loss
                values = [(p.sensor, p.read()) for p in post.probes]
                if lost or post.silent or not self.radio or at < post.gap_until_s:
                    continue
                heard.extend(Heard(at, sensor, value) for sensor, value in values if value is not None)
        heard.sort(key=_time)
        return heard


def _time(heard: Heard) -> float:
    return heard.time_s


def true_value(world: World, sensor: Sensor) -> float:
    """What this sensor would read if it were perfect, SI."""
    power = world.exhaust.power_w(world.barn.mains) if world.exhaust is not None else 0.0
    return truth_of(sensor)(world.barn, world.sky, power)
