"""Six troubles to watch. One whose alarm takes long is begun so long ago that its alarm is nearly due.

Rules of this file: physics, limits and delays are those of every day; nothing is hurried. A slow trouble
is first played ahead on copies of the barn, to learn when it must have begun for its alarm to fall due a
minute after the curtain has risen; it then begins within the history. A quick one begins live.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import dataclass

from demo.closed_loop import Loop
from demo.scenarios import give_off
from demo.world import Deed, World
from monitor.engine.events import Action, AlarmChanged, Event

ALARM_DUE_S = 60.0  # after the curtain has risen
LIVE_AFTER_S = 10.0  # a quick trouble begins so long after it
LONGEST_AHEAD_S = 4 * 3600.0
NEAR_ENOUGH_S = 20.0


@dataclass(frozen=True, slots=True)
class Story:
    """One trouble, told in a line, with the alarms that end it.

    `live` begins it before the watcher's eyes; otherwise within the history. `prepare` is done
    `prepare_s` before the trouble; `again_every_s` keeps up a trouble that would fade.
    """

    name: str
    tells: str
    begin: Callable[[World], None]
    alarms: tuple[str, ...]
    live: bool = False
    again_every_s: float | None = None
    prepare: Callable[[World], None] | None = None
    prepare_s: float = 0.0


def _lamp_dies(world: World) -> None:
    world.barn.lamp.health = 0.0


def _fan_seizes(world: World) -> None:
    assert world.exhaust is not None
    world.exhaust.seized = True


def _probe_falls(world: World) -> None:
    world.trouble("chick height").in_litter = True


def _radio_lost(world: World) -> None:
    world.radio = False


def _mains_lost(world: World) -> None:
    world.barn.mains = False


STORIES: tuple[Story, ...] = (
    Story("lamp-dies", "the heat lamp goes out over chicks not yet three weeks old", _lamp_dies, ("heat_failing", "birds_cold")),
    Story(
        "ammonia-climbs",
        "a drinker leaked for days; now the wet cake gives off more ammonia than the fan can carry",
        give_off(24.0),
        ("ammonia_birds", "ammonia_people"),
        again_every_s=600.0,
    ),
    Story(
        "fan-seizes",
        "ammonia keeps the fan running; its wheel jams and the motor's cut-out opens",
        _fan_seizes,
        ("fan_not_obeying",),
        prepare=give_off(9.0),
        prepare_s=1500.0,
    ),
    Story("probe-falls", "a chick-height probe falls into the litter", _probe_falls, ("sensors_disagree",)),
    Story("radio-lost", "no sensor is heard any more", _radio_lost, ("sensor_silent",), live=True),
    Story(
        "mains-lost",
        "a power cut: lamp, heater and fan stop; board and sensors run on batteries",
        _mains_lost,
        ("mains_lost",),
        live=True,
    ),
)


def find(name: str) -> Story | None:
    return next((story for story in STORIES if story.name == name), None)


def deeds_of(story: Story, at_s: float) -> list[Deed]:
    """The story's trouble beginning at `at_s`, prepared and kept up where it needs that."""
    deeds = [Deed(at_s, story.begin, name=story.name)]
    if story.prepare is not None:
        deeds.append(Deed(at_s - story.prepare_s, story.prepare))
    if story.again_every_s is not None:
        deeds += [Deed(at_s + n * story.again_every_s, story.begin) for n in range(1, 37)]
    return deeds


def rings_at_s(story: Story, loop: Loop, at_s: float) -> float | None:
    """When the story's alarm rings if the trouble begins at `at_s`, played ahead on a copy; None: not within hours."""
    told, loop.told = loop.told, None
    try:
        world = copy.deepcopy(loop.world)
    finally:
        loop.told = told
    world.add(deeds_of(story, at_s))
    rang: list[float] = []

    def listen(_event: Event, actions: tuple[Action, ...]) -> None:
        changes = (a for a in actions if isinstance(a, AlarmChanged))
        rang.extend(c.at - loop.at0 for c in changes if c.name in story.alarms and c.state == "unacknowledged")

    ahead = Loop(world, loop.specification, loop.state, loop.at0, loop.wall0_ms, told=listen)
    while not rang and world.time_s < at_s + LONGEST_AHEAD_S:
        ahead.once()
    return rang[0] if rang else None


def must_begin_at_s(story: Story, loop: Loop, rings_s: float) -> float | None:
    """When the trouble must begin for its alarm to ring at about `rings_s`; None when it rings no alarm.

    The loop must stand well before that. A few tries, each corrected by what the one before missed; once one rang
    too early and another too late, the middle between them, for a noisy reading can make the ring jump.
    """
    at_s = loop.world.time_s + story.prepare_s
    best: tuple[float, float] | None = None
    begun_early: float | None = None
    begun_late: float | None = None
    for _ in range(12):
        rang_s = rings_at_s(story, loop, at_s)
        if rang_s is None:
            break
        missed_s = rang_s - rings_s
        if best is None or abs(missed_s) < abs(best[0]):
            best = (missed_s, at_s)
        if abs(missed_s) <= NEAR_ENOUGH_S:
            break
        if missed_s < 0:
            begun_early = at_s
        else:
            begun_late = at_s
        if begun_early is not None and begun_late is not None:
            at_s = 0.5 * (begun_early + begun_late)
            if abs(begun_early - begun_late) < 1.0:
                break
        else:
            at_s = max(at_s - missed_s, loop.world.time_s + story.prepare_s)
    return None if best is None else best[1]
