"""Faults that are quick to try, each for real; the whole table is tests/bench/faults.py."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.faults.growth import growth
from tests.faults.rows import Row
from tests.faults.trials import QUICK


@pytest.mark.parametrize("trial", QUICK, ids=lambda trial: trial.__name__.replace("_", " "))
def test_a_fault_loses_no_reading_and_is_seen(trial: Callable[[Path], Row], tmp_path: Path) -> None:
    """Nothing the broker took is lost or doubled, the daemon lives, and somebody outside can tell."""
    row = trial(tmp_path)
    assert (row.lost, row.doubled) == (0, 0), row
    assert row.is_alive, row
    assert row.keeper_saw, row
    assert row.outside_sign, row


def test_a_week_leave_no_memory_and_no_file_behind() -> None:
    """Memory at the end is that of the first day, within what an allocator keeps; open files too. Ninety days: the bench."""
    grown = growth(7.0)
    assert grown.readings > 0.99 * 7 * 288 * 8
    assert grown.memory_late_mb - grown.memory_early_mb < 6.0, grown
    assert grown.files_late == grown.files_early, grown
