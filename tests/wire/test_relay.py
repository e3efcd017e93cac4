"""What is said to the fan's relay, and what its answers are taken for."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.wire.pointer import Pointer
from monitor.wire.relay import command, report


def test_an_on_off_fan_is_told_in_its_own_words(make_fan):
    """The words of the settings go out as they stand."""
    fan = make_fan(on_word="go", off_word="halt")
    assert command(fan, True, None) == b"go"
    assert command(fan, False, None) == b"halt"
    assert command(fan, True, 40.0) == b"go"


@pytest.mark.parametrize(
    ("running", "speed_pct", "sent"),
    [
        (False, None, b"0"),
        (False, 70.0, b"0"),
        (True, None, b"100"),
        (True, 62.4, b"62"),
        (True, 250.0, b"100"),
        (True, 5.0, b"30"),
    ],
)
def test_a_variable_fan_is_told_a_whole_per_cent(make_fan, running, speed_pct, sent):
    """Between the speed at which it stalls and full; rest is "0"."""
    assert command(make_fan(variable=True, lowest_speed_pct=30.0), running, speed_pct) == sent


def test_a_running_fan_is_never_told_to_rest_by_rounding(make_fan):
    """0.2 % of a fan that may turn as slowly as it likes is still running."""
    assert command(make_fan(variable=True, lowest_speed_pct=0.0), True, 0.2) == b"1"


@pytest.mark.parametrize(
    ("payload", "running"),
    [(b"ON", True), (b"off", False), (b" On\r\n", True), (b"true", True), (b"false", False), (b"1", True), (b"0\0", False)],
)
def test_an_on_off_report_is_read_in_the_usual_words(make_fan, payload, running):
    """Its own words, on/off, true/false and 1/0, in any case of letters."""
    assert report(make_fan(), payload, None) == (running, None)


@pytest.mark.parametrize("payload", [b"", b"   ", b"maybe", b"2", b"50", b"\xff\xfe", b"ON OFF", b"x" * 70000, b"{", b"null"])
def test_what_says_neither_is_no_report(make_fan, payload):
    """A report is what shows that the fan obeys; nothing unclear may count as one."""
    assert report(make_fan(), payload, None) is None


def test_an_inverted_relay_is_taken_at_its_own_word(make_fan):
    """Where "0" switches on, a report of "0" means running, and "off" in words is not guessed at."""
    fan = make_fan(on_word="0", off_word="1")
    assert report(fan, b"0", None) == (True, None)
    assert report(fan, b"1", None) == (False, None)
    assert report(fan, b"off", None) is None
    assert report(fan, b"true", None) is None


@pytest.mark.parametrize(
    ("payload", "said"),
    [
        (b"0", (False, 0.0)),
        (b"55", (True, 55.0)),
        (b"100.0", (True, 100.0)),
        (b"ON", (True, None)),
        (b"OFF", (False, 0.0)),
        (b"101", None),
        (b"-1", None),
        (b"nan", None),
        (b"1e999", None),
    ],
)
def test_a_variable_fan_reports_its_speed(make_fan, payload, said):
    """A number from 0 to 100, or plain on and off."""
    assert report(make_fan(variable=True), payload, None) == said


@pytest.mark.parametrize(
    ("payload", "said"),
    [
        (b'{"relay":{"state":"ON"}}', (True, None)),
        (b'{"relay":{"state":false}}', (False, None)),
        (b'{"relay":{"state":1}}', (True, None)),
        (b'{"relay":{"state":1.5}}', None),
        (b'{"relay":{"state":1e999}}', None),
        (b'{"relay":{"state":"\\ud800"}}', None),
        (b'{"relay":{}}', None),
        (b'{"relay":{"state":null}}', None),
        (b"ON", None),
    ],
)
def test_a_report_inside_json_is_found_by_its_pointer(make_fan, payload, said):
    """The answer stands where the settings say, or there is none."""
    assert report(make_fan(), payload, Pointer.parse("/relay/state")) == said


@given(st.binary(max_size=60), st.booleans(), st.sampled_from([None, "", "/s"]))
def test_no_report_can_break_anything(make_fan, payload, variable, pointer):
    """Whatever comes, it is read or it is not; a speed is a percentage."""
    said = report(make_fan(variable=variable), payload, None if pointer is None else Pointer.parse(pointer))
    assert said is None or said[1] is None or 0.0 <= said[1] <= 100.0


@given(st.booleans(), st.floats(min_value=0.0, max_value=100.0))
def test_a_variable_fan_that_echoes_its_command_is_seen_to_obey(make_fan, running, speed_pct):
    """Reading back one's own command gives the same running or resting."""
    fan = make_fan(variable=True, lowest_speed_pct=20.0)
    said = report(fan, command(fan, running, speed_pct), None)
    assert said is not None
    assert said[0] is running
