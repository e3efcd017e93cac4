"""Limits tried on the last weeks: what the keeper reads of it."""

from __future__ import annotations

import pytest

from monitor.daemon.trying import _sentence
from monitor.rehearse import Rehearsed


@pytest.mark.parametrize(
    ("rang", "said"),
    [(0, "0 alarms instead of 2"), (1, "1 alarm instead of 2"), (3, "3 alarms instead of 2")],
)
def test_one_alarm_is_one_alarm(rang: int, said: str) -> None:
    """One is spoken of as one."""
    before, after = _rang(2), _rang(rang)
    assert said in _sentence(before, after, "brooder", 14.0)


def test_without_readings_nothing_is_compared() -> None:
    """No figure is made up from an empty store."""
    assert _sentence(Rehearsed(), Rehearsed(), "brooder", 14.0) == "No readings are stored for those days."


def _rang(times: int) -> Rehearsed:
    return Rehearsed(readings=10, alarms={"damp": times})
