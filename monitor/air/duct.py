"""Pressure a round duct takes from the fan: friction, fittings, flexible duct.

Rules of this file: one round duct of one diameter; airflow is never negative; pressures are losses,
positive. Loss coefficients of fittings come in as arguments, for they are data.

Sources
    [1] C. F. Colebrook, Turbulent flow in pipes, J. Inst. Civil Engineers 11 (1939) 133-156.
    [2] Hagen-Poiseuille: laminar flow in a round pipe, f = 64/Re.
    [3] B. Abushakra, I. S. Walker, M. H. Sherman, Compression effects on pressure loss in flexible HVAC ducts,
        ASHRAE Standard 120 tests of 150, 200 and 250 mm ducts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.air.ranges import within

STANDARD_DENSITY_KG_M3 = 1.2041  # dry air, 20 °C, 101325 Pa (ideal gas)
STANDARD_VISCOSITY_PA_S = 1.825e-5  # dry air, 20 °C; 7 % less at −5 °C, which moves friction by about 1 %

FASTEST_M_S = 100.0  # air counts as incompressible up to here

# Between these Reynolds numbers flow is neither laminar nor turbulent and no formula holds.
LAMINAR_REYNOLDS = 2000.0
TURBULENT_REYNOLDS = 4000.0


@dataclass(frozen=True, slots=True)
class DuctRun:
    """One run of round duct.

    Attributes:
        diameter_m: inside diameter, m, 0.02 to 2.
        length_m: straight length, m, 0 to 200.
        roughness_m: height of the wall's roughness, m, at most a twentieth of the diameter.
        loss_coefficient: sum of all fittings' K on velocity pressure (entry, elbows, hood, mesh, shutter,
            discharge), 0 to 1000. Discharge into free air alone is 1: the air's speed is lost.
        friction_multiplier: of a compressed flexible duct, see `compression_multiplier`; 1 for a rigid one.
    """

    diameter_m: float
    length_m: float
    roughness_m: float
    loss_coefficient: float
    friction_multiplier: float = 1.0

    def __post_init__(self) -> None:
        within("diameter_m", self.diameter_m, 0.02, 2.0)
        within("length_m", self.length_m, 0.0, 200.0)
        within("roughness_m", self.roughness_m, 0.0, 0.05 * self.diameter_m)
        within("loss_coefficient", self.loss_coefficient, 0.0, 1000.0)
        within("friction_multiplier", self.friction_multiplier, 1.0, 20.0)

    @property
    def area_m2(self) -> float:
        return math.pi * self.diameter_m**2 / 4.0


def friction_factor(reynolds: float, relative_roughness: float) -> float:
    """Darcy friction factor of a round duct.

    Laminar below Re 2000 [2]; Colebrook's equation, iterated until it no longer changes, from Re 4000 [1];
    between them a straight line in Re from the one to the other. That line is our own choice, made so that
    loss always rises with airflow; real flow there may be anywhere between the two. A 150 mm duct is in
    that band only between 3.5 and 7 L/s, where friction is a fraction of a pascal.

    Args:
        reynolds: Reynolds number on the diameter, above 0 to 1e8.
        relative_roughness: roughness over diameter, 0 to 0.05, the reach of the Moody chart.

    Returns:
        Friction factor f in Δp = f · L/D · ρv²/2.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    within("reynolds", reynolds, 1e-9, 1e8)
    within("relative_roughness", relative_roughness, 0.0, 0.05)
    if reynolds <= LAMINAR_REYNOLDS:
        return 64.0 / reynolds
    if reynolds >= TURBULENT_REYNOLDS:
        return _colebrook(reynolds, relative_roughness)
    laminar = 64.0 / LAMINAR_REYNOLDS
    turbulent = _colebrook(TURBULENT_REYNOLDS, relative_roughness)
    share = (reynolds - LAMINAR_REYNOLDS) / (TURBULENT_REYNOLDS - LAMINAR_REYNOLDS)
    return laminar + share * (turbulent - laminar)


def _colebrook(reynolds: float, relative_roughness: float) -> float:
    """1/√f = −2 log10(ε/3.7 + 2.51/(Re √f)) [1], by Newton's method on x = 1/√f."""
    wall = relative_roughness / 3.7
    viscous = 2.51 / reynolds
    x = -1.8 * math.log10(wall**1.11 + 6.9 / reynolds)  # Haaland's explicit form, within 2 %
    for _ in range(20):
        argument = wall + viscous * x
        step = (x + 2.0 * math.log10(argument)) / (1.0 + 2.0 * viscous / (argument * math.log(10.0)))
        x -= step
        if abs(step) < 1e-12 * x:
            break
    return 1.0 / (x * x)


def velocity_pressure_pa(speed_m_s: float, density_kg_m3: float = STANDARD_DENSITY_KG_M3) -> float:
    """Pressure of moving air brought to rest, ρv²/2.

    Args:
        speed_m_s: air speed, m/s, 0 to 100 (air counts as incompressible below that).
        density_kg_m3: air density, kg/m³, 0.7 to 1.6.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    within("speed_m_s", speed_m_s, 0.0, FASTEST_M_S * (1.0 + 1e-9))
    within("density_kg_m3", density_kg_m3, 0.7, 1.6)
    return 0.5 * density_kg_m3 * speed_m_s * speed_m_s


def pressure_drop_pa(
    airflow_m3_s: float,
    run: DuctRun,
    density_kg_m3: float = STANDARD_DENSITY_KG_M3,
    viscosity_pa_s: float = STANDARD_VISCOSITY_PA_S,
) -> float:
    """Pressure lost in a duct run: friction of the wall and all fittings (Darcy-Weisbach).

    Args:
        airflow_m3_s: airflow, m³/s, 0 up to 100 m/s in this duct.
        run: the duct.
        density_kg_m3: air density, kg/m³, 0.7 to 1.6.
        viscosity_pa_s: dynamic viscosity, Pa·s, 1.4e-5 to 2.2e-5.

    Returns:
        Loss, Pa, 0 or more; strictly rising with airflow unless the run offers no resistance at all.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    within("viscosity_pa_s", viscosity_pa_s, 1.4e-5, 2.2e-5)
    within("airflow_m3_s", airflow_m3_s, 0.0, FASTEST_M_S * run.area_m2)
    if airflow_m3_s == 0.0:
        return 0.0
    speed_m_s = airflow_m3_s / run.area_m2
    pressure_pa = velocity_pressure_pa(speed_m_s, density_kg_m3)
    reynolds = density_kg_m3 * speed_m_s * run.diameter_m / viscosity_pa_s
    if run.length_m == 0.0 or reynolds < 1e-9:
        return pressure_pa * run.loss_coefficient
    friction = friction_factor(reynolds, run.roughness_m / run.diameter_m)
    return pressure_pa * (run.loss_coefficient + run.friction_multiplier * friction * run.length_m / run.diameter_m)


def compression_multiplier(diameter_m: float, compression: float) -> float:
    """How many times the friction of the fully stretched flexible duct a compressed one has.

    PDCF = 1 + 0.58 · r · exp(−0.00496 · D), r in per cent, D in mm: the relation the ASHRAE Handbook took
    from [3]; its two constants are values from memory. They give what the abstract of [3] states: about
    four times at the moderate compression usual on site (15 %), close to ten at 30 % in a 150 mm duct.
    Multiply the friction of the *stretched* roughness by it (galvanised does not apply), over the length
    as it hangs.

    Args:
        diameter_m: inside diameter, m, 0.1 to 0.3 (tested: 0.15 to 0.25).
        compression: share of the stretched length taken up by pushing together, 0 to 0.3 (as tested).

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    within("diameter_m", diameter_m, 0.1, 0.3)
    within("compression", compression, 0.0, 0.3)
    return 1.0 + 0.58 * (100.0 * compression) * math.exp(-0.00496 * (1000.0 * diameter_m))
