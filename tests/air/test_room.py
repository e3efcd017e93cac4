"""A room's warmth: what must hold, whatever the numbers, and rooms that are found again."""

import math
import random
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.ranges import OutOfRange
from monitor.air.room import Warmth, fit, share_over

ROOMS = st.builds(Warmth, st.floats(300.0, 40_000.0), st.floats(2.0, 40.0), st.floats(0.0, 8.0))


def brooder(tau_min, hours, thermostat, seed, lift=26.0, every_s=60.0):
    """A brooder over a drifting, cooling room; exact steps of one second, noise 0.3 °C, readings to 0.1 °C."""
    dice, tau = random.Random(seed), tau_min * 60.0
    inside, on = 28.0, True
    times, insides, outsides, heating = [], [], [], []
    left = math.exp(-1.0 / tau)
    for i in range(int(hours * 3600.0 / every_s)):
        t = i * every_s
        if thermostat:
            on = inside < 31.0 or (on and inside < 33.0)
        room = 15.0 - 3.0 * t / 43_200.0 + math.sin(2.0 * math.pi * t / 10_800.0)
        times.append(t)
        insides.append(round(inside + dice.gauss(0.0, 0.3), 1))
        outsides.append(round(room + dice.gauss(0.0, 0.3), 1))
        heating.append(1.0 if on else 0.0)
        for k in range(int(every_s)):
            now = 15.0 - 3.0 * (t + k) / 43_200.0 + math.sin(2.0 * math.pi * (t + k) / 10_800.0)
            settled = now + (lift if on else 0.0)
            inside = settled + (inside - settled) * left
    return times, insides, outsides, heating


@given(
    ROOMS, st.floats(-10.0, 35.0), st.floats(-20.0, 25.0), st.floats(0.0, 1.0), st.floats(0.0, 20_000.0), st.floats(1.0, 20_000.0)
)
def test_two_steps_are_one_long_step(room, inside, outside, share, first, second):
    """The step is exact: predicting in two parts or in one gives the same."""
    halfway = room.predict(inside, outside, first, share)
    at_once = room.predict(inside, outside, first + second, share)
    assert room.predict(halfway, outside, second, share) == pytest.approx(at_once, abs=1e-6)


@given(ROOMS, st.floats(-10.0, 35.0), st.floats(-20.0, 25.0), st.floats(0.0, 1.0), st.floats(0.0, 1e5))
def test_a_room_moves_towards_where_it_settles_and_not_past_it(room, inside, outside, share, seconds):
    """Never beyond, never away."""
    settled = room.settles_at_c(outside, share)
    low, high = min(inside, settled), max(inside, settled)
    assert low - 1e-9 <= room.predict(inside, outside, seconds, share) <= high + 1e-9


@given(ROOMS, st.floats(20.0, 35.0), st.floats(0.05, 0.95))
def test_the_time_to_a_level_is_when_the_prediction_gets_there(room, inside, part):
    """Both ways of asking agree: when will it be so cold, how cold will it be then."""
    outside = inside - room.base_lift_c - 15.0
    level = inside - 15.0 * part
    seconds = room.seconds_until(inside, level, outside, share=0.0)
    assert room.predict(inside, outside, seconds, share=0.0) == pytest.approx(level, abs=1e-6)


def test_a_level_beyond_where_it_settles_is_never_reached():
    """None, rather than a time."""
    room = Warmth(3600.0, 20.0)
    assert room.seconds_until(30.0, 5.0, 10.0, share=0.0) is None
    assert room.seconds_until(30.0, 31.0, 10.0, share=0.0) is None
    assert room.seconds_until(30.0, 30.0, 10.0) == 0.0


@given(ROOMS, st.floats(10.0, 35.0), st.floats(-10.0, 20.0), st.floats(0.0, 1.0), st.floats(60.0, 3600.0))
def test_the_share_of_heat_is_what_was_on(room, inside, outside, share, seconds):
    """A dead lamp shows as 0, a half one as a half."""
    later = room.predict(inside, outside, seconds, share)
    assert room.share_of_heat(inside, later, outside, seconds) == pytest.approx(share, abs=1e-6)


@given(ROOMS, st.floats(10.0, 35.0), st.floats(-10.0, 20.0), st.floats(0.0, 1.2), st.integers(3, 30))
def test_a_run_of_readings_tells_the_share_of_heat(room, inside, outside, share, count):
    """Clean readings give the share exactly, whatever the room."""
    times = [30.0 * i for i in range(count)]
    readings = [room.predict(inside, outside, t, share) for t in times]
    assert share_over(room, times, readings, [outside] * count, 0.3).share == pytest.approx(share, abs=1e-4)


def test_the_uncertainty_of_a_share_is_how_far_it_scatters():
    """Ten minutes of noisy readings, 400 times: the scatter is the stated uncertainty within 15 %."""
    room, dice, count = Warmth(2400.0, 20.0), random.Random(2), 21
    times = [30.0 * i for i in range(count)]
    clean = [room.predict(32.0, 12.0, t, 0.0) for t in times]
    found = [share_over(room, times, [c + dice.gauss(0.0, 0.3) for c in clean], [12.0] * count, 0.3) for _ in range(400)]
    assert statistics.mean(f.share for f in found) == pytest.approx(0.0, abs=0.03)
    assert statistics.stdev(f.share for f in found) == pytest.approx(found[0].standard_uncertainty, rel=0.15)


def test_a_dead_lamp_shows_within_ten_minutes():
    """Noise 0.3 °C, time constant 40 min: half of the heat missing is told with two standard uncertainties."""
    room = Warmth(2400.0, 20.0)
    times = [30.0 * i for i in range(21)]
    dead = share_over(room, times, [room.predict(32.0, 12.0, t, 0.0) for t in times], [12.0] * 21, 0.3)
    assert dead.share + 2.0 * dead.standard_uncertainty < 0.5


@pytest.mark.parametrize(
    ("times", "inside", "message"),
    [([0.0, 30.0], [20.0, 20.0], "at least three"), ([0.0, 30.0, 30.0], [20.0] * 3, "times must rise")],
)
def test_a_broken_run_of_readings_is_refused_in_words(times, inside, message):
    """A mistake of the caller, named."""
    with pytest.raises(ValueError, match=message):
        share_over(Warmth(2400.0, 20.0), times, inside, inside, 0.3)


@pytest.mark.parametrize("tau_min", [20, 40, 60])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_brooder_on_a_thermostat_is_found_again(tau_min, seed):
    """Six hours of cycling with noise: time constant within 8 %, lift within 2 °C, the truth inside the interval.

    Eight per cent is about three standard deviations of the fit over many such records.
    """
    found = fit(*brooder(tau_min, 6.0, True, seed))
    assert found.reason == ""
    assert found.warmth.time_constant_s == pytest.approx(tau_min * 60.0, rel=0.08)
    assert found.warmth.heat_lift_c == pytest.approx(26.0, abs=2.0)
    assert found.warmth.base_lift_c == pytest.approx(0.0, abs=1.5)
    assert found.low_s * 0.97 <= tau_min * 60.0 <= found.high_s * 1.03


def test_one_step_least_squares_fails_where_a_thermostat_cycles_unseen():
    """Why the whole record is simulated: the shortcut of reading to reading answers below a quarter of the truth."""
    _, inside, outside, _ = brooder(40, 6.0, True, 1, every_s=30.0)
    steps = [(o - i, later - i) for i, o, later in zip(inside, outside, inside[1:], strict=False)]
    mean_gap, mean_step = (sum(column) / len(steps) for column in zip(*steps, strict=True))
    rate = sum((g - mean_gap) * (s - mean_step) for g, s in steps) / sum((g - mean_gap) ** 2 for g, _ in steps) / 30.0
    assert 1.0 / rate < 0.25 * 40 * 60.0


def test_a_thermostat_whose_switching_is_not_known_is_not_told():
    """It holds the room against the outside, so the outside says nothing of the room: a reason, not nonsense."""
    times, inside, outside, _ = brooder(40, 6.0, True, 1, every_s=30.0)
    found = fit(times, inside, outside)
    assert found.warmth is None
    assert "too uncertain" in found.reason


@pytest.mark.parametrize("tau_min", [20, 60])
def test_a_steady_lamp_is_found_from_its_warming_up(tau_min):
    """Without knowing the lamp: a start from 28 °C and the drift of the room are enough over twelve hours."""
    times, inside, outside, _ = brooder(tau_min, 12.0, False, 5, lift=20.0)
    found = fit(times, inside, outside)
    assert found.warmth.time_constant_s == pytest.approx(tau_min * 60.0, rel=0.10)
    assert found.warmth.heat_lift_c == pytest.approx(20.0, abs=0.3)


def test_hours_without_any_change_do_not_tell():
    """A steady room has every time constant: no figure."""
    dice = random.Random(1)
    times = [60.0 * i for i in range(200)]
    found = fit(times, [20.0 + dice.gauss(0.0, 0.2) for _ in times], [10.0] * 200)
    assert found.warmth is None
    assert "too uncertain" in found.reason


def test_a_source_that_cools_is_no_source():
    """Swapped signals of on and off are called out."""
    times, inside, outside, heating = brooder(40, 6.0, True, 1)
    found = fit(times, inside, outside, [1.0 - h for h in heating])
    assert found.warmth is None
    assert "does not warm" in found.reason


@pytest.mark.parametrize(
    ("times", "inside", "message"),
    [
        ([60.0 * i for i in range(30)], [20.0] * 29, "must have 30 readings"),
        ([0.0] * 30, [20.0] * 30, "times must rise"),
        ([60.0 * i for i in range(30)], [math.nan] * 30, "finite"),
    ],
)
def test_a_broken_record_is_refused_in_words(times, inside, message):
    """A mistake of the caller, not a room that cannot tell."""
    with pytest.raises(ValueError, match=message):
        fit(times, inside, [10.0] * 30)


def test_a_handful_of_readings_is_too_few():
    """The reason names the number needed."""
    assert "too few readings: 5, at least 20" in fit([1.0, 2.0, 3.0, 4.0, 5.0], [20.0] * 5, [10.0] * 5).reason


@given(st.lists(st.floats(-30.0, 50.0), min_size=20, max_size=40), st.integers(0, 5))
def test_any_readings_get_an_answer(inside, seed):
    """Whatever a sensor sends, the answer is a model or a reason, never a crash."""
    dice = random.Random(seed)
    n = len(inside)
    found = fit([60.0 * i for i in range(n)], inside, [10.0] * n, [float(dice.random() < 0.5) for _ in range(n)])
    assert (found.warmth is None) == bool(found.reason)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: Warmth(1.0, 20.0), "time_constant_s"),
        (lambda: Warmth(1000.0, math.nan), "heat_lift_c"),
        (lambda: Warmth(1000.0, 20.0).predict(200.0, 10.0, 60.0), "inside_c"),
        (lambda: Warmth(1000.0, 20.0).predict(20.0, 10.0, -60.0), "seconds"),
        (lambda: Warmth(1000.0, 20.0).settles_at_c(-100.0), "outside_c"),
        (lambda: Warmth(1000.0, 20.0).settles_at_c(0.0, 3.0), "share"),
        (lambda: Warmth(1000.0, 20.0).seconds_until(20.0, 100.0, 0.0), "level_c"),
        (lambda: Warmth(1000.0, 0.0).share_of_heat(20.0, 19.0, 0.0, 60.0), "heat_lift_c"),
    ],
)
def test_a_number_outside_the_range_is_refused_by_name(call, named):
    """No answer outside the range stated."""
    with pytest.raises(OutOfRange, match=named):
        call()
