"""Synthetic weather: fronts, clear and cloudy days, cold clear nights, wind and sun.

Rules of this file: a pure function of (climate, seed, time); hourly knots are drawn once, in order,
and read by straight lines, so that the same seed always gives the same weather. Time is seconds
since the start of the play; `start_hour` says which hour of the local day that is.

Temperature = season's mean + trend + front + swing · (how clear) · cosine of the day (top at 15 h);
front, clearness and wind are first-order autoregressive processes. The dew point follows the front
more slowly and is capped by the air temperature. All magnitudes are invented, of the order of
a damp temperate spring; they claim no place and no year.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from demo.moist_air import saturation_pressure_pa


@dataclass(frozen=True, slots=True)
class Climate:
    """A season in a few numbers."""

    mean_c: float = 7.0
    trend_c_day: float = 0.0
    swing_c: float = 5.5  # half the difference of a clear day and its night
    front_sd_c: float = 2.5
    front_hours: float = 40.0  # decorrelation time of fronts
    dew_below_mean_c: float = 4.0
    wind_m_s: float = 2.5
    daylight_h: float = 13.0
    noon_sun_w_m2: float = 650.0


@dataclass(frozen=True, slots=True)
class Sky:
    """The weather at one moment; relative humidity over liquid water."""

    temperature_c: float
    relative_humidity_pct: float
    wind_m_s: float
    sun_w_m2: float


SPRING = Climate()
WINTER = Climate(mean_c=0.0, swing_c=4.0, front_sd_c=3.5, dew_below_mean_c=3.0, wind_m_s=3.0, daylight_h=8.5, noon_sun_w_m2=300.0)
SUMMER = Climate(
    mean_c=21.0, swing_c=6.5, front_sd_c=2.0, dew_below_mean_c=7.0, wind_m_s=1.8, daylight_h=16.0, noon_sun_w_m2=850.0
)

KNOT_S = 3600.0


class Weather:
    """Weather from time 0 to `days` after it; outside that span the nearest end is held."""

    def __init__(self, climate: Climate, seed: int, days: float, start_hour: float = 0.0) -> None:
        self._knots = _draw(climate, random.Random(f"weather {seed}"), int(days * 24) + 3, start_hour)

    def at(self, time_s: float) -> Sky:
        place = min(max(time_s / KNOT_S, 0.0), len(self._knots) - 1.001)
        index = int(place)
        part = place - index
        (t0, d0, w0, s0), (t1, d1, w1, s1) = self._knots[index], self._knots[index + 1]
        temperature_c = t0 + part * (t1 - t0)
        dew_c = min(d0 + part * (d1 - d0), temperature_c - 0.1)
        humidity = 100.0 * saturation_pressure_pa(dew_c) / saturation_pressure_pa(temperature_c)
        return Sky(temperature_c, humidity, w0 + part * (w1 - w0), s0 + part * (s1 - s0))


def _draw(climate: Climate, dice: random.Random, count: int, start_hour: float) -> list[tuple[float, float, float, float]]:
    """Hourly (temperature °C, dew point °C, wind m/s, sun W/m²)."""
    keep_front = math.exp(-1.0 / climate.front_hours)
    keep_clear = math.exp(-1.0 / 20.0)
    keep_wind = math.exp(-1.0 / 8.0)
    front, clearness, gust, dew_front = dice.gauss(0, 1), dice.gauss(0.3, 1), dice.gauss(0, 1), 0.0
    knots = []
    for index in range(count):
        front = keep_front * front + math.sqrt(1 - keep_front**2) * dice.gauss(0, 1)
        clearness = keep_clear * clearness + math.sqrt(1 - keep_clear**2) * dice.gauss(0, 1) + (1 - keep_clear) * 0.3
        gust = keep_wind * gust + math.sqrt(1 - keep_wind**2) * dice.gauss(0, 1)
        dew_front += (front - dew_front) / 12.0
        clear = 1.0 / (1.0 + math.exp(-1.7 * clearness))
        hour = (start_hour + index) % 24.0
        day = math.cos(2 * math.pi * (hour - 15.0) / 24.0)
        season_c = climate.mean_c + climate.trend_c_day * index / 24.0
        temperature_c = season_c + climate.front_sd_c * front + climate.swing_c * (0.3 + clear) * day
        dew_c = min(season_c - climate.dew_below_mean_c + 0.8 * climate.front_sd_c * dew_front, temperature_c - 0.2)
        calm = 1.0 - 0.5 * clear * max(0.0, -day)  # clear nights are still
        wind = climate.wind_m_s * math.exp(0.5 * gust - 0.125) * calm
        height = math.cos(math.pi * (hour - 12.5) / climate.daylight_h) if abs(hour - 12.5) < climate.daylight_h / 2 else 0.0
        knots.append((temperature_c, dew_c, wind, climate.noon_sun_w_m2 * height * (0.25 + 0.75 * clear)))
    return knots
