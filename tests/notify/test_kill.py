"""Killed at every step of sending: the receiver's record shows each notice once, and no alarm is lost."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

CHILD = Path(__file__).with_name("child.py")
ALL = {"raised 1", "escalated 2", "all clear 3", "report 4"}
UNSURE = ["after sending", "before hand_over", "after hand_over", "before sent"]
SURE = ["before add", "after add", "before sending", "after sent"]


def run(folder: Path, address: str, step: str, nth: int) -> int:
    command = [sys.executable, str(CHILD), str(folder), address, step, str(nth)]
    return subprocess.run(command, timeout=30, check=False, cwd=CHILD.parents[2], env={"PYTHONPATH": "."}).returncode


@pytest.mark.parametrize(("step", "nth"), [*((step, 1) for step in SURE + UNSURE), *((step, 3) for step in UNSURE)])
def test_a_kill_at_any_step_loses_no_alarm_and_doubles_nothing(step: str, nth: int, tmp_path: Path, receiver: Any) -> None:
    """By its id the receiver has each notice at most once, every alarm, and no unmarked second copy."""
    assert run(tmp_path, receiver.address, step, nth) == -9
    before = len(receiver.taken)
    assert run(tmp_path, receiver.address, "", 0) == 0
    record = receiver.record()
    titles = sorted(record.values())
    assert len(titles) == len(set(titles))
    assert {"raised 1", "escalated 2"} <= set(titles) <= ALL
    # Killed between "sending" and its answer, good news and reports are not doubted into a repeat: they may be lost.
    unsure = step in UNSURE
    lost = ALL - set(titles)
    assert len(lost) <= (1 if unsure and nth == 3 else 0)
    repeats = [body for body in receiver.taken if body["message"].startswith("May be a repeat.")]
    assert len(receiver.taken) - len(record) <= len(repeats) <= (1 if unsure else 0)
    assert before <= len(receiver.taken)


def test_killed_again_and_again_it_still_arrives_once(tmp_path: Path, receiver: Any) -> None:
    """Five kills in a row at five steps, then peace: by id each alarm is there once."""
    for step in ("after add", "after sending", "after hand_over", "before sent", "after sent"):
        run(tmp_path, receiver.address, step, 1)
    assert run(tmp_path, receiver.address, "", 0) == 0
    titles = sorted(receiver.record().values())
    assert len(titles) == len(set(titles))
    assert {"raised 1", "escalated 2"} <= set(titles)
    total = len(receiver.taken)
    assert run(tmp_path, receiver.address, "", 0) == 0
    assert len(receiver.taken) == total  # nothing is left to send
