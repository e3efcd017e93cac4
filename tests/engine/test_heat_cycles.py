"""Turning points of a source on a thermostat: which low peak is a source that has died, and which is no news."""

import pytest

from monitor.engine.heat_cycles import fell_early
from monitor.engine.heat_memory import Learned

VARIANCE = 0.002  # of the smoothed mean, °C²: a usual thermometer


def learned(*peaks):
    """A pen whose source is turned on at 25.5 °C and off at the given peaks, the last of them the present fall's."""
    known = Learned()
    known.troughs, known.peaks = [25.5] * 9, [*peaks]
    return known


def test_a_fall_from_below_every_peak_of_late_is_no_rest():
    assert fell_early(learned(*[27.4] * 9, 26.2), VARIANCE)


@pytest.mark.parametrize("low", [26.44, 26.3])
def test_a_peak_as_low_as_one_of_late_is_no_news(low):
    """A room heater beats with the lamp: every fifth peak is a low one, and the warmth came back from it."""
    assert not fell_early(learned(27.4, 27.4, 27.3, low, 27.4, 27.4, 27.2, 27.4, 27.4, 26.35), VARIANCE)


def test_a_peak_a_little_low_is_a_rest():
    assert not fell_early(learned(*[27.4] * 9, 26.9), VARIANCE)
