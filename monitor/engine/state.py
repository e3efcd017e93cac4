"""What the engine remembers between two events. Immutable; a step builds a new one.

Rules of this file: no clock, no I/O; `at` and every `…_at` are elapsed seconds of the engine's own
timeline, which goes on across restarts. `monitor.engine.saving` turns a State into plain JSON and back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from enum import StrEnum

from monitor.engine.events import Evidence, Json
from monitor.engine.records import record
from monitor.engine.specification import Priority


class Health(StrEnum):
    """May this sensor's last number be believed?"""

    UNHEARD = "unheard"  # nothing since the start
    BELIEVED = "believed"
    SILENT = "silent"
    STUCK = "stuck"
    IMPLAUSIBLE = "implausible"
    DISAGREES = "disagrees"  # with its twin; which of them is right is not known


class AlarmState(StrEnum):
    """The life cycle of ANSI/ISA-18.2 and IEC 62682; the words are those of decisions and API."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"  # returned to normal, unacknowledged
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"  # by design
    OUT_OF_SERVICE = "out of service"


@record(frozen=True, slots=True)
class SensorState:
    health: Health = Health.UNHEARD
    value: float | None = None  # last number in physical range, SI
    value_at: float | None = None
    wall_ms: int | None = None  # of that number
    heard_at: float | None = None  # last message of any kind that was not retained
    same_since: float | None = None  # the value has not moved since
    implausible: int = 0  # numbers out of range, since the start
    implausible_value: float | None = None
    jumps: int = 0
    jump_value: float | None = None  # a jump waits for a second reading that agrees with it
    jump_at: float | None = None
    jump_score: float = 0.0  # jumps of late, each fading over an hour
    unreadable: int = 0
    unreadable_cause: str = ""
    former: float | None = None  # the value before, and its second
    former_at: float | None = None


@record(frozen=True, slots=True)
class HandSetting:
    running: bool
    speed_pct: float | None
    until: float
    by: str


@record(frozen=True, slots=True)
class FanState:
    running: bool = False  # as commanded
    speed_pct: float | None = None
    reason: str = ""  # the rung
    evidence: Evidence = field(default_factory=dict)
    since: float | None = None  # of the present running/resting
    sent_at: float | None = None  # last time the command went out
    changed_at: float | None = None  # when the command last changed (speed too)
    reported_running: bool | None = None
    reported_speed_pct: float | None = None
    reported_at: float | None = None
    confirmed: bool = True  # the relay has reported the present command
    unconfirmed_on: int = 0  # switch-ons in a row that the relay never confirmed
    unconfirmed_off: int = 0
    needs: tuple[str, ...] = ()  # what has asked for air or rest and is not yet back inside its deadband
    timer_on_s: float = 0.0  # on in each timer period, birds warm enough
    least_on_s: float = 0.0  # on in each timer period while birds are too cold
    timer_period_s: float = 300.0
    timer_speed_pct: float | None = None
    timer_planned_for: str = ""  # hour, day, settings and birds the timers were worked out for
    ran_s: float = 0.0  # total seconds commanded on up to `since`, for hours


@record(frozen=True, slots=True)
class AlarmRecord:
    """One alarm: its state and what it knows. `standing` is the condition behind the delays."""

    key: str
    name: str
    pen: str
    subject: str
    state: AlarmState = AlarmState.NORMAL
    priority: Priority = Priority.MEDIUM
    standing: bool = False  # the condition is true, delays counted
    pending_since: float | None = None  # it began to be true / to be false, waiting for its delay
    raised_at: float | None = None
    raised_wall_ms: int | None = None
    changed_at: float | None = None
    occurrence: int = 0
    evidence: Evidence = field(default_factory=dict)
    worst: float | None = None
    acknowledged_by: str = ""
    shelved_until: float | None = None
    shelved_by: str = ""
    suppressed_by: str = ""  # the alarm key or the reason that covers it


@record(frozen=True, slots=True)
class PenState:
    name: str
    sensors: Mapping[str, SensorState] = field(default_factory=dict)  # by sensor key
    fan: FanState = field(default_factory=FanState)
    hand: HandSetting | None = None
    counts: Mapping[str, int] = field(default_factory=dict)  # birds now, by flock, after the journal
    counted_from: Mapping[str, int] = field(default_factory=dict)  # the settings' count those started from
    heat_off: bool = False  # the keeper took the heat away
    alarms: Mapping[str, AlarmRecord] = field(default_factory=dict)  # by key
    due_at: float = 0.0  # the pen must be judged again at this second even if nothing happens
    fan_due_at: float = 0.0  # the ladder must be asked again at this second
    settled_until: float = 0.0  # before it, judging on time asks the foresights alone: see `settled`
    believed_until: float = 0.0  # before it, no sensor that was believed falls out of belief by time alone
    memory: Mapping[str, Json] = field(default_factory=dict)  # what the foresights have learned


@record(frozen=True, slots=True)
class State:
    at: float = 0.0
    wall_ms: int | None = None
    wall_at: float | None = None  # elapsed second at which the wall clock was last trusted…
    wall_anchor_ms: int | None = None  # …and what it said then: ages go on by elapsed time from here
    pens: Mapping[str, PenState] = field(default_factory=dict)
    alarms: Mapping[str, AlarmRecord] = field(default_factory=dict)  # the site's own, by key
    links: Mapping[str, bool] = field(default_factory=dict)
    link_detail: Mapping[str, str] = field(default_factory=dict)
    occurrences: int = 0
    day: int | None = None  # local calendar day (proleptic ordinal), None while no clock was ever trusted
    day_ends_at: float = 0.0
    due_at: float = 0.0  # the earliest second at which a pen or the site must be judged again
    site_due_at: float = 0.0
    unreadable: Mapping[str, int] = field(default_factory=dict)  # by cause
