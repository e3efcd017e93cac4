"""Scenarios as tables: `minute | event | fan | open alarms`, run through the engine and compared line by line.

An event is words: `warm 31`, `probe1 22`, `probe2 31`, `damp 78`, `ammonia 24`, `mains 0`, `report on`,
`journal heat off`, `journal deaths 30`, `hand on 30`, `ack birds_cold`, `shelve damp 60`, `link broker down`,
`quiet probe1` (it speaks no more), `restart 3600`. Sensors not told otherwise repeat their last value every half minute.
`fan` is "rest" or "run (reason)"; `open alarms` lists name:state, state by its first three letters.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.engine.alarm_states import OPEN
from monitor.engine.events import (
    Acknowledge,
    AlarmChanged,
    Event,
    FanReport,
    HandSet,
    JournalEntry,
    Link,
    Reading,
    Shelve,
    Started,
    SwitchFan,
    Tick,
)
from monitor.engine.saving import load, save
from monitor.engine.specification import Specification
from monitor.engine.state import AlarmRecord, AlarmState, State
from monitor.engine.step import step
from tests.engine.barns import START, START_MS

SENSORS = {
    "probe1": "brooder/chick height",
    "probe2": "brooder/chick height two",
    "damp": "brooder/damp",
    "ammonia": "brooder/ammonia",
    "mains": "brooder/mains",
    "power": "brooder/power",
}


@dataclass
class World:
    """One specification, its state, and what its sensors go on saying."""

    specification: Specification
    values: dict[str, float] = field(default_factory=dict)
    state: State = field(default_factory=State)
    obeys: str = "yes"  # "yes", "never reports", "stays off"
    raised: list[AlarmChanged] = field(default_factory=list)
    ended: list[AlarmChanged] = field(default_factory=list)
    at: float = START
    pen: str = "brooder"

    def wall(self) -> int:
        return START_MS + round((self.at - START) * 1000)

    def take(self, event: Event) -> None:
        self.state, actions = step(self.state, event, self.specification)
        for action in actions:
            if isinstance(action, AlarmChanged) and action.state == "unacknowledged":
                self.raised.append(action)
            if isinstance(action, AlarmChanged) and action.state == "normal":
                self.ended.append(action)
            if isinstance(action, SwitchFan) and self.obeys != "never reports":
                running = action.running and self.obeys == "yes"
                self.take(FanReport(self.at, self.wall(), action.pen, running, action.speed_pct))

    def pass_minutes(self, until_minute: float) -> None:
        """Half-minute readings and ticks until then."""
        end = START + until_minute * 60.0
        while self.at + 30.0 <= end:
            self.at += 30.0
            for name, value in self.values.items():
                self.take(Reading(self.at, self.wall(), SENSORS[name], value + (0.01 if self.at % 60 else 0.0)))
            self.take(Tick(self.at, self.wall()))

    def do(self, words: str) -> None:
        for part in words.split(","):
            self._do(part.split())

    def _do(self, words: list[str]) -> None:
        now = (self.at, self.wall())
        match words:
            case []:
                pass
            case ["warm", value]:
                self.values |= {"probe1": float(value), "probe2": float(value)}
            case ["quiet", name]:
                self.values.pop(name, None)
            case ["relay", *how]:
                self.obeys = " ".join(how)
            case ["link", what, up]:
                self.take(Link(*now, what, up == "up"))
            case ["hand", how, minutes]:
                self.take(HandSet(*now, self.pen, "keeper", how == "on", None, float(minutes) * 60.0))
            case ["ack", *alarm]:
                self.take(Acknowledge(*now, self._key(" ".join(alarm)), "keeper"))
            case ["shelve", alarm, minutes]:
                self.take(Shelve(*now, self._key(alarm), "keeper", float(minutes) * 60.0))
            case ["journal", *what, count] if count.isdigit():
                self.take(JournalEntry(*now, self.pen, " ".join(what), "keeper", "spring", int(count)))
            case ["journal", *what]:
                self.take(JournalEntry(*now, self.pen, " ".join(what), "keeper"))
            case ["restart", seconds]:
                self.state = load(save(self.state))
                self.at += float(seconds)
                self.take(Started(self.at, self.wall(), float(seconds), False))
            case [name, value]:
                self.values[name] = float(value)
            case _:
                raise ValueError(f"no such event: {' '.join(words)}")

    def _key(self, name: str) -> str:
        records = [*self.state.alarms.values(), *self.state.pens[self.pen].alarms.values()]
        return next(r.key for r in records if r.name == name)

    def fan(self) -> str:
        fan = self.state.pens[self.pen].fan
        return f"run ({fan.reason})" if fan.running else "rest"

    def open_alarms(self) -> str:
        records: list[AlarmRecord] = [*self.state.alarms.values(), *self.state.pens[self.pen].alarms.values()]
        shown = [r for r in records if r.state in OPEN or r.state in (AlarmState.SHELVED, AlarmState.SUPPRESSED)]
        return " ".join(sorted(f"{r.name}:{r.state.value[:3]}" for r in shown)) or "-"


def play(world: World, table: str) -> None:
    """Run the table; the first line that differs fails, and says what came instead."""
    began = False
    for line in table.strip().splitlines()[1:]:
        minute, event, fan, alarms = (cell.strip() for cell in line.split("|"))
        if not began:
            world.do(event)
            world.take(Started(world.at, world.wall(), 0.0, True))
            began = True
            world.at -= 30.0
            world.pass_minutes(0)
        else:
            world.pass_minutes(float(minute))
            world.do(event)
            if event:
                world.at -= 30.0
                world.pass_minutes((world.at + 30.0 - START) / 60.0)
        got = f"{minute} | {event} | {world.fan()} | {world.open_alarms()}"
        wanted_fan = world.fan() if fan == "*" else fan
        assert got == f"{minute} | {event} | {wanted_fan} | {alarms}", (
            f"\nat minute {minute} after {event!r}:\n got    {got}\n wanted {line.strip()}"
        )
