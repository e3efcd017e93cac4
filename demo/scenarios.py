"""The scenario bank: quiet weeks and labelled troubles of many barns, closed loop with the engine.

Rules of this file: a scenario is a recipe; a seed makes of it one barn (its lamp, its warmth, its
draughts, its weather, its probes) and the moment of the trouble. What is true is written down as it
is played, from the model, never from the sensors. No scenario knows how the engine judges.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

from demo.litter import DAY_S
from demo.many_barns import COOL_SPRING, HOUR_S, barnyard, world_of
from demo.mill_rise import litter_deed
from demo.weather import SUMMER, WINTER, Climate
from demo.world import Deed, World
from monitor.engine.specification import Pen


@dataclass(frozen=True, slots=True)
class Truth:
    """A trouble that is really there from `from_s` to `until_s`.

    Attributes:
        called_by: any one of these alarms counts as having found it.
        covers: alarms that are right to ring besides, as its consequence.
        fan_reason: instead of an alarm, the fan is expected to run for this reason.
        urgent_calls: how many urgent calls it may make, or None for any number.
    """

    from_s: float
    until_s: float
    called_by: tuple[str, ...] = ()
    covers: tuple[str, ...] = ()
    fan_reason: str | None = None
    urgent_calls: int | None = None


@dataclass(slots=True)
class Play:
    """One seed of one scenario, ready to run."""

    world: World
    days: float
    truths: list[Truth] = field(default_factory=list)
    clock: Callable[[float], int | None] | None = None
    # a truth that begins when the model says so: asked each step, closed into `truths` by the runner
    begins_when: Callable[[World], bool] | None = None
    then: Truth | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    """A recipe: `young` plays with chicks under a lamp of `heat`, otherwise with a grown flock."""

    name: str
    says: str
    heat: str  # of the settings: "steady", "thermostat", "none"
    age_days: int
    days: float
    build: Callable[[Pen, Scenario, int], Play]

    @property
    def quiet(self) -> bool:
        return self.name.startswith("quiet")


LEARNED_H = 30.0  # a day and a little, for what is told from what was learned of this barn
SETTLED_H = 6.0  # for what is told by a limit alone: the barn is itself by then


def moment(scenario: Scenario, seed: int, earliest_h: float = SETTLED_H, spread_h: float = 24.0) -> float:
    """When the trouble begins: any hour of a day, after the barn has settled or the engine has had its time to learn."""
    return (earliest_h + random.Random(f"{scenario.name} moment {seed}").random() * spread_h) * HOUR_S


# ---------------------------------------------------------------- recipes


def quiet(pen: Pen, scenario: Scenario, seed: int) -> Play:
    climate = WINTER if "winter" in scenario.name else COOL_SPRING
    deeds = []
    if scenario.heat == "none":
        deeds = [litter_deed((6 * 24 + 4) * HOUR_S, "litter topped", 2.0)]
    return Play(world_of(pen, scenario, seed, barnyard(scenario, seed, climate), deeds), scenario.days)


def _lamp(health: float) -> Callable[[Pen, Scenario, int], Play]:
    def build(pen: Pen, scenario: Scenario, seed: int) -> Play:
        at = moment(scenario, seed, LEARNED_H)

        def does(world: World) -> None:
            world.barn.lamp.health = health

        world = world_of(pen, scenario, seed, barnyard(scenario, seed), [Deed(at, does, name=scenario.name)])
        truth = Truth(at, at + 4 * HOUR_S, ("heat_failing", "birds_cold"), ("cold_by_morning",))
        return Play(world, (at + 4 * HOUR_S) / DAY_S, [truth])

    return build


def door_left_open(pen: Pen, scenario: Scenario, seed: int) -> Play:
    at = moment(scenario, seed, LEARNED_H)

    def does(world: World) -> None:
        world.barn.door_open = True

    world = world_of(pen, scenario, seed, barnyard(scenario, seed), [Deed(at, does, name=scenario.name)], doors_a_day=0.0)
    truth = Truth(at, at + 3 * HOUR_S, ("heat_failing", "birds_cold"), ("cold_by_morning",))
    return Play(world, (at + 3 * HOUR_S) / DAY_S, [truth])


def _holds(is_so: Callable[[World], bool], for_s: float) -> Callable[[World], bool]:
    """Has it been so for this long without a break?"""
    since: list[float] = []

    def asked(world: World) -> bool:
        if not is_so(world):
            since.clear()
            return False
        since.append(world.time_s)
        return world.time_s - since[0] >= for_s

    return asked


def give_off(g_h: float) -> Callable[[World], None]:
    """Litter and droppings gone so bad that they give off this much into clean air."""

    def does(world: World) -> None:
        breath = world.flock.breath(world.time_s, world.barn.air_c)
        now_mg_h = world.barn.litter.ammonia_mg_h(breath.ammonia_source_g_day)
        world.flock.ammonia_factor *= g_h * 1000.0 / max(now_mg_h, 1.0)

    return does


def ammonia_climbs(pen: Pen, scenario: Scenario, seed: int) -> Play:
    """The wet cake gives off more than the fan can carry away. Over the limit is what the model says, not a moment."""
    at = moment(scenario, seed)
    worst_g_h = random.Random(f"{scenario.name} {seed}").uniform(16.0, 24.0)
    # swells over two hours and is kept up against the cold that the fan lets in
    deeds = [
        Deed(at + step * 600.0, give_off(worst_g_h * min(step / 12.0, 1.0)), name=scenario.name if step == 1 else "")
        for step in range(1, 49)
    ]
    world = world_of(pen, scenario, seed, barnyard(scenario, seed), deeds)
    then = Truth(0.0, at + 8 * HOUR_S, ("ammonia_birds",), ("ammonia_people", "ammonia_by_morning", "airflow_short", "frostbite"))
    return Play(world, (at + 8 * HOUR_S) / DAY_S, begins_when=lambda w: w.time_s > at and w.barn.ammonia_ppm >= 22.0, then=then)


def ammonia_carried_away(pen: Pen, scenario: Scenario, seed: int) -> Play:
    """Broken cake: the level passes the limit and the fan can bring it down."""
    at = moment(scenario, seed)
    g_h = random.Random(f"{scenario.name} {seed}").uniform(5.0, 7.5)
    world = world_of(pen, scenario, seed, barnyard(scenario, seed), [Deed(at, give_off(g_h), name=scenario.name)])
    then = Truth(0.0, at + 6 * HOUR_S, fan_reason="ammonia", covers=("ammonia_birds", "ammonia_by_morning", "ammonia_people"))
    return Play(world, (at + 6 * HOUR_S) / DAY_S, begins_when=lambda w: w.time_s > at and w.barn.ammonia_ppm >= 20.5, then=then)


def fan_seized(pen: Pen, scenario: Scenario, seed: int) -> Play:
    at = moment(scenario, seed)

    def does(world: World) -> None:
        assert world.exhaust is not None
        world.exhaust.seized = True

    world = world_of(pen, scenario, seed, barnyard(scenario, seed), [Deed(at, does, name=scenario.name)])
    covers = ("fan_weak", "airflow_short", "ammonia_birds", "damp", "condensation", "ammonia_by_morning")
    return Play(world, (at + 3 * HOUR_S) / DAY_S, [Truth(at, at + 3 * HOUR_S, ("fan_not_obeying",), covers)])


def duct_half_blocked(pen: Pen, scenario: Scenario, seed: int) -> Play:
    at = moment(scenario, seed, earliest_h=4 * 24.0)

    def does(world: World) -> None:
        assert world.exhaust is not None
        world.exhaust.blocked = 0.5

    world = world_of(pen, scenario, seed, barnyard(scenario, seed), [Deed(at, does, name=scenario.name)])
    truth = Truth(at, at + 2 * DAY_S, ("fan_weak",), ("airflow_short", "damp", "condensation"))
    return Play(world, at / DAY_S + 2.0, [truth])


def _probe(
    called_by: tuple[str, ...],
    for_h: float,
    does: Callable[[World, float], None],
    covers: tuple[str, ...] = (),
    dwell_h: float | None = None,
) -> Callable[[Pen, Scenario, int], Play]:
    """A trouble of the first bird-level probe; `does` gets the world and the hours since it began, once a quarter hour."""

    def build(pen: Pen, scenario: Scenario, seed: int) -> Play:
        at = moment(scenario, seed)
        steps = int(for_h * 4)
        deeds = []
        for quarter in range(steps):

            def act(world: World, hours: float = quarter / 4.0) -> None:
                does(world, hours)

            deeds.append(Deed(at + quarter * 900.0, act, name=scenario.name if quarter == 0 else ""))
        world = world_of(pen, scenario, seed, barnyard(scenario, seed), deeds)
        truth = Truth(at + (dwell_h or 0.0) * HOUR_S, at + for_h * HOUR_S, called_by, covers)
        return Play(world, (at + for_h * HOUR_S) / DAY_S, [truth])

    return build


PROBE = "chick height"


def _silent(world: World, hours: float) -> None:  # noqa: ARG001
    world.post(PROBE).silent = True


def _stuck(world: World, hours: float) -> None:
    if hours == 0.0:
        probe = world.probe(PROBE)
        probe.trouble.stuck_at = probe.read()


def _drift(world: World, hours: float) -> None:
    world.trouble(PROBE).offset = -0.1 * hours


def _fallen(world: World, hours: float) -> None:  # noqa: ARG001
    world.trouble(PROBE).in_litter = True


def _apart(world: World, hours: float) -> None:  # noqa: ARG001
    world.trouble(PROBE).offset = -8.0


def _spikes(world: World, hours: float) -> None:  # noqa: ARG001
    world.trouble(PROBE).spike = 0.12


def radio_gaps(pen: Pen, scenario: Scenario, seed: int) -> Play:
    """Single messages lost, and silences of up to a minute and a half: a usual radio, no trouble."""
    dice = random.Random(f"{scenario.name} {seed}")
    deeds = []
    for _ in range(int(scenario.days * 12)):
        at, which = dice.uniform(0.0, scenario.days * DAY_S), dice.random()

        def does(world: World, which: float = which, until: float = at + dice.uniform(30.0, 90.0)) -> None:
            world.posts[int(which * len(world.posts))].gap_until_s = until

        deeds.append(Deed(at, does))
    return Play(world_of(pen, scenario, seed, barnyard(scenario, seed, loss=0.03), deeds), scenario.days)


def radio_lost(pen: Pen, scenario: Scenario, seed: int) -> Play:
    at = moment(scenario, seed)

    def does(world: World) -> None:
        world.radio = False

    world = world_of(pen, scenario, seed, barnyard(scenario, seed), [Deed(at, does, name=scenario.name)])
    covers = ("fan_not_obeying", "sensor_silent")
    return Play(world, (at + HOUR_S) / DAY_S, [Truth(at, at + HOUR_S, ("sensor_silent",), covers)])


def mains_lost(pen: Pen, scenario: Scenario, seed: int) -> Play:
    at = moment(scenario, seed)

    def does(world: World) -> None:
        world.barn.mains = False

    world = world_of(pen, scenario, seed, barnyard(scenario, seed), [Deed(at, does, name=scenario.name)])
    covers = ("heat_failing", "birds_cold", "fan_not_obeying", "cold_by_morning", "airflow_short")
    truth = Truth(at, at + 2 * HOUR_S, ("mains_lost",), covers, urgent_calls=1)
    return Play(world, (at + 2 * HOUR_S) / DAY_S, [truth])


def hot_afternoon(pen: Pen, scenario: Scenario, seed: int) -> Play:
    """A heat wave: the room passes the birds' hot limit though the fan runs. Over it is what the model says."""
    climate = Climate(
        mean_c=SUMMER.mean_c,
        trend_c_day=4.0,
        swing_c=7.0,
        front_sd_c=1.5,
        dew_below_mean_c=5.0,
        wind_m_s=1.2,
        daylight_h=16.0,
        noon_sun_w_m2=900.0,
    )
    world = world_of(pen, scenario, seed, barnyard(scenario, seed, climate), [])
    then = Truth(0.0, scenario.days * DAY_S, ("birds_hot",), ("heat_rising", "airflow_short"))
    return Play(world, scenario.days, begins_when=_holds(lambda w: w.barn.bird_level_c >= 32.6, 900.0), then=then)


def clock_wrong(pen: Pen, scenario: Scenario, seed: int) -> Play:
    """A board without a battery clock: no time for an hour, then right; then a year off for a day, and right again."""
    dice = random.Random(f"{scenario.name} {seed}")
    known_s, jump_s = dice.uniform(0.7, 2.0) * HOUR_S, dice.uniform(20.0, 40.0) * HOUR_S
    year_ms = dice.choice((-1, 1)) * 365 * 86_400_000

    def clock(time_s: float) -> int | None:
        if time_s < known_s:
            return None
        right = BANK_WALL0_MS + int(time_s * 1000)
        return right + year_ms if jump_s <= time_s < jump_s + 2 * HOUR_S else right

    world = world_of(pen, scenario, seed, barnyard(scenario, seed), [])
    return Play(world, scenario.days, [Truth(0.0, known_s, ("clock_not_trusted",))], clock=clock)


BANK_WALL0_MS = 1_777_633_200_000  # Friday 1 May 2026, noon in Dublin
BANK_DAY = (2026, 5, 1)

CHICK, GROWN = 5, 200

SCENARIOS: tuple[Scenario, ...] = (
    Scenario("quiet-steady", "a fortnight of chicks under a steady lamp, with chores and weather", "steady", CHICK, 14, quiet),
    Scenario("quiet-thermostat", "the same under a lamp on a thermostat", "thermostat", CHICK, 14, quiet),
    Scenario("quiet-grown", "a fortnight of a grown flock in spring", "none", GROWN, 14, quiet),
    Scenario("quiet-grown-winter", "a fortnight of a grown flock in winter", "none", GROWN, 14, quiet),
    Scenario("quiet-radio-gaps", "a radio that loses messages, and a minute now and then", "steady", CHICK, 7, radio_gaps),
    Scenario("lamp-dies-steady", "the lamp of a steady brooder goes out", "steady", CHICK, 3, _lamp(0.0)),
    Scenario("lamp-dies-thermostat", "the lamp on a thermostat goes out", "thermostat", CHICK, 3, _lamp(0.0)),
    Scenario("lamp-weak", "more than half of the lamp's power is gone", "steady", CHICK, 3, _lamp(0.4)),
    Scenario("door-left-open", "the door is not shut again", "steady", CHICK, 3, door_left_open),
    Scenario("ammonia-climbs", "the litter gives off more than the fan can carry", "none", GROWN, 3, ammonia_climbs),
    Scenario("ammonia-carried-away", "broken cake, and a fan that can carry it", "none", GROWN, 3, ammonia_carried_away),
    Scenario("fan-seized", "the fan's wheel stands, its motor's cut-out opens", "none", GROWN, 3, fan_seized),
    Scenario("duct-half-blocked", "half of the duct's opening is closed; two days to tell", "none", GROWN, 11, duct_half_blocked),
    Scenario("probe-stuck", "one chick-height probe says the same number for ever", "steady", CHICK, 4, _probe(
        ("sensor_stuck", "sensors_disagree"), 24.0, _stuck)),
    Scenario("probe-silent", "one chick-height probe falls silent", "steady", CHICK, 3, _probe(("sensor_silent",), 1.0, _silent)),
    Scenario("probe-drifts", "one chick-height probe reads lower and lower", "steady", CHICK, 6, _probe(
        ("sensors_disagree",), 80.0, _drift, ("birds_cold", "heat_failing"), 30.0)),
    Scenario("probe-in-litter", "one chick-height probe falls into the litter", "steady", CHICK, 3, _probe(
        ("sensors_disagree",), 4.0, _fallen)),
    Scenario("twins-disagree", "one chick-height probe is knocked to another place", "steady", CHICK, 3, _probe(
        ("sensors_disagree",), 3.0, _apart)),
    Scenario("spikes", "one chick-height probe throws wild numbers", "steady", CHICK, 3, _probe(
        ("sensor_implausible",), 8.0, _spikes)),
    Scenario("radio-lost", "nothing is heard from any sensor", "steady", CHICK, 3, radio_lost),
    Scenario("mains-lost", "a power cut with chicks under the lamp", "steady", CHICK, 3, mains_lost),
    Scenario("hot-afternoon", "a heat wave, grown birds", "none", GROWN, 5, hot_afternoon),
    Scenario("clock-wrong", "no clock for an hour, later a year off", "steady", CHICK, 3, clock_wrong),
)  # fmt: skip
