"""What a strange payload might be: which quantities stand in it, measured by whom, in which unit.

Every answer here is a guess and carries its reason; the keeper decides.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from monitor.engine.events import Json
from monitor.engine.specification import SI_UNIT, Measure, Place
from monitor.wire import senml
from monitor.wire.causes import Unusable
from monitor.wire.strict import finite, json_value, number, text

MOST_VALUES: Final = 40  # of one message
DEEPEST: Final = 6
FAHRENHEIT_FROM: Final = 45.0  # no pen is kept this warm in °C, most are in °F: our own choice


class Kind(StrEnum):
    """What a payload is, as a whole."""

    NUMBER = "number"
    JSON = "JSON"
    SENML = "SenML"
    SWITCH = "on/off"
    TEXT = "text"
    BYTES = "bytes"
    EMPTY = "empty"


@dataclass(frozen=True, slots=True)
class Guess:
    """One value in a payload, and what it may measure (None: no idea)."""

    value: float | bool
    pointer: str | None = None
    record: str | None = None
    measures: Measure | None = None
    unit: str = ""
    why: str = ""
    why_unit: str = ""


# Whole words of a name, lower case, in the order in which they are asked.
_WORDS: Final[tuple[tuple[Measure, frozenset[str]], ...]] = (
    (Measure.AMMONIA, frozenset({"nh3", "ammonia"})),
    (Measure.CARBON_DIOXIDE, frozenset({"co2", "carbondioxide", "carbon", "eco2"})),
    (Measure.HUMIDITY, frozenset({"humidity", "hum", "rh", "humid", "damp"})),
    (
        Measure.TEMPERATURE,
        frozenset({"temperature", "temp", "tmp", "t", "tempc", "tempf", "thermometer", "degc", "degf", "warmth"}),
    ),
    (Measure.STATIC_PRESSURE, frozenset({"static", "dp", "draught", "draft", "vacuum"})),
    (Measure.LIGHT, frozenset({"lux", "lx", "light", "illuminance", "brightness"})),
    (Measure.BATTERY, frozenset({"battery", "bat", "batt", "soc"})),
    (Measure.MAINS, frozenset({"mains", "grid", "outage"})),
    (Measure.FAN_SPEED, frozenset({"speed"})),
    (Measure.FAN_POWER, frozenset({"power", "watt", "watts", "w"})),
)
# What a number must lie within for the word to be believed, in the unit guessed.
_BELIEVABLE: Final[dict[Measure, tuple[float, float]]] = {
    Measure.TEMPERATURE: (-40.0, 140.0),
    Measure.HUMIDITY: (0.0, 100.0),
    Measure.AMMONIA: (0.0, 1000.0),
    Measure.CARBON_DIOXIDE: (200.0, 40_000.0),
    Measure.STATIC_PRESSURE: (-250.0, 250.0),
    Measure.LIGHT: (0.0, 150_000.0),
    Measure.BATTERY: (0.0, 100.0),
    Measure.FAN_SPEED: (0.0, 100.0),
    Measure.FAN_POWER: (0.0, 5000.0),
    Measure.MAINS: (0.0, 1.0),
}
_PLACES: Final = (
    (Place.OUTSIDE, frozenset({"outside", "outdoor", "outdoors", "weather", "yard"})),
    (Place.SUPPLY, frozenset({"supply", "inlet", "intake"})),
    (Place.BIRD_LEVEL, frozenset({"bird", "birds", "chick", "chicks", "floor", "litter"})),
)
_RECORD_MEASURES: Final = {"Cel": Measure.TEMPERATURE, "K": Measure.TEMPERATURE, "%RH": Measure.HUMIDITY, "lx": Measure.LIGHT,
                           "W": Measure.FAN_POWER, "%EL": Measure.BATTERY, "Pa": Measure.STATIC_PRESSURE}  # fmt: skip


def look(topic: str, payload: bytes) -> tuple[Kind, list[Guess]]:
    """What this payload is and the values in it, at most 40."""
    if not payload.strip(b" \t\r\n\0"):
        return (Kind.EMPTY, [])
    try:
        return (Kind.NUMBER, [_guess(topic, "", number(payload))])
    except Unusable:
        pass
    try:
        written = text(payload).strip(" \t\r\n\0")
    except Unusable:
        return (Kind.BYTES, [])
    if written.casefold() in {"on", "off", "true", "false"}:
        return (Kind.SWITCH, [_guess(topic, "", written.casefold() in {"on", "true"})])
    try:
        document = json_value(payload)
    except Unusable:
        return (Kind.TEXT, [])
    if isinstance(document, str):
        return (Kind.TEXT, [])
    try:
        records = senml.resolve(document)
    except Unusable:
        records = []
    if records:
        return (Kind.SENML, _of_records(topic, records))
    return (Kind.JSON, _of_document(topic, document))


def place_of(*names: str) -> tuple[Place, str]:
    """Where a sensor of these names may hang, and the word that says so ("" when none does)."""
    words = {word for name in names for word in _split(name)}
    for place, signs in _PLACES:
        said = words & signs
        if said:
            return (place, min(said))
    return (Place.ROOM, "")


def _of_records(topic: str, records: list[senml.Record]) -> list[Guess]:
    guesses: dict[str, Guess] = {}
    for record in records:
        if not isinstance(record.value, bool | float | int) or len(guesses) >= MOST_VALUES:
            continue
        measures = _RECORD_MEASURES.get(record.unit or "")
        if measures is None:
            guess = _guess(topic, record.name.rpartition(":")[2], record.value)
            if record.unit is not None and guess.measures is not None and not _fits(guess.measures, record.unit):
                guess = Guess(record.value)
        else:
            guess = Guess(record.value, measures=measures, unit=SI_UNIT[measures], why=f"its unit {record.unit}")
        guesses[record.name] = _with(guess, record=record.name)
    return list(guesses.values())


def _fits(measures: Measure, unit: str) -> bool:
    try:
        senml.to_si(measures, unit, (1.0, 0.0))
    except Unusable:
        return False
    return True


def _of_document(topic: str, document: Json) -> list[Guess]:
    guesses: list[Guess] = []
    for path, value in _leaves(document, ()):
        if len(guesses) >= MOST_VALUES:
            break
        names = [step for step in path if not step.isdigit()]
        guess = _guess(topic, names[-1] if names else "", value)
        guesses.append(_with(guess, pointer="".join(f"/{step.replace('~', '~0').replace('/', '~1')}" for step in path)))
    return guesses


def _leaves(value: Json, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], float | bool]]:
    if isinstance(value, bool):
        yield (path, value)
    elif isinstance(value, float | int):
        try:
            yield (path, finite(value))
        except Unusable:
            return
    elif len(path) < DEEPEST and isinstance(value, dict):
        for name, member in value.items():
            yield from _leaves(member, (*path, name))
    elif len(path) < DEEPEST and isinstance(value, list):
        for index, member in enumerate(value[:MOST_VALUES]):
            yield from _leaves(member, (*path, str(index)))


def _guess(topic: str, name: str, value: float | bool) -> Guess:
    """By the value's own name first, then by the topic's levels, from the last to the first."""
    for said in (name, *reversed(topic.split("/"))):
        words = _split(said)
        for measures, signs in _WORDS:
            if not signs.isdisjoint(words) and _is_believable(measures, value):
                unit, why_unit = _unit(measures, words, float(value))
                shown = min(signs.intersection(words))
                return Guess(value, measures=measures, unit=unit, why=f'the word "{shown}"', why_unit=why_unit)
        if name and said == name and words - {"value", "val", "v", "reading"}:
            break  # a named value is not what the topic's other words say
    return Guess(value)


def _is_believable(measures: Measure, value: float | bool) -> bool:
    if isinstance(value, bool):
        return measures is Measure.MAINS
    low, high = _BELIEVABLE[measures]
    return low <= value <= high and (measures is not Measure.MAINS or value in (0.0, 1.0))


def _unit(measures: Measure, words: set[str], value: float) -> tuple[str, str]:
    if measures is Measure.MAINS:
        return ("1/0", "")
    if measures is not Measure.TEMPERATURE:
        return (SI_UNIT[measures], "the usual one")
    if words & {"f", "fahrenheit", "tempf", "degf"}:
        return ("degF", "by its name")
    if words & {"c", "celsius", "cel", "tempc", "degc"}:
        return ("degC", "by its name")
    if value >= FAHRENHEIT_FROM:
        return ("degF", f"{value:g} would be far too hot in °C")
    return ("degC", f"{value:g} may as well be °F: compare with a thermometer")


def _split(name: str) -> set[str]:
    """The words in a name such as "airTemp_F" or "co2-ppm", lower case; digits at the end go ("probe1", but "co2", "nh3")."""
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name[:200])
    words = {word.lower() for word in re.split(r"[^A-Za-z0-9]+", apart) if word}
    return words | {word.rstrip("0123456789") for word in words} - {""}


def _with(guess: Guess, pointer: str | None = None, record: str | None = None) -> Guess:
    return Guess(guess.value, pointer, record, guess.measures, guess.unit, guess.why, guess.why_unit)
