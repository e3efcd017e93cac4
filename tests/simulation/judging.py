"""What is counted when a quiet time ends: is all well again, and is every reading there, once?"""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from monitor.daemon.writer import Writer
from monitor.engine.state import AlarmRecord
from tests.simulation.broker import Message
from tests.simulation.daemon import SimulatedDaemon

OWN_TROUBLE = {"broker_lost", "store_failing", "notice_not_delivered", "clock_not_trusted", "fan_not_obeying"}


class Broken(AssertionError):
    """A promise was not kept."""


@dataclass
class Tally:
    """What a run saw, for the table of a bench."""

    days: float = 0.0
    readings: int = 0
    kills: int = 0
    reboots: int = 0
    broker_kills: int = 0
    disk_failures: int = 0
    rings: int = 0
    urgent: int = 0
    lost_with_broker: int = 0
    lost_with_disk: int = 0
    spoilt_pages: int = 0
    restored: int = 0
    lost_with_page: int = 0
    fan_early_after_kill: int = 0
    slowest_urgent_s: float = 0.0
    slowest_well_s: float = 0.0
    faults: Counter[str] = field(default_factory=Counter)

    def add(self, other: Tally) -> None:
        for name, value in vars(other).items():
            mine = getattr(self, name)
            if name == "faults":
                mine.update(value)
            else:
                setattr(self, name, max(mine, value) if name.startswith("slowest") else mine + value)


class Unstored:
    """Readings acknowledged while the store failed and not yet known to be written: only these may a kill take.

    That the store no longer fails is not enough: it may have dated what waited, or written the batch that failed, and be
    killed in the commit of what was gathered behind.
    """

    def __init__(self) -> None:
        self._held: list[tuple[Message, int]] = []  # and the count of the writer's commits that has it written for certain

    def acknowledged(self, message: Message, writer: Writer) -> None:
        if writer.is_failing:
            to_come = 1 if writer._failing is None else 2
            self._held.append((message, writer.commits + to_come))

    def turned(self, writer: Writer) -> None:
        """The writer's turn has ended."""
        if not writer.is_failing:
            self._held.clear()

    def died(self, writer: Writer) -> None:
        for message, commits in self._held:
            if writer.commits < commits:
                message.is_lost = True
        self._held.clear()


def records(daemon: SimulatedDaemon) -> list[AlarmRecord]:
    state = daemon.core.state
    return [*state.alarms.values(), *(record for pen in state.pens.values() for record in pen.alarms.values())]


def unwell(daemon: SimulatedDaemon, relay_on: bool) -> str:
    """What is not yet as it should be; "" when all is well."""
    state = daemon.core.state
    down = [what for what, up in state.links.items() if not up]
    if down:
        return f"down: {', '.join(down)}"
    for record in records(daemon):
        if record.name in OWN_TROUBLE and record.standing:
            return f"{record.name} stands: {dict(record.evidence)}"
    waiting = [row.notice.key for row in daemon.outboxes.due(daemon.core.now()[0] - 60.0)]
    if waiting:
        return f"messages wait: {waiting[:3]}"
    if daemon.writer.is_failing:
        return "the store fails"
    if state.pens["brooder"].fan.running != relay_on:
        return "the relay does something else"
    return ""


def stored_readings(file: Path) -> Counter[tuple[str, float]]:
    """Every reading stored, dated or waiting for the clock."""
    asked = """SELECT s.name, value FROM dated JOIN series s ON s.id = series
        UNION ALL SELECT s.name, value FROM waiting JOIN series s ON s.id = series"""
    reader = sqlite3.connect(f"file:{file}?mode=ro", uri=True)
    try:
        return Counter((str(name), round(float(value), 6)) for name, value in reader.execute(asked))
    finally:
        reader.close()


def readings_wrong(stored: Counter[tuple[str, float]], messages: Sequence[Message]) -> str:
    """Which readings are missing or there too often; "" when none is."""
    least: Counter[tuple[str, float]] = Counter()
    most: Counter[tuple[str, float]] = Counter()
    for message in messages:
        known = (message.sensor, message.value)
        least[known] += 0 if message.is_lost else 1
        most[known] += message.copies
    missing = [known for known, count in least.items() if stored[known] < count]
    doubled = [known for known, count in stored.items() if count > most[known]]
    if missing:
        return f"{len(missing)} readings are missing, the first {missing[0]}"
    if doubled:
        return f"{len(doubled)} readings are there too often, the first {doubled[0]}"
    return ""
