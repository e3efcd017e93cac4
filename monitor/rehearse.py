"""Stored readings through the engine, at engine speed: what would have been decided, under these settings.

The readings' own times drive everything. The relay is taken to obey, for no report was stored with them.
"""

from __future__ import annotations

import csv
import heapq
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime

from monitor.engine.decisions import decision
from monitor.engine.events import Action, AlarmChanged, Event, FanReport, Json, Keep, Reading, Started, SwitchFan, Tick
from monitor.engine.plan import plan_for
from monitor.engine.quiet import Run
from monitor.engine.specification import Specification
from monitor.engine.state import State
from monitor.engine.step import step


@dataclass(slots=True)
class Rehearsed:
    """What came of it."""

    readings: int = 0
    unknown_sensors: dict[str, int] = field(default_factory=dict)
    first_ms: int | None = None
    last_ms: int | None = None
    fan_changes: int = 0
    fan_on_s: dict[str, float] = field(default_factory=dict)
    alarms: dict[str, int] = field(default_factory=dict)  # raised, by name
    state: State = field(default_factory=State)


def rehearse(
    readings: Iterable[tuple[int, str, float]],
    specification: Specification,
    write: Callable[[dict[str, Json]], None],
    events: Iterable[Event] = (),
) -> Rehearsed:
    """Run readings through the engine.

    Args:
        readings: (wall ms, sensor key, SI value), rising in time.
        specification: the settings to try.
        write: given each decision, in order.
        events: other things that happened then (journal, hand-settings), rising in time.

    Returns:
        The tally and the state at the end.
    """
    tally = Rehearsed()
    state = State()
    run = Run(state, plan_for(specification))
    waiting = iter(sorted(events, key=lambda e: e.at))
    other = next(waiting, None)
    running_since: dict[str, float] = {}

    def take(event: Event) -> None:
        nonlocal state
        state, actions = step(run.end(), event, specification)
        if actions:
            obey(actions)
        run.begin(state)

    def obey(actions: list[Action]) -> None:
        nonlocal state
        for action in actions:
            if isinstance(action, Keep):
                continue
            told = decision(action)
            if told is not None:
                write(told)
            if isinstance(action, SwitchFan) and not action.again:
                tally.fan_changes += 1
                _count_hours(tally, running_since, action)
                report = FanReport(state.at, state.wall_ms, action.pen, action.running, action.speed_pct)
                state, further = step(state, report, specification)
                if further:
                    obey(further)
            elif isinstance(action, AlarmChanged) and action.state == "unacknowledged":
                tally.alarms[action.name] = tally.alarms.get(action.name, 0) + 1

    sensors, taken = specification.sensors, 0
    last_ms: int | None = None
    for wall_ms, key, value in readings:
        if tally.first_ms is None:
            tally.first_ms = wall_ms
            take(Started(wall_ms / 1000.0, wall_ms, None, True))
        while other is not None and other.at <= wall_ms / 1000.0:
            take(other)
            other = next(waiting, None)
        if run.take(wall_ms, key, value):
            taken += 1
            last_ms = wall_ms
        elif key in sensors:
            taken += 1
            last_ms = wall_ms
            take(Reading(wall_ms / 1000.0, wall_ms, key, value))
        else:
            tally.unknown_sensors[key] = tally.unknown_sensors.get(key, 0) + 1
    tally.readings, tally.last_ms = taken, last_ms
    if tally.last_ms is not None:
        take(Tick(tally.last_ms / 1000.0, tally.last_ms))
        for pen, since in running_since.items():
            tally.fan_on_s[pen] = tally.fan_on_s.get(pen, 0.0) + state.at - since
    tally.state = state
    return tally


def _count_hours(tally: Rehearsed, running_since: dict[str, float], action: SwitchFan) -> None:
    if action.running:
        running_since.setdefault(action.pen, action.at)
    elif action.pen in running_since:
        tally.fan_on_s[action.pen] = tally.fan_on_s.get(action.pen, 0.0) + action.at - running_since.pop(action.pen)


def in_order(readings: Iterable[tuple[int, str, float]], slack: int = 10_000) -> Iterator[tuple[int, str, float]]:
    """Readings nearly in order of time, put in order within a window of `slack` rows."""
    heap: list[tuple[int, int, str, float]] = []
    for number, (wall_ms, key, value) in enumerate(readings):
        heapq.heappush(heap, (wall_ms, number, key, value))
        if len(heap) > slack:
            first = heapq.heappop(heap)
            yield first[0], first[2], first[3]
    while heap:
        first = heapq.heappop(heap)
        yield first[0], first[2], first[3]


class Misread(ValueError):  # noqa: N818 - said in words
    """The readings file cannot be used; the sentence says where and what was expected."""


def read_csv(
    stream: Iterable[str], specification: Specification, on_bad: Callable[[int, str], None]
) -> Iterator[tuple[int, str, float]]:
    """Readings of a CSV, header `time,sensor,value`, as (wall ms, sensor key, SI value).

    A value no such sensor can give is passed on: the engine must judge it as it would have then. Anything
    else amiss goes to `on_bad` with its line number, and the reading goes on.

    Raises:
        Misread: the header is not the one expected.
    """
    rows = csv.reader(stream)
    header = [word.strip().lstrip("\ufeff").lower() for word in next(rows, [])]
    if header != ["time", "sensor", "value"]:
        raise Misread(f"line 1 reads {','.join(header)[:80]!r}, expected the header time,sensor,value")
    scale = {key: (s.unit_gain, s.unit_offset) for key, s in specification.sensors.items()}
    while True:
        try:
            row = next(rows)
        except StopIteration:
            return
        except csv.Error as trouble:
            on_bad(rows.line_num, str(trouble))
            continue
        if not row:
            continue
        try:
            time_text, key, value_text = row
            moment = datetime.fromisoformat(time_text.strip())
            if moment.tzinfo is None:
                on_bad(rows.line_num, f"time {time_text[:40]!r} has no offset; write 2026-05-01T06:40:00Z")
                continue
            wall_ms = round(moment.timestamp() * 1000)
            gain, offset = scale.get(key.strip(), (1.0, 0.0))
            yield wall_ms, key.strip(), gain * float(value_text) + offset
        except (ValueError, OverflowError):
            on_bad(rows.line_num, f"{','.join(row)[:80]!r} is not time,sensor,value")
