"""When is it? Elapsed time that never runs backwards, and a wall clock that is believed only with reason.

A board without a battery clock boots in the past, may jump by years, and is set right when the network
comes. So delays run on `at`, elapsed seconds that go on across restarts; stored times are
`at · 1000 + offset_ms`, and the offset is only taken from a clock that can be believed. Once anchored, a
jump of the machine's clock changes nothing until the machine says that it is synchronised.

Pure: what the machine's clocks say comes in as a `Glance`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

BUILT_S = 1_764_547_200.0  # 2025-12-01: this code is not older, so no true clock says so
FAR_AHEAD_S = 400 * 86400.0  # a start further than this past the last commit is doubted
SMALL_STEP_S = 60.0
# While it runs, a clock that moved further without the network's word is not believed: by it chicks of three days would be
# eight weeks old, and no cold too cold for them (own choice). Whoever sets it right by hand restarts the board.
BY_HAND_S = 86_400.0
STEADY_S = 600.0  # a machine that keeps its own clock is believed again when the new time has stood so long


@dataclass(frozen=True, slots=True)
class Glance:
    """One look at the machine's clocks.

    Attributes:
        boottime_s: seconds since the machine booted, sleep included; never runs backwards.
        boot_id: names this boot of the machine.
        wall_s: what the machine's wall clock says, seconds since 1970 UTC.
        synchronised: the system says its clock is disciplined by the network.
        keeps_time: a battery clock is built in, or the settings say that something keeps the time.
    """

    boottime_s: float
    boot_id: str
    wall_s: float
    synchronised: bool
    keeps_time: bool


@dataclass(frozen=True, slots=True)
class LastSeen:
    """What the last commit of the former run knew of time."""

    at: float
    wall_ms: int | None
    segment: int
    boot_id: str
    boottime_s: float


@dataclass(frozen=True, slots=True)
class Timeline:
    """`at = base_at + (boottime − base_boottime)`; wall ms = at · 1000 + offset_ms once that is known."""

    base_at: float
    base_boottime_s: float
    segment: int
    offset_ms: int | None
    doubt: str = ""  # why the wall clock is not believed now; "" when it is
    stepped_since: float | None = None  # boottime at which the machine's clock left our anchor
    stepped_to_ms: int | None = None

    def at(self, boottime_s: float) -> float:
        """Elapsed seconds of the engine's timeline, to the millisecond."""
        return round(self.base_at + (boottime_s - self.base_boottime_s), 3)

    def wall_ms(self, at: float) -> int | None:
        """UTC milliseconds of an elapsed second, or None while no clock was believed."""
        return None if self.offset_ms is None else round(at * 1000.0) + self.offset_ms


def begin(last: LastSeen | None, glance: Glance) -> tuple[Timeline, float | None]:
    """The timeline of a new run.

    Returns:
        The timeline, and for how many seconds nobody watched: 0 at the very first start, None when
        that cannot be told.
    """
    doubt = _doubt_at_start(last, glance)
    if last is None:
        # Elapsed time begins at the wall's seconds, so that a rehearsal of stored readings falls on the same beats.
        base = round(glance.wall_s, 3) if not doubt else 0.0
        return Timeline(base, glance.boottime_s, 1, None if doubt else 0, doubt), 0.0
    wall_ms = round(glance.wall_s * 1000)
    if last.boot_id == glance.boot_id and glance.boottime_s >= last.boottime_s:
        dark = glance.boottime_s - last.boottime_s
        base = last.at + dark
        offset = None if last.wall_ms is None else last.wall_ms - round(last.at * 1000)
        if not doubt:
            offset = wall_ms - round(base * 1000)
        return Timeline(base, glance.boottime_s, last.segment, offset, "" if offset is not None and not doubt else doubt), dark
    if not doubt and last.wall_ms is not None:
        dark = max(0.0, (wall_ms - last.wall_ms) / 1000.0)
        base = last.at + dark
        return Timeline(base, glance.boottime_s, last.segment, wall_ms - round(base * 1000)), dark
    base = last.at
    offset = None if doubt else wall_ms - round(base * 1000)
    return Timeline(base, glance.boottime_s, last.segment + 1, offset, doubt), None


def _doubt_at_start(last: LastSeen | None, glance: Glance) -> str:
    if glance.wall_s < BUILT_S:
        return "the machine's clock stands before this software was made"
    if glance.synchronised:
        return ""
    same_boot = last is not None and last.boot_id == glance.boot_id
    if last is not None and last.wall_ms is not None:
        ahead = glance.wall_s - last.wall_ms / 1000.0
        if same_boot:
            if abs(ahead - (glance.boottime_s - last.boottime_s)) <= SMALL_STEP_S:
                return ""
            return "the machine's clock was moved while this did not run"
        if ahead < -SMALL_STEP_S:
            return "the machine's clock stands before the last reading stored"
        if ahead > FAR_AHEAD_S:
            return "the machine's clock stands more than a year past the last reading stored"
    if glance.keeps_time or last is None:
        return ""
    if same_boot:
        return "the machine's clock has not been set since it booted"
    return "the machine has no battery clock, has booted, and is not yet synchronised"


def look(timeline: Timeline, glance: Glance) -> Timeline:
    """The timeline after another look at the clocks; call it every second or so."""
    at = timeline.at(glance.boottime_s)
    wall_ms = round(glance.wall_s * 1000)
    new_offset = wall_ms - round(at * 1000)
    sane = glance.wall_s >= BUILT_S
    if timeline.offset_ms is None:
        if sane and glance.synchronised:
            return replace(timeline, offset_ms=new_offset, doubt="", stepped_since=None, stepped_to_ms=None)
        return timeline
    step_ms = new_offset - timeline.offset_ms
    if abs(step_ms) <= SMALL_STEP_S * 1000:
        adopted = new_offset if abs(step_ms) > 250 and sane else timeline.offset_ms
        return replace(timeline, offset_ms=adopted, doubt="", stepped_since=None, stepped_to_ms=None)
    if sane and glance.synchronised:
        return replace(timeline, offset_ms=new_offset, doubt="", stepped_since=None, stepped_to_ms=None)
    moved_again = timeline.stepped_to_ms is None or abs(new_offset - timeline.stepped_to_ms) > SMALL_STEP_S * 1000
    since = glance.boottime_s if moved_again or timeline.stepped_since is None else timeline.stepped_since
    if sane and glance.keeps_time and glance.boottime_s - since >= STEADY_S and abs(step_ms) <= BY_HAND_S * 1000:
        return replace(timeline, offset_ms=new_offset, doubt="", stepped_since=None, stepped_to_ms=None)
    doubt = "the machine's clock jumped; times are kept by elapsed time until it is synchronised, or the board restarts"
    return replace(
        timeline, doubt=doubt, stepped_since=since, stepped_to_ms=new_offset if moved_again else timeline.stepped_to_ms
    )
