"""The one command: it plays, tells, stops by itself or when asked, and leaves nothing running."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from demo import broker as brokers
from demo.live import LiveBarn
from demo.mill_rise import Barnyard, raise_world

ROOT = Path(__file__).resolve().parents[2]
TALLY = re.compile(r"^\d+ s live: (\d+) readings stored \(([\d,]+) in all\), \d+ fan changes?, \d+ alarms?", re.MULTILINE)


def show(folder: Path, *words: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "demo.show", "--folder", str(folder), *words]
    return subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
    )


def left_over(folder: Path) -> list[str]:
    """Command lines of processes that still speak of this folder."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                line = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
            except OSError:
                continue
            if str(folder) in line:
                found.append(line)
    return found


@pytest.mark.parametrize("broker", [(), ("--embedded",)], ids=["installed", "embedded"])
def test_it_plays_for_some_seconds_and_says_what_came_of_it(tmp_path, broker):
    """With either broker: history, live readings through the daemon into the store, a tally, code 0, no process left."""
    playing = show(tmp_path, "--days", "1", "--seconds", "12", *broker)
    said, _ = playing.communicate(timeout=150)
    assert playing.returncode == 0, said
    assert "Broker: " in said
    assert ("embedded" in said) == bool(broker)
    assert re.search(r"Look at +http://127\.0\.0\.1:\d+/", said)
    tally = TALLY.search(said)
    assert tally is not None, said
    assert int(tally.group(1)) >= 3
    assert int(tally.group(2).replace(",", "")) > 20_000
    assert left_over(tmp_path) == []


def test_a_barn_that_never_lived_stops_all_the_same(tmp_path, pen):
    """The daemon did not come up: the barn has not begun, and stopping it must not keep the broker from being stopped."""
    broker = brokers.start(tmp_path)
    barn = LiveBarn(raise_world(pen, Barnyard(days=2.0), 1, -86_400.0), broker.port, lambda: 0.0)
    barn.stop()
    broker.stop()
    assert left_over(tmp_path) == []


def test_ctrl_c_stops_everything(tmp_path):
    """Interrupted while live it ends with its tally and code 0; interrupted before, it just ends."""
    playing = show(tmp_path, "--days", "1")
    assert playing.stdout is not None
    said = ""
    deadline = time.monotonic() + 120
    while "is live" not in said and time.monotonic() < deadline:
        said += playing.stdout.readline()
    os.kill(playing.pid, signal.SIGINT)
    rest, _ = playing.communicate(timeout=60)
    assert playing.returncode == 0, said + rest
    assert TALLY.search(rest), said + rest
    assert left_over(tmp_path) == []


def test_a_wrong_story_is_told_the_right_ones(tmp_path):
    """A slip on the command line names what there is."""
    playing = show(tmp_path, "--story", "lamp-dead")
    said, _ = playing.communicate(timeout=30)
    assert playing.returncode == 2
    assert "lamp-dies, ammonia-climbs, fan-seizes, probe-falls, radio-lost, mains-lost" in said


def test_the_stories_can_be_listed(tmp_path):
    """--list names each and starts nothing."""
    playing = show(tmp_path, "--list")
    said, _ = playing.communicate(timeout=30)
    assert playing.returncode == 0
    assert len(said.splitlines()) == 6
    assert not list(tmp_path.iterdir())
