"""Six troubles to watch. Each is begun so long before the curtain rises that its alarm is nearly due.

Rules of this file: physics, limits and delays are those of every day; nothing is hurried. The trouble is
first played ahead on a copy of the barn to learn how long the alarm takes; then it is begun that much
earlier, within the history, so that a person need not wait for it. What takes seconds is begun live.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import dataclass

from demo.bank import give_off
from demo.closed_loop import Loop
from demo.world import Deed, World
from monitor.engine.events import Action, AlarmChanged, Event

ALARM_DUE_S = 45.0  # after the curtain has risen
LIVE_AFTER_S = 12.0
LONGEST_AHEAD_S = 4 * 3600.0


@dataclass(frozen=True, slots=True)
class Story:
    """One trouble, told in a line, with the alarms that end it."""

    name: str
    tells: str
    begin: Callable[[World], None]
    alarms: tuple[str, ...]
    again_every_s: float | None = None  # a trouble that needs keeping up


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
        give_off(21.0),
        ("ammonia_birds", "ammonia_people"),
        again_every_s=600.0,
    ),
    Story("fan-seizes", "the fan's wheel stands and its motor's cut-out opens", _fan_seizes, ("fan_not_obeying",)),
    Story("probe-falls", "a chick-height probe falls into the litter", _probe_falls, ("sensors_disagree",)),
    Story("radio-lost", "no sensor is heard any more", _radio_lost, ("sensor_silent",)),
    Story(
        "mains-lost", "a power cut: lamp, heater and fan stop; board and sensors run on batteries", _mains_lost, ("mains_lost",)
    ),
)


def find(name: str) -> Story | None:
    return next((story for story in STORIES if story.name == name), None)


def deeds_of(story: Story, at_s: float) -> list[Deed]:
    """The story's trouble beginning at `at_s`, kept up where it needs that."""
    deeds = [Deed(at_s, story.begin, name=story.name)]
    if story.again_every_s is not None:
        deeds += [Deed(at_s + n * story.again_every_s, story.begin) for n in range(1, 37)]
    return deeds


def alarm_after_s(story: Story, loop: Loop) -> float | None:
    """How long after its beginning the story's alarm rings, played ahead on a copy; None when it does not within hours."""
    told, loop.told = loop.told, None
    try:
        world = copy.deepcopy(loop.world)
    finally:
        loop.told = told
    began = world.time_s
    world.add(deeds_of(story, began))
    rang: list[float] = []

    def listen(_event: Event, actions: tuple[Action, ...]) -> None:
        changes = (a for a in actions if isinstance(a, AlarmChanged))
        rang.extend(c.at - loop.at0 for c in changes if c.name in story.alarms and c.state == "unacknowledged")

    ahead = Loop(world, loop.specification, loop.state, loop.at0, loop.wall0_ms, told=listen)
    while not rang and world.time_s < began + LONGEST_AHEAD_S:
        ahead.once()
    return rang[0] - began if rang else None
