"""What birds give off: heat, moisture and carbon dioxide, per bird.

Rules of this file: figures are for the house, not the bare animal: moisture from droppings and
litter under usual conditions is in them. Values are means over the day; by night hens give off a
sixth less than by day (5.4 against 6.5 W/kg, [4]).

How far to trust them (the tests hold these figures to the literature):
  - total heat of grown hens and broilers: within 15 %;
  - its split at 24 to 27 °C: within 6 % of one study [4], but 40 % too much sensible heat against
    another [5] whose room held more wet manure; at 32 °C two watts a kilogram too much sensible heat
    and as much too little moisture. A summer fan sized by it errs large, a damp room errs dry;
  - chicks of a few days: up to 2.4 times too high, for a hatchling does not yet live by a grown bird's
    law: on the safe side for airflow, not for a heater;
  - well-feathered hens did not make more heat at 11 than at 21 °C (van Krimpen et al. 2014), while
    [1] adds 2 % a degree: a winter heat balance by it is hopeful.

Sources:
  [1] Pedersen & Sällvik, eds. (2002): 4th report of the CIGR working group on climatization of
      animal houses, heat and moisture production at animal and house levels. Coefficients from
      memory; both sensible-heat curves vanish at 40 °C, near body temperature, as they must.
      One later paper prints the broilers' square inside the bracket; sensible heat would then still be
      positive near body temperature, so the form that vanishes is taken.
  [2] Pedersen et al., CIGR Journal 1205: 0.185 m³/h of carbon dioxide per 1000 W for houses.
  [3] Pedersen & Thomsen (2000), Journal of Agricultural Engineering Research 75, 177: broilers on 50
      to 100 mm of straw: sensible heat 17 % lower, total heat the same.
  [4] Heat and moisture production of W-36 laying hens at 24 to 27 °C, HAL hal-01607256.
  [5] Green & Xin (2009), Iowa State University: hens at 24, 32 and 35 °C.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from monitor.air.poultry import LAYER, formula
from monitor.air.ranges import within

HEAVIEST_KG = 8.0
LIGHTEST_KG = 0.025
COLDEST_C, HOTTEST_C = -20.0, 45.0
EVAPORATION_WH_G = 0.680  # [1]
CARBON_DIOXIDE_M3_H_PER_KW = 0.185  # [2]; the older, animal-level figure is 0.163


@dataclass(frozen=True, slots=True)
class Heat:
    """Heat of one bird, W. Sensible heat warms the air, latent heat leaves as water vapour.

    Near and above body temperature sensible heat is negative: the bird takes heat from the air and
    must lose more than it makes as water.
    """

    total_w: float
    sensible_w: float
    latent_w: float


def metabolic_weight(live_weight_kg: float) -> float:
    """Live weight to the power ¾, kg^0.75, by which heat and minimum airflow go.

    Args:
        live_weight_kg: 0.025 to 8 kg.

    Raises:
        OutOfRange: live_weight_kg lies outside.
    """
    return float(within("live_weight_kg", live_weight_kg, LIGHTEST_KG, HEAVIEST_KG) ** 0.75)


def live_weight_kg(age_days: float, table: Sequence[tuple[float, float]]) -> float:
    """Live weight at an age, on straight lines between the rows of a growth table.

    Args:
        age_days: days since hatch, 0 to 5000. Beyond the last row the last weight holds: grown.
        table: (age in days, live weight in kg), rising in age.

    Returns:
        kg.

    Raises:
        OutOfRange: the age is negative, not a number or beyond any bird's.
        ValueError: the table is empty.
    """
    within("age_days", age_days, 0.0, 5000.0)
    if not table:
        raise ValueError("the growth table is empty; give at least one (age in days, live weight in kg)")
    after = bisect_right(table, age_days, key=lambda row: row[0])
    if after == 0:
        return table[0][1]
    day, weight = table[after - 1]
    if after == len(table):
        return weight
    later, heavier = table[after]
    return weight + (heavier - weight) * (age_days - day) / (later - day)


def heat(
    bird_class: str, live_weight_kg: float, temperature_c: float, egg_kg_day: float = 0.0, deep_litter: bool = False
) -> Heat:
    """Heat one bird gives off on floor and litter, with its split at house level.

    Args:
        bird_class: "layer", "meat" or "dual-purpose"; dual-purpose birds are reckoned as floor hens,
            which is up to a third low for fast-growing cockerels.
        live_weight_kg: 0.025 to 8 kg.
        temperature_c: of the room, −20 to 45 °C. The source covers roughly 10 to 40; beyond, its curves
            are drawn on.
        egg_kg_day: egg mass laid, 0 to 0.1 kg a day; 0.05 is usual for a hen in lay. Not counted for meat birds.
        deep_litter: bedding that dries on the birds' heat, turning 17 % of it into vapour. Measured with
            broilers [3], carried over to hens (inference); the broilers' curve of [1] is already 22 % below
            the hens' and is not lowered again.

    Raises:
        OutOfRange: an argument lies outside the range above.
        ValueError: no such class.

    Source: [1].
    """
    return _heat(bird_class, live_weight_kg, temperature_c, egg_kg_day, deep_litter)


@lru_cache(maxsize=64)  # heat, moisture and carbon dioxide of one bird are asked one after another
def _heat(bird_class: str, live_weight_kg: float, temperature_c: float, egg_kg_day: float, deep_litter: bool) -> Heat:
    within("temperature_c", temperature_c, COLDEST_C, HOTTEST_C)
    within("egg_kg_day", egg_kg_day, 0.0, 0.1)
    # Total heat of 1000 W of birds (measured at 20 °C) in a room of this temperature.
    total_of_1000 = 1000.0 + 20.0 * (20.0 - temperature_c)
    if formula(bird_class) == LAYER:
        at_20_c = 6.8 * metabolic_weight(live_weight_kg) + 25.0 * egg_kg_day
        # The sixth power grows again below 0 °C, but by less than 1 % down to −20 °C: left as printed.
        sensible_of_1000 = 0.67 * total_of_1000 - 9.8e-8 * temperature_c**6
        if deep_litter and sensible_of_1000 > 0.0:
            sensible_of_1000 *= 0.83
    else:
        at_20_c = 10.62 * metabolic_weight(live_weight_kg)  # the source counts no eggs of meat birds
        # In frost the printed square would lower sensible heat again; it is held at its 0 °C value there.
        sensible_of_1000 = 0.61 * total_of_1000 - 0.228 * max(temperature_c, 0.0) ** 2
    total = at_20_c * total_of_1000 / 1000.0
    sensible = at_20_c * sensible_of_1000 / 1000.0
    return Heat(total, sensible, total - sensible)


def moisture_g_h(
    bird_class: str, live_weight_kg: float, temperature_c: float, egg_kg_day: float = 0.0, deep_litter: bool = False
) -> float:
    """Water vapour of one bird with its droppings and litter, g/h.

    Wide in practice: 1.6 to 11.7 g/h per kg of bird were measured in layer houses (Li, Xin & Liang
    2005). Spilt water comes on top.

    Args and errors: as for `heat`.

    Source: [1], latent heat at 0.680 Wh per gram.
    """
    return heat(bird_class, live_weight_kg, temperature_c, egg_kg_day, deep_litter).latent_w / EVAPORATION_WH_G


def carbon_dioxide_m3_h(
    bird_class: str,
    live_weight_kg: float,
    temperature_c: float,
    egg_kg_day: float = 0.0,
    deep_litter: bool = False,
    *,
    per_kw_m3_h: float = CARBON_DIOXIDE_M3_H_PER_KW,
) -> float:
    """Carbon dioxide of one bird with its litter, m³/h. An unvented burner's comes on top.

    Args and errors: as for `heat`, and
        per_kw_m3_h: carbon dioxide per 1000 W of total heat, 0.1 to 0.3 m³/h. The source's 0.185 includes
            manure in the house; broiler litter adds up to 8 % (Xin et al. 2009).

    Source: [2]. The balance's own spread is 20 to 30 %.
    """
    within("per_kw_m3_h", per_kw_m3_h, 0.1, 0.3)
    return heat(bird_class, live_weight_kg, temperature_c, egg_kg_day, deep_litter).total_w / 1000.0 * per_kw_m3_h
