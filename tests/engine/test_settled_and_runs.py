"""Two short ways of the engine, each against the long way: pens in good order, and runs of stored readings."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from monitor.engine import settled
from monitor.engine import step as stepping
from monitor.engine.decisions import decision
from monitor.engine.events import Event, FanReport, HandSet, JournalEntry, Json, Keep, Reading, Shelve, Started, SwitchFan, Tick
from monitor.engine.records import replace
from monitor.engine.saving import save
from monitor.engine.specification import Measure, Place, Specification
from monitor.engine.state import State
from monitor.engine.step import step
from monitor.rehearse import rehearse
from tests.engine.barns import START, START_MS, fan, pen, sensor, site

HOURS = 6
Row = tuple[int, str, float]
Told = list[dict[str, Json] | None]


def barn(variable: bool) -> Specification:
    sensors = (
        sensor("chick height", Measure.TEMPERATURE, Place.BIRD_LEVEL),
        sensor("chick height two", Measure.TEMPERATURE, Place.BIRD_LEVEL),
        sensor("damp", Measure.HUMIDITY, Place.ROOM),
        sensor("ammonia", Measure.AMMONIA, Place.BIRD_LEVEL),
        sensor("gas", Measure.CARBON_DIOXIDE, Place.ROOM, every_s=60.0),
        sensor("power", Measure.FAN_POWER, Place.ROOM),
        sensor("mains", Measure.MAINS, Place.ROOM, every_s=300.0),
    )
    brooder = pen(sensors=sensors, the_fan=fan(variable=variable, report_topic=None))
    grown = (
        sensor("room", Measure.TEMPERATURE, Place.ROOM, "hen house"),
        sensor("air", Measure.AMMONIA, Place.ROOM, "hen house"),
    )
    return site(brooder, pen("hen house", sensors=grown))


def readings(specification: Specification, seed: int) -> Iterator[Row]:
    """Hours of calm air with drifts over the limits, twins that part, wild numbers, stuck and silent sensors."""
    dice = random.Random(seed)
    usual = {"temperature": 31.0, "humidity": 60.0, "ammonia": 12.0, "carbon_dioxide": 2000.0, "fan_power": 25.0, "mains": 1.0}
    swing = {"temperature": 8.0, "humidity": 22.0, "ammonia": 14.0, "carbon_dioxide": 1500.0, "fan_power": 26.0, "mains": 0.0}
    now = {key: usual[s.measures.value] for key, s in specification.sensors.items()}
    aim = dict(now)
    quiet_until = dict.fromkeys(now, 0)
    rows: list[Row] = []
    for key, one in specification.sensors.items():
        at_ms = START_MS + dice.randrange(30_000)
        while at_ms < START_MS + HOURS * 3_600_000:
            kind = one.measures.value
            if dice.random() < 0.004:
                aim[key] = usual[kind] + dice.uniform(-1.0, 1.0) * swing[kind]
            if dice.random() < 0.001:
                quiet_until[key] = at_ms + dice.choice((200_000, 900_000))
            now[key] += 0.03 * (aim[key] - now[key])
            value = round(now[key] + dice.gauss(0.0, 0.01 * swing[kind]), 1)
            if dice.random() < 0.002:
                value = dice.choice((value + swing[kind] * 3, 1e9, -1e9, one.lowest))
            if at_ms >= quiet_until[key]:
                rows.append((at_ms, key, value))
            at_ms += int(one.every_s * 1000) + dice.randrange(-400, 400)
    return iter(sorted(rows))


def events(specification: Specification, seed: int) -> list[Event]:
    """The readings, and what people and the relay do meanwhile."""
    dice = random.Random(seed + 1000)
    found: list[Event] = [Started(START, START_MS, None, True)]
    found += [Reading(ms / 1000.0, ms, key, value) for ms, key, value in readings(specification, seed)]
    for _ in range(12):
        at = START + dice.uniform(0.0, HOURS * 3600.0)
        ms = int(at * 1000)
        name = f"brooder/{dice.choice(('damp', 'ammonia_birds', 'sensors_disagree/bird level temperature'))}"
        found.append(
            dice.choice(
                (
                    HandSet(at, ms, "brooder", "keeper", dice.random() < 0.5, None, 900.0),
                    Shelve(at, ms, name, "keeper", 1200.0),
                    JournalEntry(at, ms, "brooder", "deaths", count=1),
                    JournalEntry(at, ms, "brooder", "heat off"),
                    FanReport(at, ms, "brooder", dice.random() < 0.5),
                    Tick(at, ms),
                )
            )
        )
    return sorted(found, key=lambda event: event.at)


def lived(specification: Specification, all_of_it: list[Event]) -> tuple[Told, State]:
    state, told = State(), []
    for event in all_of_it:
        state, actions = step(state, event, specification)
        told += [decision(action) for action in actions if not isinstance(action, Keep)]
    return told, state


def plain(state: State) -> str:
    """The state, but for what only says how it may be reached faster."""
    pens = {n: replace(p, settled_until=0.0, believed_until=0.0, fan_due_at=0.0) for n, p in state.pens.items()}
    return save(replace(state, pens=pens))


@pytest.mark.parametrize("seed", range(6))
def test_a_settled_pen_is_judged_as_if_all_were_asked(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Leaving out what cannot have changed leaves out no decision, and forgets nothing."""
    specification = barn(variable=seed % 2 == 1)
    happened = events(specification, seed)
    asked: list[bool] = []
    kept = stepping.settled_until

    def counted(*of: object) -> float:
        found = kept(*of)  # type: ignore[arg-type]  # as it was called
        asked.append(found > settled.NOT_SETTLED)
        return found

    monkeypatch.setattr(stepping, "settled_until", counted)
    told, state = lived(specification, happened)
    short_ways = len(asked)
    assert any(asked)
    monkeypatch.setattr(stepping, "settled_until", lambda *_: asked.append(False) or settled.NOT_SETTLED)
    told_all, state_all = lived(specification, happened)
    assert told == told_all
    assert plain(state) == plain(state_all)
    assert len({str(line and (line["what"], line["state"])) for line in told}) > 6  # or nothing was tried
    assert len(asked) - 2 * short_ways > 50  # or the short way was hardly taken


@pytest.mark.parametrize("seed", range(4))
def test_a_run_of_readings_ends_where_each_by_itself_would(seed: int) -> None:
    """Rehearsal takes quiet readings in at once; the decisions and the last state are those of one step after another."""
    specification = barn(variable=seed % 2 == 1)
    rows = list(readings(specification, seed))
    lines: list[dict[str, Json]] = []
    tally = rehearse(rows, specification, lines.append)

    state, told = State(), []

    def feed(event: Event) -> None:
        nonlocal state
        state, actions = step(state, event, specification)
        for action in actions:
            line = decision(action)
            if line is not None:
                told.append(line)
            if isinstance(action, SwitchFan) and not action.again:
                feed(FanReport(state.at, state.wall_ms, action.pen, action.running, action.speed_pct))

    feed(Started(rows[0][0] / 1000.0, rows[0][0], None, True))
    for ms, key, value in rows:
        feed(Reading(ms / 1000.0, ms, key, value))
    feed(Tick(rows[-1][0] / 1000.0, rows[-1][0]))
    assert lines == told
    assert save(tally.state) == save(state)
    assert tally.readings == len(rows)
