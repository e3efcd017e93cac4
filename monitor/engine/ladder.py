"""Conditions into the fan: the rungs in their order, one table of who wins over whom.

A rung looks at one pen at one moment and says what it wants and why, or None: "not my business".
The first rung that speaks is obeyed, except that the relay and the motor are kept from switching faster
than the fan's shortest times; only ammonia dangerous to birds and people may break those.

    RUNGS, top first, and what each wants
    hand-set            what the keeper set, until its end
    ammonia dangerous   on, whatever the cold
    birds too cold      off, except the least minimum timer: the fan pulls heat out
    warmth not known    the least minimum timer: birds that need heat, and nobody knows whether they have it
    air in short runs   ammonia, damp or stale air above its limit while birds are close to too cold
    ammonia, heat,      on until back below the deadband of its limit
    damp, stale air
    nothing believable  the minimum timer
    minimum timer       a few seconds in each period, from the birds' required airflow
"""

from __future__ import annotations

from collections.abc import Callable

from monitor.engine.events import Evidence, SwitchFan
from monitor.engine.plan import CARBON_DIOXIDE_OFF, CHILL_GUARD_K, PenPlan
from monitor.engine.records import record, replace
from monitor.engine.specification import Fan, Limit
from monitor.engine.state import FanState, PenState
from monitor.engine.view import Believable, View, threshold_evidence


@record(frozen=True, slots=True)
class Rung:
    """What one rung wants of the fan, with its evidence."""

    reason: str
    run: bool
    speed_pct: float | None
    evidence: Evidence
    may_break_shortest_times: bool = False
    wants_change_at: float = float("inf")  # the timer's next edge


HAND_SET = "hand-set"
AMMONIA_DANGEROUS = "ammonia dangerous"
BIRDS_TOO_COLD = "birds too cold"
WARMTH_NOT_KNOWN = "warmth not known"
SHORT_RUNS = "air in short runs"
AMMONIA = "ammonia"
HEAT = "heat"
DAMP = "damp"
STALE_AIR = "stale air"
NOTHING_BELIEVABLE = "nothing believable"
MINIMUM_TIMER = "minimum timer"
NO_BIRDS = "no birds"


@record(frozen=True, slots=True)
class Scene:
    """What a rung may look at."""

    plan: PenPlan
    pen: PenState
    view: View
    fan: Fan

    @property
    def asked_for(self) -> tuple[str, ...]:
        return self.pen.fan.needs


# ---------------------------------------------------------------- the needs


def _hold(scene: Scene, name: str, begins: bool, ends: bool) -> bool:
    """A need begins at its limit and stays until it is back inside the deadband."""
    return begins or (name in scene.asked_for and not ends)


def _above(scene: Scene, name: str, found: Believable | None, limit: Limit | None) -> bool:
    if found is None or limit is None:
        return False
    return _hold(scene, name, found.value >= limit.on, found.value <= limit.off)


def needs_of(scene: Scene) -> tuple[str, ...]:
    """Everything that asks for air, or for rest, at this moment."""
    view, limits, asked = scene.view, scene.plan.pen.limits, []
    if _above(scene, AMMONIA_DANGEROUS, view.ammonia, limits.ammonia_danger):
        asked.append(AMMONIA_DANGEROUS)
    if view.warmth is not None:
        band, deadband = view.warmth.band, limits.warmth_deadband_c
        warmest, coolest = view.warmest, view.coolest
        if warmest is not None and _hold(
            scene, BIRDS_TOO_COLD, warmest.value <= band.cold_c, warmest.value >= band.cold_c + deadband
        ):
            asked.append(BIRDS_TOO_COLD)
        if coolest is not None and _hold(scene, HEAT, coolest.value >= band.vent_c, coolest.value <= band.vent_c - deadband):
            asked.append(HEAT)
    if _above(scene, AMMONIA, view.ammonia, limits.alarms.get("ammonia_birds")):
        asked.append(AMMONIA)
    if _above(scene, DAMP, view.dampest, limits.alarms.get("damp")):
        asked.append(DAMP)
    stale, found = limits.carbon_dioxide_ppm, view.carbon_dioxide
    if found is not None and _hold(scene, STALE_AIR, found.value >= stale, found.value <= stale * CARBON_DIOXIDE_OFF):
        asked.append(STALE_AIR)
    return tuple(asked)


# ----------------------------------------------------------------- the rungs


def hand_set_rung(scene: Scene) -> Rung | None:
    """The keeper has set the fan by hand, until an end."""
    hand = scene.pen.hand
    if hand is None:
        return None
    evidence: Evidence = {"by": hand.by, "for_s": round(hand.until - scene.view.at, 1)}
    return Rung(HAND_SET, hand.running, hand.speed_pct if hand.running else None, evidence, wants_change_at=hand.until)


def ammonia_dangerous_rung(scene: Scene) -> Rung | None:
    """Ammonia that blinds birds: air, whatever the cold."""
    if AMMONIA_DANGEROUS not in scene.pen.fan.needs or scene.view.ammonia is None:
        return None
    limit = scene.plan.pen.limits.ammonia_danger
    return Rung(
        AMMONIA_DANGEROUS,
        True,
        100.0,
        threshold_evidence(scene.view.ammonia, limit.on, limit.off, limit.source),
        may_break_shortest_times=True,
    )


def too_cold_rung(scene: Scene) -> Rung | None:
    """Birds below their cold limit: the fan would pull out what warmth there is."""
    view = scene.view
    if BIRDS_TOO_COLD not in scene.pen.fan.needs or view.warmest is None or view.warmth is None:
        return None
    band = view.warmth.band
    clears = band.cold_c + scene.plan.pen.limits.warmth_deadband_c
    evidence = threshold_evidence(view.warmest, band.cold_c, clears, band.source, age_days=view.warmth.age_days)
    return _timer(scene, BIRDS_TOO_COLD, scene.pen.fan.least_on_s, evidence)


def warmth_not_known_rung(scene: Scene) -> Rung | None:
    """Birds that need heat and no thermometer to believe: do not risk chilling them."""
    if not scene.view.warmth_doubtful or AMMONIA_DANGEROUS in scene.pen.fan.needs:
        return None
    ammonia = scene.view.ammonia
    evidence: Evidence = {
        "note": "no thermometer at bird level can be believed; birds of this age need heat",
        "ammonia_ppm": None if ammonia is None else round(ammonia.value, 1),
    }
    return _timer(scene, WARMTH_NOT_KNOWN, scene.pen.fan.least_on_s, evidence)


def short_runs_rung(scene: Scene) -> Rung | None:
    """Bad air over birds that are nearly too cold: a minute of air in five, instead of until it is clean.

    Without it the fan of a winter night clears the damp, chills the birds to their limit, and rests, over and over.
    """
    view, needs = scene.view, scene.pen.fan.needs
    asked = [need for need in (AMMONIA, DAMP, STALE_AIR) if need in needs]
    if not asked or view.warmest is None or view.warmth is None:
        return None
    guard = view.warmth.band.cold_c + scene.plan.pen.limits.warmth_deadband_c + CHILL_GUARD_K
    if view.warmest.value >= guard:
        return None
    evidence: Evidence = {"for": asked[0], **threshold_evidence(view.warmest, guard, guard, view.warmth.band.source)}
    on_s = max(SHORT_RUN_S, scene.fan.shortest_on_s)
    return _timer(scene, SHORT_RUNS, on_s, evidence, period_s=max(SHORT_RUN_PERIOD_S, on_s + scene.fan.shortest_off_s))


def _limit_rung(
    name: str, look: Callable[[Scene], tuple[Believable | None, float, float, str]]
) -> Callable[[Scene], Rung | None]:
    def rung(scene: Scene) -> Rung | None:
        if name not in scene.pen.fan.needs:
            return None
        found, on, off, source = look(scene)
        if found is None:
            return None
        return Rung(name, True, _speed(found.value, on, off), threshold_evidence(found, on, off, source))

    rung.__name__ = f"{name.replace(' ', '_')}_rung"
    rung.__doc__ = f"On for {name} until back below its deadband."
    return rung


def _alarm_limit(scene: Scene, name: str, found: Believable | None) -> tuple[Believable | None, float, float, str]:
    limit = scene.plan.pen.limits.alarms.get(name)
    if limit is None:
        return None, 0.0, 0.0, ""
    return found, limit.on, limit.off, limit.source


def _ammonia(scene: Scene) -> tuple[Believable | None, float, float, str]:
    return _alarm_limit(scene, "ammonia_birds", scene.view.ammonia)


def _damp(scene: Scene) -> tuple[Believable | None, float, float, str]:
    return _alarm_limit(scene, "damp", scene.view.dampest)


def _heat(scene: Scene) -> tuple[Believable | None, float, float, str]:
    warmth = scene.view.warmth
    if warmth is None:
        return None, 0.0, 0.0, ""
    band = warmth.band
    return scene.view.coolest, band.vent_c, band.vent_c - scene.plan.pen.limits.warmth_deadband_c, band.source


def _stale_air(scene: Scene) -> tuple[Believable | None, float, float, str]:
    on = scene.plan.pen.limits.carbon_dioxide_ppm
    return scene.view.carbon_dioxide, on, on * CARBON_DIOXIDE_OFF, "the pen's carbon dioxide limit"


def nothing_believable_rung(scene: Scene) -> Rung | None:
    """No reading of the air can be believed: the minimum timer, and say so."""
    view = scene.view
    if view.warmth is None or any((view.warmest, view.coolest, view.dampest, view.ammonia, view.carbon_dioxide)):
        return None
    return _timer(scene, NOTHING_BELIEVABLE, scene.pen.fan.timer_on_s, {"note": "no reading of this pen's air can be believed"})


def minimum_timer_rung(scene: Scene) -> Rung:
    """Birds breathe and drip whatever the readings say: a little air in each period."""
    if scene.view.warmth is None and scene.pen.fan.timer_on_s <= 0:
        return Rung(NO_BIRDS, False, None, {"note": "no birds in this pen, nothing asks for air"})
    return _timer(scene, MINIMUM_TIMER, scene.pen.fan.timer_on_s, {})


# The one order. Who stands higher wins.
RUNGS: tuple[Callable[[Scene], Rung | None], ...] = (
    hand_set_rung,
    ammonia_dangerous_rung,
    too_cold_rung,
    warmth_not_known_rung,
    short_runs_rung,
    _limit_rung(AMMONIA, _ammonia),
    _limit_rung(HEAT, _heat),
    _limit_rung(DAMP, _damp),
    _limit_rung(STALE_AIR, _stale_air),
    nothing_believable_rung,
    minimum_timer_rung,
)


# Our own rule: close to the end of "too cold", air comes a fifth of the time.
SHORT_RUN_S = 60.0
SHORT_RUN_PERIOD_S = 300.0


def _timer(scene: Scene, reason: str, on_s: float, evidence: Evidence, period_s: float | None = None) -> Rung:
    """On for the first `on_s` of each period. The phase hangs on the clock of the engine, so a restart keeps it."""
    fan = scene.pen.fan
    period = fan.timer_period_s if period_s is None else period_s
    phase = scene.view.at % period
    told: Evidence = {"timer_on_s": round(on_s, 1), "timer_period_s": round(period, 1), **evidence}
    speed = fan.timer_speed_pct if fan.timer_speed_pct is not None else 100.0
    if on_s >= period:
        return Rung(reason, True, speed, told)
    start = scene.view.at - phase
    if phase < on_s:
        return Rung(reason, True, speed, told, wants_change_at=start + on_s)
    return Rung(reason, False, None, told, wants_change_at=start + period)


def _speed(value: float, on: float, off: float) -> float:
    """Speed of a variable fan: 60 % at the limit, full speed one deadband beyond it, in steps of ten. Our own rule."""
    span = max(abs(on - off), 1e-9)
    beyond = max(0.0, (value - on) / span)
    return float(min(100.0, 60.0 + 10.0 * int(4.0 * beyond)))


# ---------------------------------------------------------------- obeying it


def climb(plan: PenPlan, pen: PenState, view: View, wall_ms: int | None) -> tuple[PenState, SwitchFan | None, float]:
    """Ask the rungs in order and switch the fan if that is due.

    Returns:
        The pen with its fan's state, the command to send or None, and the second at which the rungs
        must be asked again even if nothing happens.
    """
    spec = plan.pen.fan
    if spec is None:
        return pen, None, float("inf")
    if pen.hand is not None and view.at >= pen.hand.until:
        pen = replace(pen, hand=None)
    scene = Scene(plan, pen, view, spec)
    needs = needs_of(scene)
    if needs != pen.fan.needs:
        pen = replace(pen, fan=replace(pen.fan, needs=needs))
        scene = Scene(plan, pen, view, spec)
    rung = _first(scene)
    fan, again_at = pen.fan, rung.wants_change_at
    speed = _commanded_speed(spec, rung)
    if fan.changed_at is not None and rung.run == fan.running and not _speed_differs(fan, speed):
        if rung.reason != fan.reason:
            pen = replace(pen, fan=replace(fan, reason=rung.reason, evidence=rung.evidence))
        return pen, None, again_at
    free_at = _free_at(spec, fan, rung)
    if view.at < free_at:
        return pen, None, min(again_at, free_at)
    command = SwitchFan(view.at, wall_ms, plan.pen.name, rung.run, speed, rung.reason, rung.evidence)
    return replace(pen, fan=switched(fan, rung, speed, view.at)), command, again_at


def _first(scene: Scene) -> Rung:
    """What the highest rung that speaks wants."""
    for ask in RUNGS[:-1]:
        rung = ask(scene)
        if rung is not None:
            return rung
    return minimum_timer_rung(scene)


def _free_at(spec: Fan, fan: FanState, rung: Rung) -> float:
    """The second from which the fan may be switched to what the rung wants."""
    if fan.since is None or fan.changed_at is None or rung.may_break_shortest_times:
        return float("-inf")
    if rung.run == fan.running:
        return fan.changed_at + SHORTEST_BETWEEN_SPEEDS_S
    return fan.since + (spec.shortest_on_s if fan.running else spec.shortest_off_s)


SHORTEST_BETWEEN_SPEEDS_S = 60.0  # a variable fan is not hunted up and down; our own rule


def _commanded_speed(spec: Fan, rung: Rung) -> float | None:
    if not spec.variable:
        return None
    if not rung.run:
        return 0.0
    return max(spec.lowest_speed_pct, min(100.0, rung.speed_pct if rung.speed_pct is not None else 100.0))


def _speed_differs(fan: FanState, speed: float | None) -> bool:
    return speed is not None and fan.speed_pct is not None and abs(speed - fan.speed_pct) >= 5.0


def switched(fan: FanState, rung: Rung, speed: float | None, at: float) -> FanState:
    """The fan's state once this command is out; an unconfirmed former command is counted as missed."""
    turns = fan.changed_at is None or rung.run != fan.running
    unconfirmed_on, unconfirmed_off = fan.unconfirmed_on, fan.unconfirmed_off
    if fan.changed_at is not None and turns and not fan.confirmed:
        if fan.running:
            unconfirmed_on += 1
        else:
            unconfirmed_off += 1
    ran = fan.ran_s + (at - fan.since if fan.running and turns and fan.since is not None else 0.0)
    return replace(
        fan,
        running=rung.run,
        speed_pct=speed,
        reason=rung.reason,
        evidence=rung.evidence,
        since=at if turns or fan.since is None else fan.since,
        sent_at=at,
        changed_at=at,
        confirmed=False,
        unconfirmed_on=unconfirmed_on,
        unconfirmed_off=unconfirmed_off,
        ran_s=ran,
    )
