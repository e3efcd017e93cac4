"""A full disk has room again and the daemon is killed in that very turn, at each of its writing statements in turn.

A kill there may take readings that had been acknowledged to keep the broker's window open, and only those; the judge must
neither call them a broken promise nor excuse any other.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest import mock

import pytest

from monitor.daemon.core import Core
from monitor.engine.connections import Delivery
from monitor.engine.events import Acknowledge
from tests.simulation.calm import CalmWorld
from tests.simulation.judging import Broken
from tests.simulation.pace import TURN_S

FULL_S = 180.0


@pytest.fixture
def folder() -> Iterator[Path]:
    logging.disable(logging.CRITICAL)
    with TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as made:
        yield Path(made)
    logging.disable(logging.NOTSET)


def live(folder: Path, kill_after: int, starts_on_full_disk: bool) -> tuple[CalmWorld, int]:
    """A flood of readings on a full disk; then room, and a kill in the same turn if it writes so many times; judged.

    Returns:
        The world, and how often that turn wrote.
    """
    place = folder / f"{kill_after} {starts_on_full_disk}"
    place.mkdir()
    world = CalmWorld(place)
    with world.disk.under(), world.pace.kept():
        world.live(3 * TURN_S)
        world.live(2 * TURN_S, "disk full", "sensors flood")
        if starts_on_full_disk:
            world._die(TURN_S)
        world.live(FULL_S, "disk full", "sensors flood")
        assert world.daemon is not None
        assert world.daemon.writer.acknowledged_unstored > 100
        world.disk.kill_after = kill_after
        with mock.patch.object(world.dice, "random", return_value=0.5):  # killed by no other dice, and before the statement
            world.live(TURN_S)
        written = kill_after - (world.disk.kill_after or 0)
        world._spell(5 * TURN_S, is_stormy=False)
        assert world.daemon is not None
        world.daemon.core.act(Acknowledge(*world.daemon.core.now(), "none", "nobody"))  # commits at once what waits
        world.daemon.writer.turn()
        world._judge_readings()
        world.daemon.power_off()
    return world, written


@pytest.mark.parametrize("starts_on_full_disk", [False, True], ids=["was there before", "starts on it"])
def test_a_kill_as_the_disk_has_room_again_takes_only_what_had_to_be_acknowledged(
    folder: Path, starts_on_full_disk: bool
) -> None:
    """Killed before its commit stands a reading acknowledged unstored is gone, and counted; after it, none is."""
    unharmed, written = live(folder, 10_000, starts_on_full_disk)
    lost = [live(folder, statement, starts_on_full_disk)[0].tally.lost_with_disk for statement in range(1, written + 1)]
    assert unharmed.tally.lost_with_disk == 0
    assert lost[0] > 100
    assert lost == sorted(lost, reverse=True)  # each commit that stands saves more of them
    assert len(set(lost)) > 1


def test_a_daemon_that_forgets_what_it_acknowledged_is_found_out(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The judge itself: readings dropped as the broker's window is relieved are missed, killed after the commits or not."""
    _, written = live(folder, 10_000, starts_on_full_disk=True)
    whole = Core.give_up_deliveries

    def forgetful(core: Core, acknowledge: Callable[[Sequence[Delivery]], object]) -> int:
        core._gathered.keeps.clear()
        return whole(core, acknowledge)

    monkeypatch.setattr(Core, "give_up_deliveries", forgetful)
    for kill_after in (20_000, written):
        with pytest.raises(Broken, match="missing"):
            live(folder, kill_after, starts_on_full_disk=True)
