"""Numbers with their unit, as a keeper writes them: "12 ft", "R-5", "400 cfm", "95 degF", "2 h 30 min".

Rules of this file: text is matched and looked up, never evaluated; it is cut off at a length; the
answer is SI. What is not a quantity is answered with what would have been.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

from monitor.air.units import Kind, UnknownUnit, find, units_of

LONGEST = 64

EXAMPLES: Mapping[Kind, tuple[str, str]] = MappingProxyType(
    {
        Kind.TEMPERATURE: ("95 degF", "35 degC"),
        Kind.TEMPERATURE_DIFFERENCE: ("1.8 degF", "1 degC"),
        Kind.LENGTH: ("12 ft", "3.6 m"),
        Kind.AREA: ("60 in^2", "390 cm^2"),
        Kind.VOLUME: ("5 gal", "20 L"),
        Kind.AIRFLOW: ("400 cfm", "680 m^3/h"),
        Kind.SPEED: ("800 fpm", "4 m/s"),
        Kind.PRESSURE: ("1.6 inH2O", "400 Pa"),
        Kind.MASS: ("4 lb", "1.8 kg"),
        Kind.POWER: ("250 W", "0.25 kW"),
        Kind.TIME: ("30 s", "5 min"),
        Kind.INSULATION: ("R-5", "RSI-0.88"),
        Kind.PERCENTAGE: ("75 %", "0.75 fraction"),
        Kind.CONCENTRATION: ("20 ppm", "0.1 vol%"),
        Kind.LIGHT: ("10 lx", "1 fc"),
        Kind.STATE: ("1 on/off", "0 on/off"),
    }
)

_NUMBER = r"[+-]?[0-9]{1,12}(?:\.[0-9]{1,12})?"
_SINGLE = re.compile(rf"({_NUMBER})(?:\s*(?=[^0-9.])|\s+)(\S.*)")
_INSULATION = re.compile(r"(R|RSI)[\s-]?([0-9]{1,6}(?:\.[0-9]{1,6})?)", re.IGNORECASE)
_COMPOUND = (Kind.LENGTH, Kind.TIME)


class NotAQuantity(ValueError):  # noqa: N818 - said in words, like the rest of the house
    """What was written is no number with a unit of the right kind.

    Attributes:
        expected: what would have been right, in words.
        example: the nearest right way to write it.
    """

    def __init__(self, expected: str, example: str) -> None:
        self.expected = expected
        self.example = example
        super().__init__(f"expected {expected}; write {example!r}")


def expected(kind: Kind) -> str:
    """'a length with its unit, such as "12 ft" or "3.6 m"'."""
    first, second = EXAMPLES[kind]
    article = "an" if kind.value[0] in "aeiou" else "a"
    return f'{article} {kind} with its unit, such as "{first}" or "{second}"'


def parse(written: object, kind: Kind) -> tuple[float, str]:
    """A written quantity in SI, and the name of the unit it was written in.

    Args:
        written: text such as "12 ft"; lengths and times may have several parts ("5 ft 6 in").
        kind: what it must be a quantity of.

    Raises:
        NotAQuantity: anything else, a plain number among them, for its unit would be a guess.
    """
    if isinstance(written, (int, float)) and not isinstance(written, bool):
        number = f"{written:g}"[:20]
        unit = units_of(kind)[0].name
        example = f"R-{number}" if kind is Kind.INSULATION else f"{number} {unit}"
        raise NotAQuantity(expected(kind), example)
    if not isinstance(written, str) or len(written) > LONGEST:
        raise NotAQuantity(expected(kind), EXAMPLES[kind][0])
    text = written.strip().replace("−", "-")
    if kind is Kind.INSULATION and (rated := _INSULATION.fullmatch(text)):
        unit = rated[1].upper()
        return float(rated[2]) * find(unit, kind).gain, unit
    if re.fullmatch(r"[+-]?[0-9]+,[0-9]+\s*\D.*", text):
        raise NotAQuantity("a decimal point instead of the comma", text.replace(",", ".", 1))
    if kind in _COMPOUND and (parts := _parts(text, kind)) is not None:
        return parts
    single = _SINGLE.fullmatch(text)
    if single is None:
        bare = re.fullmatch(_NUMBER, text)
        raise NotAQuantity(expected(kind), f"{text} {units_of(kind)[0].name}" if bare else EXAMPLES[kind][0])
    try:
        unit_found = find(single[2], kind)
    except UnknownUnit as mistake:
        also = f' ("{single[2][:40]}" is a unit of {mistake.other_kind})' if mistake.other_kind else ""
        raise NotAQuantity(mistake.expected + also, f"{single[1]} {mistake.example}") from None
    return float(single[1]) * unit_found.gain + unit_found.offset, unit_found.name


def _parts(text: str, kind: Kind) -> tuple[float, str] | None:
    """Several parts in a row, each smaller than the one before ("2 h 30 min"); None if it is not that."""
    found = re.findall(rf"({_NUMBER})\s*([^\s0-9+-]+)", text)
    if len(found) < 2 or re.fullmatch(rf"(?:\s*{_NUMBER}\s*[^\s0-9+-]+)+\s*", text) is None:
        return None
    total, last_gain = 0.0, float("inf")
    for position, (number, word) in enumerate(found):
        try:
            unit = find(word, kind)
        except UnknownUnit:
            return None
        if unit.gain >= last_gain or (position and number[0] in "+-"):
            return None
        total += float(number) * unit.gain
        last_gain = unit.gain
    return total, unit.name
