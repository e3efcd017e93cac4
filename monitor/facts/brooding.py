"""How warm birds of each class want it at their own level, day by day of age.

Each row holds from its `from_day` to the next row's; the last one holds for life. Temperatures are
°C at the height of the birds' backs, in the warm spot for chicks. Watch the birds first: piled up
under the heat and cheeping means cold, far from it and panting means hot, whatever the number says.

How the columns were filled:
  target_low_c, target_high_c  from the row's source.
  cold_c    target_low − 5.5 °C: brooding at 26.7 instead of 32.2 °C cost lives and feed (Renwick &
            Washburn 1982). Inference: no table of lethal chill durations was found. From 12 weeks
            −1 °C, the 30 °F Cornell Bulletin 947 asks for in a laying house.
  vent_c    between target_high and hot: moving air helps from here. Inference.
  hot_c     36.5 °C for two weeks: the upper critical temperature of neonatal chicks is 36 to 37 °C
            (van der Hel et al.); then falling to 32 °C, above which grown birds suffer seriously
            (Sander, The Poultry Site). The steps between are inference.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from monitor.facts.sources import Fact, Sureness, facts


@dataclass(frozen=True, slots=True)
class WarmthRow:
    """What birds want from `from_day` on, °C at bird level; source and sureness are the target's."""

    from_day: int
    target_low_c: float
    target_high_c: float
    cold_c: float  # too cold at or below
    vent_c: float  # the fan helps against heat from here
    hot_c: float  # too hot at or above
    needs_heat: bool  # birds of this age depend on a heat source
    source: str
    sureness: Sureness
    note: str = ""


_PSU_NOTE = (
    "Penn State gives these as maxima; about 33.9 °C (93 °F) in the warm spot is a sound start. Others: floor 29.4–32.2 °C "
    "(Merck), 35–36 °C (Lohmann), 36.7–37.8 °C (Oregon 1944). Penn State taken: extension advice for small lamp-brooded flocks."
)
_PSU_LATE = (
    "Lohmann is 4 to 7 °C cooler from week 4; Penn State taken, as mixed small flocks feather more slowly. "
    "Between the printed steps the classic ladder falls 2.8 °C (5 °F) a week."
)
_HEAT_OFF = (
    "Feathered at about 5 to 6 weeks: heat may go where the air stays at 18–21 °C (Plovdiv); low end of the target after "
    "Lohmann, high end Penn State."
)
_GROWER = "Growers are cold-hardy once feathered; 18–21 °C is typical, a wider range is harmless."
_ADULT = "Best lay at 10–13 °C, best feed use at 13–18 °C (Cornell 947); comfort 18–24 °C (FAWC). Both ranges joined: 10–24 °C."

_FEATHERED: tuple[WarmthRow, ...] = (
    WarmthRow(42, 18.0, 26.7, 12.5, 28.5, 33.0, False, "plovdiv", "seen", _HEAT_OFF),
    WarmthRow(56, 15.0, 24.0, 5.0, 27.0, 32.5, False, "inference", "inference", _GROWER),
    WarmthRow(84, 10.0, 24.0, -1.0, 26.0, 32.0, False, "cornell-947", "seen", _ADULT),
)

PENN_STATE: tuple[WarmthRow, ...] = (
    WarmthRow(0, 33.3, 35.0, 27.8, 35.8, 36.5, True, "psu-space", "seen", _PSU_NOTE),
    WarmthRow(7, 29.4, 32.2, 23.9, 34.0, 36.5, True, "psu-space", "seen", _PSU_LATE),
    WarmthRow(14, 29.4, 32.2, 23.9, 33.5, 35.0, True, "psu-space", "seen", _PSU_LATE),
    WarmthRow(21, 26.7, 29.4, 21.2, 31.5, 34.0, True, "psu-space", "seen", _PSU_LATE),
    WarmthRow(35, 21.1, 26.7, 15.6, 29.0, 33.5, True, "psu-space", "seen", _PSU_LATE),
    *_FEATHERED,
)

# For layers brooded to the breeder's own guide (whole warm house, 60–70 % humidity).
_LOH_NOTE = "The breeder's guide: a warmer start and a faster fall than Penn State; for quickly feathering commercial layers."
LOHMANN_LAYER: tuple[WarmthRow, ...] = (
    WarmthRow(0, 35.0, 36.0, 29.5, 36.5, 37.0, True, "lohmann", "seen", _LOH_NOTE + " Hot at 37 °C, as the target reaches 36."),
    WarmthRow(2, 33.0, 34.0, 27.5, 35.5, 36.5, True, "lohmann", "seen", _LOH_NOTE),
    WarmthRow(4, 31.0, 32.0, 25.5, 34.5, 36.5, True, "lohmann", "seen", _LOH_NOTE),
    WarmthRow(7, 28.0, 29.0, 22.5, 32.5, 36.5, True, "lohmann", "seen", _LOH_NOTE),
    WarmthRow(14, 26.0, 27.0, 20.5, 31.0, 35.0, True, "lohmann", "seen", _LOH_NOTE),
    WarmthRow(21, 22.0, 24.0, 16.5, 29.5, 34.0, True, "lohmann", "seen", _LOH_NOTE),
    WarmthRow(28, 18.0, 20.0, 12.5, 28.5, 33.5, True, "lohmann", "seen", _LOH_NOTE),
    WarmthRow(42, 18.0, 20.0, 12.5, 28.0, 33.0, False, "lohmann", "seen", _LOH_NOTE),
    WarmthRow(56, 15.0, 20.0, 5.0, 27.0, 32.5, False, "inference", "inference", _GROWER),
    WarmthRow(84, 10.0, 20.0, -1.0, 26.0, 32.0, False, "cornell-947", "seen", _ADULT),
)

_ONT_NOTE = (
    "Ontario: 30 °C for day-olds, 1 °C less every 3 days, 20 °C at 27 days, bird height; each row's 1 °C holds both printed "
    "ends. Taken for meat birds, which make more heat than layer chicks of their age. Under a lamp the warm spot may stand "
    "higher: moving air waits until vent_c."
)
_HEAVY = "Heavy birds make more heat: moving air sooner, hot sooner than layers. Inference."
ONTARIO_MEAT: tuple[WarmthRow, ...] = (
    WarmthRow(0, 29.0, 30.0, 23.5, 34.5, 36.5, True, "ontario-broiler", "seen", _ONT_NOTE),
    WarmthRow(3, 28.0, 29.0, 22.5, 34.0, 36.5, True, "ontario-broiler", "seen", _ONT_NOTE),
    WarmthRow(6, 27.0, 28.0, 21.5, 33.5, 36.5, True, "ontario-broiler", "seen", _ONT_NOTE),
    WarmthRow(9, 26.0, 27.0, 20.5, 33.0, 36.5, True, "ontario-broiler", "seen", _ONT_NOTE),
    WarmthRow(12, 25.0, 26.0, 19.5, 32.0, 36.5, True, "ontario-broiler", "seen", _ONT_NOTE),
    WarmthRow(15, 24.0, 25.0, 18.5, 31.0, 35.0, True, "ontario-broiler", "seen", _ONT_NOTE),
    WarmthRow(18, 23.0, 24.0, 17.5, 30.0, 34.5, True, "ontario-broiler", "seen", _ONT_NOTE),
    WarmthRow(21, 22.0, 23.0, 16.5, 29.0, 34.0, True, "ontario-broiler", "seen", _ONT_NOTE),
    WarmthRow(24, 21.0, 22.0, 15.5, 28.0, 33.5, True, "ontario-broiler", "seen", _ONT_NOTE),
    WarmthRow(27, 20.0, 21.0, 14.5, 27.0, 33.0, True, "ontario-broiler", "seen", _ONT_NOTE),
    WarmthRow(42, 18.0, 21.0, 12.5, 25.0, 32.0, False, "inference", "inference", _HEAVY),
    WarmthRow(56, 15.0, 21.0, 5.0, 25.0, 31.0, False, "inference", "inference", _HEAVY),
    WarmthRow(84, 10.0, 21.0, -1.0, 25.0, 31.0, False, "cornell-947", "seen", _ADULT + " " + _HEAVY),
)

# The default table of each class.
WARMTH: Mapping[str, tuple[WarmthRow, ...]] = MappingProxyType(
    {"layer": PENN_STATE, "meat": ONTARIO_MEAT, "dual-purpose": PENN_STATE}
)

BROODING_FACTS: Mapping[str, Fact] = facts(
    Fact("warm spot to start with", 33.9, "degC", "psu-space", "calculated", "93 °F, middle of 92–95 °F taken as a maximum"),
    Fact("warm spot in 1944", 37.8, "degC", "osu-627", "seen", "98–100 °F under the hover; its 1950 edition says 92–95"),
    Fact("lowering per week", 2.8, "K", "psu-brooding", "seen", "5 °F a week down to room temperature"),
    Fact("body temperature of a day-old", 39.4, "degC", "uga-b1287", "seen", "41.1 °C from about day 5"),
    Fact("age of self-regulation", 14, "d", "uga-b1287", "seen", "12 to 14 days; until then the brooder is their thermostat"),
    Fact("upper critical temperature of chicks, low", 36.0, "degC", "van-der-hel", "seen"),
    Fact("upper critical temperature of chicks, high", 37.0, "degC", "van-der-hel", "seen"),
    Fact("harmful shortfall", 5.5, "K", "renwick-1982", "seen", "26.7 against 32.2 °C: more deaths, worse feed use"),
    Fact("harmful chill of the first week", 18.0, "degC", "cold-stress-2023", "seen", "8 h a day for 7 days; control 32 °C"),
    Fact("feathered at", 42, "d", "plovdiv", "seen", "about 5 to 6 weeks; the later taken, the safe side for heat"),
    Fact("heat off at outside temperature", 18.3, "degC", "plovdiv", "seen", "65–70 °F ambient; lower end"),
    Fact("brooding humidity, low", 40.0, "%", "layer-guide", "seen", "ideal 40–60 %, restless below 30; Lohmann 60–70"),
    Fact("brooding humidity, high", 70.0, "%", "lohmann", "seen"),
    Fact("chick ring off at", 7, "d", "merck", "seen", "about a week"),
    Fact("lamp above bedding", 0.91, "m", "inference", "inference",
         "≥ 3 ft, as fire officers advise (Maine Fire Chiefs' Association, 2017), or what the lamp's maker asks if more; two "
         "independent hangers. Local electrical and fire codes and a licensed electrician come first."),
)  # fmt: skip
