"""The weather is the same for the same seed, and of the season it claims."""

from __future__ import annotations

import statistics

from demo.weather import SPRING, SUMMER, WINTER, Weather


def test_the_same_seed_gives_the_same_weather():
    """Two plays of one seed see the same sky at every moment."""
    first, second = Weather(SPRING, 5, 30), Weather(SPRING, 5, 30)
    assert [first.at(t * 977.0) for t in range(2000)] == [second.at(t * 977.0) for t in range(2000)]
    assert first.at(5000.0) != Weather(SPRING, 6, 30).at(5000.0)


def test_nights_are_colder_than_days_and_clear_ones_coldest():
    """At dawn it is colder than at three in the afternoon, by several degrees on average."""
    for climate in (SPRING, WINTER, SUMMER):
        weather = Weather(climate, 1, 60)
        swing = [
            weather.at((d * 24 + 15) * 3600).temperature_c - weather.at((d * 24 + 5) * 3600).temperature_c for d in range(60)
        ]
        assert statistics.mean(swing) > climate.swing_c


def test_the_air_is_never_beyond_saturation():
    """Relative humidity lies above 0 and at most 100, wind and sun are never negative."""
    for seed in range(5):
        weather = Weather(WINTER, seed, 60)
        for hour in range(60 * 24):
            sky = weather.at(hour * 3600.0)
            assert 0 < sky.relative_humidity_pct <= 100
            assert sky.wind_m_s >= 0
            assert sky.sun_w_m2 >= 0
            assert -30 < sky.temperature_c < 45
