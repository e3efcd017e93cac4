"""What is written down: the state between versions, and the decisions as others read them."""

from __future__ import annotations

import json

import pytest

from monitor.engine.alarm_states import MOVES, Happening, move
from monitor.engine.decisions import decision, line, rfc3339
from monitor.engine.events import AlarmChanged, Keep, SwitchFan
from monitor.engine.saving import Unloadable, load, save
from monitor.engine.specification import Priority
from monitor.engine.state import AlarmState, State


def test_a_state_of_another_version_loads() -> None:
    """Unknown keys are passed over and missing ones take their default: an update forgets no open alarm."""
    text = json.dumps(
        {
            "at": 5.0,
            "from_tomorrow": 1,
            "pens": {
                "brooder": {
                    "name": "brooder",
                    "alarms": {
                        "brooder/damp": {
                            "key": "brooder/damp",
                            "name": "damp",
                            "pen": "brooder",
                            "subject": "",
                            "state": "acknowledged",
                            "standing": True,
                            "new_thing": [],
                        }
                    },
                }
            },
        }
    )
    state = load(text)
    record = state.pens["brooder"].alarms["brooder/damp"]
    assert (state.at, record.state, record.standing) == (5.0, AlarmState.ACKNOWLEDGED, True)
    assert load(save(state)) == state


@pytest.mark.parametrize(
    "text", ["", "null", "[]", "{", '{"pens": 3}', '{"pens": {"a": {"alarms": {"k": {"state": "no such"}}}}}']
)
def test_a_text_that_is_no_state_says_so(text: str) -> None:
    """Never a traceback, and never half a state."""
    with pytest.raises(Unloadable, match="cannot be read"):
        load(text)


def test_an_empty_state_is_a_state() -> None:
    """The very beginning."""
    assert load(save(State())) == State()


def test_a_fan_decision_has_the_form_others_read() -> None:
    """time, pen, kind, what, state, priority, evidence; for a fan the reason, and the speed when it has one."""
    action = SwitchFan(1.0, 1_775_390_400_123, "brooder", True, 60.0, "damp", {"value": 78.0})
    assert decision(action) == {
        "time": "2026-04-05T12:00:00.123Z",
        "pen": "brooder",
        "kind": "fan",
        "what": "exhaust fan",
        "state": "running",
        "priority": None,
        "reason": "damp",
        "evidence": {"value": 78.0},
        "speed_pct": 60.0,
    }
    assert "speed_pct" not in (decision(SwitchFan(1.0, None, "b", False, None, "minimum timer", {})) or {})


def test_an_alarm_decision_has_the_form_others_read() -> None:
    """The state is one of the standard's words; the subject and who did it stand in the evidence."""
    change = AlarmChanged(
        1.0, None, "b/sensor_silent/p", "sensor_silent", "b", "p", "normal", "unacknowledged", Priority.HIGH, 7, {"for_s": 3.0}
    )
    told = decision(change)
    assert told == {
        "time": None,
        "pen": "b",
        "kind": "alarm",
        "what": "sensor_silent",
        "state": "unacknowledged",
        "priority": "high",
        "evidence": {"for_s": 3.0, "subject": "p", "occurrence": 7},
    }
    assert json.loads(line(told)) == told


def test_what_is_no_decision_is_none() -> None:
    """A kept reading and a command said again decide nothing."""
    assert decision(Keep("b/p", 1.0, 1.0, 1, False)) is None
    assert decision(SwitchFan(1.0, None, "b", True, None, "damp", {}, again=True)) is None


def test_times_are_utc_with_milliseconds() -> None:
    """RFC 3339, and nothing while the clock was not trusted."""
    assert rfc3339(0) == "1970-01-01T00:00:00.000Z"
    assert rfc3339(None) is None


def test_every_state_can_be_reached_and_left() -> None:
    """The life cycle has no island and no trap."""
    reached, frontier = {AlarmState.NORMAL}, [AlarmState.NORMAL]
    while frontier:
        for after in MOVES[frontier.pop()].values():
            if after not in reached:
                reached.add(after)
                frontier.append(after)
    assert reached == set(AlarmState)
    assert all(any(after is not state for after in row.values()) for state, row in MOVES.items())


@pytest.mark.parametrize("state", list(AlarmState))
def test_people_can_put_any_alarm_out_of_service_and_back(state: AlarmState) -> None:
    """Maintenance is always possible, and what still stands then rings."""
    out = move(state, Happening.TAKE_OUT)
    assert out is AlarmState.OUT_OF_SERVICE
    assert move(out, Happening.RELEASE_STANDING) is AlarmState.UNACKNOWLEDGED
    assert move(out, Happening.RELEASE_CLEAR) is AlarmState.NORMAL
