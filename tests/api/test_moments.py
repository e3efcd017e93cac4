"""Times at the edge, and the fan's share of them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.api.fan_track import Turn, shares
from monitor.api.moments import for_long, parse, rfc3339


@pytest.mark.parametrize(
    ("text", "time_ms"),
    [
        ("2026-04-02T06:30:00Z", 1_775_111_400_000),
        ("2026-04-02T07:30:00+01:00", 1_775_111_400_000),
        ("1775111400000", 1_775_111_400_000),
        ("2026-04-02T06:30:00", None),  # without an offset nobody knows which moment it is
        ("2026-04-02", None),
        ("yesterday", None),
        ("", None),
        ("9" * 16, None),
        ("٣", None),
    ],
)
def test_a_moment_is_read_or_refused(text: str, time_ms: int | None) -> None:
    """RFC 3339 with its offset, or milliseconds; never a guess."""
    assert parse(text) == time_ms


@given(st.integers(0, 253_370_764_799_000 // 1000))
def test_a_moment_comes_back(second: int) -> None:
    """Written and read again it is the same second."""
    text = rfc3339(second * 1000)
    assert text is not None
    assert parse(text) == second * 1000


@given(st.text(max_size=40))
def test_no_text_breaks_the_reading_of_a_moment(text: str) -> None:
    """Any text gives a moment or None."""
    found = parse(text)
    assert found is None or isinstance(found, int)


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(-3, "0 s"), (40, "40 s"), (89, "89 s"), (90, "2 min"), (3600, "60 min"), (12_000, "3 h 20 min"), (200_000, "2 days")],
)
def test_a_length_of_time_is_said_as_a_person_says_it(seconds: float, said: str) -> None:
    """One unit where one is enough."""
    assert for_long(seconds) == said


turns = st.lists(st.tuples(st.integers(0, 10_000), st.booleans()), max_size=30).map(
    lambda rows: [Turn(at, running, None, "timer", None) for at, running in sorted(rows)]
)


@given(turns, st.integers(1, 40))
def test_the_shares_of_all_steps_add_up_to_the_time_on(given_turns: list[Turn], points: int) -> None:
    """However the stretch is cut, the fan ran as long as a second-by-second count says."""
    found = shares(given_turns, 2_000, 9_000, points)
    assert len(found) == points
    assert all(each is None or 0 <= each <= 1 for each in found)
    total = sum(each or 0.0 for each in found) * 7_000 / points
    counted, on, pending = 0, False, list(given_turns)
    for moment in range(9_000):
        while pending and pending[0].time_ms <= moment:
            on = pending.pop(0).running
        counted += on and moment >= 2_000
    assert total == pytest.approx(counted, abs=0.001 * 7_000)


def test_before_the_first_known_turn_nothing_is_claimed() -> None:
    """A stretch before the first record is not counted as rest."""
    found = shares([Turn(5_000, True, None, "x", None)], 0, 10_000, 10)
    assert found == [None] * 5 + [1.0] * 5


def test_a_variable_fan_counts_by_its_speed() -> None:
    """Half speed for the whole time is half."""
    assert shares([Turn(0, True, 50.0, "x", None)], 0, 1_000, 2) == [0.5, 0.5]
