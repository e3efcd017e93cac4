"""The fan's relay: commands into bytes, reports into what it is doing.

Rules of this file: the words the keeper configured win over every other reading of the payload,
also when they look the wrong way round ("0" for on, as an inverted relay board has it).
"""

from __future__ import annotations

from monitor.engine.events import Json
from monitor.engine.specification import Fan
from monitor.wire.causes import Cause, Unusable
from monitor.wire.pointer import Pointer
from monitor.wire.strict import finite, json_value, number, text

_ON = frozenset({"on", "true", "1"})
_OFF = frozenset({"off", "false", "0"})
_LONGEST_WORD = 64


def command(fan: Fan, running: bool, speed_pct: float | None) -> bytes:
    """What to publish to the fan's command topic.

    Args:
        fan: says whether it is variable, and its words.
        running: whether it shall run.
        speed_pct: of a variable fan, 0 to 100; None means full speed. Ignored by an on/off fan.

    A variable fan gets a whole per cent as text, "0" for rest; never a speed at which it stalls.
    """
    if not fan.variable:
        return (fan.on_word if running else fan.off_word).encode()
    if not running:
        return b"0"
    wanted = 100.0 if speed_pct is None else speed_pct
    return str(round(min(100.0, max(fan.lowest_speed_pct, wanted, 1.0)))).encode()


def report(fan: Fan, payload: bytes, pointer: Pointer | None) -> tuple[bool, float | None] | None:
    """What the relay says it is doing: (running, speed in per cent or None), or None when it says nothing we know.

    Args:
        fan: says whether it is variable, and its words.
        payload: as it came.
        pointer: where in a JSON payload the answer stands; None for a bare word or number.

    Understood: the fan's own words (in any case of letters), on/off, true/false, 1/0, and of a
    variable fan a number from 0 to 100.
    """
    try:
        said = _word(pointer.follow(json_value(payload))) if pointer is not None else text(payload)
    except Unusable:
        return None
    word = said.strip(" \t\r\n\0").casefold()
    if not word or len(word) > _LONGEST_WORD:
        return None
    return _variable(fan, word) if fan.variable else _on_off(fan, word)


def report_or_unusable(fan: Fan, payload: bytes, pointer: Pointer | None) -> tuple[bool, float | None]:
    """As `report`, but raises `Unusable` instead of giving None."""
    said = report(fan, payload, pointer)
    if said is None:
        raise Unusable(Cause.NOT_A_REPORT)
    return said


def _on_off(fan: Fan, word: str) -> tuple[bool, float | None] | None:
    on, off = fan.on_word.strip().casefold(), fan.off_word.strip().casefold()
    if word in (on, off):
        return (word == on, None)
    # The usual words, unless this relay uses one of them for the opposite.
    if word in _ON and off not in _ON:
        return (True, None)
    if word in _OFF and on not in _OFF:
        return (False, None)
    return None


def _variable(fan: Fan, word: str) -> tuple[bool, float | None] | None:
    try:
        speed = number(word.encode("utf-8", "replace"))
    except Unusable:
        said = _on_off(fan, word)
        return None if said is None else (said[0], None if said[0] else 0.0)
    return (speed > 0.0, speed) if 0.0 <= speed <= 100.0 else None


def _word(value: Json) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return value
    return f"{finite(value):.15g}"  # 1.0 is the word "1"
