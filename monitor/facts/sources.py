"""Where the numbers come from, and how surely we know them.

Rules of this room: every row names a key of SOURCES and one word of SURENESS; a number nobody
published is filed under "inference" and says why it was chosen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Sureness = Literal["seen", "memory", "calculated", "inference"]

# What the words mean to a reader.
SURENESS: Mapping[str, str] = MappingProxyType(
    {
        "seen": "read in the named source",
        "memory": "value from memory; the named source was not re-read",
        "calculated": "computed from a formula or figures the note names",
        "inference": "our own reasoning or common practice; nobody published this number",
    }
)


@dataclass(frozen=True, slots=True)
class Source:
    """A publication. `year` is None where the copy read bore no date."""

    key: str
    title: str
    year: int | None
    how_known: str


@dataclass(frozen=True, slots=True)
class Fact:
    """One number. `name` says of what; the unit is that of `monitor.air.units` or plain words."""

    name: str
    value: float
    unit: str
    source: str  # key of SOURCES
    sureness: Sureness
    note: str = ""


def facts(*rows: Fact) -> Mapping[str, Fact]:
    """Rows by name, read-only."""
    return MappingProxyType({row.name: row for row in rows})


_PART = "read in part"
_ABSTRACT = "abstract read"
_QUOTED = "as quoted by another author"
_MEMORY = "from memory"

_ALL: tuple[Source, ...] = (
    Source("inference", "Our own reasoning, or common practice without a published source", None, "see the row's note"),
    # Brooding and warmth
    Source("psu-space", "P. Clauer, Penn State Extension: brooding temperature and space by age, small flocks", None, _PART),
    Source("psu-brooding", "Penn State Extension, 4-H embryology: Brooding chicks", None, _PART),
    Source("merck", "Merck Veterinary Manual: Management of growing chickens", 2012, _PART),
    Source("lohmann", "Lohmann Tierzucht: Layer management guide", 2017, _PART),
    Source("ontario-broiler", "Ontario Ministry of Agriculture: Basic husbandry, commercial broilers", None, _PART),
    Source("osu-627", "Oregon State College Extension Bulletin 627 (1944 and 1950 editions)", 1950, _PART),
    Source(
        "uga-b1287",
        "University of Georgia Extension Bulletin 1287: Environmental factors to control when brooding chickens",
        None,
        _PART,
    ),
    Source("van-der-hel", "Van der Hel et al., Poultry Science: upper critical temperature of neonatal chicks", None, _ABSTRACT),
    Source("cold-stress-2023", "Cold stress in the first week of Cobb 500 broilers (PubMed 38181614)", 2023, _ABSTRACT),
    Source("renwick-1982", "Renwick & Washburn, Poultry Science 61: brooding at 26.7 and 32.2 °C", 1982, _QUOTED),
    Source("cornell-947", "Cornell Extension Bulletin 947: poultry house ventilation and insulation", None, _PART),
    Source("plovdiv", "Agricultural University Plovdiv: poultry welfare and husbandry text", None, _PART),
    Source("layer-guide", "Layer breeder's advice on humidity in the first weeks", None, "an excerpt read"),
    # Heat and cold of grown birds
    Source("avinews", "aviNews: thermoneutral zone of laying hens, after Hy-Line International", None, _PART),
    Source("fawc", "Farm Animal Welfare Council (UK): report on the welfare of laying hens", None, _PART),
    Source(
        "ventilation-course", "Poultry ventilation course notes: heat stress and airflow in hen and broiler houses", None, _PART
    ),
    Source("sander", "J. Sander, The Poultry Site: heat stress in hens", None, _PART),
    Source("hy-line-heat", "Hy-Line International: Understanding heat stress in layers", None, _PART),
    Source(
        "uky-8", "University of Kentucky, Poultry production manual, chapters 7 and 8: air quality and ventilation", None, _PART
    ),
    Source(
        "tao-xin-2003", "Tao & Xin, Transactions of the ASAE 46: temperature-humidity-velocity index for broilers", 2003, _PART
    ),
    Source("zulovich-1990", "Zulovich & DeShazer, ASAE paper 90-4021: temperature-humidity index of laying hens", 1990, _MEMORY),
    Source(
        "kang-2020",
        "Kang et al., Frontiers in Veterinary Science 7, 568093: acute and gradual heat stress of layers",
        2020,
        _PART,
    ),
    Source("ontario-heat", "Ontario Ministry of Agriculture: Heat stress in laying hens", None, _PART),
    Source(
        "nws",
        "US National Weather Service, Weather Prediction Center: The heat index equation; and its heat-index chart",
        None,
        _PART,
    ),
    Source("arkansas-winter", "University of Arkansas Extension: winter care of backyard flocks", None, _PART),
    Source("umn-winter", "University of Minnesota Extension: caring for chickens in cold weather", None, _QUOTED),
    Source("poultry-performance", "Poultry Performance Plus: effective temperature of birds in moving air", None, _PART),
    Source("auburn-wind", "Auburn University: wind chill of young birds", None, _PART),
    # Ammonia and other gases
    Source("eu-2007-43", "Council Directive 2007/43/EC: protection of chickens kept for meat production", 2007, _PART),
    Source("psu-ammonia", "Hofstetter et al., Sensors 21, 6664 (Penn State): ammonia sensing in poultry houses", 2021, _PART),
    Source("uga-air", "Czarick & Fairchild, University of Georgia: air quality in cold weather", None, _PART),
    Source("ksu", "Kansas State University, Animal Sciences: poultry questions and answers", None, _PART),
    Source("cobb", "Barnwell & Wilson, Cobb: minimum ventilation and ammonia", None, _PART),
    Source("miles", "Miles et al. 2003 and 2006: ammonia and the performance and eyes of broilers", 2006, _PART),
    Source("extension-eye", "Extension text on ammonia blindness (keratoconjunctivitis) in small flocks", None, _QUOTED),
    Source("niosh", "NIOSH Pocket guide to chemical hazards: ammonia", None, _QUOTED),
    Source("osha", "OSHA 29 CFR 1910.1000, table Z-1: ammonia", None, _QUOTED),
    Source("acgih", "ACGIH threshold limit values: ammonia", None, _QUOTED),
    Source("minnesota-ammonia", "Minnesota Department of Agriculture: ammonia exposure limits and symptoms", None, _PART),
    Source(
        "aegl",
        "National Research Council: Acute exposure guideline levels for selected airborne chemicals, vol. 6, ammonia",
        2008,
        _PART,
    ),
    Source(
        "miles-2011", "Miles, Rowe & Cathcart, Poultry Science 90: litter ammonia against moisture and temperature", 2011, _PART
    ),
    Source("atapattu-2017", "Atapattu et al.: ammonia in broiler houses by height and hour", 2017, _PART),
    Source("illinois-2015", "University of Illinois, MS thesis: electrochemical ammonia sensors in animal houses", 2015, _PART),
    Source("uga-sensors", "University of Georgia field trial of ammonia sensors in broiler houses, 2016 to 2020", 2020, _PART),
    Source("csiro-an15561", "CSIRO Animal Production Science AN15561: ammonia emission of broiler litter", None, _PART),
    # Litter
    Source("uga-litter", "University of Georgia: litter moisture management", None, _PART),
    Source("reece-1984", "Reece & Lott: litter moisture and house humidity", 1984, _QUOTED),
    Source("agrifutures", "AgriFutures Australia: Best practice litter management for meat chickens", None, _PART),
    # Ventilation
    Source(
        "charles-1981", "Charles, Scragg & Binstead, British Poultry Science 22, 493: ventilation rates for broilers", 1981, _PART
    ),
    Source("uga-minimum", "Czarick & Fairchild, University of Georgia: minimum ventilation rates", None, _PART),
    Source("uga-static", "Czarick & Fairchild, University of Georgia: static pressure and inlet air speed", None, _PART),
    Source("uga-tightness", "Czarick & Fairchild, University of Georgia: house tightness and inlet area", None, _PART),
    Source("mwps-32", "Midwest Plan Service MWPS-32: Mechanical ventilating systems for livestock housing", 1990, _MEMORY),
    Source("chastain-2020", "Chastain (Clemson University), JASTM 31: discharge coefficients of slot inlets", 2020, _PART),
    Source("breeder-throw", "Breeding company's technical tip: air throw against static pressure", None, _PART),
    Source("ashrae", "ASHRAE Handbook, Fundamentals: duct design and psychrometrics", None, _MEMORY),
    # Growth, space, lay
    Source("hy-line-brown", "Hy-Line Brown: commercial layer management guide", None, _MEMORY),
    Source("trade-growth", "Growth of dual-purpose and meat birds as breeders and extension pages give it", None, _MEMORY),
    Source("mccrea", "McCrea et al., Journal of Applied Poultry Research 23, 586: Delaware and broiler chickens", 2014, _PART),
    Source("hen-water", "WATTPoultry: water intake of brown hens by age", None, _PART),
    Source("eu-1999-74", "Council Directive 1999/74/EC: minimum standards for the protection of laying hens", 1999, _PART),
    Source(
        "extension-hens", "eXtension (US Cooperative Extension): space, nests and roosts for small laying flocks", None, _PART
    ),
    Source("usu", "Utah State University Extension: backyard chickens", None, _PART),
    Source(
        "cigr-2002",
        "Pedersen & Sällvik (eds), CIGR 4th report: Heat and moisture production at animal and house levels",
        2002,
        _MEMORY,
    ),
    Source("msu-light", "Michigan State University Extension: light for laying hens", None, _PART),
)

SOURCES: Mapping[str, Source] = MappingProxyType({source.key: source for source in _ALL})
