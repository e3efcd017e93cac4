"""A page that lay spoilt unseen is met in the last turn of a quiet time: the daemon has its minute to restore, and no more."""

from __future__ import annotations

import os
from unittest import mock

import pytest

from monitor.store.connection import note_suspicion
from tests.simulation.calm import READINGS_EVERY_S, CalmWorld
from tests.simulation.card import PAGE_BYTES
from tests.simulation.judging import Broken


def met_in_the_last_turn(world: CalmWorld) -> None:
    world.live(4 * READINGS_EVERY_S)
    world._spell(2 * READINGS_EVERY_S, is_stormy=False)
    daemon = world.daemon
    assert daemon is not None
    assert daemon.writer.store is not None
    daemon.writer.store.tidy(None, move_from=1)
    # Not a page of the dice, which may be one that the log knows better: all but the first.
    spoilt = b"\xff" * (world.card.file.stat().st_size - PAGE_BYTES)
    os.pwrite(world.card._opened(world.card.file), spoilt, PAGE_BYTES)
    world.card.is_spoilt = True
    note_suspicion(daemon.writer.store.folder)
    assert daemon.writer.is_failing


def test_a_page_met_in_the_last_turn_of_the_quiet_is_restored_and_told(world: CalmWorld) -> None:
    """It broke no promise of the quiet time before it; what is lost with it is told all the same."""
    met_in_the_last_turn(world)
    world._judge_quiet()
    assert len(world.card.restored_at) == 1


def test_a_daemon_that_does_not_restore_is_found_out(world: CalmWorld) -> None:
    """The judge itself: a damaged store that is not opened anew within two minutes is no fault of this minute any more."""
    met_in_the_last_turn(world)
    assert world.daemon is not None
    with mock.patch.object(world.daemon.writer, "_ready", return_value=False), pytest.raises(Broken, match="the store fails"):
        world._judge_quiet()
