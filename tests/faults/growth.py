"""Months of quiet and of chatter through the daemon's core, writer and store, with a clock that runs ahead of the world's."""

from __future__ import annotations

import gc
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from monitor.daemon.core import Core
from monitor.daemon.going_on import last_seen, loaded_state
from monitor.daemon.writer import Writer
from monitor.engine.connections import Delivery
from monitor.engine.events import FanReport, Reading, SwitchFan
from monitor.engine.specification import Measure, Pen, Place
from monitor.engine.timeline import begin
from monitor.store.keep import Store
from tests.engine.barns import pen, sensor, site
from tests.simulation.daemon import SimulatedClocks

STEP_S = 300.0
DAY_S = 86_400.0
START_S = 1_775_347_200.0


@dataclass(frozen=True, slots=True)
class Growth:
    """Resident memory and open files after the first tenth and at the end, and what lay in the store then."""

    days: float
    readings: int
    memory_early_mb: float
    memory_late_mb: float
    files_early: int
    files_late: int
    store_mb: float

    def words(self) -> str:
        return (
            f"{self.readings} readings stored, memory {self.memory_early_mb:.1f} → {self.memory_late_mb:.1f} MB, "
            f"open files {self.files_early} → {self.files_late}, store {self.store_mb:.1f} MB"
        )


def _memory_mb() -> float:
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def _files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def growth(days: float) -> Growth:
    """Two pens, eight sensors, a reading each every five minutes, ammonia and damp that come and go each day."""
    with TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        return _grow(Path(folder), days)


def _pen(name: str) -> Pen:
    places = {
        "chick height": (Measure.TEMPERATURE, Place.BIRD_LEVEL),
        "chick height two": (Measure.TEMPERATURE, Place.BIRD_LEVEL),
        "damp": (Measure.HUMIDITY, Place.ROOM),
        "ammonia": (Measure.AMMONIA, Place.BIRD_LEVEL),
    }
    return pen(name, sensors=tuple(sensor(key, *what, name, STEP_S) for key, what in places.items()))


def _grow(folder: Path, days: float) -> Growth:
    clocks = SimulatedClocks(START_S, keeps_time=True)
    specification = site(_pen("brooder"), _pen("house"))
    store = Store.open(folder)
    timeline, _ = begin(last_seen(store.load()), clocks.glance())
    reports: list[SwitchFan] = []
    acknowledged = 0

    def acknowledge(deliveries: Sequence[Delivery]) -> None:
        nonlocal acknowledged
        acknowledged += len(deliveries)

    def switch(command: SwitchFan) -> bool:
        reports.append(command)
        return True

    state = loaded_state(None, timeline.at(clocks.boottime_s()), False)
    core = Core(specification, state, timeline, clocks, switch, lambda *_: (), nobody_hears)
    writer = Writer(core, store, lambda: Store.open(folder), "boot", 200.0, acknowledge, nobody_hears, clocks.boottime_s)
    core.start(0.0, True)
    packet, early = 0, (0.0, 0)
    rounds = round(days * DAY_S / STEP_S)
    for number in range(rounds):
        clocks.now = START_S + number * STEP_S
        core.tick()
        at, wall_ms = core.now()
        hour = number * STEP_S / 3600.0 % 24.0
        air = {"chick height": 31.0, "chick height two": 31.2, "damp": 55.0, "ammonia": 9.0}
        air |= {"damp": 85.0} if hour < 3 else {"ammonia": 30.0} if hour > 20 else {}
        for key in specification.sensors:
            packet += 1
            value = air[key.partition("/")[2]] + packet % 7 * 0.1
            delivery = Delivery(1, packet % 65_535 + 1, 1, packet.to_bytes(16, "big"))
            core.arrived([Reading(at, wall_ms, key, value)], delivery)
        while reports:
            told = reports.pop()
            core.arrived([FanReport(at, wall_ms, told.pen, told.running, told.speed_pct)], None)
        writer.turn()
        if number == rounds // 10:
            early = (_memory_mb(), _files())
    late = (_memory_mb(), _files())
    store.close()
    size_mb = sum(file.stat().st_size for file in folder.iterdir()) / 1e6
    return Growth(days, writer.readings_stored, early[0], late[0], early[1], late[1], size_mb)


def nobody_hears(*_: object) -> None:
    """Nobody listens."""
