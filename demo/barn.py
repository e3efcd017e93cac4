"""One pen as physics: heat, moisture, ammonia and carbon dioxide of a single room, stepped in time.

Rules of this file: no dice, no clock, no sensors. A step takes the weather and the birds' output and
moves the room by `dt_s` (at most MAX_STEP_S). Each balance is linear over a step, so each is solved
exactly for its step (exponential, with the step's mean for the book-keeping): heat and water that
enter, leave and stay add up to rounding, which a test holds it to. Equations, numbers and sources
are listed in README.md of this folder.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from demo.litter import Litter
from demo.moist_air import (
    AIR_J_KG_K,
    EVAPORATION_J_KG,
    PRESSURE_PA,
    ammonia_mg_m3_per_ppm,
    humidity_ratio,
    relative_humidity_pct,
    saturation_pressure_pa,
)
from demo.weather import Sky

MAX_STEP_S = 30.0
AIR_KG_M3 = 1.2  # one density for every balance, so that the books close; within 5 % from 0 to 30 °C
OUTSIDE_CO2_PPM = 420.0
AMMONIA_SATURATION_PPM = 100.0  # at this level the litter gives nothing more off (assumption)
INSIDE_FILM_M2K_W = 0.12  # still air at a wall, ISO 6946 horizontal heat flow 0.13; value from memory
FILM_M_S = 3.0 / (AIR_KG_M3 * AIR_J_KG_K)  # mass transfer at a wall by the Lewis relation, film 3 W/(m² K)
DRAUGHT_S = 1800.0  # time constant of an open door at chick height (invented: three minutes cost some 8 °F on a cold day)


@dataclass(frozen=True, slots=True)
class Shed:
    """The building. Areas in m², conductances in W/K, heat stores in J/K."""

    length_m: float
    width_m: float
    height_m: float
    insulation_m2k_w: float
    edge_w_m_k: float = 0.9  # loss through the floor's edge per metre (assumption, uninsulated slab)
    leakage_cm2: float = 150.0  # effective leakage area
    leakage_stack: float = 0.000145  # (L/s)²/(cm⁴ K), one storey
    leakage_wind: float = 0.000174  # (L/s)²/(cm⁴ (m/s)²), one storey, some shelter
    door_m2: float = 0.9  # half open, with somebody in it
    door_height_m: float = 1.9
    window_m2: float = 0.5  # that the sun shines through
    furnishing_j_k: float = 1.2e5  # what follows the air at once
    mass_j_k: float = 2.5e6  # lining, floor, litter
    coupling_w_k: float = 170.0  # air to mass

    @property
    def floor_m2(self) -> float:
        return self.length_m * self.width_m

    @property
    def volume_m3(self) -> float:
        return self.floor_m2 * self.height_m

    @property
    def envelope_m2(self) -> float:
        return 2 * (self.length_m + self.width_m) * self.height_m + self.floor_m2

    @property
    def loss_w_k(self) -> float:
        return self.envelope_m2 / self.insulation_m2k_w + self.edge_w_m_k * 2 * (self.length_m + self.width_m)


@dataclass(slots=True)
class Lamp:
    """The chicks' heat source: what it lifts the air at their height above the room.

    `steady` burns all the time; `thermostat` switches on its own probe between set point ∓ band;
    `none` is switched off. `health` is the share of its power that is left.
    """

    kind: str = "steady"
    watts: float = 250.0
    lift_c: float = 18.0  # final lift at full power, at chick height
    time_constant_s: float = 1800.0
    set_point_c: float = 33.0
    band_c: float = 1.0
    health: float = 1.0
    burning: bool = True


@dataclass(frozen=True, slots=True)
class Breath:
    """What the birds give off at this moment, the whole flock together."""

    total_w: float = 0.0
    latent_w: float = 0.0  # house level: breath and what dries from the litter in a usual house
    co2_m3_s: float = 0.0
    live_kg: float = 0.0
    ammonia_source_g_day: float = 0.0  # potential of their droppings, before litter age, warmth and wet


@dataclass(slots=True)
class Books:
    """What went in and out since the start; a test compares it with what is in the room."""

    heat_in_j: float = 0.0
    heat_walls_j: float = 0.0
    heat_air_j: float = 0.0
    heat_drying_j: float = 0.0
    water_in_kg: float = 0.0
    water_air_kg: float = 0.0
    water_walls_kg: float = 0.0
    co2_in_m3: float = 0.0
    co2_out_m3: float = 0.0
    ammonia_in_mg: float = 0.0
    ammonia_out_mg: float = 0.0


@dataclass(slots=True)
class Barn:
    """The room's state, and the levers that chores and troubles move."""

    shed: Shed
    lamp: Lamp
    litter: Litter
    air_c: float = 12.0
    mass_c: float = 12.0
    lift_c: float = 0.0  # chick height over room
    water_ratio: float = 0.006
    co2_ppm: float = 600.0
    ammonia_mg_m3: float = 0.5
    # levers
    fan_m3_s: float = 0.0  # what the fan moves now
    door_open: bool = False
    mains: bool = True
    heater_w: float = 0.0  # a background heater's size, 0 for none
    heater_on_below_c: float = 12.0
    direct_share: float = 0.6  # of the birds' water that leaves as breath; the rest passes through the litter
    bird_warmth_c: float = 0.6  # resting birds warm their own height a little
    heater_burning: bool = False
    books: Books = field(default_factory=Books)

    # ------------------------------------------------------------- what a sensor would see

    @property
    def bird_level_c(self) -> float:
        return self.air_c + self.lift_c

    @property
    def humidity_pct(self) -> float:
        return min(relative_humidity_pct(self.air_c, self.water_ratio), 100.0)

    @property
    def ammonia_ppm(self) -> float:
        return self.ammonia_mg_m3 / ammonia_mg_m3_per_ppm(self.air_c)

    # ------------------------------------------------------------- air flow

    def leakage_m3_s(self, sky: Sky) -> float:
        """Infiltration by wind and warmth: the effective-leakage-area model of Sherman and Grimsrud."""
        shed = self.shed
        push = shed.leakage_stack * abs(self.air_c - sky.temperature_c) + shed.leakage_wind * sky.wind_m_s**2
        leak = shed.leakage_cm2 * math.sqrt(push) / 1000.0
        if self.door_open:
            kelvin = 273.15 + 0.5 * (self.air_c + sky.temperature_c)
            buoyancy = math.sqrt(9.81 * shed.door_height_m * abs(self.air_c - sky.temperature_c) / kelvin)
            leak += 0.2 * shed.door_m2 * buoyancy + 0.025 * shed.door_m2 * sky.wind_m_s
        return leak

    def airflow_m3_s(self, sky: Sky) -> float:
        """Fan and leakage together: an exhaust fan and infiltration add in squares (Sherman 1992)."""
        leak = self.leakage_m3_s(sky)
        return math.sqrt(leak * leak + self.fan_m3_s * self.fan_m3_s) if self.fan_m3_s else leak

    # ------------------------------------------------------------- the step

    def step(self, dt_s: float, sky: Sky, breath: Breath) -> None:
        """Move the room by dt_s seconds (0 to MAX_STEP_S)."""
        if not 0.0 < dt_s <= MAX_STEP_S:
            raise ValueError(f"dt_s is {dt_s}; allowed is above 0 to {MAX_STEP_S:g}")
        airflow = self.airflow_m3_s(sky)
        lamp_w = self._lamp(dt_s, sky)
        evaporated_kg_s = self._moisture(dt_s, sky, breath, airflow)
        self._heat(dt_s, sky, breath, airflow, lamp_w, evaporated_kg_s)
        self._gases(dt_s, breath, airflow)

    def _lamp(self, dt_s: float, sky: Sky) -> float:
        """Chick height over the room: first order toward the lamp's lift, and toward a draught while the door is open."""
        lamp = self.lamp
        if lamp.kind == "thermostat":
            if self.bird_level_c <= lamp.set_point_c - lamp.band_c:
                lamp.burning = True
            elif self.bird_level_c >= lamp.set_point_c + lamp.band_c:
                lamp.burning = False
        power = lamp.health if self.mains and lamp.kind != "none" and (lamp.burning or lamp.kind == "steady") else 0.0
        rate = 1.0 / lamp.time_constant_s
        aim = (power * lamp.lift_c + self.bird_warmth_c) * rate
        if self.door_open:  # outside air runs in along the floor
            rate += 1.0 / DRAUGHT_S
            aim += 0.6 * (sky.temperature_c - self.air_c) / DRAUGHT_S
        aim /= rate
        self.lift_c = aim + (self.lift_c - aim) * math.exp(-rate * dt_s)
        return power * lamp.watts

    def _moisture(self, dt_s: float, sky: Sky, breath: Breath, airflow: float) -> float:
        """Water in the air: breath and litter in; ventilation and cold walls out. Returns litter's evaporation, kg/s."""
        shed, litter = self.shed, self.litter
        vapour_pa = PRESSURE_PA * self.water_ratio / (0.621945 + self.water_ratio)
        evaporated = litter.evaporation_kg_s(vapour_pa)
        house_kg_s = breath.latent_w / EVAPORATION_J_KG
        litter.step(
            dt_s, (1.0 - self.direct_share) * house_kg_s, evaporated, 0.5 * (self.air_c + self.mass_c) + 0.08 * self.lift_c
        )
        air_kg = AIR_KG_M3 * shed.volume_m3
        outside_ratio = humidity_ratio(sky.temperature_c, sky.relative_humidity_pct)
        source = self.direct_share * house_kg_s + evaporated
        flow = AIR_KG_M3 * airflow
        rate, gain = flow, source + flow * outside_ratio
        film = shed.insulation_m2k_w + INSIDE_FILM_M2K_W
        wall_c = self.air_c - (self.air_c - sky.temperature_c) * INSIDE_FILM_M2K_W / film
        wall_pa = saturation_pressure_pa(wall_c)
        wall_ratio = 0.621945 * wall_pa / (PRESSURE_PA - wall_pa)
        wets = AIR_KG_M3 * FILM_M_S * shed.envelope_m2 if self.water_ratio > wall_ratio else 0.0
        rate += wets
        gain += wets * wall_ratio
        self.water_ratio, mean = _linear(self.water_ratio, gain / air_kg, rate / air_kg, dt_s)
        books = self.books
        books.water_in_kg += source * dt_s
        books.water_air_kg += flow * (mean - outside_ratio) * dt_s
        books.water_walls_kg += wets * (mean - wall_ratio) * dt_s
        full_ratio = humidity_ratio(self.air_c, 100.0)
        if self.water_ratio > full_ratio:  # fog, which settles
            books.water_walls_kg += air_kg * (self.water_ratio - full_ratio)
            self.water_ratio = full_ratio
        return evaporated

    def _heat(self, dt_s: float, sky: Sky, breath: Breath, airflow: float, lamp_w: float, evaporated_kg_s: float) -> None:
        """Two nodes, air and mass: birds, lamp, heater and sun in; walls, ventilation and drying out."""
        shed, outside_c = self.shed, sky.temperature_c
        if self.air_c < self.heater_on_below_c - 0.5:
            self.heater_burning = True
        elif self.air_c > self.heater_on_below_c + 0.5:
            self.heater_burning = False
        heater_w = self.heater_w if self.heater_burning and self.mains else 0.0
        drying_w = evaporated_kg_s * EVAPORATION_J_KG
        birds_w = breath.total_w - self.direct_share * breath.latent_w
        to_air = birds_w + heater_w + 0.35 * lamp_w - drying_w
        to_mass = 0.65 * lamp_w + shed.window_m2 * sky.sun_w_m2
        vent = AIR_KG_M3 * AIR_J_KG_K * airflow
        store = AIR_KG_M3 * AIR_J_KG_K * shed.volume_m3 + shed.furnishing_j_k
        rate = shed.loss_w_k + vent + shed.coupling_w_k
        gain = to_air + (shed.loss_w_k + vent) * outside_c + shed.coupling_w_k * self.mass_c
        self.air_c, mean_c = _linear(self.air_c, gain / store, rate / store, dt_s)
        # the mass takes exactly what the air gave it, so that the books close
        self.mass_c += (shed.coupling_w_k * (mean_c - self.mass_c) + to_mass) * dt_s / shed.mass_j_k
        books = self.books
        books.heat_in_j += (birds_w + heater_w + lamp_w + shed.window_m2 * sky.sun_w_m2) * dt_s
        books.heat_drying_j += drying_w * dt_s
        books.heat_walls_j += shed.loss_w_k * (mean_c - outside_c) * dt_s
        books.heat_air_j += vent * (mean_c - outside_c) * dt_s

    def _gases(self, dt_s: float, breath: Breath, airflow: float) -> None:
        volume = self.shed.volume_m3
        rate = airflow / volume
        self.co2_ppm, mean = _linear(self.co2_ppm, breath.co2_m3_s * 1e6 / volume + rate * OUTSIDE_CO2_PPM, rate, dt_s)
        emission = self.litter.ammonia_mg_h(breath.ammonia_source_g_day) / 3600.0
        full_mg_m3 = AMMONIA_SATURATION_PPM * ammonia_mg_m3_per_ppm(self.air_c)
        held_back = emission / full_mg_m3 / volume  # emission falls in line with the level
        self.ammonia_mg_m3, level = _linear(self.ammonia_mg_m3, emission / volume, rate + held_back, dt_s)
        books = self.books
        books.co2_in_m3 += breath.co2_m3_s * dt_s
        books.co2_out_m3 += airflow * (mean - OUTSIDE_CO2_PPM) * 1e-6 * dt_s
        books.ammonia_in_mg += (emission - held_back * volume * level) * dt_s
        books.ammonia_out_mg += airflow * level * dt_s

    def heat_store_j(self) -> float:
        """Heat held above 0 °C by air, furnishing and mass."""
        shed = self.shed
        air = AIR_KG_M3 * AIR_J_KG_K * shed.volume_m3 + shed.furnishing_j_k
        return air * self.air_c + shed.mass_j_k * self.mass_c

    def vapour_kg(self) -> float:
        """Water held by the air of the room."""
        return AIR_KG_M3 * self.shed.volume_m3 * self.water_ratio


def _linear(value: float, gain: float, rate: float, dt_s: float) -> tuple[float, float]:
    """Solve dx/dt = gain − rate·x over dt_s: the end value and the mean on the way."""
    if rate * dt_s < 1e-9:
        return value + gain * dt_s, value + 0.5 * gain * dt_s
    aim = gain / rate
    fade = math.exp(-rate * dt_s)
    return aim + (value - aim) * fade, aim + (value - aim) * (1.0 - fade) / (rate * dt_s)
