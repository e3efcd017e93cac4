"""The daemon's middle without its ends: real engine, real writer, real store; clocks and a relay that tests turn by hand."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from monitor.daemon.core import Core
from monitor.daemon.going_on import last_seen, loaded_state
from monitor.daemon.writer import Writer
from monitor.engine.connections import Delivery, Notice
from monitor.engine.decisions import decision, line
from monitor.engine.events import AlarmChanged, FanReport, Reading, SwitchFan
from monitor.engine.specification import Priority, Specification
from monitor.engine.state import AlarmState, State
from monitor.engine.timeline import Glance, begin
from monitor.store.keep import Store
from monitor.store.reader import Reader
from tests.engine.barns import START, site

YEAR_S = 365.25 * 86400.0


class HandClocks:
    """The machine's clocks, moved by the test. The wall clock may be set; the time since boot only goes on."""

    def __init__(self, wall_s: float = START, keeps_time: bool = True, synchronised: bool = False) -> None:
        self.boottime = 1000.0
        self.wall_s = wall_s
        self.boot_id = "first boot"
        self.keeps_time = keeps_time
        self.synchronised = synchronised

    def boottime_s(self) -> float:
        return self.boottime

    def glance(self) -> Glance:
        return Glance(self.boottime, self.boot_id, self.wall_s, self.synchronised, self.keeps_time)

    def pass_time(self, seconds: float) -> None:
        self.boottime = round(self.boottime + seconds, 3)
        self.wall_s = round(self.wall_s + seconds, 3)

    def reboot(self, wall_s: float) -> None:
        """A new boot, with whatever the wall clock says then."""
        self.boot_id += ", again"
        self.boottime = 5.0
        self.wall_s = wall_s
        self.synchronised = False


class Middle:
    """One run of the daemon's middle on a store's folder; another one on the same folder goes on from it."""

    def __init__(
        self,
        folder: Path,
        specification: Specification | None = None,
        clocks: HandClocks | None = None,
        rota: Callable[[State, float, int | None], Sequence[Notice]] = lambda *_: (),
        obeys: bool = True,
        store: bool = True,
    ) -> None:
        self.specification = specification or site()
        self.clocks = clocks or HandClocks()
        self.folder = folder
        self.lines: list[str] = []  # every decision, as a line of the decisions file
        self.commands: list[SwitchFan] = []
        self.alarms: list[AlarmChanged] = []
        self.acknowledged: list[Delivery] = []
        self.stored_at_acknowledgement: list[int] = []
        self.told: list[str] = []  # keys of notices handed on, whether the store could keep them or not
        self.monotonic_s = 0.0
        self._obeys = obeys
        self._reports: list[SwitchFan] = []
        self._packet = 0

        opened = Store.open(folder) if store else None
        saved = None if opened is None else opened.load()
        glance = self.clocks.glance()
        timeline, self.dark_s = begin(last_seen(saved), glance)
        self.core = Core(
            self.specification,
            loaded_state(saved, timeline.at(glance.boottime_s), False),
            timeline,
            self.clocks,
            self._switch,
            rota,
            lambda _pen: None,
            self._alarmed,
        )
        self.writer = Writer(
            self.core,
            opened,
            lambda: Store.open(folder),
            glance.boot_id,
            3600.0,
            self._acknowledge,
            lambda notices: self.told.extend(notice.key for notice in notices),
            lambda: self.monotonic_s,
        )

    def start(self) -> Middle:
        self.writer.start()
        self.core.start(self.dark_s, True)
        self._report()
        return self

    def stop(self) -> None:
        self.writer.stop()

    @property
    def store(self) -> Store:
        assert self.writer.store is not None
        return self.writer.store

    # ------------------------------------------------------------ the far ends

    def _switch(self, command: SwitchFan) -> bool:
        self.commands.append(command)
        self._note(command)
        self._reports.append(command)
        return True

    def _alarmed(self, change: AlarmChanged) -> None:
        self.alarms.append(change)
        self._note(change)

    def _note(self, action: SwitchFan | AlarmChanged) -> None:
        told = decision(action)
        if told is not None:
            self.lines.append(line(told))

    def _acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        self.acknowledged.extend(deliveries)
        self.stored_at_acknowledgement.append(self.count())
        return len(deliveries)

    def _report(self) -> None:
        while self._reports and self._obeys:
            at, wall_ms = self.core.now()
            told = self._reports.pop(0)
            self.core.arrived([FanReport(at, wall_ms, told.pen, told.running, told.speed_pct)], None)

    # ------------------------------------------------------------ what tests do

    def hear(self, connection: int = 1, **values: float) -> list[Delivery]:
        """Readings of the brooder's sensors, each in a message of its own. `chick_height` is "chick height"."""
        return [self.say(f"brooder/{name.replace('_', ' ')}", value, connection) for name, value in values.items()]

    def say(self, sensor: str, value: float, connection: int = 1) -> Delivery:
        """One reading of any sensor, by its key."""
        at, wall_ms = self.core.now()
        self._packet += 1
        delivery = Delivery(connection, self._packet, 1, f"{sensor} {value}".encode())
        self.core.arrived([Reading(at, wall_ms, sensor, value)], delivery)
        self._report()
        return delivery

    def pass_time(self, seconds: float, tick_s: float = 1.0, **values: float) -> None:
        """Let time pass, ticking; with values, the sensors say them every half minute."""
        left = seconds
        while left > 0:
            step = min(tick_s, left)
            self.clocks.pass_time(step)
            left = round(left - step, 3)
            self.core.tick()
            self._report()
            if values and round(seconds - left, 3) % 30.0 == 0.0:
                self.hear(**values)

    def flush(self) -> bool:
        return self.writer.flush()

    def fill_the_disk(self) -> None:
        """From now on SQLite itself finds no room for another page."""
        self._ask_writer(f"PRAGMA max_page_count = {self._pages()}")

    def free_the_disk(self) -> None:
        self._ask_writer("PRAGMA max_page_count = 1000000")
        self.monotonic_s += 60.0

    def _ask_writer(self, asked: str) -> None:
        self.store._connection.execute(asked).fetchone()

    def _pages(self) -> int:
        (pages,) = self.store._connection.execute("PRAGMA page_count").fetchone()
        return int(pages)

    def count(self) -> int:
        with Reader(self.folder) as reader:
            counts = reader.counts()
            return counts.readings + counts.undated

    def values(self, sensor: str) -> list[float]:
        with Reader(self.folder) as reader:
            dated = [reading.value for reading in reader.readings(sensor)]
            return dated + [reading.value for reading in reader.undated() if reading.sensor == sensor]


def one_notice_an_alarm(state: State, at: float, _wall_ms: int | None) -> list[Notice]:
    """The barest rota: one message for each occurrence of an alarm that nobody has acknowledged."""
    records = [*state.alarms.values(), *(r for pen in state.pens.values() for r in pen.alarms.values())]
    return [
        Notice(f"{r.key} {r.occurrence}", r.occurrence, r.key, "raised", "Nora", 0, Priority.URGENT, r.name, "", at, at + 3600.0)
        for r in records
        if r.state is AlarmState.UNACKNOWLEDGED
    ]


def until(holds: Callable[[], object], seconds: float = 10.0) -> bool:
    end = time.monotonic() + seconds
    while not holds() and time.monotonic() < end:
        time.sleep(0.005)
    return bool(holds())


@pytest.fixture
def make_middle(tmp_path: Path) -> Iterator[Callable[..., Middle]]:
    """Starts middles on one folder, and stops them after the test."""
    made: list[Middle] = []

    def make(folder: Path | None = None, **options: Any) -> Middle:
        made.append(Middle(folder or tmp_path / "store", **options))
        return made[-1].start()

    yield make
    for middle in made:
        middle.stop()
