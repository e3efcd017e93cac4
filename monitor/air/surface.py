"""Cold surfaces: will the walls sweat tonight, will combs freeze.

Rules of this file: steady state, one plane wall or ceiling; temperatures in °C; relative humidity by the
convention of `psychrometrics` (over ice in frost).

Sources
    [1] ISO 6946: surface resistances, inside 0.13 (wall) and 0.10 (ceiling), outside 0.04 m²K/W.
    [2] ISO 13788: inside surface temperature against dew point; 0.25 m²K/W in corners and behind nest boxes.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from monitor.air import psychrometrics
from monitor.air.ranges import within

WALL_INSIDE_M2K_W = 0.13
CEILING_INSIDE_M2K_W = 0.10
CORNER_INSIDE_M2K_W = 0.25
OUTSIDE_M2K_W = 0.04  # in wind; on a calm clear night the outer face falls below the air, see `sky_c`


@dataclass(frozen=True, slots=True)
class Condensation:
    """Whether a surface sweats.

    Attributes:
        surface_c: temperature of its inside face.
        dew_point_c: of the room's air; frost point below 0 °C.
        margin_c: surface minus dew point; at or below 0 it is wet.
        is_wet: water or frost forms on it.
        is_frost: and it freezes there.
        highest_dry_pct: relative humidity of the room at which it would begin to sweat, %.
    """

    surface_c: float
    dew_point_c: float
    margin_c: float
    is_wet: bool
    is_frost: bool
    highest_dry_pct: float


def surface_temperature_c(
    temperature_c: float,
    outside_c: float,
    insulation_m2k_w: float,
    inside_resistance_m2k_w: float = WALL_INSIDE_M2K_W,
    outside_resistance_m2k_w: float = OUTSIDE_M2K_W,
) -> float:
    """Temperature of the inside face of a wall or ceiling, the same heat flowing through all its layers [1].

    Args:
        temperature_c: of the room's air, °C, −40 to 60.
        outside_c: on the outer side, °C, −60 to 60.
        insulation_m2k_w: of the material alone, without the air at its faces, m²K/W, 0 (sheet metal, glass) to 20.
        inside_resistance_m2k_w: of the air at the inside face, 0.05 to 0.5.
        outside_resistance_m2k_w: of the air at the outside face, 0.02 to 0.2.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    within("temperature_c", temperature_c, -40.0, 60.0)
    within("outside_c", outside_c, -60.0, 60.0)
    within("insulation_m2k_w", insulation_m2k_w, 0.0, 20.0)
    within("inside_resistance_m2k_w", inside_resistance_m2k_w, 0.05, 0.5)
    within("outside_resistance_m2k_w", outside_resistance_m2k_w, 0.02, 0.2)
    whole = inside_resistance_m2k_w + insulation_m2k_w + outside_resistance_m2k_w
    return temperature_c - (temperature_c - outside_c) * inside_resistance_m2k_w / whole


def condensation(
    temperature_c: float,
    relative_humidity_pct: float,
    outside_c: float,
    insulation_m2k_w: float,
    inside_resistance_m2k_w: float = WALL_INSIDE_M2K_W,
    outside_resistance_m2k_w: float = OUTSIDE_M2K_W,
    sky_c: float = 0.0,
) -> Condensation:
    """Whether a wall or ceiling of this insulation sweats in this air.

    Args:
        temperature_c: of the room's air, °C, −40 to 60.
        relative_humidity_pct: of it, %, 0.1 to 100.
        outside_c: air outside, °C, −50 to 60.
        insulation_m2k_w, inside_resistance_m2k_w, outside_resistance_m2k_w: as in `surface_temperature_c`; the
            weakest part decides, which is usually a window or the roof sheet.
        sky_c: how far a roof cools below the outside air under a clear, calm sky, K, 0 to 10. A few kelvin
            is common practice for thin roofs, without a source; 0 for walls.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    within("outside_c", outside_c, -50.0, 60.0)
    within("sky_c", sky_c, 0.0, 10.0)
    surface = surface_temperature_c(
        temperature_c, outside_c - sky_c, insulation_m2k_w, inside_resistance_m2k_w, outside_resistance_m2k_w
    )
    dew_point = psychrometrics.dew_point_c(temperature_c, relative_humidity_pct)
    coldest = min(max(surface, psychrometrics.LOWEST_C), temperature_c)
    highest_dry = 100.0 * psychrometrics.saturation_pressure_pa(coldest) / psychrometrics.saturation_pressure_pa(temperature_c)
    margin = surface - dew_point
    return Condensation(surface, dew_point, margin, margin <= 0.0, margin <= 0.0 and surface < 0.0, min(100.0, highest_dry))


SURELY_K = 0.05  # the dew point's iteration ends within a thousandth of a kelvin


def has_margin(
    temperature_c: float, relative_humidity_pct: float, outside_c: float, insulation_m2k_w: float, margin_c: float
) -> bool:
    """Does a wall surely stay this far above the dew point, as `condensation` would find it? False too where that is near.

    The vapour of the room is set against what the air could hold that far below the surface: one saturation pressure
    in place of an iteration.

    Args:
        temperature_c, relative_humidity_pct, outside_c, insulation_m2k_w: as in `condensation`, with the
            resistance of a wall's inside face.
        margin_c: K.

    Raises:
        OutOfRange: an argument lies outside its range.
    """
    surface = surface_temperature_c(temperature_c, outside_c, insulation_m2k_w)
    edge = surface - margin_c - SURELY_K
    if not psychrometrics.LOWEST_C <= edge <= psychrometrics.HIGHEST_C:
        return False
    vapour_pa = relative_humidity_pct / 100.0 * psychrometrics.saturation_pressure_pa(temperature_c)
    return psychrometrics.saturation_pressure_pa(edge) > vapour_pa


class FrostbiteRisk(StrEnum):
    """How likely combs and wattles freeze."""

    NONE = "none"
    POSSIBLE = "possible"
    LIKELY = "likely"


@dataclass(frozen=True, slots=True)
class Frostbite:
    """Risk with what it rests on.

    Attributes:
        risk: none, possible, likely.
        because: the rule that decided, in words.
        source: where the rule comes from and how far to trust it.
    """

    risk: FrostbiteRisk
    because: str
    source: str


DAMP_LIKELY_C = -9.4  # 15 °F: keepers see frozen combs in damp houses from here
DRY_POSSIBLE_C = -23.9  # −11 °F: mostly unharmed in dry air down to here
DRY_LIKELY_C = -28.9  # −20 °F: harmed even in dry air
DAMP_FROM_PCT = 80.0  # the winter limit for laying houses, Cornell Bulletin 947
FROSTBITE_SOURCE = (
    "keepers' reports gathered by extension services (Purdue, Missouri, Minnesota, Arkansas), not a trial; "
    "damp from 80 % as in Cornell Bulletin 947; large combs and birds off the roost freeze sooner"
)


def frostbite_risk(temperature_c: float, relative_humidity_pct: float, damp_from_pct: float = DAMP_FROM_PCT) -> Frostbite:
    """Risk that combs and wattles freeze in this air, by keepers' experience.

    No formula or trial is known to us; the steps below are what keepers report. Wind on the birds makes
    it worse and is not counted.

    Args:
        temperature_c: at the roost, °C, −60 to 60.
        relative_humidity_pct: there, %, 0 to 100.
        damp_from_pct: humidity from which air counts as damp, %, 30 to 100.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    within("temperature_c", temperature_c, -60.0, 60.0)
    within("relative_humidity_pct", relative_humidity_pct, 0.0, 100.0)
    within("damp_from_pct", damp_from_pct, 30.0, 100.0)
    is_damp = relative_humidity_pct >= damp_from_pct
    if temperature_c > 0.0:
        risk, because = FrostbiteRisk.NONE, "no frost"
    elif temperature_c <= DRY_LIKELY_C:
        risk, because = FrostbiteRisk.LIKELY, "this cold harms combs even in dry air"
    elif is_damp and temperature_c <= DAMP_LIKELY_C:
        risk, because = FrostbiteRisk.LIKELY, "damp air in hard frost"
    elif is_damp:
        risk, because = FrostbiteRisk.POSSIBLE, "damp air in frost"
    elif temperature_c <= DRY_POSSIBLE_C:
        risk, because = FrostbiteRisk.POSSIBLE, "very cold, though dry"
    else:
        risk, because = FrostbiteRisk.NONE, "frost, but dry air"
    return Frostbite(risk, because, FROSTBITE_SOURCE)
