"""Is the fan weaker, by the level under it while it hardly rests? The room is played from the balance of its gas."""

import json
import math
import random

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.engine import fan_level, foresee_fan
from monitor.engine.flock import output
from monitor.engine.foresee_fan import BLOCK, is_weak, strength
from tests.engine.barns import HATCHED, pen

PEN = pen()
DAY0 = HATCHED.toordinal() + 150
CHANGES_H = 20.0
COUNTS = {PEN.flocks[0].name: 80}


def minutes(strong, source=1.0, at_h=0.0, duty=1.0, noise=0.0, rhythm=0.0, seed=0):
    """Carbon dioxide of an hour, each minute, under a fan of this share; `source` times what the birds are reckoned to give."""
    dice = random.Random(seed)
    lively = source * (1.0 - rhythm * math.cos(2.0 * math.pi * (at_h - 1.0) / 24.0))
    gas = lively * output(PEN, COUNTS, DAY0 + int(at_h // 24), 15.0).carbon_dioxide_m3_h * 1e6 / PEN.volume_m3
    level = 420.0 + gas / (0.5 + CHANGES_H * strong * duty)
    return [level + dice.gauss(0.0, noise) for _ in range(BLOCK)], [duty] * BLOCK


def told(values, on, at_h=0.0):
    return fan_level.share(PEN, COUNTS, DAY0 + int(at_h // 24), 15.0, values, on, CHANGES_H)


def remembered(days, strong_of, power_after=1.0, **room):
    """Memory after so many days, with the motor's power of late against at first; the hour of the first call, or None."""
    kept, called = {"power": [500.0, 40.0, 40.0 * power_after]}, None
    for hour in range(round(days * 24)):
        strong = strong_of(hour / 24.0)
        fan_level.note(kept, hour * 3600.0, told(*minutes(strong, at_h=hour, noise=15.0, seed=hour, **room), at_h=hour))
        for last_day in (True, False):
            found = strength({"fan": kept}, last_day)
            if found is not None and is_weak(found, 0.75, 0.85) and called is None:
                called = hour
    return kept, called


@given(strong=st.floats(0.2, 1.5), duty=st.floats(0.81, 1.0))
def test_the_share_is_found_where_the_birds_are_as_reckoned(strong, duty):
    """The balance of a steady hour is exact, at any strength."""
    values, on = minutes(strong, duty=duty)
    assume(values[0] >= 420.0 + fan_level.LEAST_OVER_PPM)
    found = told(values, on)
    assert found is not None
    assert math.exp(found) == pytest.approx(strong, rel=1e-6)


@pytest.mark.parametrize(
    ("values", "on", "why"),
    [
        ([900.0] * BLOCK, [0.5] * BLOCK, "it rests half of the time: runs and rests tell it"),
        ([440.0] * BLOCK, [1.0] * BLOCK, "too near the outside for usual sensors"),
        ([500.0 + 200.0 * i for i in range(BLOCK)], [1.0] * BLOCK, "it rises by more than all birds give"),
    ],
)
def test_an_hour_that_cannot_tell_says_nothing(values, on, why):
    assert told(values, on) is None, why


@pytest.mark.parametrize("source", [0.7, 1.0, 1.4])
def test_a_lasting_error_of_the_birds_gas_does_not_matter(source):
    """Half a blocked duct, 0.67 of the air: found within a day whether the birds give less or more than the books say."""
    _, called = remembered(8, lambda day: 1.0 if day < 5 else 0.67, power_after=0.87, source=source, rhythm=0.25)
    assert called is not None
    assert 5 * 24 <= called <= 6 * 24


def test_a_sound_fan_calls_nobody_whatever_its_power():
    """Thirty days with the birds' rhythm; the mains voltage has changed the motor's power, the air has not changed."""
    for power in (0.85, 1.0, 1.15):
        kept, called = remembered(30, lambda _: 0.9, power_after=power, rhythm=0.25)
        assert called is None
        assert len(json.dumps(kept)) < 1500


def test_the_level_alone_calls_nobody():
    """Half as many birds again that nobody wrote down look like a weaker fan; the motor's power knows better."""
    for power in (1.0, 1.05):
        kept, called = remembered(8, lambda day: 1.0 if day < 5 else 0.6, power_after=power)
        assert called is None
        found = fan_level.level(kept)
        assert found is not None
        assert math.exp(found.log) == pytest.approx(0.6, rel=0.03)


def test_both_ways_are_weighed_by_their_certainty():
    """An uncertain answer of the runs and rests hardly moves a certain one of the level; the sum is surer than either."""
    runs = foresee_fan.compare((20.0, 400.0, 0.0, 0.0), (4.0, 4.0, 0.0, 0.4), 0.87)
    assert runs is not None
    level = fan_level.Level(math.log(0.6), 0.1, 20, 40)
    found = foresee_fan.together(runs, level, 0.87)
    assert found is not None
    assert found.sd < min(runs.sd, level.sd)
    assert 0.6 < found.ratio < math.sqrt(0.6)
    assert found.steady_hours == 20
    assert foresee_fan.together(runs, level, 1.0) is runs


def test_birds_written_out_of_the_journal_are_reckoned_with():
    """Half of the flock sold: the level falls with the birds, the fan is told as strong as before."""
    half = {PEN.flocks[0].name: 40}
    gas = output(PEN, half, DAY0, 15.0).carbon_dioxide_m3_h * 1e6 / PEN.volume_m3
    values = [420.0 + gas / (0.5 + CHANGES_H)] * BLOCK
    found = fan_level.share(PEN, half, DAY0, 15.0, values, [1.0] * BLOCK, CHANGES_H)
    assert found == pytest.approx(0.0, abs=1e-9)


def test_another_gas_forgets_the_level():
    kept = {"level": {"first_at": 0.0}, "first_at": 1.0, "power": [1.0, 2.0, 3.0]}
    foresee_fan._forget(kept)
    assert kept == {"power": [1.0, 2.0, 3.0]}
