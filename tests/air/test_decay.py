"""Air changes from decays: reasons, refusals, and what must hold, whatever the numbers."""

import math
import random
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.air.decay import FOR_AMMONIA_PPM, AirChanges, Decay, Demands, air_changes, pool
from monitor.air.ranges import OutOfRange


def fading(per_hour, start, settles, minutes, lag_s=0.0, noise=0.0, seed=0, every_s=30.0):
    """Readings of a gas that fades towards a level; the sensor's lag integrated in a hundred steps a reading."""
    dice = random.Random(seed)
    times = [i * every_s for i in range(int(minutes * 60.0 / every_s) + 1)]
    shown, values, fine = start, [], 100
    for t in times:
        values.append(shown + dice.gauss(0.0, noise))
        for k in range(fine):
            middle = t + (k + 0.5) * every_s / fine
            room = settles + (start - settles) * math.exp(-per_hour * middle / 3600.0)
            shown = room + (shown - room) * math.exp(-every_s / fine / lag_s) if lag_s else room
        if not lag_s:
            shown = settles + (start - settles) * math.exp(-per_hour * (t + every_s) / 3600.0)
    return times, values


@settings(max_examples=25)
@given(st.floats(2.0, 30.0), st.floats(10.0, 60.0), st.floats(0.0, 8.0), st.sampled_from([0.0, 20.0, 60.0, 90.0]))
def test_a_clean_decay_gives_its_air_changes_back(per_hour, start, settles, lag_s):
    """Without noise the answer is the truth to half a per cent, with or without a sensor's lag."""
    minutes = max(10.0, 3.0 * 60.0 / per_hour)
    found = air_changes(*fading(per_hour, start, settles, minutes, lag_s), lag_s=lag_s)
    assert found.reason == ""
    assert found.per_hour == pytest.approx(per_hour, rel=5e-3)
    assert found.starts_at == pytest.approx(start, rel=5e-3)
    assert found.settles_at == pytest.approx(settles, abs=0.02 * start)


@settings(max_examples=25)
@given(st.floats(3.0, 20.0), st.floats(0.01, 100.0), st.floats(-5.0, 50.0))
def test_the_unit_and_the_zero_of_the_sensor_do_not_matter(per_hour, gain, offset):
    """Humidity ratio, ppm or a sensor with a wrong zero: the same air changes and the same interval."""
    times, values = fading(per_hour, 30.0, 5.0, 180.0 / per_hour, lag_s=30.0, noise=0.5, seed=3)
    plain = air_changes(times, values, lag_s=30.0)
    changed = air_changes(times, [gain * v + offset for v in values], lag_s=30.0)
    assert changed.fitted_per_hour == pytest.approx(plain.fitted_per_hour, rel=1e-4)
    assert changed.low == pytest.approx(plain.low, rel=1e-3)
    assert changed.high == pytest.approx(plain.high, rel=1e-3)


@settings(max_examples=25)
@given(st.floats(3.0, 20.0), st.integers(0, 50))
def test_the_interval_holds_the_fit_and_widens_with_noise(per_hour, seed):
    """More noise on the same record: a wider interval."""
    quiet, loud = (
        air_changes(*fading(per_hour, 30.0, 5.0, 180.0 / per_hour, 30.0, noise, seed), lag_s=30.0) for noise in (0.2, 0.8)
    )
    for found in (quiet, loud):
        assert found.low <= found.fitted_per_hour <= found.high
    assert loud.high / loud.low > quiet.high / quiet.low


def test_the_time_of_day_does_not_matter():
    """Seconds since any beginning give the same answer."""
    times, values = fading(10.0, 30.0, 5.0, 20.0, 60.0, 0.5)
    late = air_changes([t + 1.7e9 for t in times], values, lag_s=60.0)
    assert late.per_hour == pytest.approx(air_changes(times, values, lag_s=60.0).per_hour, rel=1e-6)


RISING = fading(10.0, 5.0, 30.0, 20.0, noise=0.5)
STEADY = fading(10.0, 10.0, 10.0, 20.0, noise=0.5)
SHORT = fading(5.0, 30.0, 5.0, 10.0, noise=0.2)
LOW = fading(10.0, 12.0, 2.0, 20.0, noise=0.3)
SHALLOW = fading(10.0, 30.0, 15.0, 20.0, noise=0.3)
NOISY = fading(10.0, 30.0, 5.0, 20.0, noise=2.5)


@pytest.mark.parametrize(
    ("record", "outside", "demands", "reason"),
    [
        pytest.param(RISING, None, Demands(), "not decaying", id="rising"),
        pytest.param(STEADY, None, Demands(), "too flat|not decaying", id="steady with noise"),
        pytest.param(([i * 30.0 for i in range(40)], [7.0] * 40), None, Demands(), "too flat: every reading", id="constant"),
        pytest.param(SHORT, 0.0, Demands(), r"too short: 10 min at about .* min are needed", id="short"),
        pytest.param(LOW, 0.0, FOR_AMMONIA_PPM, r"start too low: 1\d(\.\d)?, at least 20", id="little ammonia"),
        pytest.param(SHALLOW, 0.0, FOR_AMMONIA_PPM, "falls too little: from .* 3 to 1 is needed", id="shallow"),
        pytest.param(SHALLOW, 29.5, Demands(), "outside too close: starts at .* outside 29.5", id="outside as inside"),
        pytest.param(NOISY, 0.0, Demands(), "too uncertain: ±.* at most ±15 %", id="noisy"),
        pytest.param(([0.0, 30.0, 60.0], [30.0, 20.0, 10.0]), 0.0, Demands(), "too few readings: 3", id="three readings"),
    ],
)
def test_a_decay_that_cannot_tell_says_why(record, outside, demands, reason):
    """No figure, and the reason in words."""
    found = air_changes(*record, outside, 0.0, demands)
    assert found.per_hour is None
    assert re.search(reason, found.reason), found.reason


def test_a_withheld_figure_still_shows_its_interval():
    """For the picture and the log: what was fitted, though it is not told."""
    found = air_changes(*SHORT)
    assert found.per_hour is None
    assert found.low < 5.0 < found.high


def test_a_sensor_taken_as_without_lag_is_warned_of():
    """Nobody can see from the figure alone that it is low."""
    assert "counts as without lag" in air_changes(*fading(10.0, 30.0, 5.0, 20.0, noise=0.2), lag_s=0.0).warning
    assert air_changes(*fading(10.0, 30.0, 5.0, 20.0, 10.0, noise=0.2), lag_s=10.0).warning == ""


def test_readings_that_bend_like_a_lagging_sensor_are_not_told():
    """A clear shoulder at the start asks for the lag, instead of a figure a sixth too low."""
    found = air_changes(*fading(10.0, 30.0, 5.0, 20.0, lag_s=60.0, noise=0.2), lag_s=0.0)
    assert found.per_hour is None
    assert "lags about 60 s" in found.reason


def test_a_lag_that_is_not_known_widens_the_interval_instead_of_bending_the_figure():
    """The interval holds the truth; with the lag known it is narrower."""
    record = fading(10.0, 30.0, 5.0, 25.0, lag_s=60.0, noise=0.3)
    known, unknown = air_changes(*record, lag_s=60.0), air_changes(*record)
    assert unknown.low < 10.0 < unknown.high
    assert unknown.high - unknown.low > known.high - known.low


def test_a_figure_withheld_for_its_unknown_lag_says_what_would_help():
    """The keeper can look the lag up."""
    found = air_changes(*fading(10.0, 30.0, 5.0, 25.0, lag_s=60.0, noise=0.8))
    assert found.per_hour is None
    assert "setting the sensor's lag would help" in found.reason


def test_an_unknown_lag_is_warned_of():
    """Above 24 an hour the room's fading and the sensor's cannot be told apart for certain, and it says so."""
    assert "lag is not known:" in air_changes(*fading(10.0, 40.0, 5.0, 25.0, 30.0, noise=0.1)).warning
    assert "changes fast" in air_changes(*fading(28.0, 40.0, 5.0, 20.0, 10.0, noise=0.1)).warning


def test_settling_below_the_outside_is_warned_of():
    """Cleaner than the air that comes in: one of the two sensors is off."""
    found = air_changes(*fading(10.0, 30.0, 5.0, 20.0, 30.0, 0.3), outside=12.0, lag_s=30.0)
    assert "below the outside" in found.warning


def test_a_pool_is_surer_than_each_of_its_decays():
    """Four records of one fan: a narrower interval that still holds the truth."""
    decays = [Decay(*fading(8.0, 30.0, 5.0, 18.0, 60.0, 0.8, seed), 0.0, 60.0) for seed in range(4)]
    alone = [air_changes(d.times_s, d.values, d.outside, d.lag_s) for d in decays]
    together = pool(decays)
    assert together.per_hour is not None
    assert together.decays == 4
    assert together.low <= 8.0 <= together.high
    assert together.high - together.low < min(a.high - a.low for a in alone)


def test_decays_of_different_gases_stand_in_one_pool():
    """Ammonia in ppm and water in g/kg: each weighted by its own noise."""
    ammonia = [Decay(*fading(10.0, 30.0, 5.0, 20.0, 60.0, 1.0, seed), 0.0, 60.0) for seed in range(2)]
    water = [Decay(*fading(10.0, 7.0, 4.0, 20.0, 8.0, 0.03, seed), 2.0, 8.0) for seed in range(2)]
    assert pool(ammonia + water).per_hour == pytest.approx(10.0, rel=0.08)


def test_a_pool_leaves_out_what_is_no_decay():
    """Rising, steady and constant records do not count."""
    good = [Decay(*fading(10.0, 30.0, 5.0, 20.0, 60.0, 0.5, seed), 0.0, 60.0) for seed in range(3)]
    bad = [Decay(*RISING), Decay(*STEADY), Decay([0.0, 1.0], [1.0, 1.0])]
    assert pool(good + bad).decays == 3
    assert "too few decays: 2 usable of 5, 3 needed" in pool(good[:2] + bad).reason


def test_decays_that_disagree_widen_the_interval_and_say_so():
    """Two nights at 8 and two at 12 an hour are not one fan setting."""
    decays = [Decay(*fading(n, 40.0, 5.0, 20.0, 60.0, 0.3, seed), 0.0, 60.0) for seed, n in enumerate((8, 8, 12, 12))]
    found = pool(decays)
    assert "scatter" in found.warning
    assert found.high - found.low > 2.0


def test_a_pool_with_a_lag_left_out_is_not_told():
    """What one noisy record cannot show, five together do."""
    decays = [Decay(*fading(10.0, 30.0, 5.0, 20.0, 60.0, 1.0, seed), 0.0, 0.0) for seed in range(5)]
    found = pool(decays)
    assert found.per_hour is None
    assert "set its lag" in found.reason


@pytest.mark.parametrize(
    ("times", "values", "message"),
    [
        ([0.0, 1.0], [1.0], "2 times for 1 readings"),
        ([0.0, 0.0], [1.0, 2.0], "times must rise"),
        ([0.0, 1.0], [1.0, math.nan], "finite"),
    ],
)
def test_a_broken_record_is_refused_in_words(times, values, message):
    """A mistake of the caller, not a decay that cannot tell."""
    with pytest.raises(ValueError, match=message):
        air_changes(times, values)


@pytest.mark.parametrize("late_readings", [1, 3])
def test_a_start_before_the_first_reading_is_taken_into_account(late_readings):
    """The fan's start lies between two readings: with its time given the answer is the same as with all readings."""
    times, values = fading(10.0, 30.0, 5.0, 25.0, 60.0)
    found = air_changes(times[late_readings:], values[late_readings:], lag_s=60.0, started_s=0.0)
    assert found.per_hour == pytest.approx(10.0, rel=2e-3)
    assert found.starts_at == pytest.approx(30.0, rel=2e-3)
    assert air_changes(times[late_readings:], values[late_readings:], lag_s=60.0).fitted_per_hour > 10.3


@pytest.mark.parametrize("started_s", [10.0, -1000.0])
def test_a_start_after_the_first_reading_or_long_before_is_refused(started_s):
    """Readings from before the start are not part of the decay."""
    with pytest.raises(OutOfRange, match="started_s"):
        air_changes(*fading(10.0, 30.0, 5.0, 25.0), started_s=started_s)


def test_a_lag_beyond_any_sensor_is_refused():
    """Ten minutes is the most."""
    with pytest.raises(OutOfRange, match="lag_s"):
        air_changes([0.0, 1.0], [1.0, 2.0], lag_s=1000.0)


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=40), st.floats(1.0, 300.0), st.floats(0.0, 200.0))
def test_any_readings_get_an_answer(values, every_s, lag_s):
    """Whatever a sensor sends, the answer is a figure or a reason, never a crash."""
    found = air_changes([i * every_s for i in range(len(values))], values, 0.0, lag_s)
    assert isinstance(found, AirChanges)
    assert (found.per_hour is None) == bool(found.reason)
