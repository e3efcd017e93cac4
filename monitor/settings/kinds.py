"""The kinds of value a setting can have: each reads what was written, or says what was expected.

Rules of this file: a kind never guesses and never fails otherwise than by `Refusal`; it takes text as
well, for that is what the environment and secret files hold.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from functools import cache
from itertools import pairwise
from typing import Any, ClassVar, Protocol
from zoneinfo import ZoneInfo, available_timezones

from pydantic import GetCoreSchemaHandler
from pydantic_core import PydanticCustomError, core_schema

from monitor.air.units import Kind as Measured
from monitor.air.units import from_si
from monitor.settings.quantities import NotAQuantity, expected, parse


class Refusal(ValueError):  # noqa: N818 - said in words, like the rest of the house
    """This is not such a value. `write` is the nearest right value, None for the setting's own example."""

    def __init__(self, expected: str, write: Any = None) -> None:
        self.expected = expected
        self.write = write
        super().__init__(expected)


class Kind(Protocol):
    """What every kind offers: `words` for the documentation, `read` for the reader."""

    @property
    def words(self) -> str: ...

    def read(self, written: Any) -> Any: ...


class Reads:
    """Lets pydantic use a kind: a refusal becomes one of its errors, with what was expected inside."""

    __slots__ = ()
    read: Callable[[Any], Any]

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        def validate(written: Any) -> Any:
            try:
                return self.read(written)
            except Refusal as refusal:
                raise PydanticCustomError(
                    "refused", "{expected}", {"expected": refusal.expected, "write": refusal.write}
                ) from None

        return core_schema.no_info_plain_validator_function(validate)


@dataclass(frozen=True, slots=True)
class Quantity(Reads):
    """A number with its unit, read to SI; `lowest` and `highest` are SI, both allowed."""

    measured: Measured
    lowest: float = -math.inf
    highest: float = math.inf
    above: float = -math.inf  # not allowed itself
    scale: float = 1.0  # of the answer: 0.01 turns a percentage into a fraction

    @property
    def words(self) -> str:
        return str(self.measured)

    def read(self, written: Any) -> float:
        try:
            value, unit = parse(written, self.measured)
        except NotAQuantity as mistake:
            raise Refusal(mistake.expected, mistake.example) from None
        if not (self.lowest <= value <= self.highest and value > self.above):
            raise Refusal(f"{expected(self.measured)}, {self._range(unit)}")
        return value * self.scale

    def _range(self, unit: str) -> str:
        def at(bound: float) -> str:
            number = f"{from_si(bound, unit, self.measured):.4g}"
            return f"R-{number}" if unit == "R" else f"{number} {unit}"

        said = []
        if self.above > -math.inf:
            said.append(f"above {at(self.above)}")
        elif self.lowest > -math.inf:
            said.append(f"at least {at(self.lowest)}")
        if self.highest < math.inf:
            said.append(f"at most {at(self.highest)}")
        return " and ".join(said)


@dataclass(frozen=True, slots=True)
class Number(Reads):
    """A plain number without a unit."""

    lowest: float
    highest: float
    words: ClassVar[str] = "number"

    def read(self, written: Any) -> float:
        wanted = f"a number from {self.lowest:g} to {self.highest:g}"
        if isinstance(written, str) and re.fullmatch(r"[+-]?[0-9]{1,9}(\.[0-9]{1,9})?", written.strip()):
            written = float(written)
        if isinstance(written, bool) or not isinstance(written, (int, float)) or not self.lowest <= written <= self.highest:
            raise Refusal(wanted)
        return float(written)


@dataclass(frozen=True, slots=True)
class Whole(Reads):
    """A whole number: counts, ports, days."""

    lowest: int
    highest: int
    words: ClassVar[str] = "whole number"

    def read(self, written: Any) -> int:
        if isinstance(written, str) and re.fullmatch(r"[+-]?[0-9]{1,12}", written.strip()):
            written = int(written)
        if isinstance(written, bool) or not isinstance(written, int) or not self.lowest <= written <= self.highest:
            raise Refusal(f"a whole number from {self.lowest} to {self.highest}")
        return written


@dataclass(frozen=True, slots=True)
class Flag(Reads):
    """Yes or no."""

    words: ClassVar[str] = "true or false"

    def read(self, written: Any) -> bool:
        if isinstance(written, str) and written.strip().lower() in ("true", "false"):
            return written.strip().lower() == "true"
        if not isinstance(written, bool):
            raise Refusal("true or false", True)
        return written


@dataclass(frozen=True, slots=True)
class Choice(Reads):
    """One of a few words."""

    allowed: tuple[str, ...]

    @property
    def words(self) -> str:
        return "one of " + ", ".join(f'"{word}"' for word in self.allowed)

    def read(self, written: Any) -> str:
        if isinstance(written, str) and written in self.allowed:
            return written
        close = get_close_matches(written.strip().lower()[:60], self.allowed, n=1, cutoff=0.5) if isinstance(written, str) else []
        raise Refusal(self.words, close[0] if close else None)


@dataclass(frozen=True, slots=True)
class Name(Reads):
    """A name of a site, pen, sensor, flock or person: it becomes part of topics and keys."""

    words: ClassVar[str] = "name"

    def read(self, written: Any) -> str:
        wanted = "a name of 1 to 60 characters, without / + # or control characters"
        if not isinstance(written, str):
            raise Refusal(wanted)
        name = " ".join(written.split(" ")).strip()
        if not 1 <= len(name) <= 60 or any(sign in "/+#" or not sign.isprintable() for sign in name):
            tidy = "".join(sign if sign not in "/+#" and sign.isprintable() else " " for sign in name)
            raise Refusal(wanted, " ".join(tidy.split())[:60] or None)
        return name


@dataclass(frozen=True, slots=True)
class Text(Reads):
    """Any text on one line."""

    longest: int = 256
    shortest: int = 1
    words: ClassVar[str] = "text"

    def read(self, written: Any) -> str:
        if (
            not isinstance(written, str)
            or not self.shortest <= len(written) <= self.longest
            or any(not sign.isprintable() for sign in written)
        ):
            raise Refusal(f"text of {self.shortest} to {self.longest} characters on one line")
        return written


@dataclass(frozen=True, slots=True)
class Day(Reads):
    """A date."""

    words: ClassVar[str] = "date"

    def read(self, written: Any) -> date:
        if isinstance(written, str):
            try:
                written = date.fromisoformat(written.strip())
            except ValueError:
                raise Refusal("a date, year-month-day, without quotes or time of day") from None
        if type(written) is not date or not 2000 <= written.year <= 2200:
            raise Refusal("a date, year-month-day, without quotes or time of day")
        return written


@cache
def _time_zones() -> frozenset[str]:
    return frozenset(available_timezones())


@dataclass(frozen=True, slots=True)
class Zone(Reads):
    """A time zone of the IANA database."""

    words: ClassVar[str] = "IANA time zone"

    def read(self, written: Any) -> str:
        wanted = 'a time zone of the IANA database, such as "Europe/Dublin" or "America/Chicago"'
        if not isinstance(written, str) or len(written) > 60:
            raise Refusal(wanted)
        if written not in _time_zones():
            by_lower = {name.lower(): name for name in _time_zones()}
            close = get_close_matches(written.lower().replace(" ", "_"), by_lower, n=1, cutoff=0.6)
            raise Refusal(wanted, by_lower[close[0]] if close else None)
        ZoneInfo(written)
        return written


@dataclass(frozen=True, slots=True)
class Hours(Reads):
    """From one local time of day to another, over midnight if need be."""

    words: ClassVar[str] = "two times of day"

    def read(self, written: Any) -> tuple[str, str]:
        if isinstance(written, (list, tuple)) and len(written) == 2:
            from_, to = written
            if all(isinstance(one, str) and re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", one) for one in (from_, to)):
                return (from_, to)
        raise Refusal("two local times of day, hour:minute", ["07:00", "22:00"])


@dataclass(frozen=True, slots=True)
class Words(Reads):
    """A list of words out of a few, each once."""

    allowed: tuple[str, ...]

    @property
    def words(self) -> str:
        return "list out of " + ", ".join(f'"{word}"' for word in self.allowed)

    def read(self, written: Any) -> tuple[str, ...]:
        if isinstance(written, (list, tuple)) and written and all(isinstance(word, str) for word in written):
            known = [word for word in self.allowed if word in written]
            if len(known) == len(written):
                return tuple(known)
            raise Refusal(f"a {self.words}", known or None)
        raise Refusal(f"a {self.words}")


@dataclass(frozen=True, slots=True)
class Pairs(Reads):
    """A list of pairs of quantities."""

    first: Measured
    second: Measured
    shortest: int
    longest: int

    @property
    def words(self) -> str:
        return f"pairs of {self.first} and {self.second}"

    def read(self, written: Any) -> tuple[tuple[float, float], ...]:
        wanted = f"{self.shortest} to {self.longest} pairs of {self.first} and {self.second}"
        if not isinstance(written, list) or not self.shortest <= len(written) <= self.longest:
            raise Refusal(wanted)
        pairs = []
        for pair in written:
            if not isinstance(pair, list) or len(pair) != 2:
                raise Refusal(wanted)
            try:
                pairs.append((parse(pair[0], self.first)[0], parse(pair[1], self.second)[0]))
            except NotAQuantity as mistake:
                raise Refusal(f"{wanted}; in one of them {mistake.expected}") from None
        return tuple(pairs)


@dataclass(frozen=True, slots=True)
class FallingCurve(Reads):
    """A fan's curve: static pressure falls from pair to pair as airflow rises."""

    words: ClassVar[str] = "pairs of airflow and static pressure"

    def read(self, written: Any) -> tuple[tuple[float, float], ...]:
        pairs = Pairs(Measured.AIRFLOW, Measured.PRESSURE, 2, 40).read(written)
        curve = tuple(sorted(pairs))
        if any(not (0 <= airflow <= 50 and 0 <= pressure <= 2000) for airflow, pressure in curve):
            raise Refusal("a fan curve from 0 to 50 m^3/s and from 0 to 2000 Pa")
        if curve[-1][0] < 1e-3 or curve[0][1] < 0.1 or any(b[0] <= a[0] or b[1] >= a[1] for a, b in pairwise(curve)):
            raise Refusal("a falling fan curve: the more airflow, the less static pressure")
        return curve


@dataclass(frozen=True, slots=True)
class Raw(Reads):
    """Kept as written: what it means depends on another key, which decides later."""

    words: str = "quantity of the sensor's measure"

    def read(self, written: Any) -> Any:
        return written
