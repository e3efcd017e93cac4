"""The bedding: its water and the ammonia it gives off.

Rules of this file: one well-mixed layer; water is kept in kg, moisture is wet basis; all
coefficients are settable and come from README.md of this folder with their sources.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from demo.moist_air import saturation_pressure_pa, vapour_kg_m3

DAY_S = 86_400.0


@dataclass(slots=True)
class Litter:
    """Bedding on the floor.

    Attributes:
        floor_m2: area it covers.
        dry_kg: dry matter.
        water_kg: water in it.
        age_days: since it was laid fresh.
        warm_c: its temperature, which follows the room in hours.
        lively: lagged effect of its moisture on ammonia (1 at 25 % wet basis).
        burst: extra ammonia after it was broken up, on top of 1, fading in hours.
        spill_kg_s: water from a leaking drinker.
    """

    floor_m2: float
    dry_kg: float
    water_kg: float
    age_days: float = 0.0
    warm_c: float = 14.0
    lively: float = 0.7
    burst: float = 0.0
    spill_kg_s: float = 0.0
    transfer_m_s: float = 1.2e-3  # water vapour from a bed that birds scratch over (assumption)
    growth_per_c: float = 1.08  # θ, ammonia per kelvin
    lag_days: float = 10.0  # of the effect of moisture

    @property
    def moisture_pct(self) -> float:
        return 100.0 * self.water_kg / (self.water_kg + self.dry_kg)

    def change(self, dry_kg: float, moisture_pct: float) -> None:
        """Take everything out and lay fresh bedding."""
        self.dry_kg = dry_kg
        self.water_kg = dry_kg * moisture_pct / (100.0 - moisture_pct)
        self.age_days = 0.0
        self.burst = 0.0
        self.lively = moisture_effect(moisture_pct)

    def top(self, dry_kg: float, moisture_pct: float) -> None:
        """Spread dry bedding over the old: drier, and the age is diluted."""
        share = self.dry_kg / (self.dry_kg + dry_kg)
        self.dry_kg += dry_kg
        self.water_kg += dry_kg * moisture_pct / (100.0 - moisture_pct)
        self.age_days *= share
        self.lively *= share

    def turn(self, burst: float = 1.5) -> None:
        """Break the cake up: a burst of ammonia for some hours."""
        self.burst += burst

    def evaporation_kg_s(self, vapour_pa: float) -> float:
        """Water to the air, kg/s; negative when damp air wets dry litter."""
        activity = 1.0 - math.exp(-((self.moisture_pct / 18.0) ** 2))
        surface_pa = activity * saturation_pressure_pa(self.warm_c)
        return self.transfer_m_s * self.floor_m2 * vapour_kg_m3(self.warm_c, surface_pa - vapour_pa)

    def ammonia_mg_h(self, source_g_day: float) -> float:
        """Ammonia given off into clean air by droppings of this strength.

        E = source · A(age) · θ^(T − 20) · M(moisture) · (1 + burst), A = 0.05 + 0.95 (1 − e^(−age / 21 d)).
        """
        age = 0.05 + 0.95 * (1.0 - math.exp(-self.age_days / 21.0))
        warmth = math.exp((self.warm_c - 20.0) * math.log(self.growth_per_c))
        return source_g_day / 24.0 * 1000.0 * age * warmth * self.lively * (1.0 + self.burst)

    def step(self, dt_s: float, water_in_kg_s: float, evaporated_kg_s: float, around_c: float) -> None:
        """Move the bed by dt_s; `around_c` is the warmth it tends to, 2 K below its own composting."""
        self.water_kg = max(self.water_kg + (water_in_kg_s + self.spill_kg_s - evaporated_kg_s) * dt_s, 0.02 * self.dry_kg)
        self.age_days += dt_s / DAY_S
        self.warm_c += (around_c + 2.0 - self.warm_c) * dt_s / 21_600.0
        self.lively += (moisture_effect(self.moisture_pct) - self.lively) * dt_s / (self.lag_days * DAY_S)
        self.burst -= self.burst * dt_s / 21_600.0


def moisture_effect(moisture_pct: float) -> float:
    """Ammonia against 25 % wet basis: 4 % more per point to 45 %, 2 % less per point above."""
    return float(1.04 ** (min(moisture_pct, 45.0) - 25.0) * 0.98 ** max(0.0, moisture_pct - 45.0))
