"""Whatever happens, in whatever order: the promises the engine keeps at every step."""

from __future__ import annotations

import math
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.alarm_states import MOVES
from monitor.engine.events import (
    JOURNAL_WORDS,
    Acknowledge,
    AlarmChanged,
    Event,
    FanReport,
    HandSet,
    JournalEntry,
    Keep,
    Link,
    Reading,
    Shelve,
    Started,
    SwitchFan,
    TakeOutOfService,
    Tick,
    Unreadable,
)
from monitor.engine.ladder import AMMONIA_DANGEROUS, BIRDS_TOO_COLD, HAND_SET
from monitor.engine.saving import load, save
from monitor.engine.specification import Measure, Place, Specification
from monitor.engine.state import AlarmState, State
from monitor.engine.step import step
from tests.engine.barns import START, START_MS, fan, pen, sensor, site

TWO_PENS = site(
    pen("brooder"),
    pen(
        "house",
        the_fan=fan(command_topic="test/house/fan/set", variable=True),
        sensors=(
            sensor("room", Measure.TEMPERATURE, Place.ROOM, "house"),
            sensor("air", Measure.AMMONIA, Place.ROOM, "house"),
            sensor("mains", Measure.MAINS, Place.ROOM, "house"),
        ),
    ),
)
KEYS = [*TWO_PENS.sensors, "brooder/unknown", "nowhere/at all", ""]
PENS = ["brooder", "house", "nowhere", ""]
ALARMS = [
    "brooder/birds_cold",
    "brooder/ammonia_birds",
    "brooder/sensor_silent/chick height",
    "house/ammonia_people",
    "/broker_lost",
    "nowhere/birds_cold",
    "rubbish",
]

wild_floats = st.one_of(
    st.floats(-60, 120),
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from([0.0, 20.0, 25.0, 25.5, 26.0, 33.0, 35.0, 37.0, 50.0, 60.0, 1e308, -1e308]),
)
spans = st.one_of(st.floats(-10, 90_000), st.sampled_from([0.0, 60.0, math.inf, math.nan]))


@st.composite
def events(draw: st.DrawFn, clock: tuple[float, float] = (0.0, 400.0)) -> tuple[float, Event]:
    """One event and how long after the former it comes."""
    later = draw(st.one_of(st.floats(*clock), st.sampled_from([0.0, 0.001, 30.0, 60.0, 4000.0])))
    made: Event = draw(
        st.one_of(
            st.builds(Reading, st.just(0.0), st.none(), st.sampled_from(KEYS), wild_floats, st.none(), st.none(), st.booleans()),
            st.builds(Reading, st.just(0.0), st.none(), st.sampled_from(KEYS), st.floats(5, 60)),
            st.builds(Tick, st.just(0.0), st.none()),
            st.builds(Unreadable, st.just(0.0), st.none(), st.just("t"), st.sampled_from([*KEYS, None]), st.just("not a number")),
            st.builds(
                FanReport, st.just(0.0), st.none(), st.sampled_from(PENS), st.booleans(), st.one_of(st.none(), st.floats(0, 100))
            ),
            st.builds(
                Link,
                st.just(0.0),
                st.none(),
                st.sampled_from(["broker", "store", "clock", "mirror", "notice", "x"]),
                st.booleans(),
            ),
            st.builds(Started, st.just(0.0), st.none(), st.one_of(st.none(), st.floats(0, 1e6)), st.booleans()),
            st.builds(Acknowledge, st.just(0.0), st.none(), st.sampled_from(ALARMS), st.just("keeper")),
            st.builds(Shelve, st.just(0.0), st.none(), st.sampled_from(ALARMS), st.just("keeper"), spans),
            st.builds(TakeOutOfService, st.just(0.0), st.none(), st.sampled_from(ALARMS), st.just("keeper"), st.booleans()),
            st.builds(
                HandSet,
                st.just(0.0),
                st.none(),
                st.sampled_from(PENS),
                st.just("keeper"),
                st.booleans(),
                st.one_of(st.none(), wild_floats),
                spans,
            ),
            st.builds(
                JournalEntry,
                st.just(0.0),
                st.none(),
                st.sampled_from(PENS),
                st.sampled_from(JOURNAL_WORDS),
                st.just("keeper"),
                st.sampled_from([None, "spring", "none such"]),
                st.one_of(st.none(), st.integers(-5, 50)),
            ),
        )
    )
    return later, made


def timed(drawn: list[tuple[float, Event]], wall: bool = True) -> list[Event]:
    """The drawn events on one timeline."""
    at, made = START, []
    for later, event in drawn:
        at = round(at + later, 3)
        made.append(replace(event, at=at, wall_ms=START_MS + round((at - START) * 1000) if wall else None))
    return made


def run(happened: list[Event], specification: Specification, state: State | None = None) -> tuple[State, list[object]]:
    state, done = state or State(), []
    for event in happened:
        state, actions = step(state, event, specification)
        done += actions
    return state, done


def decided(actions: list[object]) -> list[object]:
    return [a for a in actions if not isinstance(a, Keep) and not (isinstance(a, SwitchFan) and a.again)]


@given(st.lists(events(), max_size=40), st.booleans())
def test_no_event_raises_and_the_state_survives_saving(drawn: list[tuple[float, Event]], wall: bool) -> None:
    """Nothing an event carries may stop the watch, and what is remembered can be written down and read back."""
    state = State()
    for event in timed(drawn, wall):
        state, _ = step(state, event, TWO_PENS)
        assert load(save(state)) == state


@given(st.lists(events(), max_size=60))
def test_the_fan_never_switches_faster_than_its_shortest_times(drawn: list[tuple[float, Event]]) -> None:
    """Relay and motor are spared; only ammonia dangerous to birds and people may break that."""
    _, actions = run(timed(drawn), TWO_PENS)
    last: dict[str, SwitchFan] = {}
    for action in actions:
        if not isinstance(action, SwitchFan) or action.again:
            continue
        former = last.get(action.pen)
        if former is not None and former.running != action.running and action.reason != AMMONIA_DANGEROUS:
            spec = TWO_PENS.pens[action.pen].fan
            assert spec is not None
            shortest = spec.shortest_on_s if former.running else spec.shortest_off_s
            assert action.at - former.at >= shortest - 1e-6
        if former is None or former.running != action.running:
            last[action.pen] = action


@given(st.lists(events(), max_size=60))
def test_no_alarm_leaves_its_life_cycle(drawn: list[tuple[float, Event]]) -> None:
    """Every change of an alarm is a move of the one table, and starts where the last one ended."""
    _, actions = run(timed(drawn), TWO_PENS)
    standing: dict[str, str] = {}
    for action in actions:
        if isinstance(action, AlarmChanged):
            assert standing.get(action.key, "normal") == action.former
            former, now = AlarmState(action.former), AlarmState(action.state)
            assert now in MOVES[former].values()
            standing[action.key] = action.state


@given(
    st.lists(
        st.tuples(st.floats(1, 200), st.floats(10, 24.9), st.floats(0, 100), st.one_of(st.none(), st.floats(0, 45))),
        min_size=1,
        max_size=40,
    )
)
def test_cold_chicks_get_no_more_than_the_least_timer(nights: list[tuple[float, float, float, float | None]]) -> None:
    """Below their cold limit the fan pulls out what warmth there is: whatever damp and ammonia ask, short of danger."""
    spec = site()
    at, happened = START, [Reading(START, START_MS, f"brooder/{n}", 20.0) for n in ("chick height", "chick height two")]
    for later, warm, damp, ammonia in nights:
        at = round(at + later, 3)
        ms = START_MS + round((at - START) * 1000)
        for key, value in (("chick height", warm), ("chick height two", warm), ("damp", damp), ("ammonia", ammonia)):
            if value is not None:
                happened.append(Reading(at, ms, f"brooder/{key}", value))
    happened.append(Tick(at + 100, START_MS + round((at + 100 - START) * 1000)))
    state, on_since, longest = State(), None, 0.0
    for event in happened:
        state, actions = step(state, event, spec)
        for action in actions:
            if isinstance(action, SwitchFan) and not action.again:
                if action.running:
                    on_since = action.at
                    assert action.reason in (BIRDS_TOO_COLD, "warmth not known", HAND_SET)
                elif on_since is not None:
                    longest = max(longest, action.at - on_since)
                    on_since = None
    fan_state = state.pens["brooder"].fan
    spec_fan = spec.pens["brooder"].fan
    assert spec_fan is not None
    assert longest <= max(fan_state.least_on_s, spec_fan.shortest_on_s) + 1e-6


@given(st.lists(events(), max_size=40), st.lists(st.floats(0, 1), max_size=30))
def test_extra_ticks_decide_nothing(drawn: list[tuple[float, Event]], places: list[float]) -> None:
    """How often the second hand comes by must not matter: every due moment is judged at its own second."""
    happened = [e for e in timed(drawn) if not isinstance(e, Tick | Started)]  # a start forgives what fell due in the dark
    if not happened:
        return
    first, last = happened[0].at, happened[-1].at
    ticks: list[Event] = []
    for place in places:
        at = round(first + place * (last - first), 3)
        ticks.append(Tick(at, START_MS + round((at - START) * 1000)))
    end: list[Event] = [Tick(last + 500, START_MS + round((last + 500 - START) * 1000))]
    _, plain = run([*happened, *end], TWO_PENS)
    mixed = sorted([*happened[1:], *ticks], key=lambda e: e.at)
    _, ticked = run([happened[0], *mixed, *end], TWO_PENS)
    assert decided(plain) == decided(ticked)


@given(st.lists(events(), min_size=2, max_size=40), st.integers(0, 40))
def test_a_restart_in_the_middle_decides_the_same(drawn: list[tuple[float, Event]], cut: int) -> None:
    """Saved, killed, loaded and started again within a blink: the same decisions as without."""
    happened = [e for e in timed(drawn) if not isinstance(e, Started)]
    if not happened:
        return
    cut = min(cut, len(happened) - 1)
    _, whole = run(happened, site())
    state, before = run(happened[: cut + 1], site())
    # Before the very first decisions there is nothing to go on from.
    again = load(save(state))
    cut_event = happened[cut]
    again, started = step(again, Started(cut_event.at, cut_event.wall_ms, 0.0, False), site())
    _, after = run(happened[cut + 1 :], site(), again)
    assert decided(whole) == decided([*before, *started, *after])
