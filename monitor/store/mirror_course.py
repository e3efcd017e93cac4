"""When the mirror sends, from where, and what it does after a failure. Pure: no clock, no network.

Rules of this file:
- The cursor follows the order of arrival, not the readings' times: late readings come out of order.
- It moves only after the server has accepted, and the kept one lags: a server that accepted and was then
  killed may have forgotten the last minutes, so after a failure they are sent again. Sending a line twice
  is harmless where the server drops doubles (deploy/ says how to set that up).
- After a failure the pause grows from 5 to 300 s. A backlog is sent at a bounded rate.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

BATCH_LINES = 5_000
LAG_S = 300.0  # measured: a server of this kind kept what it had accepted 20 s before it was killed, not 8 s before
FIRST_PAUSE_S = 5.0
LONGEST_PAUSE_S = 300.0
EVERY_S = 10.0  # when there is nothing more to send
BETWEEN_FULL_S = 0.5  # so at most 10,000 lines a second while catching up


@dataclass(frozen=True, slots=True)
class Cursor:
    """Everything up to here has been accepted.

    `history` walks the readings that were there before the mirror was; roll-ups are sent of hours before `hour_ms`.
    """

    seq: int
    decision: int
    journal: int
    history_series: int | None = None  # None: history is done
    history_ms: int = 0
    hour_ms: int = 0


@dataclass(frozen=True, slots=True)
class Course:
    """Where the mirror stands."""

    front: Cursor  # sent up to here
    safe: Cursor  # accepted long enough ago to be relied on
    trail: tuple[tuple[float, Cursor], ...] = ()  # when each front was reached, oldest first
    failures: int = 0
    next_at: float = 0.0


def begun(cursor: Cursor, at: float) -> Course:
    """A run begins, or the cursor was put back: everything after it is sent again."""
    return Course(cursor, cursor, next_at=at)


def sent(course: Course, at: float, front: Cursor, full: bool) -> Course:
    """The server accepted everything up to `front`; `full` when there is probably more."""
    # With the trail thinned to one mark in ten seconds it stays short however fast a backlog is sent.
    trail = course.trail
    if not trail or at - trail[-1][0] >= EVERY_S or not full:
        trail = (*trail, (at, front))
    safe = course.safe
    while trail and at - trail[0][0] >= LAG_S:
        safe, trail = trail[0][1], trail[1:]
    return Course(front, safe, trail, 0, at + (BETWEEN_FULL_S if full else EVERY_S))


def failed(course: Course, at: float) -> Course:
    """The server could not be reached or did not accept: wait, then send again from where it is safe."""
    pause = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2.0 ** min(course.failures, 10))
    return replace(course, front=course.safe, trail=(), failures=course.failures + 1, next_at=at + pause)
