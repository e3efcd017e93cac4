"""Clocks that lie, seen through the daemon's own core, writer and store: nothing is lost, and times come right."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.store.reader import Reader
from tests.daemon.conftest import YEAR_S, HandClocks, Middle
from tests.daemon.conftest import make_middle as make_middle
from tests.engine.barns import START

AIR = {"chick_height": 31.0, "chick_height_two": 31.2, "damp": 55.0, "ammonia": 9.0}
MINUTES_5 = 300.0
Make = Callable[..., Middle]


def times(folder: Path) -> list[float]:
    """Of the stored readings of one sensor, in seconds since 1970."""
    with Reader(folder) as reader:
        return [reading.time_ms / 1000.0 for reading in reader.readings("brooder/ammonia")]


def alarm_states(middle: Middle) -> dict[str, str]:
    """Every alarm that is not normal; the untrusted clock's own is left out."""
    state = middle.core.state
    found = {**state.alarms, **state.pens["brooder"].alarms}
    return {key: str(r.state) for key, r in found.items() if r.state != "normal" and r.name != "clock_not_trusted"}


def at(year: int, month: int, day: int, hour: int) -> float:
    return datetime(year, month, day, hour, tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    "error_s", [-10 * YEAR_S, -3600.0, 3600.0, 3 * YEAR_S], ids=["years back", "an hour back", "on", "years on"]
)
def test_a_clock_that_jumps_loses_nothing_and_rings_nothing(make_middle: Make, tmp_path: Path, error_s: float) -> None:
    """The machine's clock is set wrong under the running daemon and right again: readings stand at true times throughout."""
    middle = make_middle(tmp_path / "store")
    middle.pass_time(MINUTES_5, **AIR)
    middle.clocks.wall_s += error_s
    middle.pass_time(MINUTES_5, **AIR)
    middle.clocks.wall_s -= error_s
    middle.pass_time(MINUTES_5, **AIR)
    assert middle.flush()
    stored = times(tmp_path / "store")
    assert stored == pytest.approx([START + 30.0 * n for n in range(1, 31)], abs=1.0)
    assert alarm_states(middle) == {}


def test_a_leap_second_is_a_second(make_middle: Make, tmp_path: Path) -> None:
    """The clock stands for a second, or is slewed over a day: within a second of the truth, and in order."""
    middle = make_middle(tmp_path / "store")
    middle.pass_time(MINUTES_5, **AIR)
    middle.clocks.wall_s -= 1.0
    middle.pass_time(MINUTES_5, **AIR)
    assert middle.flush()
    stored = times(tmp_path / "store")
    assert stored == pytest.approx([START + 30.0 * n for n in range(1, 21)], abs=1.1)
    assert stored == sorted(stored)
    assert alarm_states(middle) == {}


@pytest.mark.parametrize("night", [at(2026, 3, 29, 0), at(2026, 10, 25, 0)], ids=["an hour short", "an hour long"])
def test_a_night_of_summer_time_has_every_reading_once(make_middle: Make, tmp_path: Path, night: float) -> None:
    """Europe/Dublin changes at 01:00 UTC: readings, timer and alarms know only elapsed and universal time."""
    middle = make_middle(tmp_path / "store", clocks=HandClocks(wall_s=night))
    middle.pass_time(3 * 3600.0, tick_s=30.0, **AIR)
    assert middle.flush()
    stored = times(tmp_path / "store")
    assert stored == pytest.approx([night + 30.0 * n for n in range(1, 361)], abs=1.0)
    assert [key for key in alarm_states(middle) if "silent" in key] == []


def test_a_board_without_a_battery_boots_in_the_past_and_dates_it_all_later(make_middle: Make, tmp_path: Path) -> None:
    """A power cut of an hour, then 1970 until the network comes: what was gathered meanwhile stands at its true time."""
    clocks = HandClocks(keeps_time=False, synchronised=True)
    first = make_middle(tmp_path / "store", clocks=clocks)
    first.pass_time(MINUTES_5, **AIR)
    first.stop()
    true_s = clocks.wall_s + 3600.0
    clocks.reboot(wall_s=60.0)
    second = make_middle(tmp_path / "store", clocks=clocks)
    second.pass_time(MINUTES_5, **AIR)
    assert second.flush()
    assert len(times(tmp_path / "store")) == 10
    clocks.wall_s, clocks.synchronised = true_s + MINUTES_5, True
    second.pass_time(MINUTES_5, **AIR)
    assert second.flush()
    second.flush()
    stored = times(tmp_path / "store")
    dark = [true_s + 30.0 * n for n in range(1, 21)]
    assert stored == pytest.approx([START + 30.0 * n for n in range(1, 11)] + dark, abs=1.0)


def test_thirty_days_off_are_told_and_ring_no_stale_alarm(make_middle: Make, tmp_path: Path) -> None:
    """Started again a month later: the dark time is known, silence is forgiven at first, and the watch goes on at once."""
    clocks = HandClocks()
    first = make_middle(tmp_path / "store", clocks=clocks)
    first.pass_time(MINUTES_5, **AIR)
    first.stop()
    clocks.reboot(wall_s=clocks.wall_s + 30 * 86_400.0)
    second = make_middle(tmp_path / "store", clocks=clocks)
    assert second.dark_s == pytest.approx(30 * 86_400.0, abs=5.0)
    second.pass_time(60.0, **AIR)
    assert [key for key in alarm_states(second) if "silent" in key] == []
    second.pass_time(MINUTES_5, **(AIR | {"ammonia": 60.0}))
    assert second.commands[-1].running
    assert second.commands[-1].reason == "ammonia dangerous"
    assert second.flush()
    assert len(times(tmp_path / "store")) == 10 + 12
