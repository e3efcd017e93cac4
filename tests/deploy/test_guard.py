"""The guard before the broker: a ruined persistence file never keeps it down, a good one is never touched."""

from __future__ import annotations

import signal
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Make = Callable[..., Any]
PROBE = "millrise/probe"


def guard(file: Path, *words: str) -> str:
    """Run it; what it said."""
    script = Path(__file__).parents[2] / "deploy" / "mosquitto" / "guard.sh"
    done = subprocess.run(["sh", str(script), *words, str(file)], capture_output=True, text=True, check=True, timeout=30)
    return done.stderr


@pytest.fixture
def barn(make_barn: Make, connect: Make) -> Any:
    """A stopped broker whose file holds twenty readings that wait for the daemon, and its login."""
    barn = make_barn()
    barn.login = ["-h", "127.0.0.1", "-p", str(barn.port), "-u", "warmstraw", "-P", barn.password("daemon"), "-i", "board"]
    key = barn.password("sensor", "probe", PROBE)
    barn.put("warmstraw.conf")
    barn.start()
    subprocess.run(["mosquitto_sub", *barn.login, "-c", "-q", "1", "-t", PROBE, "-E"], check=True, timeout=20)
    probe = connect(barn.port, "probe", key)
    assert all(probe.may_publish(PROBE, str(value)) for value in range(20))
    barn.end(signal.SIGTERM)
    return barn


def waiting(barn: Any) -> list[str]:
    """What the broker held for the daemon."""
    listen = ["mosquitto_sub", *barn.login, "-c", "-q", "1", "-t", PROBE, "-W", "1"]
    return subprocess.run(listen, capture_output=True, text=True, check=False, timeout=20).stdout.split()


def refuses_to_start(barn: Any) -> bool:
    """Whether the broker ends by itself."""
    with pytest.raises(AssertionError, match="did not come up"):
        barn.start()
    ended: bool = barn.process is not None and barn.process.poll() is not None
    barn.process = None
    return ended


def test_a_good_file_is_left_alone(barn: Any) -> None:
    """What waits is delivered; before a start and after a failure of another kind."""
    assert guard(barn.persistence) == ""
    assert guard(barn.persistence, "--after") == ""
    barn.start()
    assert waiting(barn) == [str(value) for value in range(20)]


def test_a_file_of_nulls_is_moved_aside_and_told_and_the_broker_starts(barn: Any, wait_until: Make) -> None:
    """After a power cut nobody has to log in to bring the broker up; without the guard it stays down."""
    size = barn.persistence.stat().st_size
    barn.persistence.write_bytes(bytes(size))
    assert refuses_to_start(barn)
    said = guard(barn.persistence)
    assert "readings that were waiting in it are lost" in said
    assert barn.persistence.with_name("mosquitto.db.damaged-1").stat().st_size == size
    barn.start()
    assert waiting(barn) == []


def test_a_file_cut_short_is_moved_aside_after_the_failed_start(barn: Any) -> None:
    """Its head is right, so only the refusal shows it."""
    whole = barn.persistence.read_bytes()
    barn.persistence.write_bytes(whole[: len(whole) // 2])
    assert guard(barn.persistence) == ""
    assert refuses_to_start(barn)
    assert "the broker starts without it" in guard(barn.persistence, "--after")
    barn.start()


def test_a_file_whose_end_is_nulls_is_left_to_the_broker(barn: Any) -> None:
    """mosquitto reads what stands before the nulls; moving the file away would lose that too."""
    barn.persistence.write_bytes(barn.persistence.read_bytes() + bytes(4096))
    assert guard(barn.persistence) == ""
    barn.start()
    assert waiting(barn) == [str(value) for value in range(20)]


@pytest.mark.parametrize("words", [(), ("--after",)])
def test_no_file_and_an_empty_one_need_no_guard(tmp_path: Path, words: tuple[str, ...]) -> None:
    """The first start of all, and what mosquitto takes by itself."""
    file = tmp_path / "mosquitto.db"
    assert guard(file, *words) == ""
    file.touch()
    assert guard(file, *words) == ""
    assert file.exists()


def test_of_many_ruined_files_the_last_three_are_kept(tmp_path: Path) -> None:
    """A failing card must not be filled by its own ruins."""
    file = tmp_path / "mosquitto.db"
    for number in range(6):
        file.write_bytes(bytes(100 + number))
        guard(file)
    assert sorted(kept.stat().st_size for kept in tmp_path.iterdir()) == [103, 104, 105]
