"""The one place that converts: from a keeper's units to SI, and back for people to read.

Rules of this file: a closed table, no arithmetic on text; conversion is linear, si = gain · value + offset;
inside the product everything is SI with the unit in the name, and only what people write or read passes here.

Sources: exact definitions of foot, inch, pound, gallon and conventional inch of water are those of NIST
Special Publication 811 (2008), appendix B; the British thermal unit is the International Table one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum
from types import MappingProxyType
from typing import Literal

Units = Literal["us", "metric"]


class Kind(StrEnum):
    """What is being measured; the text behind each is the word used in messages."""

    TEMPERATURE = "temperature"
    TEMPERATURE_DIFFERENCE = "temperature difference"
    LENGTH = "length"
    AREA = "area"
    VOLUME = "volume"
    AIRFLOW = "airflow"
    SPEED = "air speed"
    PRESSURE = "pressure"
    MASS = "mass"
    POWER = "power"
    TIME = "time"
    INSULATION = "insulation"
    PERCENTAGE = "percentage"
    CONCENTRATION = "concentration"
    LIGHT = "light"
    STATE = "state"


class UnknownUnit(ValueError):  # noqa: N818 - said in words, like the rest of the house
    """A word that is no unit of the kind asked for.

    Attributes:
        unit: the word as written.
        kind: the kind that was expected.
        expected: what would have been right, in words.
        example: a right unit, the nearest to what was written.
        other_kind: the kind this word is a unit of, when it is one at all.
    """

    def __init__(self, unit: str, kind: Kind) -> None:
        self.unit = unit
        self.kind = kind
        self.expected = expected_unit(kind)
        self.example = nearest(unit, kind)
        self.other_kind = next((other for other in Kind if _tidy(unit) in _BY_SPELLING[other]), None)
        also = f"; it is a unit of {self.other_kind}" if self.other_kind else ""
        super().__init__(f"{unit[:40]!r} is not {self.expected}{also}")


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: `name` is the spelling we write, `spellings` what else is understood."""

    name: str
    gain: float
    spellings: tuple[str, ...] = ()
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Display:
    """How people are shown a kind: shown = (si − offset) / gain, then `symbol`."""

    symbol: str
    gain: float
    offset: float
    digits: int


_FOOT_M = 0.3048
_INCH_M = 0.0254
_POUND_KG = 0.45359237
_GALLON_US_M3 = 231 * _INCH_M**3
_GALLON_IMPERIAL_M3 = 4.54609e-3
_INCH_OF_WATER_PA = _INCH_M * 9806.65  # conventional: water of 1000 kg/m³, standard gravity
_BTU_J = 1055.05585262
_FAHRENHEIT_K = 5 / 9

_TABLE: Mapping[Kind, tuple[Unit, ...]] = MappingProxyType(
    {
        # The first two of each row are the ones named in messages: the US one, then the metric one.
        Kind.TEMPERATURE: (
            Unit("degF", _FAHRENHEIT_K, ("F", "deg F", "degrees F", "Fahrenheit"), -32 * _FAHRENHEIT_K),
            Unit("degC", 1.0, ("C", "deg C", "degrees C", "Celsius", "centigrade", "Cel")),
            Unit("K", 1.0, ("kelvin", "deg K"), -273.15),
        ),
        Kind.TEMPERATURE_DIFFERENCE: (
            Unit("degF", _FAHRENHEIT_K, ("F", "deg F", "degrees F", "Fahrenheit")),
            Unit("degC", 1.0, ("C", "deg C", "degrees C", "Celsius", "centigrade", "Cel")),
            Unit("K", 1.0, ("kelvin", "deg K")),
        ),
        Kind.LENGTH: (
            Unit("ft", _FOOT_M, ("foot", "feet", "'")),
            Unit("m", 1.0, ("metre", "metres", "meter", "meters")),
            Unit("in", _INCH_M, ("inch", "inches", '"')),
            Unit("cm", 0.01, ("centimetre", "centimetres", "centimeter", "centimeters")),
            Unit("mm", 0.001, ("millimetre", "millimetres", "millimeter", "millimeters")),
            Unit("yd", 3 * _FOOT_M, ("yard", "yards")),
            Unit("km", 1000.0, ("kilometre", "kilometres", "kilometer", "kilometers")),
        ),
        Kind.AREA: (
            Unit("ft^2", _FOOT_M**2, ("sq ft", "sqft", "square feet", "square foot")),
            Unit("m^2", 1.0, ("sq m", "square metres", "square meters", "square metre", "square meter")),
            Unit("in^2", _INCH_M**2, ("sq in", "square inches", "square inch")),
            Unit("cm^2", 1e-4, ("sq cm", "square centimetres", "square centimeters")),
            Unit("mm^2", 1e-6, ("sq mm", "square millimetres", "square millimeters")),
        ),
        Kind.VOLUME: (
            Unit("gal", _GALLON_US_M3, ("gallon", "gallons", "US gal", "US gallon", "US gallons")),
            Unit("L", 1e-3, ("litre", "litres", "liter", "liters")),
            Unit("ft^3", _FOOT_M**3, ("cu ft", "cubic feet", "cubic foot")),
            Unit("m^3", 1.0, ("cu m", "cubic metres", "cubic meters", "cubic metre", "cubic meter")),
            Unit("imp gal", _GALLON_IMPERIAL_M3, ("imperial gallon", "imperial gallons", "UK gal")),
            Unit("qt", _GALLON_US_M3 / 4, ("quart", "quarts")),
            Unit("mL", 1e-6, ("millilitre", "millilitres", "milliliter", "milliliters")),
        ),
        Kind.AIRFLOW: (
            Unit("cfm", _FOOT_M**3 / 60, ("ft^3/min", "cu ft/min", "cubic feet per minute")),
            Unit("m^3/h", 1 / 3600, ("m^3/hr", "cmh", "cubic metres per hour", "cubic meters per hour")),
            Unit("m^3/s", 1.0, ("cubic metres per second", "cubic meters per second")),
            Unit("m^3/min", 1 / 60, ("cubic metres per minute", "cubic meters per minute")),
            Unit("L/s", 1e-3, ("litres per second", "liters per second")),
            Unit("ft^3/s", _FOOT_M**3, ("cubic feet per second",)),
        ),
        Kind.SPEED: (
            Unit("fpm", _FOOT_M / 60, ("ft/min", "feet per minute")),
            Unit("m/s", 1.0, ("metres per second", "meters per second")),
            Unit("mph", 1609.344 / 3600, ("miles per hour", "mi/h")),
            Unit("km/h", 1 / 3.6, ("kph", "kilometres per hour", "kilometers per hour")),
            Unit("ft/s", _FOOT_M, ("fps", "feet per second")),
        ),
        Kind.PRESSURE: (
            Unit(
                "inH2O",
                _INCH_OF_WATER_PA,
                ("in w.c.", "in w.g.", "inches of water", "inch of water", "iwc", "inch w.c."),
            ),
            Unit("Pa", 1.0, ("pascal", "pascals")),
            Unit("mmH2O", 9.80665, ("mm w.c.", "mm w.g.", "mm of water")),
            Unit("hPa", 100.0, ("mbar", "millibar")),
            Unit("kPa", 1000.0, ("kilopascal",)),
            Unit("psi", _POUND_KG * 9.80665 / _INCH_M**2, ("lb/in^2",)),
        ),
        Kind.MASS: (
            Unit("lb", _POUND_KG, ("lbs", "pound", "pounds")),
            Unit("kg", 1.0, ("kilogram", "kilograms", "kilo", "kilos")),
            Unit("oz", _POUND_KG / 16, ("ounce", "ounces")),
            Unit("g", 1e-3, ("gram", "grams")),
        ),
        Kind.POWER: (
            Unit("W", 1.0, ("watt", "watts")),
            Unit("kW", 1000.0, ("kilowatt", "kilowatts")),
            Unit("BTU/h", _BTU_J / 3600, ("BTU/hr", "BTUH")),
            Unit("hp", 745.69987158227, ("horsepower",)),
        ),
        Kind.TIME: (
            Unit("s", 1.0, ("sec", "secs", "second", "seconds")),
            Unit("min", 60.0, ("mins", "minute", "minutes")),
            Unit("h", 3600.0, ("hr", "hrs", "hour", "hours")),
            Unit("days", 86400.0, ("d", "day")),
            Unit("weeks", 7 * 86400.0, ("wk", "wks", "week")),
        ),
        Kind.INSULATION: (
            Unit("R", _FOOT_M**2 * _FAHRENHEIT_K * 3600 / _BTU_J, ("R-value", "ft^2 F h/BTU", "h ft^2 F/BTU", "ft^2 degF h/BTU")),
            Unit("RSI", 1.0, ("m^2K/W", "K m^2/W", "m^2 degC/W")),
        ),
        Kind.PERCENTAGE: (
            Unit("%", 1.0, ("percent", "per cent", "pct", "%RH", "RH", "RH%", "%EL")),
            Unit("fraction", 100.0, ("ratio", "/", "1")),
        ),
        Kind.CONCENTRATION: (
            Unit("ppm", 1.0, ("ppmv", "parts per million", "umol/mol")),
            Unit("ppb", 1e-3, ("ppbv", "parts per billion")),
            Unit("vol%", 1e4, ("%vol", "% by volume", "volume %")),
        ),
        Kind.LIGHT: (
            Unit("fc", 1 / _FOOT_M**2, ("footcandle", "footcandles", "foot-candle", "foot-candles", "lm/ft^2")),
            Unit("lx", 1.0, ("lux", "lm/m^2")),
            Unit("klx", 1000.0, ("kilolux", "klux")),
        ),
        Kind.STATE: (Unit("1/0", 1.0, ("on/off", "state", "1", "true/false", "yes/no")),),
    }
)

_SUPERSCRIPT = str.maketrans({"²": "2", "³": "3", "°": "", "º": "", "^": "", "·": "", "*": "", ".": "", " ": "", "₂": "2"})


def _tidy(spelling: str) -> str:
    """Case, spaces, degree signs and dots carry no meaning between units of one kind."""
    return spelling[:40].strip().translate(_SUPERSCRIPT).casefold()


_BY_SPELLING: Mapping[Kind, Mapping[str, Unit]] = MappingProxyType(
    {kind: {_tidy(word): unit for unit in units for word in (unit.name, *unit.spellings)} for kind, units in _TABLE.items()}
)


def units_of(kind: str) -> tuple[Unit, ...]:
    """Every unit of a kind, the usual ones first."""
    return _TABLE[Kind(kind)]


def expected_unit(kind: str) -> str:
    """The words of a message: 'a unit of temperature, such as "degF" or "degC"'."""
    usual = [f'"{unit.name}"' for unit in units_of(kind)[:2]]
    return f"a unit of {Kind(kind)}, such as " + " or ".join(usual)


def nearest(unit: str, kind: str) -> str:
    """The name of the right unit that looks most like the word, or the usual one of the kind."""
    known = _BY_SPELLING[Kind(kind)]
    tidy = _tidy(unit)
    swapped = [word for word in known if len(word) > 1 and sorted(word) == sorted(tidy)]
    close = swapped or get_close_matches(tidy, known, n=1, cutoff=0.6)
    return known[close[0]].name if close else units_of(kind)[0].name


def find(unit: str, kind: str) -> Unit:
    """The unit behind a spelling.

    Raises:
        UnknownUnit: the word is no unit of this kind.
        ValueError: the kind itself is unknown.
    """
    kind = Kind(kind)
    found = _BY_SPELLING[kind].get(_tidy(unit))
    if found is None:
        raise UnknownUnit(unit, kind)
    return found


def linear(unit: str, kind: str) -> tuple[float, float]:
    """Gain and offset that turn a number in this unit into SI: si = gain · value + offset."""
    found = find(unit, kind)
    return found.gain, found.offset


def to_si(value: float, unit: str, kind: str) -> float:
    """A number in a keeper's unit, in SI (°C for temperature, % for percentages, ppm for concentrations)."""
    gain, offset = linear(unit, kind)
    return gain * value + offset


def from_si(value_si: float, unit: str, kind: str) -> float:
    """An SI number in a keeper's unit; the inverse of `to_si`."""
    gain, offset = linear(unit, kind)
    return (value_si - offset) / gain


def _shown(symbol: str, unit: str, kind: Kind, digits: int) -> Display:
    gain, offset = linear(unit, kind)
    return Display(symbol, gain, offset, digits)


def _shown_alike(symbol: str, unit: str, kind: Kind, digits: int) -> dict[str, Display]:
    alike = _shown(symbol, unit, kind, digits)
    return {"us": alike, "metric": alike}


_DISPLAY: Mapping[Kind, Mapping[str, Display]] = MappingProxyType(
    {
        Kind.TEMPERATURE: {
            "us": _shown("°F", "degF", Kind.TEMPERATURE, 0),
            "metric": _shown("°C", "degC", Kind.TEMPERATURE, 1),
        },
        Kind.TEMPERATURE_DIFFERENCE: {
            "us": _shown("°F", "degF", Kind.TEMPERATURE_DIFFERENCE, 1),
            "metric": _shown("°C", "degC", Kind.TEMPERATURE_DIFFERENCE, 1),
        },
        Kind.LENGTH: {"us": _shown("ft", "ft", Kind.LENGTH, 1), "metric": _shown("m", "m", Kind.LENGTH, 2)},
        Kind.AREA: {"us": _shown("ft²", "ft^2", Kind.AREA, 1), "metric": _shown("m²", "m^2", Kind.AREA, 2)},
        Kind.VOLUME: {"us": _shown("ft³", "ft^3", Kind.VOLUME, 0), "metric": _shown("m³", "m^3", Kind.VOLUME, 1)},
        Kind.AIRFLOW: {"us": _shown("cfm", "cfm", Kind.AIRFLOW, 0), "metric": _shown("m³/h", "m^3/h", Kind.AIRFLOW, 0)},
        Kind.SPEED: {"us": _shown("fpm", "fpm", Kind.SPEED, 0), "metric": _shown("m/s", "m/s", Kind.SPEED, 1)},
        Kind.PRESSURE: {"us": _shown("in. w.c.", "inH2O", Kind.PRESSURE, 2), "metric": _shown("Pa", "Pa", Kind.PRESSURE, 0)},
        Kind.MASS: {"us": _shown("lb", "lb", Kind.MASS, 2), "metric": _shown("kg", "kg", Kind.MASS, 2)},
        Kind.POWER: _shown_alike("W", "W", Kind.POWER, 0),
        Kind.TIME: _shown_alike("s", "s", Kind.TIME, 0),
        Kind.INSULATION: {
            "us": _shown("R", "R", Kind.INSULATION, 1),
            "metric": _shown("m²K/W", "RSI", Kind.INSULATION, 2),
        },
        Kind.PERCENTAGE: _shown_alike("%", "%", Kind.PERCENTAGE, 0),
        Kind.CONCENTRATION: _shown_alike("ppm", "ppm", Kind.CONCENTRATION, 0),
        Kind.LIGHT: _shown_alike("lx", "lx", Kind.LIGHT, 0),
        Kind.STATE: _shown_alike("", "1/0", Kind.STATE, 0),
    }
)


def display(kind: str, units: str) -> Display:
    """How this kind is shown to a keeper who reads "us" or "metric" units."""
    if units not in ("us", "metric"):
        raise ValueError(f'units are "us" or "metric", not {units[:40]!r}')
    return _DISPLAY[Kind(kind)][units]


def shown_number(value_si: float, kind: str, units: str) -> float:
    """The SI value in the keeper's display unit, unrounded."""
    how = display(kind, units)
    return (value_si - how.offset) / how.gain


def show(value_si: float, kind: str, units: str = "us", digits: int | None = None) -> str:
    """The value as a person reads it: "76 °F", "0.08 in. w.c.", "2 h 30 min".

    Args:
        value_si: in SI; a number that is not finite shows as "unknown".
        kind: one of `Kind`.
        units: "us" or "metric".
        digits: after the decimal point; left out, the usual number for the kind.
    """
    how = display(kind, units)
    if not math.isfinite(value_si):
        return "unknown"
    if kind == Kind.STATE:
        return "on" if value_si >= 0.5 else "off"
    if kind == Kind.TIME:
        return _show_time(value_si)
    places = how.digits if digits is None else digits
    number = round((value_si - how.offset) / how.gain, places)
    text = f"{number + 0.0:.{places}f}"  # + 0.0 turns −0 into 0
    text = text.replace("-", "−")
    if kind == Kind.INSULATION and units == "us":
        return f"R-{text}"
    return f"{text} {how.symbol}"


def _show_time(seconds: float) -> str:
    """At most two neighbouring units: 45 s, 10 min, 2 h 30 min, 3 days 4 h."""
    sign = "−" if seconds < 0 else ""
    left = abs(seconds)
    if left < 1 and left != 0:
        return f"{sign}{left:.2g} s"
    if left < 120:
        whole, rest = divmod(round(left), 60)
        parts = [(whole, "min"), (rest, "s")] if left >= 60 else [(round(left), "s")]
    elif left < 2 * 86400:
        minutes = round(left / 60)
        parts = [(minutes // 60, "h"), (minutes % 60, "min")]
    else:
        hours = round(left / 3600)
        parts = [(hours // 24, "days"), (hours % 24, "h")]
    said = [f"{number} {unit}" for number, unit in parts if number]
    return sign + (" ".join(said) or "0 s")
