"""What goes into the store together, and what it answers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.engine.connections import Delivery, Notice
from monitor.engine.events import AlarmChanged, JournalEntry, Keep, SwitchFan


@dataclass(frozen=True)
class Batch:
    """What belongs together: readings, their deliveries, what was decided on them, who must hear of it.

    `at` is the elapsed second of the engine's state; `wall_ms` None while the wall clock is not trusted.
    `at_once` batches are on the disk when `commit` returns; others survive a kill of the daemon, but a
    power cut may take the last of them.
    """

    keeps: Sequence[Keep]
    deliveries: Sequence[Delivery]
    decisions: Sequence[SwitchFan | AlarmChanged]
    journal: Sequence[JournalEntry]
    notices: Sequence[Notice]
    state: str | None  # the engine's state as JSON; None leaves the stored one
    at: float
    wall_ms: int | None
    segment: int
    boot_id: str
    boottime_s: float
    at_once: bool


@dataclass(frozen=True, slots=True)
class Committed:
    readings: int  # stored now, dated or waiting for the clock
    waiting: int  # of them, waiting
    same: int  # already stored: their own time and value were there
    refused: int  # not a number
    decisions: int
    unmoved: int  # readings now in the inbox; call `tidy` when these are many


@dataclass(frozen=True, slots=True)
class Saved:
    """What the last commit left: where the engine goes on."""

    state: str | None
    at: float
    wall_ms: int | None
    segment: int
    boot_id: str
    boottime_s: float
    clean: bool
    is_older: bool = False  # of a backup: what was numbered after it was made may be out in the world


@dataclass(frozen=True, slots=True)
class Tidied:
    dated: int  # readings that waited for the clock and came in
    moved: int  # readings moved to their place
    dropped: int  # raw readings dropped for their age
    more: bool  # call again soon
