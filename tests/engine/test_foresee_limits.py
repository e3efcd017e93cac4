"""Heating too fast, ammonia by morning and the night's low, in the engine's own steps and by their sums."""

import json
import math

import pytest

from monitor.engine import foresee_night
from monitor.engine.events import AlarmChanged, Reading, Started, Tick
from monitor.engine.foresee_limits import FLOOR_PPM, expected_peak_ppm
from monitor.engine.foresee_night import Evening, PastNight, expected_low_c, spread_c
from monitor.engine.saving import load, save
from monitor.engine.specification import Measure, Place
from monitor.engine.state import State
from monitor.engine.step import step
from tests.engine.barns import ALARMS, START, START_MS, limit, pen, sensor, site

DAY_S = 86_400.0
NEW = {
    "heat_rising": limit(1, 0, 300, 600),
    "cold_by_morning": limit(1, 0, 900, 1800),
    "ammonia_by_morning": limit(20, 17, 900, 1800),
    "heat_failing": limit(0.5, 0.75, 0, 300),
    "fan_weak": limit(0.75, 0.85),
}


def a_site(*sensors):
    made = pen(sensors=sensors)
    alarms = {**ALARMS, **NEW}
    object.__setattr__(made.limits, "alarms", alarms)
    return site(made)


PROBE = sensor("chick height", Measure.TEMPERATURE, Place.BIRD_LEVEL)
AMMONIA = sensor("ammonia", Measure.AMMONIA, Place.BIRD_LEVEL)
YARD = sensor("yard", Measure.TEMPERATURE, Place.OUTSIDE)
FORECAST = sensor("forecast low", Measure.TEMPERATURE, Place.OUTSIDE, every_s=3600.0)


def live(specification, hours, shown, state=None, from_h=0.0, every_s=60.0):
    """Readings each minute from a function of hours; the alarms raised, as (hour, name, evidence), and the state."""
    if state is None:
        state, _ = step(State(), Started(START, START_MS, None, True), specification)
    raised = []
    for k in range(round(hours * 3600.0 / every_s)):
        seconds = from_h * 3600.0 + k * every_s
        at, wall = START + seconds + 7.0, START_MS + round(seconds * 1000) + 7000
        for key, value in shown(seconds / 3600.0).items():
            state, actions = step(state, Reading(at, wall, f"brooder/{key}", value), specification)
            raised += _raised(actions)
        state, actions = step(state, Tick(at + 1.0, wall + 1000), specification)
        raised += _raised(actions)
    return raised, state


def _raised(actions):
    return [
        ((a.at - START) / 3600.0, a.name, dict(a.evidence))
        for a in actions
        if isinstance(a, AlarmChanged) and a.state == "unacknowledged"
    ]


def wave(hours, middle, swing):
    """Warmest at three in the afternoon; START is noon UTC, one o'clock in Dublin's summer."""
    return middle + swing * math.cos((hours + 13.0 - 15.0) * math.pi / 12.0) + 0.05 * math.sin(hours * 97.0)


def test_a_rise_toward_the_hot_limit_is_called_before_it_is_reached():
    """3 °C an hour from 33 °C: told more than a quarter of an hour before 37, with slope and moment."""
    raised, _ = live(a_site(PROBE), 1.6, lambda h: {"chick height": round(33.0 + 3.0 * max(0.0, h - 0.3), 2)})
    at, _, evidence = next(r for r in raised if r[1] == "heat_rising")
    reached_h = 0.3 + 4.0 / 3.0
    assert at < reached_h - 0.25
    assert evidence["slope_per_min"] == pytest.approx(0.05, rel=0.2)
    assert (evidence["reaches_at_s"] - START) / 3600.0 == pytest.approx(reached_h, abs=0.15)


def test_the_mornings_warm_up_is_no_news():
    """From 26 to 33 °C at 6 °C an hour and then level: below the target all the way, no call."""
    raised, _ = live(
        a_site(PROBE), 2.5, lambda h: {"chick height": round(min(32.9, 26.0 + 6.0 * h) + 0.05 * math.sin(97 * h), 2)}
    )
    assert [r for r in raised if r[1] == "heat_rising"] == []


def test_the_evening_before_a_cold_night_is_told_while_the_keeper_is_up():
    """Four nights with a low of 27 °C, then colder days: called between six and half past ten, with its interval."""

    def shown(h):
        colder = 5.0 if h > 4.2 * 24.0 else 0.0
        return {"chick height": round(wave(h, 30.0 - 0.6 * colder, 3.0), 2), "yard": round(wave(h, 8.0 - colder, 4.0), 2)}

    raised, _ = live(a_site(PROBE, YARD), 5.0 * 24.0, shown)
    calls = [r for r in raised if r[1] == "cold_by_morning"]
    assert len(calls) == 1
    at, _, evidence = calls[0]
    assert 18.0 <= (at + 13.0) % 24.0 <= 22.5
    assert at > 4.0 * 24.0
    assert evidence["from"] < evidence["reaches"] < evidence["to"]
    assert evidence["reaches"] <= evidence["limit"]


def test_mild_nights_call_nobody_and_the_outlook_stands_on_the_page():
    """Lows of 27 °C against a limit of 25: no call; tonight's low is told within a degree."""

    def shown(h):
        return {"chick height": round(wave(h, 30.0, 3.0), 2), "yard": round(wave(h, 8.0, 4.0), 2)}

    raised, state = live(a_site(PROBE, YARD), 4.0 * 24.0 + 10.0, shown)
    assert [r for r in raised if r[1] == "cold_by_morning"] == []
    outlook = foresee_night.tonight(state.pens["brooder"].memory)
    assert outlook is not None
    assert outlook.low_c == pytest.approx(27.0, abs=1.0)
    assert outlook.from_c < 27.0 < outlook.to_c
    assert load(save(state)).pens["brooder"].memory == state.pens["brooder"].memory


def test_without_a_clock_there_is_no_evening():
    """Nothing is foretold of a night while no clock was ever trusted."""
    specification = a_site(PROBE, YARD)
    state, _ = step(State(), Started(START, None, None, True), specification)
    for k in range(0, 3 * 1440, 5):
        at = START + k * 60.0 + 7.0
        state, _ = step(state, Reading(at, None, "brooder/chick height", 30.0), specification)
    assert "night" not in state.pens["brooder"].memory


def test_a_published_forecast_is_no_thermometer_of_the_yard():
    """A sensor named "forecast …" outside moves tonight's low and nothing else: neither outside nor twins."""

    def shown(h):
        yard = wave(h, 8.0, 4.0)
        return {"chick height": round(wave(h, 30.0, 3.0), 2), "yard": round(yard, 2), "forecast low": -20.0 if h > 96.0 else 4.0}

    with_it, state = live(a_site(PROBE, YARD, FORECAST), 4.0 * 24.0 + 10.0, shown)
    _, plain = live(a_site(PROBE, YARD), 4.0 * 24.0 + 10.0, lambda h: {k: v for k, v in shown(h).items() if k != "forecast low"})
    assert [r for r in with_it if r[1] == "sensors_disagree"] == []
    told, usual = (foresee_night.tonight(s.pens["brooder"].memory) for s in (state, plain))
    assert told is not None
    assert usual is not None
    assert told.outside_low_c is not None
    assert usual.outside_low_c is not None
    assert told.outside_low_c < usual.outside_low_c - 5.0
    assert told.low_c < usual.low_c


def test_mornings_that_grow_worse_are_told_in_the_evening():
    """Dawn peaks of 12, 14, 16.5 and 19 ppm: before the next, the limit of 20 is foreseen; not in the first evenings."""

    def shown(h):
        day, hour = divmod(h + 13.0, 24.0)
        dawn = 12.0 * 1.165 ** (day - 1.0) * math.exp(-0.5 * ((hour - 6.0) / 2.0) ** 2)
        evening = 6.0 * 1.165**day * math.exp(-0.5 * ((hour - 20.0) / 3.0) ** 2)
        return {"chick height": 31.0 + 0.1 * math.sin(h * 31.0), "ammonia": round(max(2.0, dawn, evening), 1)}

    raised, _ = live(a_site(PROBE, AMMONIA), 5.4 * 24.0, shown)
    calls = [r for r in raised if r[1] == "ammonia_by_morning"]
    assert calls
    at, _, evidence = calls[0]
    assert at > 3.0 * 24.0
    assert 18.0 <= (at + 13.0) % 24.0 <= 22.9
    assert evidence["from"] < evidence["reaches"] < evidence["to"]


# ---------------------------------------------------------------- the sums by hand


def test_the_low_by_hand():
    """Evening 10, outside 0 to −8 last night, low 6: ratio 4/18; tonight outside falls 8 again to −10."""
    night = PastNight(Evening(10.0, 0.0), 6.0, -8.0)
    low, outside = expected_low_c(Evening(12.0, -2.0), [night])
    assert outside == pytest.approx(-10.0)
    assert low == pytest.approx(12.0 - 4.0 / 18.0 * 22.0)


def test_without_outside_the_drop_of_the_last_nights_serves():
    """Drops of 3 and 5 °C: 4 below this evening."""
    nights = [PastNight(Evening(20.0), 17.0, None), PastNight(Evening(22.0), 17.0, None)]
    assert expected_low_c(Evening(21.0), nights) == (pytest.approx(17.0), None)


def test_moist_air_outside_cools_less_than_dry():
    """The same evening warmth: near its dew point outside falls less, and so does the pen."""
    nights = [PastNight(Evening(10.0, 5.0, 0.0), 8.0, 1.0)] * 3
    moist, dry = (expected_low_c(Evening(10.0, 5.0, dew), nights)[0] for dew in (4.0, -5.0))
    assert moist > dry + 0.5


def test_the_interval_follows_the_pens_own_errors():
    """Good nights narrow it, bad ones widen it."""
    assert spread_c([0.2, -0.3, 0.1] * 5) < spread_c([]) < spread_c([3.0, -4.0, 2.5] * 5)


def test_the_ammonia_peak_by_hand():
    """Evening 8 then peak 16 on each of three days: from 8 again 16, from 10 the geometric mean of 20 and 16."""
    days = [(8.0, 16.0)] * 3
    assert expected_peak_ppm(8.0, days, [])[0] == pytest.approx(16.0)
    assert expected_peak_ppm(10.0, days, [])[0] == pytest.approx(math.sqrt(20.0 * 16.0))


def test_levels_a_cell_cannot_tell_apart_make_no_ratio():
    """Half a ppm in the evening and two at dawn are the same to a cell: no peak is foreseen from them."""
    assert expected_peak_ppm(0.5, [(0.2, FLOOR_PPM)] * 3, [])[0] == pytest.approx(FLOOR_PPM)


def test_what_is_remembered_stays_small():
    """Eight days in all foresights together: under 8 kB of JSON."""

    def shown(h):
        return {"chick height": round(wave(h, 31.0, 1.5), 2), "yard": round(wave(h, 8.0, 4.0), 2), "ammonia": 8.0 + math.sin(h)}

    _, state = live(a_site(PROBE, YARD, AMMONIA), 24.0 * 8.0, shown, every_s=300.0)
    assert len(json.dumps(dict(state.pens["brooder"].memory))) < 8000
