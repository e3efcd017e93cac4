"""Bytes from strangers into numbers and JSON: strictly, within bounds, with one exception type.

Rules of this file: nothing here raises anything but `Unusable`, whatever the bytes; a number is
finite or it is refused; work is bounded by the length limit.
"""

from __future__ import annotations

import json
import re
from math import inf
from typing import Never

from monitor.engine.events import Json
from monitor.wire.causes import Cause, Unusable

LONGEST_PAYLOAD = 64 * 1024  # bytes; the longest honest pack seen is a tenth of this
DEEPEST_JSON = 32
LONGEST_NUMBER = 40  # characters; a double needs at most 24
SAMPLE_LENGTH = 80

# Decimal digits with an optional fraction and exponent, in blanks: what every language's printf writes.
# float() alone would also take "nan", "1_0", "infinity" and the digits of other scripts.
_NUMBER = re.compile(rb"[ \t\r\n]*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)[ \t\r\n\0]*")


def number(payload: bytes) -> float:
    """The decimal number this payload consists of, blanks around it allowed.

    Raises:
        Unusable: it is longer than 40 characters, something else, or beyond a double's range.
    """
    if len(payload) > LONGEST_NUMBER:
        raise Unusable(Cause.NOT_A_NUMBER if len(payload) <= LONGEST_PAYLOAD else Cause.TOO_LONG)
    match = _NUMBER.fullmatch(payload)
    if match is None:
        raise Unusable(_why_no_number(payload))
    value = float(match[1])
    if value - value != 0.0:
        raise Unusable(Cause.NOT_FINITE)
    return value


def text(payload: bytes) -> str:
    """The payload as text. Raises `Unusable` when too long or not UTF-8."""
    if len(payload) > LONGEST_PAYLOAD:
        raise Unusable(Cause.TOO_LONG)
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError:
        raise Unusable(Cause.NOT_UTF8) from None


def json_value(payload: bytes) -> Json:
    """The JSON text (RFC 8259) in this payload; every number comes out as a float.

    Raises:
        Unusable: too long, not UTF-8, not JSON, a key twice in one object, or nested too deeply.
    """
    written = text(payload)
    if not written.strip():
        raise Unusable(Cause.EMPTY)
    if written.count("[") + written.count("{") > DEEPEST_JSON and _depth(written) > DEEPEST_JSON:
        raise Unusable(Cause.TOO_DEEP)
    try:
        value: Json = _DECODER.decode(written)
    except Unusable:
        raise
    except (ValueError, RecursionError):
        raise Unusable(Cause.NOT_JSON) from None
    return value


def finite(value: Json) -> float:
    """This JSON value as a number; a boolean is none, nor is a number in quotes."""
    if type(value) is float or type(value) is int:
        as_float = float(value)
        if as_float - as_float != 0.0:
            raise Unusable(Cause.NOT_FINITE)
        return as_float
    if isinstance(value, str) and _NUMBER.fullmatch(value.encode("utf-8", "replace")):
        raise Unusable(Cause.IN_QUOTES)
    raise Unusable(Cause.NOT_A_NUMBER)


def sample(payload: bytes) -> str:
    """The start of a payload, fit for a log line or a page: no control characters, at most 80 characters."""
    return printable(payload[: 4 * SAMPLE_LENGTH].decode("utf-8", "replace"), SAMPLE_LENGTH)


def printable(written: str, longest: int) -> str:
    """This text with everything a terminal would act on shown as an escape, cut to a length."""
    shown = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in written[: longest + 1])
    return shown if len(shown) <= longest else shown[: longest - 1] + "…"


def _why_no_number(payload: bytes) -> Cause:
    if not payload.strip(b" \t\r\n\0"):
        return Cause.EMPTY
    try:
        payload.decode("utf-8")
    except UnicodeDecodeError:
        return Cause.NOT_UTF8
    bare = payload.strip(b" \t\r\n\0")
    is_quoted = len(bare) > 2 and bare[:1] == bare[-1:] == b'"' and _NUMBER.fullmatch(bare[1:-1]) is not None
    return Cause.IN_QUOTES if is_quoted else Cause.NOT_A_NUMBER


def _depth(written: str) -> int:
    depth = deepest = 0
    in_string = escaped = False
    for character in written:
        if escaped:
            escaped = False
        elif in_string:
            escaped = character == "\\"
            in_string = character != '"'
        elif character == '"':
            in_string = True
        elif character in "[{":
            depth += 1
            deepest = max(deepest, depth)
        elif character in "]}":
            depth -= 1
    return deepest


def _members(pairs: list[tuple[str, Json]]) -> dict[str, Json]:
    members = dict(pairs)
    if len(members) != len(pairs):
        raise Unusable(Cause.REPEATED_KEY)  # which of the two is meant, nobody knows
    return members


def _integer(digits: str) -> float:
    # int() would take thousands of digits and then fail to become a float
    return float(digits) if len(digits) <= LONGEST_PAYLOAD else inf


def _no_such_constant(word: str) -> Never:
    raise ValueError(f"{word} is not JSON")  # the library would accept NaN and Infinity


_DECODER = json.JSONDecoder(object_pairs_hook=_members, parse_int=_integer, parse_constant=_no_such_constant)
