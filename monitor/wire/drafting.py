"""Guesses into `[[pen.sensor]]` entries a keeper can paste, correct and keep.

Rules of this file: what comes out is valid TOML whatever the topics hold; what is guessed says so
on its line; nothing that was heard reaches the terminal unescaped.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from monitor.wire.guessing import Guess, place_of
from monitor.wire.strict import printable

LONGEST_SHOWN: Final = 120
_SHORT_ESCAPES: Final = {"\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r", '"': '\\"', "\\": "\\\\"}


@dataclass(frozen=True, slots=True)
class Found:
    """A value somewhere on the broker, and how often it comes."""

    topic: str
    guess: Guess
    every_s: float | None  # None: heard once


def draft(found: Sequence[Found]) -> str:
    """The TOML of one pen with every value whose measure was guessed; the others as remarks."""
    lines = [
        "# Drafted from what was heard. Lines marked “guess” are guesses: check each, above all the unit and",
        "# the place, against an instrument you trust. Sort the sensors into your pens; delete what is not yours.",
        "[[pen]]",
        'name = "pen"                # guess',
    ]
    names: set[str] = set()
    for each in found:
        if each.guess.measures is not None:
            lines += ["", *_sensor(each, names)]
    unknown = [each for each in found if each.guess.measures is None]
    if unknown:
        lines += ["", "# Heard as well, but what it measures could not be guessed:"]
        lines += [f"#   {_where(each)} = {_shown(each.guess.value)}" for each in unknown]
    return "\n".join(lines) + "\n"


def quoted(text: str) -> str:
    """A TOML basic string (TOML 1.0): every character that is not printable is escaped."""
    return '"' + "".join(_escaped(character) for character in text) + '"'


def _escaped(character: str) -> str:
    if character in _SHORT_ESCAPES:
        return _SHORT_ESCAPES[character]
    if character.isprintable():
        return character
    code = ord(character)
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def _sensor(found: Found, names: set[str]) -> list[str]:
    guess = found.guess
    assert guess.measures is not None
    place, said = place_of(*found.topic.split("/"), guess.pointer or "", guess.record or "")
    every, why_every = _every(found.every_s)
    lines = [
        "[[pen.sensor]]",
        f"name = {quoted(_name(found, names))}",
        _guessed(f"measures = {quoted(guess.measures)}", f"by {guess.why}"),
        _guessed(f"place = {quoted(place)}", f'by the word "{said}"' if said else "nothing says where it hangs"),
        f"topic = {quoted(found.topic)}",
    ]
    if guess.pointer is not None:
        lines.append(f"pointer = {quoted(guess.pointer)}")
    if guess.record is not None:
        lines.append(f"record = {quoted(guess.record)}")
    lines.append(_guessed(f"unit = {quoted(guess.unit)}", guess.why_unit) if guess.why_unit else f"unit = {quoted(guess.unit)}")
    lines.append(_guessed(f"every = {quoted(every)}", why_every))
    return lines


def _guessed(line: str, why: str) -> str:
    return f"{line:<27} # guess: {printable(why, LONGEST_SHOWN)}"


def _name(found: Found, names: set[str]) -> str:
    guess = found.guess
    own = guess.record or (guess.pointer or "").replace("~1", " ").replace("~0", "~")
    if guess.record is not None:
        parts = [own.rpartition(":")[2] or own]
    else:
        parts = [found.topic.rpartition("/")[2], own.replace("/", " ")]
    plain = re.sub(r"[^\w.-]+", " ", " ".join(parts)).strip()[:40] or "sensor"
    name, count = plain, 1
    while name in names:
        count += 1
        name = f"{plain} {count}"
    names.add(name)
    return name


def _every(every_s: float | None) -> tuple[str, str]:
    if every_s is None:
        return ("60 s", "heard once only")
    whole = max(1, round(every_s))
    return (f"{whole} s", f"heard every {every_s:.3g} s")


def _where(found: Found) -> str:
    topic = printable(found.topic, LONGEST_SHOWN)
    if found.guess.pointer is not None:
        return f"{topic}  {printable(found.guess.pointer, LONGEST_SHOWN)}"
    return topic if found.guess.record is None else f"{topic}  {printable(found.guess.record, LONGEST_SHOWN)}"


def _shown(value: float | bool) -> str:
    return ("true" if value else "false") if isinstance(value, bool) else f"{value:g}"
