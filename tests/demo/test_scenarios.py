"""The bank tells true from false by the model, never by the engine, and plays the same for the same seed."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from demo.closed_loop import Loop
from demo.scenarios import BANK_DAY, BANK_WALL0_MS, SCENARIOS, Scenario, Truth
from demo.scoring import Call, Moment, Outcome, judge, run
from demo.settings_text import specification

HOUR = 3600.0


def scenario(name: str) -> Scenario:
    return next(s for s in SCENARIOS if s.name == name)


def outcome(*calls: Call, truths: tuple[Truth, ...] = (), bird_level_c: float = 32.0) -> Outcome:
    """Ten hours of a barn that stands still."""
    trace = [Moment(m * 60.0, bird_level_c, 15.0, 60.0, 5.0, 0.0) for m in range(600)]
    return Outcome("made up", 0, 36_000.0, list(truths), list(calls), [], trace)


STEADY = scenario("quiet-steady")
DIES = Truth(2 * HOUR, 4 * HOUR, ("heat_failing",), ("birds_cold",), urgent_calls=1)


def call(at_h: float, alarm: str, limit: float | None = None) -> Call:
    return Call(at_h * HOUR, alarm, "", True, {} if limit is None else {"limit": limit})


def test_a_call_in_time_finds_the_trouble():
    """Found, with its delay, and nothing false."""
    verdict = judge(outcome(call(2.1, "heat_failing"), truths=(DIES,)))
    assert verdict.found is True
    assert verdict.delay_s == pytest.approx(0.1 * HOUR)
    assert not verdict.false
    assert not verdict.too_many_urgent


def test_silence_misses_it_and_a_call_before_it_is_false():
    """An alarm an hour before the trouble is no early warning of it but a false call."""
    assert judge(outcome(truths=(DIES,))).found is False
    early = judge(outcome(call(1.0, "heat_failing"), truths=(DIES,)))
    assert early.found is False
    assert early.false == {"heat_failing": 1}
    assert early.false_urgent == {"heat_failing": 1}


def test_a_consequence_is_no_false_call_but_counts_as_one_too_many():
    """One trouble, one urgent call: the second is seen."""
    verdict = judge(outcome(call(2.1, "heat_failing"), call(2.5, "birds_cold"), truths=(DIES,)))
    assert not verdict.false
    assert verdict.too_many_urgent


def test_a_limit_that_was_really_passed_is_a_right_call():
    """The model's own number decides: 22 °C against a limit of 24 is right, 32 °C is false."""
    assert judge(outcome(call(5, "birds_cold", 24.0), bird_level_c=22.0)).right == {"birds_cold": 1}
    assert judge(outcome(call(5, "birds_cold", 24.0))).false == {"birds_cold": 1}


def test_calm_days_leave_out_the_trouble():
    """False alarms are counted against the hours in which nothing was wrong."""
    assert judge(outcome(truths=(DIES,))).calm_days == pytest.approx(8 / 24)


def test_every_scenario_has_a_name_and_a_sentence():
    """Names are unique, so that one can be asked for."""
    assert len({s.name for s in SCENARIOS}) == len(SCENARIOS)
    assert all(s.says for s in SCENARIOS)


@pytest.mark.parametrize("name", ["probe-silent", "mains-lost"])
def test_plain_troubles_are_found_closed_loop(name):
    """Model, probes, engine and judging together: the trouble is called within minutes."""
    played = scenario(name)
    told = specification(played.heat, date(*BANK_DAY) - timedelta(days=played.age_days))
    verdict = judge(run(played, 1, told))
    assert verdict.found is True
    assert verdict.delay_s is not None
    assert verdict.delay_s < 300
    if name == "mains-lost":
        assert not verdict.too_many_urgent
        assert verdict.reminders == 3  # each half hour, for the model's chicks stay cold


def test_the_same_seed_plays_the_same_closed_loop(chicks):
    """World and engine driving one another arrive at the same decisions twice."""

    def decisions() -> list[object]:
        made: list[object] = []
        play = STEADY.build(chicks.pens["brooder"], STEADY, 3)
        loop = Loop(play.world, chicks, wall0_ms=BANK_WALL0_MS, told=lambda _event, actions: made.extend(actions))
        loop.run(3 * HOUR)
        return made

    first = decisions()
    assert len(first) > 1000
    assert first == decisions()
