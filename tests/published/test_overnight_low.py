"""The overnight low in a simulated room under measured weather: TMY3 Greensboro, North Carolina (NREL), from pvlib.

The room is written here, with two stores of heat and a wind-driven draught: not the model under test.
"""

import math
import random
import statistics
from itertools import pairwise
from pathlib import Path

import pvlib
import pytest

from monitor.air.overnight import Night, decrement_ratio, expected_outside_low_c, overnight_low_c

STEPS = 12  # in each hour


@pytest.fixture(scope="module")
def nights():
    """Every night of November to March: 21:00, low until 08:00, outside likewise; sensors err by 0.15 and 0.3 °C."""
    folder = Path(pvlib.__file__).parent / "data"
    weather, _ = pvlib.iotools.read_tmy3(folder / "723170TYA.CSV", map_variables=True)
    hours = [
        (stamp.hour, stamp.month, float(temperature), float(sun), float(wind))
        for stamp, temperature, sun, wind in zip(
            weather.index, weather["temp_air"], weather["ghi"], weather["wind_speed"], strict=True
        )
    ]
    first = next(i for i, hour in enumerate(hours) if hour[1] == 11 and hour[0] == 12)
    winter = hours[first:] + [hour for hour in hours if hour[1] <= 3]
    dice, air, mass = random.Random(8), 12.0, 12.0
    found, evening = [], None
    for (_, _, outside, sun, wind), following in pairwise(winter):
        draught = 16.0 * (1.0 + 0.35 * math.tanh((wind - 3.0) / 3.0))  # W/K
        for k in range(STEPS):
            out = outside + (following[2] - outside) * k / STEPS
            gain = 250.0 + 0.6 * sun  # birds and a window
            into_mass = 150.0 * (air - mass)
            air += 3600.0 / STEPS * (gain - into_mass - (45.0 * 0.4 + draught) * (air - out)) / 4e5
            mass += 3600.0 / STEPS * (into_mass - 45.0 * 0.6 * (mass - out)) / 3e6
        seen, seen_out = air + dice.gauss(0.0, 0.15), following[2] + dice.gauss(0.0, 0.3)
        if following[0] == 21:
            evening = (seen, seen_out, seen, seen_out)
        elif evening:
            evening = (*evening[:2], min(evening[2], seen), min(evening[3], seen_out))
            if following[0] == 8:
                found.append(Night(evening[0], evening[2], evening[3], evening[1]))
                evening = None
    return found


def errors(nights, outside_of):
    """Error of the forecast for each night that has three before it, and of "as last night"."""
    ours, naive = [], []
    for i in range(3, len(nights)):
        last, tonight = nights[i - 3 : i], nights[i]
        low = overnight_low_c(tonight.evening_c, outside_of(tonight, last), decrement_ratio(last))
        ours.append(abs(low - tonight.low_c))
        naive.append(abs(nights[i - 1].low_c - tonight.low_c))
    return ours, naive


def test_without_a_forecast_the_low_is_told_within_two_degrees(nights):
    """Mean error at most 2.0 °C and at least 30 % below "the same as last night"; nine nights in ten within 3.5 °C."""
    assert len(nights) > 130
    ours, naive = errors(nights, lambda tonight, last: expected_outside_low_c(tonight.outside_evening_c, last))
    assert statistics.mean(ours) <= 2.0
    assert statistics.mean(ours) <= 0.7 * statistics.mean(naive)
    assert sorted(ours)[int(0.9 * len(ours))] <= 3.5


def test_with_a_forecast_of_the_outside_low_it_is_within_1_2_degrees(nights):
    """A public forecast errs by about 1.5 °C (value from memory): mean error at most 1.2 °C."""
    dice = random.Random(9)
    ours, _ = errors(nights, lambda tonight, _: tonight.outside_low_c + dice.gauss(0.0, 1.5))
    assert statistics.mean(ours) <= 1.2
