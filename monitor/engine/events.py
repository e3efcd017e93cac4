"""What can come into the engine and what can come out.

Rules of this file: every event carries its own time twice: `at`, elapsed seconds that never run
backwards and go on across restarts, and `wall_ms`, milliseconds since 1970 UTC, or None while the
wall clock is not trusted. All delays run on `at`; `wall_ms` only dates things. Values are SI.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

from monitor.engine.records import record
from monitor.engine.specification import Priority

Json = None | bool | int | float | str | list["Json"] | dict[str, "Json"]
# The numbers behind an action. Usual keys: value, unit, limit, clears_at, source, sensor, for_s,
# age_days, target_low, target_high, note. All JSON, all SI.
Evidence = Mapping[str, Json]


# ---------------------------------------------------------------- events: in


@record(frozen=True, slots=True)
class Reading:
    """A number from a sensor, converted and calibrated."""

    at: float
    wall_ms: int | None
    sensor: str  # key
    value: float
    measured_at: float | None = None  # elapsed; only when the payload told its own time
    measured_wall_ms: int | None = None
    retained: bool = False  # the broker's memory, of unknown age: never judged as fresh


@record(frozen=True, slots=True)
class Unreadable:
    """A payload that is no reading; the cause is one of a small set of sentences."""

    at: float
    wall_ms: int | None
    topic: str
    sensor: str | None
    cause: str
    sample: str = ""


@record(frozen=True, slots=True)
class Tick:
    at: float
    wall_ms: int | None


@record(frozen=True, slots=True)
class FanReport:
    """What the relay says it is doing."""

    at: float
    wall_ms: int | None
    pen: str
    running: bool
    speed_pct: float | None = None


@record(frozen=True, slots=True)
class Link:
    """Something the daemon depends on went up or down.

    `what`: "broker", "store", "clock", "mirror", "notice"; on the floor above, "clock" down means not trusted.
    """

    at: float
    wall_ms: int | None
    what: str
    up: bool
    detail: str = ""


@record(frozen=True, slots=True)
class Started:
    """The daemon has come up; `dark_s` is how long nobody watched, when that is known."""

    at: float
    wall_ms: int | None
    dark_s: float | None
    clean: bool


@record(frozen=True, slots=True)
class Acknowledge:
    at: float
    wall_ms: int | None
    alarm: str  # alarm key
    by: str


@record(frozen=True, slots=True)
class Shelve:
    """Put an alarm aside until an end. `for_s` of 0 takes it off the shelf."""

    at: float
    wall_ms: int | None
    alarm: str
    by: str
    for_s: float


@record(frozen=True, slots=True)
class TakeOutOfService:
    """For maintenance: no alarm of this key until put back by hand."""

    at: float
    wall_ms: int | None
    alarm: str
    by: str
    out: bool


@record(frozen=True, slots=True)
class HandSet:
    """The keeper overrides the fan until an end. `for_s` of 0 gives it back to the rule."""

    at: float
    wall_ms: int | None
    pen: str
    by: str
    running: bool
    speed_pct: float | None
    for_s: float


@record(frozen=True, slots=True)
class JournalEntry:
    """What the keeper did; `flock` and `count` for birds in, birds out, deaths, eggs."""

    at: float
    wall_ms: int | None
    pen: str
    what: str  # one of JOURNAL_WORDS
    by: str = ""
    flock: str | None = None
    count: int | None = None
    note: str = ""
    done_ms: int | None = None  # when it was done, if that is not when it was written: the engine's clock takes no notice


JOURNAL_WORDS = (
    "litter changed",
    "litter topped",
    "litter turned",
    "birds in",
    "birds out",
    "deaths",
    "ring widened",
    "lamp raised",
    "heat off",
    "fan cleaned",
    "sensor calibrated",
    "eggs",
    "note",
)

Event = (
    Reading | Unreadable | Tick | FanReport | Link | Started | Acknowledge | Shelve | TakeOutOfService | HandSet | JournalEntry
)


# -------------------------------------------------------------- actions: out


@record(frozen=True, slots=True)
class Keep:
    """Store this reading (it is a number in physical range)."""

    sensor: str
    value: float
    at: float  # elapsed, of the measurement
    wall_ms: int | None
    own_time: bool  # the payload told its time: the same (sensor, time, value) is the same reading


@record(frozen=True, slots=True)
class SwitchFan:
    """Send this command. `again` marks a re-send of a standing command, which is no new decision."""

    at: float
    wall_ms: int | None
    pen: str
    running: bool
    speed_pct: float | None
    reason: str  # the rung's name
    evidence: Evidence
    again: bool = False


@record(frozen=True, slots=True)
class AlarmChanged:
    """An alarm moved in its life cycle."""

    at: float
    wall_ms: int | None
    key: str  # "pen/name" or "pen/name/sensor"; site-wide alarms stand under the pen ""
    name: str  # of design.md, section 5
    pen: str
    subject: str  # sensor name, or ""
    former: str
    state: str
    priority: Priority
    occurrence: int  # counts each raising, across the site; names this one for notices
    evidence: Evidence = field(default_factory=dict)
    by: str = ""


Action = Keep | SwitchFan | AlarmChanged
