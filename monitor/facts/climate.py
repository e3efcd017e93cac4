"""Humidity, temperature, heat-stress bands, frostbite, litter moisture and carbon dioxide.

A band belongs to the formula it was drawn for and is kept beside its name: 70 on the °F chart and
26 on the 0.6/0.4 index are different things, and 0.85/0.15 is a third.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from monitor.facts.sources import Fact, Sureness, facts

HUMIDITY: Mapping[str, Fact] = facts(
    Fact("damp", 75.0, "%", "inference", "inference",
         "between 70 %, the EU 48 h mean (directive 2007/43/EC, outside < 10 °C), and 80 %, Cornell's winter limit: as an "
         "instantaneous alarm 70 % rings on any cold night"),
    Fact("damp clears", 70.0, "%", "eu-2007-43", "seen", "48 h mean, outside below 10 °C"),
    Fact("winter limit", 80.0, "%", "cornell-947", "seen"),
    Fact("target", 65.0, "%", "uga-air", "calculated", "within 50–70 %; Georgia (Fairchild) 40–60, Lohmann 60–70"),
    Fact("dry", 30.0, "%", "layer-guide", "seen", "below, chicks grow restless; Kentucky: 30–75 % matters little"),
    Fact("dry clears", 35.0, "%", "inference", "inference", "deadband wider than the ±3 % of a usual humidity sensor"),
)  # fmt: skip

TEMPERATURE: Mapping[str, Fact] = facts(
    Fact("hens, thermoneutral, low", 18.0, "degC", "avinews", "seen"),
    Fact("hens, thermoneutral, high", 25.0, "degC", "avinews", "seen", "upper critical 23.9–25.5, lower when humid"),
    Fact("hens, comfort, low", 18.0, "degC", "fawc", "seen", "18–24 °C"),
    Fact("hens, comfort, high", 24.0, "degC", "fawc", "seen"),
    Fact("heat stress very unlikely up to", 26.0, "degC", "ventilation-course", "seen", "at any humidity and air speed"),
    Fact("serious effects from", 32.0, "degC", "sander", "seen", "90 °F"),
    Fact("high losses from", 33.0, "degC", "hy-line-heat", "seen"),
    Fact("survival 20–30 min in still air from", 36.0, "degC", "uky-8", "seen", "97 °F, broilers in a dense house"),
    Fact("moving air heats the bird from", 38.0, "degC", "uky-8", "seen", "100 °F: do not rely on fans"),
    Fact("laying house in winter, at least", -1.0, "degC", "cornell-947", "seen", "30 °F"),
    Fact("summer, inside above outside at most", 3.0, "K", "eu-2007-43", "seen", "when it is above 30 °C in the shade"),
)

# What moving air is worth to a feathered bird in air of 32 °C: felt temperature by air speed.
FELT_AT_32_C: Mapping[str, Fact] = facts(
    Fact("at 0.5 m/s", 28.0, "degC", "poultry-performance", "seen", "a guide, not measured; not for birds under 14 days"),
    Fact("at 1.0 m/s", 25.0, "degC", "poultry-performance", "seen"),
    Fact("at 1.5 m/s", 23.0, "degC", "poultry-performance", "seen"),
    Fact("at 2.0 m/s", 22.0, "degC", "poultry-performance", "seen"),
    Fact("young birds feel it more by, low", 1.7, "K", "auburn-wind", "calculated", "3–8 °F at the same speed"),
    Fact("young birds feel it more by, high", 4.4, "K", "auburn-wind", "calculated"),
    Fact("no draught before", 14, "d", "poultry-performance", "seen", "12–14 days"),
)

FROST: Mapping[str, Fact] = facts(
    Fact("frostbite in damp air from", -9.4, "degC", "arkansas-winter", "seen", "10–15 °F; the warmer end, −9.4 °C (15 °F)"),
    Fact("frostbite in dry air from", -23.9, "degC", "umn-winter", "seen", "mostly harmless to −11 °F; −29 °C harms even dry"),
    Fact("damp air means, at least", 70.0, "%", "inference", "inference", "near the dew point, or > 10 points above outside"),
)  # fmt: skip

LITTER: Mapping[str, Fact] = facts(
    Fact("moisture, low", 20.0, "% wet basis", "reece-1984", "seen", "20–30 % at 50–70 % humidity"),
    Fact("moisture, high", 30.0, "% wet basis", "reece-1984", "seen", "Georgia 20–25 in the flock, 25–35 at its end"),
    Fact("caking from", 30.0, "% wet basis", "agrifutures", "seen", "30–45 %"),
    Fact("dusty below", 15.0, "% wet basis", "agrifutures", "seen", "15–30 % stays friable; < 10 % dusty elsewhere"),
    Fact("bedding before birds, at most", 10.0, "% wet basis", "uga-litter", "seen"),
    Fact("depth for chicks, at least", 0.076, "m", "merck", "seen", "3 in; 4–8 in of shavings in a winter house"),
    Fact("drunk water that ends in litter and air", 0.8, "fraction", "uga-litter", "seen", "the bird keeps about a fifth"),
)

CARBON_DIOXIDE: Mapping[str, Fact] = facts(
    Fact("limit", 3000.0, "ppm", "eu-2007-43", "seen", "Lohmann < 3000; Georgia < 5000, ideally < 3500"),
    Fact("asphyxia risk from", 30000.0, "ppm", "uky-8", "seen"),
    Fact("outside", 420.0, "ppm", "inference", "memory", "background of the 2020s; more near roads and stoves"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Band:
    """A named stretch of one index, from `from_value` up to the next band's."""

    name: str
    from_value: float
    source: str
    sureness: Sureness
    note: str = ""


_TAO = (
    "Tao & Xin grade by the rise of body temperature, not by index value; these starts are inference: 26 °C dry-bulb never "
    "stresses, 32 °C is serious, 36 °C in still air is survived for minutes; at 50 % humidity."
)
_KANG = (
    "Kang 2020: 24.2 was the rest level, 32.1 reached within an hour killed; between them inference, anchored at 26 °C "
    "(stress very unlikely) and 32 °C dry-bulb (serious) at 50 % humidity."
)
_LOWEST = float("-inf")

# By formula. The °F chart: THI = T − (0.55 − 0.55·RH)·(T − 58), T in °F, RH as a fraction.
HEAT_STRESS: Mapping[str, tuple[Band, ...]] = MappingProxyType(
    {
        "chart_f": (
            Band("comfort", _LOWEST, "hy-line-heat", "seen"),
            Band("alert", 70.0, "hy-line-heat", "seen"),
            Band("danger", 76.0, "hy-line-heat", "memory", "76 to 81"),
            Band("emergency", 81.0, "ontario-heat", "memory", "Ontario calls 28 °C at 90 % (81) an emergency"),
        ),
        "layer": (  # 0.6·T + 0.4·wet bulb, °C
            Band("comfort", _LOWEST, "kang-2020", "inference", _KANG),
            Band("alert", 24.5, "kang-2020", "inference", _KANG),
            Band("danger", 28.0, "kang-2020", "inference", _KANG),
            Band("emergency", 32.0, "kang-2020", "inference", _KANG + " Kang's killing level is 32.1."),
        ),
        "meat": (  # (0.85·T + 0.15·wet bulb)·V^−0.058, °C
            Band("comfort", _LOWEST, "tao-xin-2003", "inference", _TAO),
            Band("alert", 25.0, "tao-xin-2003", "inference", _TAO),
            Band("danger", 31.0, "tao-xin-2003", "inference", _TAO),
            Band("emergency", 35.0, "tao-xin-2003", "inference", _TAO),
        ),
        # For the keeper, not for birds: the human heat index, °F.
        "heat_index_f": (
            Band("comfort", _LOWEST, "nws", "seen"),
            Band("caution", 80.0, "nws", "seen"),
            Band("extreme caution", 90.0, "nws", "seen"),
            Band("danger", 103.0, "nws", "seen", "older charts: 105"),
            Band("extreme danger", 125.0, "nws", "seen", "older charts: 130"),
        ),
    }
)

INDEX: Mapping[str, Fact] = facts(
    Fact(
        "layer index, dry-bulb weight",
        0.6,
        "1",
        "zulovich-1990",
        "memory",
        "0.4 wet bulb; agrees with Kang 2020's printed values",
    ),
    Fact("broiler index, dry-bulb weight", 0.85, "1", "tao-xin-2003", "seen", "0.15 wet bulb"),
    Fact("broiler index, air-speed exponent", -0.058, "1", "tao-xin-2003", "seen", "tried at 0.2, 0.7 and 1.2 m/s"),
)

RISE: Mapping[str, Fact] = facts(
    Fact("killing rise of the 0.6/0.4 index", 7.9, "K/h", "kang-2020", "calculated",
         "24.2 to 32.1 within an hour, then held 4.5 h: no deaths in that hour, many after; a slow rise was far milder"),
    Fact("warning rise of the index", 4.0, "K/h", "inference", "inference", "half of the killing rise, to leave time to act"),
    Fact("rise matters from index", 26.0, "degC", "inference", "inference", "below, a fast rise is only a warm morning"),
)  # fmt: skip
