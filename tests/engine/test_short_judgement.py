"""The short ways of one judgement, each against the long one: on a brooder whose air wanders over every limit there is."""

from __future__ import annotations

import random
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo.settings_text import specification as mill_rise
from monitor.air import psychrometrics, surface
from monitor.engine import adequacy, flock, foresee_heat, foresee_limits, heat_memory, heat_shapes, outlook_air, ventilation
from monitor.engine import step as stepping
from monitor.engine.decisions import decision
from monitor.engine.events import Acknowledge, Event, FanReport, HandSet, JournalEntry, Json, Keep, Reading, Shelve, Started, Tick
from monitor.engine.foresee import foresee
from monitor.engine.heat_shapes import end_and_slope, smooth
from monitor.engine.judge import conditions
from monitor.engine.saving import load, save
from monitor.engine.specification import Specification
from monitor.engine.state import State
from monitor.engine.step import step
from monitor.engine.view import Condition

NOON_MS = 1_804_248_000_000  # 2027-03-05 12:00 UTC
START = NOON_MS / 1000.0
HOURS = 5
Told = list[dict[str, Json] | None]

# Of each sensor: where it begins, how far it wanders to each side, its noise.
AIR = {
    "chick height": (31.0, 7.0, 0.2),
    "chick height 2": (31.5, 7.0, 0.2),
    "room": (18.0, 6.0, 0.1),
    "room humidity": (66.0, 26.0, 0.5),
    "ammonia": (14.0, 16.0, 0.3),
    "carbon dioxide": (2200.0, 2000.0, 20.0),
    "fan power": (25.0, 25.0, 0.3),
    "outside": (4.0, 14.0, 0.1),
    "outside humidity": (80.0, 18.0, 0.5),
    "mains": (1.0, 0.0, 0.0),
}


def happened(specification: Specification, seed: int) -> list[Event]:
    """Hours of air that drifts over the limits, with silences, stuck and wild numbers, and what people and the relay do."""
    dice = random.Random(f"short judgement {seed}")
    found: list[Event] = [Started(START, NOON_MS, None, True)]
    for key, sensor in specification.sensors.items():
        usual, swing, noise = AIR.get(sensor.name, (20.0, 0.0, 0.0))
        aim = now = usual
        at, silent_until, stuck = START + dice.random() * sensor.every_s, 0.0, False
        while at < START + HOURS * 3600.0:
            if dice.random() < 0.012:
                aim = usual + dice.uniform(-1.0, 1.0) * swing
            if dice.random() < 0.002:
                silent_until = at + dice.choice((100.0, 500.0))
            stuck = (dice.random() < 0.98) if stuck else dice.random() < 0.001
            now += 0.0 if stuck else 0.08 * (aim - now)
            value = now + (0.0 if stuck else dice.gauss(0.0, noise))
            if dice.random() < 0.001:
                value = dice.choice((value + 4.0 * swing, 1e9, sensor.lowest))
            if sensor.name == "mains":
                value = 0.0 if at % 9000.0 < 400.0 else 1.0
            if at >= silent_until:
                found.append(Reading(at, round(at * 1000.0), key, round(value, 1)))
            at += sensor.every_s
    names = ("damp", "ammonia_birds", "birds_cold", "condensation", "airflow_short", "sensor_silent/chick height")
    for _ in range(60):
        at = START + dice.uniform(0.0, HOURS * 3600.0)
        ms, key = round(at * 1000.0), f"brooder/{dice.choice(names)}"
        found.append(
            dice.choice(
                (
                    HandSet(at, ms, "brooder", "keeper", dice.random() < 0.5, None, 600.0),
                    Shelve(at, ms, key, "keeper", 900.0),
                    Acknowledge(at, ms, key, "keeper"),
                    JournalEntry(at, ms, "brooder", dice.choice(("deaths", "lamp raised", "fan cleaned")), count=1),
                    FanReport(at, ms, "brooder", dice.random() < 0.5),
                    Tick(at, ms),
                )
            )
        )
    return sorted(found, key=lambda event: event.at)


def brooder(seed: int) -> Specification:
    return mill_rise(("steady", "thermostat")[seed % 2], date(2027, 3, 1) if seed < 3 else date(2026, 3, 1))


def lived(specification: Specification, events: list[Event], state: State | None = None) -> tuple[Told, State]:
    state, told = State() if state is None else state, []
    for event in events:
        state, actions = step(state, event, specification)
        told += [decision(action) for action in actions if not isinstance(action, Keep)]
    return told, state


@pytest.mark.parametrize("seed", range(4))
def test_a_condition_left_out_would_have_changed_nothing(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Told every condition, the ledger decides the same and remembers the same; and many are left out."""
    specification = brooder(seed)
    events = happened(specification, seed)
    counts = {"short": 0, "long": 0}

    def counted(way: str) -> None:
        def judged(*of: object) -> list[Condition]:
            found = list(conditions(*(of if way == "short" else of[:-1])))  # type: ignore[arg-type]  # as it was called
            counts[way] += len(found)
            return found

        def ahead(*of: object) -> object:
            found = foresee(*(of if way == "short" else of[:-1]))  # type: ignore[arg-type]  # as it was called
            counts[way] += len(found[1])
            return found

        monkeypatch.setattr(stepping, "conditions", judged)
        monkeypatch.setattr(stepping, "foresee", ahead)

    counted("short")
    told, state = lived(specification, events)
    counted("long")
    told_all, state_all = lived(specification, events)
    assert told == told_all
    assert save(state) == save(state_all)
    assert len({line["what"] for line in told if line}) >= 6  # or nothing was tried
    assert counts["short"] < 0.8 * counts["long"]


@pytest.mark.parametrize("seed", range(2))
def test_what_is_kept_at_hand_is_of_pure_functions_alone(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Worked out anew each time, everything comes out the same to the last digit."""
    specification = brooder(seed)
    events = happened(specification, seed)
    told, state = lived(specification, events)
    for module in (
        adequacy,
        outlook_air,
        foresee_limits,
        foresee_heat,
        heat_memory,
        heat_shapes,
        flock,
        ventilation,
        psychrometrics,
    ):
        for name, found in list(vars(module).items()):
            if hasattr(found, "cache_clear"):
                monkeypatch.setattr(module, name, found.__wrapped__)
    told_anew, state_anew = lived(specification, events)
    assert told == told_anew
    assert save(state) == save(state_anew)


@pytest.mark.parametrize("seed", range(2))
def test_memory_read_back_from_json_goes_on_the_same(seed: int) -> None:
    """Stopped, stored and begun again halfway: what was learned is taken up as if nothing had been."""
    specification = brooder(seed)
    events = happened(specification, seed)
    half = len(events) // 2
    told, state = lived(specification, events)
    early, halfway = lived(specification, events[:half])
    late, ended = lived(specification, events[half:], load(save(halfway)))
    assert early + late == told
    assert save(ended) == save(state)


def test_an_old_memory_in_another_order_loads_as_one_of_ours() -> None:
    """The quick way of loading is only taken for what was written here; any other order or type takes the long one."""
    learned = foresee_heat.Learned(at=60.0, probes={"one": [31.0, 31.1]}, lift_c=18.5, troughs=[30.0], failing=True)
    ours = foresee_heat.saved(learned)
    assert isinstance(ours, dict)
    assert foresee_heat.load({"heat": ours}) == learned
    assert foresee_heat.load({"heat": dict(reversed(list(ours.items())))}) == learned
    assert foresee_heat.load({"heat": {**ours, "troughs": None}}).troughs == []
    assert foresee_heat.load({"heat": {**ours, "lift_c": "warm"}}).lift_c is None


def test_what_was_loaded_shares_nothing_with_the_memory() -> None:
    """A sample works on a copy: the state it came from stays as it was."""
    memory: dict[str, Json] = {"heat": foresee_heat.saved(foresee_heat.Learned(probes={"one": [31.0]}, room=[14.0]))}
    learned = foresee_heat.load(memory)
    learned.room.append(15.0)
    learned.probes["one"].append(32.0)
    learned.probes["two"] = [1.0]
    assert foresee_heat.load(memory) == foresee_heat.Learned(probes={"one": [31.0]}, room=[14.0])


@given(st.floats(-40.0, 60.0), st.floats(0.1, 100.0), st.floats(-50.0, 60.0), st.floats(0.0, 5.0), st.floats(-2.0, 6.0))
def test_a_wall_that_surely_has_its_margin_has_it(
    air_c: float, humidity_pct: float, outside_c: float, insulation: float, margin_k: float
) -> None:
    """One saturation pressure never says more than the dew point does."""
    if surface.has_margin(air_c, humidity_pct, outside_c, insulation, margin_k):
        assert surface.condensation(air_c, humidity_pct, outside_c, insulation).margin_c >= margin_k


def test_a_wall_far_from_its_dew_point_is_told_at_once() -> None:
    """Otherwise the short way would be none."""
    assert surface.has_margin(18.0, 55.0, 4.0, 0.9, 1.0)
    assert not surface.has_margin(18.0, 95.0, -4.0, 0.9, 1.0)
    assert not surface.has_margin(-39.0, 50.0, -45.0, 0.9, 4.0)  # beyond the formulas: not told


@given(st.lists(st.floats(-30.0, 60.0), min_size=2, max_size=21), st.floats(-60.0, 120.0))
def test_a_line_ends_below_a_level_that_its_values_are_far_from(values: list[float], level: float) -> None:
    """What heat_rising is spared by: highest and lowest say where the fitted end cannot be."""
    if foresee_limits._ends_below(tuple(values), level):
        assert end_and_slope(values, 1.0)[0] < level


def test_a_rise_towards_a_level_is_not_taken_to_end_below_it() -> None:
    """Otherwise the sharper question would never be asked."""
    rising = tuple(28.0 + 0.1 * minute for minute in range(21))
    assert foresee_limits._ends_below(rising, 33.0)
    assert not foresee_limits._ends_below(rising, 31.0)


@given(st.lists(st.floats(-30.0, 60.0).map(lambda c: round(c, 3)), min_size=2, max_size=30), st.integers(0, 6))
def test_line_and_smoothing_are_those_of_their_definitions(values: list[float], reach: int) -> None:
    """To the last digit, of temperatures as the engine keeps them: what was learned by longer sums goes on unchanged."""
    n = len(values)
    near = [min(reach, i, n - 1 - i) for i in range(n)]
    assert smooth(values, reach) == [sum(values[i - k : i + k + 1]) / (2 * k + 1) for i, k in enumerate(near)]
    middle, mean = (n - 1) / 2.0, sum(values) / n
    slope = sum((i - middle) * v for i, v in enumerate(values)) / (n * (n * n - 1) / 12.0)
    assert end_and_slope(values, 0.5) == (mean + slope * middle, slope / 0.5)
