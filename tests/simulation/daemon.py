"""The real daemon with its threads taken away: a world turns its ticker, writer and messages' worker by hand.

Engine, core, writer, store, outboxes, rota, worker, payload reader and the memory of redeliveries are the daemon's own, wired by
the daemon itself; only what lies beyond it (broker, machine's clocks, channels) is the world's.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from random import Random

from monitor.daemon.watch import Daemon
from monitor.engine.connections import Broker, Delivery, Notice
from monitor.engine.events import SwitchFan
from monitor.engine.timeline import Glance
from monitor.notify.channels import Channel, Outcome
from monitor.notify.worker import LONGEST_WAIT_S, Worker, _Job, _Lane
from monitor.settings.read import Settings
from monitor.store.failures import StoreFailing
from monitor.wire.session import Session


class SimulatedClocks:
    """The machine's clocks. True time is the world's; what the machine thinks of it may be wrong by years."""

    def __init__(self, now: float, keeps_time: bool) -> None:
        self.now = now
        self.error_s = 0.0
        self.is_synchronised = True
        self._keeps_time = keeps_time
        self._booted = now - 60.0
        self._boots = 1

    def reboot(self, error_s: float) -> None:
        """A power cut; without a battery the clock starts wrong."""
        self._boots += 1
        self._booted = self.now - 20.0
        self.error_s = 0.0 if self._keeps_time else error_s
        self.is_synchronised = False

    def turn(self, is_to_be_wrong: bool, is_stormy: bool, turn_s: float, dice: Random) -> None:
        """A turn of the world: it goes wrong by up to six years, or the network sets it right after some minutes."""
        if is_to_be_wrong:
            if self.is_synchronised:
                self.is_synchronised = False
                self.error_s = dice.choice((-1.0, 1.0)) * math.exp(dice.uniform(0.0, 19.0))
        elif not self.is_synchronised and (not is_stormy or dice.random() < turn_s / 600.0):
            self.is_synchronised, self.error_s = True, 0.0

    def boottime_s(self) -> float:
        return round(self.now - self._booted, 3)

    def glance(self) -> Glance:
        wall_s = round(self.now + self.error_s, 3)
        return Glance(self.boottime_s(), f"boot {self._boots}", wall_s, self.is_synchronised, self._keeps_time)


class SimulatedSession(Session):
    """The daemon's end of the connection, whose other end is the world."""

    def __init__(self, publish: Callable[[str, str], bool], acknowledge: Callable[[Delivery], None]) -> None:
        super().__init__(Broker(), [], "alive", lambda _arrival: None, lambda _up, _why: None)
        self.is_up = False
        self._publish_to_world = publish
        self._acknowledge_to_world = acknowledge

    def publish(self, topic: str, payload: bytes | str, qos: int = 0, retain: bool = False) -> bool:
        if not self.is_up:
            return False
        text = payload.decode() if isinstance(payload, bytes) else payload
        return self._publish_to_world(topic, text)

    def acknowledge(self, deliveries: Iterable[Delivery]) -> int:
        done = 0
        for delivery in deliveries:
            if self.is_up and delivery.connection == self.connection:
                self._acknowledge_to_world(delivery)
                done += 1
        return done

    @property
    def connected(self) -> bool:
        return self.is_up


class WorkerByHand(Worker):
    """The messages' worker; its lanes are the world's phones instead of threads."""

    hand_over: Callable[[Notice, str], Outcome | None]

    def _run_lane(self, lane: _Lane) -> None:
        del lane

    def carry(self) -> None:
        """Hand over what waits in the lanes; a phone that hangs keeps its job for `come_back`."""
        for lane in self._lanes:
            while not lane.jobs.empty():
                job = lane.jobs.get_nowait()
                if job is None:
                    continue
                outcome = self.hand_over(job.notice, job.body)
                if outcome is None:
                    self._hanging().append(job)
                else:
                    self._results.put((job, outcome))

    def come_back(self, channel: int) -> None:
        """A channel that hung gives up on all it held."""
        hanging = self._hanging()
        for job in [job for job in hanging if job.lane == channel]:
            hanging.remove(job)
            self._results.put((job, Outcome(False, "timed out", 0.0, uncertain=True)))

    def _hanging(self) -> list[_Job]:
        jobs: list[_Job] = self.__dict__.setdefault("hung", [])
        return jobs

    def step_safely(self) -> float:
        """As its thread does: an outbox that fails is told, and tried again."""
        try:
            return self.step()
        except StoreFailing as trouble:
            self._set_link(False, f"the outbox failed: {type(trouble).__name__}")
            return LONGEST_WAIT_S

    def roll(self, dice: Random) -> None:
        """The jitter's dice, so that a run repeats."""
        self._dice = dice

    @property
    def is_woken(self) -> bool:
        woken = self._awake.is_set()
        self._awake.clear()
        return woken or self.is_busy


class SimulatedDaemon(Daemon):
    """Made anew at each start of the daemon, on the same store."""

    def __init__(
        self,
        settings: Settings,
        clocks: SimulatedClocks,
        publish: Callable[[str, str], bool],
        acknowledge: Callable[[Delivery], None],
        hand_over: Callable[[Notice, str], Outcome | None],
        switched: Callable[[SwitchFan], None],
        dice: Random,
    ) -> None:
        self.switched = switched
        super().__init__(settings, clocks, clocks.boottime_s)
        self.session = SimulatedSession(publish, acknowledge)
        self.messages.hand_over = hand_over
        self.messages.roll(dice)
        self._next_step = 0.0

    def _make_worker(self, channels: list[Channel]) -> Worker:
        worker = super()._make_worker(channels)
        worker.__class__ = WorkerByHand  # the daemon's own, wired by itself, with its lanes in our hands
        return worker

    @property
    def messages(self) -> WorkerByHand:
        assert isinstance(self._worker, WorkerByHand)
        return self._worker

    def _switch(self, action: SwitchFan) -> bool:
        self.switched(action)
        return super()._switch(action)

    def connected(self, number: int, session_present: bool) -> None:
        """As the session tells it, in its order."""
        self.session.connection = number
        self._session_found(session_present)
        assert isinstance(self.session, SimulatedSession)
        self.session.is_up = True
        self._link_changed(True, "connected")

    def disconnected(self, why: str) -> None:
        assert isinstance(self.session, SimulatedSession)
        self.session.is_up = False
        self._link_changed(False, why)

    def turn(self) -> None:
        """A round of rota, writer and worker; the ticker's second has been before it."""
        self.core.tell_people()
        self.writer.turn()
        now = self.core.now()[0]
        if self.messages.is_woken or now >= self._next_step:
            self._step_messages(now)

    def _step_messages(self, now: float) -> None:
        rest_s = self.messages.step_safely()
        self.messages.carry()
        self._next_step = now + rest_s

    def power_off(self) -> None:
        """Nothing more is written; the kernel takes back files and lock."""
        if self.writer.store is not None:
            self.writer.store.close()
        self._reader.close()
