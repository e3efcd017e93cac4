"""The world and the engine driving one another, as fast as the machine can, without broker or clock.

Rules of this file: what the radio carried becomes events, in order of time; what the engine wants of
the fan reaches the relay a step later, and the relay's answer comes with the next step. The same
`step` as in the daemon; nothing is judged here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from demo.world import STEP_S, Deed, Heard, World
from monitor.engine.events import Action, Event, FanReport, JournalEntry, Link, Reading, SwitchFan, Tick
from monitor.engine.specification import Sensor, Specification
from monitor.engine.state import State
from monitor.engine.step import step

REPORT_EVERY_S = 60.0


def si(sensor: Sensor, published: float) -> float:
    """The published number in SI, calibrated, as the wire makes it."""
    measured = sensor.unit_gain * published + sensor.unit_offset
    return sensor.calibration.gain * measured + sensor.calibration.offset


@dataclass(slots=True)
class Loop:
    """One world with one engine.

    Attributes:
        at0: the engine's elapsed second at the world's time 0.
        wall0_ms: the wall clock then; `clock` may bend it (a clock that is wrong), and gives None while it is not trusted.
        told: called with every event and the actions it led to.
    """

    world: World
    specification: Specification
    state: State = field(default_factory=State)
    at0: float = 0.0
    wall0_ms: int = 1_775_000_000_000
    clock: Callable[[float], int | None] | None = None
    told: Callable[[Event, tuple[Action, ...]], None] | None = None
    _reported: tuple[bool, float | None] | None = None
    _report_due_s: float = 0.0
    _clock_trusted: bool = True

    def wall_ms(self, time_s: float) -> int | None:
        if self.clock is not None:
            return self.clock(time_s)
        return self.wall0_ms + int(time_s * 1000)

    def run(self, until_s: float) -> None:
        """Play until the world's time is `until_s`."""
        while self.world.time_s < until_s:
            self.once()

    def once(self) -> list[Heard]:
        """One step of the world and everything the engine makes of it."""
        world = self.world
        self._tell_clock()
        heard = world.step()
        for deed in world.done:
            if deed.journal is not None:
                self._feed(self._entry(deed))
        for one in heard:
            self._feed(
                Reading(self.at0 + one.time_s, self.wall_ms(one.time_s), one.sensor.key, si(one.sensor, one.value)),
            )
        self._relay(self.world.time_s)
        self._feed(Tick(self.at0 + world.time_s, self.wall_ms(world.time_s)))
        return heard

    def _tell_clock(self) -> None:
        """The daemon tells the engine when its clock begins and ceases to be trusted."""
        trusted = self.wall_ms(self.world.time_s) is not None
        if trusted != self._clock_trusted:
            self._clock_trusted = trusted
            self._feed(Link(self.at0 + self.world.time_s, self.wall_ms(self.world.time_s), "clock", trusted))

    def _entry(self, deed: Deed) -> JournalEntry:
        assert deed.journal is not None
        what, flock, count = deed.journal
        began = self.world.time_s - self.world.step_s
        return JournalEntry(self.at0 + began, self.wall_ms(began), self.world.pen.name, what, "keeper", flock, count)

    def _relay(self, now: float) -> None:
        report = self.world.report()
        if report is not None and (report != self._reported or now >= self._report_due_s):
            self._reported, self._report_due_s = report, now + REPORT_EVERY_S
            speed = report[1] if self.world.pen.fan is not None and self.world.pen.fan.variable else None
            self._feed(FanReport(self.at0 + now, self.wall_ms(now), self.world.pen.name, report[0], speed))

    def _feed(self, event: Event) -> None:
        self.state, actions = step(self.state, event, self.specification)
        for action in actions:
            if isinstance(action, SwitchFan):
                self.world.command(action.running, action.speed_pct)
                self._report_due_s = 0.0  # a relay answers every command, one that changes nothing too
        if self.told is not None:
            self.told(event, tuple(actions))
        if self._report_due_s == 0.0 and self.world.step_s > STEP_S:
            self._relay(event.at - self.at0)  # by the end of so coarse a step it would seem not to obey
