"""Seasons of litter whose truth is known: the demo's bedding and weather in a small room, ten minutes a step.

Rules of this file: one seed decides everything. The room is the quick sister of demo/barn.py: the same
litter, the same leakage and fan, ammonia solved exactly over a step; heat and moisture are simpler. Beside
the litter that is worked lies an untouched copy in the same air, so that what a deed did is known to the
last digit. The sensor has a fixed error, noise, and may creep.
"""

from __future__ import annotations

import copy
import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from demo.flock import GROWING_G_DAY_KG, GROWN_G_DAY_KG, Group, weight_kg
from demo.litter import DAY_S, Litter
from demo.moist_air import ammonia_mg_m3_per_ppm, saturation_pressure_pa
from demo.weather import SPRING, Climate, Weather
from monitor.engine.events import JournalEntry
from monitor.engine.specification import Inlet, Pen, Specification
from monitor.engine.ventilation import delivered
from monitor.review.airflow import FanRun
from tests.engine.barns import pen, site

ZONE = "Europe/Dublin"
HOUR_MS = 3_600_000
STEP_S = 600.0
SATURATION_PPM = 100.0  # as in demo/barn.py
START_MS = round(datetime(2026, 9, 1, tzinfo=ZoneInfo(ZONE)).timestamp() * 1000)

Duty = Callable[[float, float], float]  # (day, ammonia ppm) → share of the hour the fan runs


@dataclass(frozen=True, slots=True)
class Work:
    """Litter work on a day at ten in the morning. `written` False: the keeper forgot the journal."""

    day: int
    what: str
    kg_m2: float = 7.0
    written: bool = True


@dataclass(frozen=True, slots=True)
class Room:
    """One invented season; what the settings cannot know about the room."""

    days: int = 50
    seed: int = 1
    climate: Climate = SPRING
    works: tuple[Work, ...] = ()
    duty: Duty = lambda _day, _ppm: 0.1
    litter_age_days: float = 0.0
    moisture_pct: float = 20.0
    leakage_cm2: float = 60.0
    leakage_known: float = 1.0  # the settings' leakage area over the true one
    heated_c: float = 12.0  # a background heater holds at least this
    birds: int = 30
    hen_days: int = 70  # age at the start
    floor_m2: float = 11.15
    spill_kg_day: float = 0.0
    sensor_error_ppm: float | None = None  # None: drawn, 0.5 ppm at one sigma
    creep_ppm_day: float = 0.0
    build_up_days: float = 21.0  # of the litter's ammonia; the demo's own is 21
    build_up: str = "first order"  # the demo's own; or "slow start", or "straight" until it stops


@dataclass(slots=True)
class Season:
    """What the daemon would have stored, and what only the model knows. Lists by the hour."""

    specification: Specification
    pen: Pen
    ammonia: list[tuple[int, float]] = field(default_factory=list)
    warmth: list[tuple[int, float]] = field(default_factory=list)
    outside: list[tuple[int, float]] = field(default_factory=list)
    fan: list[FanRun] = field(default_factory=list)
    journal: list[JournalEntry] = field(default_factory=list)
    true_ppm: dict[int, float] = field(default_factory=dict)
    true_mg_h: dict[int, float] = field(default_factory=dict)
    untouched_ppm: dict[int, dict[int, float]] = field(default_factory=dict)  # by work's number, then by hour
    strength: dict[int, float] = field(default_factory=dict)  # mg/h at one warmth, by the hour
    error: float = 0.0  # of the sensor, ppm
    end_ms: int = START_MS


class _Bed:
    """One litter with the ammonia in the air above it."""

    def __init__(self, litter: Litter, build_up_days: float, build_up: str) -> None:
        self.litter = litter
        self.mg_m3 = 0.3
        self.build_up_days = build_up_days
        self.build_up = build_up

    def step(self, source_g_day: float, air_c: float, airflow_m3_s: float, volume_m3: float, water_kg_s: float) -> float:
        """Ten minutes; returns what was given off, mg/h, after the air's hold-back."""
        litter = self.litter
        vapour = 0.72 * saturation_pressure_pa(air_c)
        dried = litter.evaporation_kg_s(vapour)
        litter.step(STEP_S, water_kg_s, dried, air_c)
        given = self._given_mg_h(source_g_day) / 3600.0
        full = SATURATION_PPM * ammonia_mg_m3_per_ppm(air_c)
        rate = airflow_m3_s / volume_m3 + given / full / volume_m3
        aim = given / volume_m3 / rate
        self.mg_m3 = aim + (self.mg_m3 - aim) * math.exp(-rate * STEP_S)
        return given * 3600.0 * (1.0 - self.mg_m3 / full)

    def strength(self, source_g_day: float) -> float:
        """What it would give into clean air at 15 °C, mg/h."""
        warmth = math.exp((15.0 - self.litter.warm_c) * math.log(self.litter.growth_per_c))
        return self._given_mg_h(source_g_day) * warmth

    def _given_mg_h(self, source_g_day: float) -> float:
        """Into clean air; the demo's own build-up is 21 days, another one changes the age it sees."""
        litter, age = self.litter, self.litter.age_days
        litter.age_days = age * 21.0 / self.build_up_days
        if self.build_up == "slow start":
            litter.age_days *= age / (age + 8.0)
        elif self.build_up == "straight":  # to its full in 2.2 times the build-up, and no further
            litter.age_days = -21.0 * math.log(1.0 - min(age / (2.2 * self.build_up_days), 0.999))
        given = litter.ammonia_mg_h(source_g_day)
        litter.age_days = age
        return given


def play(room: Room) -> Season:
    """The whole season."""
    leaks_m2 = room.leakage_cm2 * room.leakage_known / 1e4
    spec_pen = replace(pen(count=room.birds), inlet=Inlet(0.0387, 0.6, leaks_m2), length_m=room.floor_m2 / 3.05)
    first_day = datetime.fromtimestamp(START_MS / 1000, ZoneInfo(ZONE)).date()
    flocks = tuple(replace(flock, hatched=first_day - timedelta(days=room.hen_days)) for flock in spec_pen.flocks)
    spec_pen = replace(spec_pen, flocks=flocks)
    season = Season(site(spec_pen), spec_pen)
    dice = random.Random(f"season {room.seed}")
    error = dice.gauss(0.0, 0.5) if room.sensor_error_ppm is None else room.sensor_error_ppm
    season.error = error
    weather = Weather(room.climate, room.seed, room.days + 1)
    litter = Litter(room.floor_m2, 7.0 * room.floor_m2, 0.0)
    litter.change(7.0 * room.floor_m2, room.moisture_pct)
    litter.age_days, litter.spill_kg_s = room.litter_age_days, room.spill_kg_day / DAY_S
    bed = _Bed(litter, room.build_up_days, room.build_up)
    left: dict[int, _Bed] = {}
    point = delivered(spec_pen)
    assert point is not None
    group = Group(spec_pen.flocks[0].bird_class, -room.hen_days * DAY_S, room.birds)
    hall = _Hall(spec_pen, max(weather.at(0.0).temperature_c + 6.0, room.heated_c), room.heated_c)
    pending = sorted(enumerate(room.works), key=lambda one: one[1].day)
    per_hour = int(3600 / STEP_S)
    for hour in range(room.days * 24):
        time_ms = START_MS + hour * HOUR_MS
        while pending and hour >= pending[0][1].day * 24 + 10:
            number, work = pending.pop(0)
            left[number] = copy.deepcopy(bed)
            _do(bed.litter, work)
            if work.written:
                season.journal.append(JournalEntry(0.0, time_ms, spec_pen.name, work.what, "keeper"))
        share = min(max(room.duty(hour / 24.0, bed.mg_m3 / ammonia_mg_m3_per_ppm(hall.air_c)), 0.0), 1.0)
        if share > 0.0:
            season.fan.append(FanRun(time_ms, time_ms + round(share * HOUR_MS)))
        _hour(season, room, hour, bed, left, hall, weather, group, share, point.airflow_m3_s, dice, error, per_hour)
    season.end_ms = START_MS + room.days * 24 * HOUR_MS
    return season


def _hour(
    season: Season,
    room: Room,
    hour: int,
    bed: _Bed,
    left: dict[int, _Bed],
    hall: _Hall,
    weather: Weather,
    group: Group,
    share: float,
    fan_m3_s: float,
    dice: random.Random,
    error: float,
    per_hour: int,
) -> None:
    time_ms = START_MS + hour * HOUR_MS
    kg = group.count * weight_kg(group, hour * 3600.0)
    source = kg * (GROWN_G_DAY_KG if room.hen_days > 140 else GROWING_G_DAY_KG)
    water = 0.4 * kg * 0.055 / DAY_S  # a share of the birds' water passes through the litter (invented, of usual size)
    sums = [0.0, 0.0, 0.0, 0.0]
    others = dict.fromkeys(left, 0.0)
    for index in range(per_hour):
        sky = weather.at(hour * 3600.0 + index * STEP_S)
        leak = room.leakage_cm2 * math.sqrt(0.000145 * abs(hall.air_c - sky.temperature_c) + 0.000174 * sky.wind_m_s**2) / 1000
        airflow = share * math.hypot(leak, fan_m3_s) + (1.0 - share) * leak
        hall.step(sky.temperature_c, sky.sun_w_m2, airflow, kg)
        given = bed.step(source, hall.air_c, airflow, season.pen.volume_m3, water)
        for number, other in left.items():
            other.step(source, hall.air_c, airflow, season.pen.volume_m3, water)
            others[number] += other.mg_m3 / ammonia_mg_m3_per_ppm(hall.air_c)
        sums[0] += bed.mg_m3 / ammonia_mg_m3_per_ppm(hall.air_c)
        sums[1] += hall.air_c
        sums[2] += sky.temperature_c
        sums[3] += given
    ppm, air_c, out_c, mg_h = (each / per_hour for each in sums)
    season.true_ppm[time_ms] = ppm
    season.strength[time_ms] = bed.strength(source)
    season.true_mg_h[time_ms] = mg_h
    for number, total in others.items():
        season.untouched_ppm.setdefault(number, {})[time_ms] = total / per_hour
    read = ppm + error + room.creep_ppm_day * hour / 24.0 + dice.gauss(0.0, 0.1)
    season.ammonia.append((time_ms, max(0.0, read)))
    season.warmth.append((time_ms, air_c + dice.gauss(0.0, 0.05)))
    season.outside.append((time_ms, out_c + dice.gauss(0.0, 0.05)))


class _Hall:
    """The room's warmth: air and mass, exact over a step."""

    def __init__(self, spec_pen: Pen, start_c: float, heated_c: float) -> None:
        area = 2 * (spec_pen.length_m + spec_pen.width_m) * spec_pen.height_m + spec_pen.floor_m2
        self.loss_w_k = area / spec_pen.insulation_m2k_w + 0.9 * 2 * (spec_pen.length_m + spec_pen.width_m)
        self.air_c = self.mass_c = start_c
        self.heated_c = heated_c

    def step(self, outside_c: float, sun_w_m2: float, airflow_m3_s: float, live_kg: float) -> None:
        lost = self.loss_w_k + 1207.0 * airflow_m3_s
        aim = max((4.0 * live_kg + lost * outside_c + 170.0 * self.mass_c) / (lost + 170.0), self.heated_c)
        self.air_c = aim + (self.air_c - aim) * math.exp(-(lost + 170.0) * STEP_S / 1.5e5)
        self.mass_c += (170.0 * (self.air_c - self.mass_c) + 0.5 * sun_w_m2) * STEP_S / 2.5e6


def _do(litter: Litter, work: Work) -> None:
    if work.what == "litter changed":
        litter.change(work.kg_m2 * litter.floor_m2, 15.0)
    elif work.what == "litter topped":
        litter.top(work.kg_m2 * litter.floor_m2, 15.0)
    elif work.what == "litter turned":
        litter.turn()


def dawn_of(day: int) -> date:
    """The calendar day that is this many days after the season's first."""
    return datetime.fromtimestamp(START_MS / 1000, UTC).astimezone(ZoneInfo(ZONE)).date() + timedelta(days=day)
