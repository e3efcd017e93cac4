"""What the broker held while the daemon was away: more than one window of it, sent again as if new by a broker that crashed."""

from __future__ import annotations

from unittest import mock

import pytest

from monitor.engine.events import Acknowledge
from monitor.wire.redelivery import Remembered
from tests.simulation.broker import WINDOW
from tests.simulation.calm import READINGS_EVERY_S, CalmWorld
from tests.simulation.judging import Broken
from tests.simulation.pace import TURN_S


def crash_after_a_backlog(world: CalmWorld) -> None:
    """The link is cut; the broker writes its file; all of it is delivered and stored; the broker dies and reads that file."""
    world.live(READINGS_EVERY_S)
    world.live(12 * TURN_S, "link cut", "sensors flood")
    assert len(world.broker.waiting) > 2 * WINDOW
    world.broker.save(world.now)
    world.live(10 * TURN_S)
    assert not world.broker.waiting
    commit(world)
    world.live(TURN_S, "broker down")
    assert len(world.broker.waiting) > 2 * WINDOW
    world.live(10 * TURN_S)
    commit(world)


def commit(world: CalmWorld) -> None:
    daemon = world.daemon
    assert daemon is not None
    daemon.core.act(Acknowledge(*daemon.core.now(), "none", "nobody"))
    daemon.writer.turn()


def test_a_backlog_of_several_windows_sent_again_as_if_new_is_stored_once(world: CalmWorld) -> None:
    """The session's mark comes back after the last of it (tests/wire/test_session.py, with a real broker), so all is known."""
    crash_after_a_backlog(world)
    world._judge_readings()


def test_a_daemon_that_knows_none_of_it_again_is_found_out(world: CalmWorld) -> None:
    """The judge itself: what was taken before is stored beside itself."""
    with mock.patch.object(Remembered, "already_stored", return_value=False):
        crash_after_a_backlog(world)
    with pytest.raises(Broken, match="too often"):
        world._judge_readings()


def test_a_daemon_that_knows_only_the_first_window_again_is_found_out(world: CalmWorld) -> None:
    """The judge itself: one whose session took its mark for come back too early doubles what lies behind it."""
    known = Remembered.already_stored
    count = 0

    def forgets(*given: object) -> bool:
        nonlocal count
        found = known(*given)  # type: ignore[arg-type]  # as it was called
        count += found
        return found and count <= WINDOW

    with mock.patch.object(Remembered, "already_stored", forgets):
        crash_after_a_backlog(world)
    with pytest.raises(Broken, match="too often"):
        world._judge_readings()
