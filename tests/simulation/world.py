"""One barn for some days under one seed: the real daemon, and everything around it failing by dice.

Promises kept at every turn, whatever fails (a broken one raises `Broken`, which names the seed):
- a reading the broker had acknowledged is in the store, unless the store failed and the daemon was killed before it could
  be written (counted); no reading is in the store more often than it was published or sent again unrecognisably;
- the fan does not switch faster than its shortest times; while the chicks are cold nothing but the least timer runs it, short
  of ammonia dangerous to life; and that ammonia runs it at once;
- nobody is told twice what they certainly had, and a possible repeat says so (rules of `monitor.notify.policy`), unless a
  spoilt page took the memory of it (what a spoilt page may take and what not: `card`);
- an urgent alarm is told within `URGENT_WITHIN_S` of daemon and first channel being well, whatever disk, broker and clock do.

Liveness, `WELL_WITHIN_S` after the last fault: everything the broker took is stored, every link is up, no alarm of the
daemon's own trouble stands, no message waits, the relay does what it is told.
"""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from random import Random

from monitor.engine.connections import Delivery, Notice
from monitor.engine.events import Acknowledge, SwitchFan
from monitor.engine.ladder import AMMONIA_DANGEROUS, BIRDS_TOO_COLD, WARMTH_NOT_KNOWN
from monitor.engine.specification import Priority
from monitor.engine.state import AlarmState
from monitor.notify.channels import Outcome
from monitor.wire.connection import Arrival
from tests.simulation import card
from tests.simulation.barn import FAN_SET, FAN_STATE, Heard, settings_in
from tests.simulation.broker import Message, Sent, SimulatedBroker
from tests.simulation.daemon import SimulatedClocks, SimulatedDaemon
from tests.simulation.disk import Disk, Killed
from tests.simulation.judging import Broken, Tally, Unstored, readings_wrong, records, stored_readings, unwell
from tests.simulation.odds import Weather, draw
from tests.simulation.pace import TURN_S, Pace, pace_of
from tests.simulation.phone import Phones, mode_of
from tests.simulation.sensors import Sensors

URGENT_WITHIN_S = 300.0
WELL_WITHIN_S = 1500.0
ASTIR_S = 60.0  # turns are short for so long after anything has changed
STORMY_S, QUIET_S = 10.0 * 3600.0, 0.5 * 3600.0
START_S = 1_775_347_200.0  # 2026-04-05, three days after the hatch


class World:
    def __init__(self, seed: int, folder: Path, pace: Pace | None = None) -> None:
        self.seed = seed
        self.pace = pace or pace_of(seed)
        self.folder = folder
        self.dice = Random(seed)
        self.odds = draw(self.dice)
        self.weather = Weather(self.odds, self.dice)
        self.now = START_S
        self.began = START_S
        self.clocks = SimulatedClocks(self.now, self.odds.keeps_time)
        self.broker = SimulatedBroker(self.odds.broker_keeps_file)
        self.disk = Disk(self.dice)
        self.card = card.Card(seed, folder / "store", self.now)
        self.settings = settings_in(folder, self.pace.readings_every_s, self.pace.heat)
        self.phones = Phones(self.dice, self.settings.catalogue.frame.maybe_repeat)
        self.tally = Tally()
        self.trace = hashlib.sha256()
        self.daemon: SimulatedDaemon | None = None
        self._start_at = self.now
        self._up_since = self.now
        self._connections = 0
        self._connect_at = self.now
        self._hung_since: float | None = None
        self._connected_since = self.now
        self._phone_well_since = self.now
        self.sensors = Sensors(self.dice, self.pace, self.broker)
        self._unstored = Unstored()
        self._relay_on = False
        self._last_switch: SwitchFan | None = None
        self._last_switch_in = (0, self.now)  # life of the daemon, and second of the world
        self._killed_at: list[float] = []
        self._urgent_since: dict[int, float] = {}
        self._heard = Heard(self.pace.readings_every_s)
        self._broker_was_up = True
        self._hung_phones: set[int] = set()
        self._quiet_since: float | None = None
        self._well_after: float | None = None
        self._turn_s = TURN_S
        self._astir_until = self.now
        self._looks: object = None

    # ------------------------------------------------------------------ running

    def run(self, days: float) -> Tally:
        """Storm and quiet in turn; judged at every turn, and counted at each end of a quiet time."""
        end = self.now + days * 86_400.0
        with self.disk.under(), self.pace.kept():
            while self.now < end:
                self._spell(STORMY_S, is_stormy=True)
                self._spell(QUIET_S, is_stormy=False)
                self._judge_quiet()
            if self.daemon is not None:
                self.daemon.power_off()
        self.card.close(self.tally)
        self.tally.days = (self.now - self.began) / 86_400.0
        self.tally.rings = len(self.phones.rung)
        self.tally.disk_failures = self.disk.failures
        self.tally.faults.update(self.weather.counts)
        return self.tally

    def _spell(self, seconds: float, is_stormy: bool) -> None:
        end = self.now + seconds
        self._quiet_since = None if is_stormy else self.now
        self._well_after = None
        if not is_stormy:
            self._start_at = min(self._start_at, self.now + 60.0)  # whoever ended the fault starts it again
        while self.now < end:
            self._turn_s = self._until_next()
            self.now = round(self.now + self._turn_s, 3)
            self.clocks.now = self.now
            self.weather.pass_time(self.now, self._turn_s, is_stormy)
            self._turn_around(is_stormy)
            try:
                self.turn_daemon()
            except Killed:
                self._die(self.dice.uniform(5.0, 60.0) if self.dice.random() < 0.9 else self.dice.uniform(60.0, 7200.0))
            self._judge_turn()

    def _until_next(self) -> float:
        """Seconds to the next moment at which anything may happen; short while something has just changed."""
        daemon = self.daemon
        looks = (
            frozenset(self.weather.until),
            daemon is None,
            daemon is not None and daemon.session.connected,
            bool(self.sensors.unsent),
            len(self.phones.rung),
            self.clocks.is_synchronised,
        )
        if looks != self._looks:
            self._looks, self._astir_until = looks, self.now + ASTIR_S
        waits_for_well = self._quiet_since is not None and self._well_after is None
        if waits_for_well or self.now < self._astir_until:
            return TURN_S
        awaited = [*self.weather.until.values(), self._start_at if daemon is None else self._connect_at]
        if daemon is not None:
            awaited.append(self.now + daemon.core.state.due_at - daemon.core.now()[0])
        return self.pace.turn_s(self.now, awaited)

    def broken(self, words: str) -> Broken:
        hours = (self.now - self.began) / 3600.0
        return Broken(f"seed {self.seed}, hour {hours:.2f}: {words}")

    # ------------------------------------------------------------------ the world's side

    def _turn_around(self, is_stormy: bool) -> None:
        self.disk.fault = next((name for name in ("disk full", "disk read-only", "disk errors") if name in self.weather), "")
        self.clocks.turn("clock wrong" in self.weather, is_stormy, self._turn_s, self.dice)
        self._turn_broker()
        self.sensors.pass_time(self.now, self._turn_s, self.weather)
        if not is_stormy:
            self.disk.kill_after = None
            return
        self.card.pass_time(self._turn_s)
        if self.daemon is not None and self.dice.random() < self.odds.kills * self._turn_s:
            self.disk.kill_after = self.dice.randint(1, 12)  # somewhere in a commit, or in the noting of a message
        if self.daemon is not None and self.dice.random() < self.odds.reboots * self._turn_s:
            self.tally.reboots += 1
            self._die(self.dice.uniform(30.0, 14_400.0), is_reboot=True)

    def _turn_broker(self) -> None:
        is_up = "broker down" not in self.weather
        if self._broker_was_up and not is_up:
            self.broker.kill()
            self.tally.broker_kills += 1
            self.sensors.hear_nothing(self.now, self._turn_s)
        elif is_up and not self._broker_was_up:
            self.broker.start()
        self._broker_was_up = is_up
        self.broker.is_hung = "broker hung" in self.weather
        self.broker.pass_time(self.now)

    # ------------------------------------------------------------------ the daemon's side

    def turn_daemon(self) -> None:
        if self.daemon is None:
            if self.now < self._start_at:
                return
            self._start()
        assert self.daemon is not None
        self._turn_link(self.daemon)
        self._deliver(self.daemon)
        self.daemon.core.tick()
        self._deliver(self.daemon)  # what the relay reports
        self._act(self.daemon)
        for channel in tuple(self._hung_phones):
            if mode_of(channel, self.weather) != "hangs":
                self._hung_phones.discard(channel)
                self.daemon.messages.come_back(channel)
        self.daemon.turn()
        self._unstored.turned(self.daemon.writer)
        card.look_at(self, self.daemon)

    def _start(self) -> None:
        self.daemon = SimulatedDaemon(
            self.settings,
            self.clocks,
            self._published,
            self._acknowledged,
            self._hand_over,
            self._switched,
            Random(self.seed + len(self.sensors.messages)),
        )
        self._up_since = self._connect_at = self.now
        self._hung_phones.clear()
        card.look_at(self, self.daemon)
        self.daemon.begin()
        self.note(f"start {len(self._killed_at)}")

    def _die(self, for_s: float, is_reboot: bool = False) -> None:
        if self.daemon is not None:
            self._unstored.died(self.daemon.writer)
            self.daemon.power_off()
            self.daemon = None
            self._killed_at.append(self.now)
            self.tally.kills += 1
        self.disk.kill_after = None
        self._start_at = self.now + for_s
        if is_reboot:
            self.clocks.reboot(-self.dice.uniform(0.0, 1.5e9))

    def _turn_link(self, daemon: SimulatedDaemon) -> None:
        if daemon.session.connected:
            if self.broker.is_hung and self._hung_since is None:
                self._hung_since = self.now
            cut = "link cut" in self.weather or not self.broker.is_up
            if cut or (self._hung_since is not None and self.now - self._hung_since > 45.0):
                self._hung_since = None
                daemon.disconnected("the connection broke")
                self._connect_at = self.now + self.dice.uniform(1.0, 60.0)
            elif not self.broker.is_hung:
                self._hung_since = None
        elif self.now >= self._connect_at:
            if not self.broker.takes or "link cut" in self.weather:
                self._connect_at = self.now + self.dice.uniform(1.0, 60.0)
                return
            self._connections += 1
            self._connected_since = self.now
            self._hung_since = None
            daemon.connected(self._connections, self.broker.connect())
            self.broker.mark()

    def _deliver(self, daemon: SimulatedDaemon) -> None:
        while daemon.session.connected and self._deliver_one(daemon):
            pass

    def _deliver_one(self, daemon: SimulatedDaemon) -> bool:
        sent: Sent | None = self.broker.next_sent()
        if sent is None:
            return False
        message = sent.message
        if not sent.is_duplicate and message.sensor:
            self._heard.note(message.sensor.partition("/")[2], self.now, message.value, sent.waited)
        digest = hashlib.blake2b(f"{message.topic}\0{message.payload}".encode(), digest_size=16).digest()
        delivery = Delivery(self._connections, sent.packet_id, 1, digest)
        daemon.arrivals.take(Arrival(message.topic, message.payload.encode(), False, sent.is_duplicate, delivery, sent.waited))
        return True

    def _acknowledged(self, delivery: Delivery) -> None:
        message = self.broker.acknowledged(delivery.packet_id)
        if message is not None:
            message.is_acknowledged = True
            assert self.daemon is not None
            self._unstored.acknowledged(message, self.daemon.writer)
        if self.disk.kill_after is not None and self.dice.random() < 0.02:
            raise Killed

    def _published(self, topic: str, payload: str) -> bool:
        if not self.broker.takes:
            return True  # nobody has noticed yet
        if topic == FAN_SET:
            self._relay_on = payload == "on"
            self.broker.publish(Message(0, FAN_STATE, payload))
        return True

    def _switched(self, action: SwitchFan) -> None:
        self.note(f"{action.at:.3f} fan {action.running} {action.reason} {action.again}")
        if action.again:
            return
        former, self._last_switch = self._last_switch, action
        self._judge_switch(former, action)

    def _hand_over(self, notice: Notice, body: str) -> Outcome | None:
        mode = mode_of(notice.channel, self.weather)
        self.note(f"{self.now:.0f} ring {notice.key} {mode}")
        outcome = self.phones.hand_over(notice, body, mode, self.now, bool(self.disk.fault))
        if outcome is None:
            self._hung_phones.add(notice.channel)
        if self.disk.kill_after is not None and self.dice.random() < 0.1:
            raise Killed
        return outcome

    def _act(self, daemon: SimulatedDaemon) -> None:
        """The keeper has it, after a while."""
        at, wall_ms = daemon.core.now()
        for record in records(daemon):
            waits = record.state is AlarmState.UNACKNOWLEDGED and record.occurrence in self.phones.told
            if waits and record.raised_at is not None and at - record.raised_at > self.odds.acknowledges_after_s:
                daemon.core.act(Acknowledge(at, wall_ms, record.key, "Nora"))

    # ------------------------------------------------------------------ judging

    def note(self, line: str) -> None:
        """Whatever folder it is lived in: its name stays out, and so does what is reckoned from it, a loss's key."""
        line = re.sub(r"\b(loss/\d+)-[0-9a-f]{8}", r"\1", line.replace(str(self.folder), ""))
        self.trace.update(line.encode() + b"\n")

    def _judge_switch(self, former: SwitchFan | None, action: SwitchFan) -> None:
        fan = self.settings.specification.pens["brooder"].fan
        assert fan is not None
        # After a dark of unknown length the engine's seconds go on from the last commit: only within one life do they tell.
        (life, at), self._last_switch_in = self._last_switch_in, (len(self._killed_at), self.now)
        if former is not None and former.running != action.running and action.reason != AMMONIA_DANGEROUS:
            shortest = fan.shortest_on_s if former.running else fan.shortest_off_s
            passed_s = action.at - former.at if life == len(self._killed_at) else self.now - at
            if passed_s < shortest - 1e-6:
                if life == len(self._killed_at):
                    raise self.broken(f"the fan switched after {passed_s:.1f} s of {shortest:.0f} ({action.reason})")
                self.tally.fan_early_after_kill += 1
        allowed = (BIRDS_TOO_COLD, WARMTH_NOT_KNOWN, AMMONIA_DANGEROUS)
        if action.running and self._heard.are_chicks_cold(self.now, self._up_since) and action.reason not in allowed:
            raise self.broken(f"the chicks are cold and the fan runs for {action.reason}")

    def _judge_turn(self) -> None:
        daemon = self.daemon
        if mode_of(0, self.weather) != "takes":
            self._phone_well_since = self.now
        if daemon is None:
            return
        if self._heard.is_ammonia_dangerous(self.now, self._up_since):
            if not daemon.core.state.pens["brooder"].fan.running:
                raise self.broken("ammonia is dangerous and the fan rests")
            well = daemon.session.connected and self.broker.takes and self.now - self._connected_since > 120.0
            if well and not self._relay_on:
                raise self.broken("ammonia is dangerous, the fan is told to run, and the relay never heard of it")
        self._judge_urgent(daemon)
        if self._quiet_since is not None and self._well_after is None and not self._trouble(daemon):
            self._well_after = self.now - self._quiet_since
            self.tally.slowest_well_s = max(self.tally.slowest_well_s, self._well_after)

    def _judge_urgent(self, daemon: SimulatedDaemon) -> None:
        standing = {
            record.occurrence
            for record in records(daemon)
            if record.priority is Priority.URGENT and record.state is AlarmState.UNACKNOWLEDGED
        }
        for occurrence in standing:
            since = self._urgent_since.setdefault(occurrence, self.now)
            self.tally.urgent = len(self._urgent_since)
            if occurrence in self.phones.told:
                continue
            waited = self.now - max(since, self._up_since, self._phone_well_since)
            self.tally.slowest_urgent_s = max(self.tally.slowest_urgent_s, waited)
            if waited > URGENT_WITHIN_S:
                raise self.broken(f"urgent alarm number {occurrence} is not told after {waited:.0f} s")

    def _trouble(self, daemon: SimulatedDaemon) -> str:
        return unwell(daemon, self._relay_on) or ("readings wait for the broker" if self.sensors.unsent else "")

    def _judge_quiet(self) -> None:
        daemon = self.daemon
        if daemon is None:
            raise self.broken("no daemon runs")
        card.let_restore(self, daemon)
        trouble = self._trouble(daemon)
        if trouble or self._well_after is None or self._well_after > WELL_WITHIN_S:
            raise self.broken(f"not well {self._well_after or QUIET_S:.0f} s after the last fault; {trouble}")
        daemon.core.act(Acknowledge(*daemon.core.now(), "none", "nobody"))  # commits at once what waits
        daemon.writer.turn()
        card.judge(self, daemon)
        while daemon.writer.store is not None and daemon.writer.store.tidy(None).more:
            pass
        self._judge_readings()
        wrong = self.phones.doubled(
            lambda one, other: any(one <= at <= other for at in self._killed_at),
            lambda one, other: any(one <= at <= other for at in self.card.restored_at),
        )
        if wrong:
            raise self.broken("; ".join(wrong[:3]))

    def _judge_readings(self) -> None:
        stored = stored_readings(self.folder / "store" / "store.sqlite")
        wrong = readings_wrong(stored, self.sensors.messages)
        if wrong:
            raise self.broken(wrong)
        self.tally.readings = len(self.sensors.messages)
        lost = [m for m in self.sensors.messages if m.is_lost and stored[(m.sensor, m.value)] == 0]
        self.tally.lost_with_page = sum(m.went_with_page for m in lost)
        self.tally.lost_with_disk = sum(m.is_acknowledged and not m.went_with_page for m in lost)
        self.tally.lost_with_broker = len(lost) - self.tally.lost_with_disk - self.tally.lost_with_page
        self.note(f"{len(self.sensors.messages)} {len(lost)} {sum(stored.values())}")
