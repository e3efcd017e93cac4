"""What the judge takes for heard: dangerous air is known from readings as they come, and no longer than they are the newest."""

from __future__ import annotations

from dataclasses import replace
from unittest import mock

import pytest

from monitor.engine.ladder import AMMONIA_DANGEROUS
from monitor.wire.session import Arrival
from tests.simulation.barn import Heard
from tests.simulation.calm import READINGS_EVERY_S, CalmWorld
from tests.simulation.judging import Broken
from tests.simulation.pace import TURN_S


def reason(world: CalmWorld) -> str:
    assert world._last_switch is not None
    return world._last_switch.reason


def test_air_that_clears_while_the_link_is_cut_lets_the_fan_rest(world: CalmWorld) -> None:
    """The broker held the reading that says so: it is newer than all heard before, which are dangerous and not yet old."""
    world.live(READINGS_EVERY_S)
    world.live(4 * TURN_S, "ammonia dangerous", "sensors flood")
    assert world._heard.is_ammonia_dangerous(world.now, world._up_since)
    assert reason(world) == AMMONIA_DANGEROUS
    world.live(2 * TURN_S, "link cut", "sensors flood")
    world.live(4 * TURN_S)
    assert world.daemon is not None
    assert world.daemon.session.connected
    assert reason(world) != AMMONIA_DANGEROUS


def test_a_daemon_that_mishears_dangerous_air_is_found_out(world: CalmWorld) -> None:
    """The judge itself: the readings are dangerous one after another, and the fan keeps its timer."""
    world.live(READINGS_EVERY_S)
    assert world.daemon is not None
    take = world.daemon.arrivals.take

    def mishears(arrival: Arrival) -> None:
        take(replace(arrival, payload=b"8.0") if arrival.topic.endswith("/ammonia") else arrival)

    with mock.patch.object(world.daemon.arrivals, "take", mishears), pytest.raises(Broken, match="the fan rests"):
        world.live(4 * READINGS_EVERY_S, "ammonia dangerous")


def test_readings_before_one_that_waited_are_no_danger_of_now() -> None:
    """Three in a row are, until something newer comes whose second is not known."""
    heard = Heard(READINGS_EVERY_S)
    for turn in range(3):
        heard.note("ammonia", turn * 60.0, 70.0, waited=False)
    assert heard.is_ammonia_dangerous(130.0, 0.0)
    heard.note("ammonia", 140.0, 8.0, waited=True)
    assert not heard.is_ammonia_dangerous(150.0, 0.0)
