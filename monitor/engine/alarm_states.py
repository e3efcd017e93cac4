"""The life cycle of an alarm, as one literal table that code, documentation and tests all read.

States and their meaning follow ANSI/ISA-18.2 and IEC 62682. `MOVES[state][happening]` is the next
state; a happening missing from a state's row changes nothing there.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType

from monitor.engine.state import AlarmState

N = AlarmState.NORMAL
U = AlarmState.UNACKNOWLEDGED
A = AlarmState.ACKNOWLEDGED
R = AlarmState.RETURNED
S = AlarmState.SHELVED
D = AlarmState.SUPPRESSED
O = AlarmState.OUT_OF_SERVICE  # noqa: E741 - one letter a state keeps the table readable


class Happening(StrEnum):
    """What can befall an alarm."""

    RAISE = "the condition has stood for its on-delay"
    WORSEN = "it stands, and has become more urgent than when it was raised"
    RING_AGAIN = "somebody has had it for long enough, and birds still suffer by it"
    CLEAR = "the condition has been gone for its off-delay"
    ACKNOWLEDGE = "a person has it"
    SHELVE = "a person puts it aside until an end"
    SUPPRESS = "its cause is already an alarm, or there is nothing to protect"
    TAKE_OUT = "a person takes it out of service"
    RELEASE_STANDING = "shelf, suppression or maintenance ends, and the condition stands"
    RELEASE_CLEAR = "shelf, suppression or maintenance ends, and the condition is gone"


_h = Happening

MOVES: Mapping[AlarmState, Mapping[Happening, AlarmState]] = MappingProxyType(
    {
        N: {_h.RAISE: U, _h.SHELVE: S, _h.SUPPRESS: D, _h.TAKE_OUT: O},
        U: {_h.WORSEN: U, _h.CLEAR: R, _h.ACKNOWLEDGE: A, _h.SHELVE: S, _h.SUPPRESS: D, _h.TAKE_OUT: O},
        A: {_h.WORSEN: U, _h.RING_AGAIN: U, _h.CLEAR: N, _h.SHELVE: S, _h.SUPPRESS: D, _h.TAKE_OUT: O},
        R: {_h.RAISE: U, _h.ACKNOWLEDGE: N, _h.SHELVE: S, _h.SUPPRESS: D, _h.TAKE_OUT: O},
        S: {_h.RELEASE_STANDING: U, _h.RELEASE_CLEAR: N, _h.TAKE_OUT: O},
        D: {_h.RELEASE_STANDING: U, _h.RELEASE_CLEAR: N, _h.CLEAR: N, _h.SHELVE: S, _h.TAKE_OUT: O},
        O: {_h.RELEASE_STANDING: U, _h.RELEASE_CLEAR: N},
    }
)

OPEN = frozenset({U, A, R})  # what a keeper sees as an open alarm


def move(state: AlarmState, happening: Happening) -> AlarmState:
    """The state after this happening; the same state where the table has no entry."""
    return MOVES[state].get(happening, state)
