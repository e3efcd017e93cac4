"""What the watch of the heat source is shown of sensors that speak more often than it samples."""

from __future__ import annotations

import pytest

from monitor.engine.belief import hear
from monitor.engine.events import Reading
from monitor.engine.foresee import of_late
from monitor.engine.specification import Measure, Place
from monitor.engine.state import SensorState
from tests.engine.barns import sensor


def heard(*readings: tuple[float, float]) -> SensorState:
    probe = sensor("probe", Measure.TEMPERATURE, Place.BIRD_LEVEL, every_s=15.0)
    known = SensorState()
    for at, value in readings:
        known, _, _ = hear(probe, known, Reading(at, None, probe.key, value))
    return known


@pytest.mark.parametrize(
    ("readings", "shown"),
    [
        (((20.0, 31.0),), 31.0),  # the only one
        (((50.0, 31.0), (58.0, 31.4)), 31.2),  # two within the half minute
        (((28.0, 31.0), (58.0, 31.4)), 31.4),  # the one before belongs to the half minute before
        (((31.0, 30.0), (45.0, 31.0), (59.0, 31.4)), 31.2),  # the last two of three
    ],
)
def test_two_readings_of_one_step_are_shown_by_their_mean(readings, shown):
    """At second 60, steps of 30 s: the mean of the last two that fell into the step, else the last."""
    assert of_late(heard(*readings), 60.0, 30.0) == pytest.approx(shown)


def test_a_sensor_that_never_spoke_shows_nothing():
    """No value, no number."""
    assert of_late(SensorState(), 60.0, 30.0) is None
