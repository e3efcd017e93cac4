"""Events are judged where they arrive, one at a time, and nothing of ours that fails takes the watch down."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from monitor.daemon import core as core_room
from monitor.engine.events import HandSet, Reading
from tests.daemon.conftest import HandClocks, Middle, one_notice_an_alarm
from tests.engine.barns import START, fan, pen, site

Make = Callable[..., Middle]
WELL = {"chick_height": 31.0, "chick_height_two": 31.4, "damp": 60.0, "ammonia": 8.0}


def test_the_fan_is_switched_before_the_call_returns(make_middle: Make) -> None:
    """Dangerous ammonia: the command is out when `arrived` returns, with nothing committed yet."""
    middle = make_middle()
    middle.pass_time(120.0, **WELL)
    middle.hear(ammonia=60.0)
    middle.hear(ammonia=60.0)
    assert middle.commands[-1].running
    assert middle.commands[-1].reason == "ammonia dangerous"


def test_a_fault_of_the_engine_costs_one_event_and_no_reading(make_middle: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    """The state before it stands, the reading is stored, and after twenty in a row the watchdog is told."""
    middle = make_middle()
    real = core_room.step

    def broken(state: Any, event: Any, specification: Any) -> Any:
        if isinstance(event, Reading) and event.value == 13.0:
            raise RuntimeError("a fault")
        return real(state, event, specification)

    monkeypatch.setattr(core_room, "step", broken)
    middle.hear(ammonia=8.0)
    before = middle.core.state
    middle.hear(ammonia=13.0)
    assert middle.core.state is before
    assert middle.core.tally.broken_steps == 1
    middle.hear(ammonia=9.0)
    assert not middle.core.is_broken
    assert middle.flush()
    assert middle.values("brooder/ammonia") == [8.0, 9.0, 13.0] or middle.values("brooder/ammonia") == [8.0, 13.0, 9.0]
    for _ in range(20):
        middle.hear(ammonia=13.0)
    assert middle.core.is_broken


def test_a_failing_rota_leaves_the_alarm_standing(make_middle: Make) -> None:
    """People may go untold, the judging may not stop."""

    def broken(*_: object) -> list[Any]:
        raise RuntimeError("a fault")

    middle = make_middle(rota=broken)
    middle.pass_time(900.0, **(WELL | {"ammonia": 60.0}))
    assert "ammonia_people" in {change.name for change in middle.alarms}


def test_what_is_held_while_the_store_fails_is_bounded(make_middle: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    """The oldest readings go first, and are counted."""
    monkeypatch.setattr(core_room, "MOST_HELD", 50)
    middle = make_middle()
    for n in range(80):
        middle.hear(ammonia=8.0 + n / 100)
    assert middle.core.tally.readings_dropped == 30
    assert middle.flush()
    assert middle.values("brooder/ammonia") == [8.0 + n / 100 for n in range(30, 80)]


def test_many_threads_lose_no_event(make_middle: Make) -> None:
    """The network, the web and the ticker all come in at once: every reading is gathered, time never runs back."""
    middle = make_middle()

    def speak(sensor: str) -> None:
        for n in range(300):
            at, wall_ms = middle.core.now()
            middle.core.arrived([Reading(at, wall_ms, f"brooder/{sensor}", 20.0 + n / 1000)], None)

    threads = [threading.Thread(target=speak, args=(s,)) for s in ("chick height", "chick height two", "damp", "ammonia")]
    for thread in threads:
        thread.start()
    for _ in range(50):
        middle.core.tick()
    for thread in threads:
        thread.join()
    assert middle.flush()
    assert middle.count() == 1200
    assert middle.core.tally.broken_steps == 0


# ------------------------------------------------------------ going on


def test_after_a_restart_the_standing_command_goes_out_as_soon_as_the_broker_is_there(make_middle: Make) -> None:
    """The relay may have missed it: the first link up of a run is news, though the last run left the link up."""
    first = make_middle()
    first.core.link("broker", True)
    first.pass_time(300.0, **(WELL | {"ammonia": 60.0}))
    assert first.commands[-1].running
    first.stop()
    second = make_middle(clocks=first.clocks)
    second.clocks.pass_time(2.0)
    second.commands.clear()
    second.core.link("broker", True)
    assert [(command.running, command.again) for command in second.commands] == [(True, True)]


def test_an_open_alarm_a_shelf_and_a_hand_setting_go_on_after_a_restart(make_middle: Make) -> None:
    """Same occurrence, same state, and the rota, asked again, has the same key: nobody is told twice."""
    first = make_middle(rota=one_notice_an_alarm)
    first.pass_time(1200.0, **(WELL | {"ammonia": 25.0}))
    at, wall_ms = first.core.now()
    first.core.act(HandSet(at, wall_ms, "brooder", "Nora", True, None, 3600.0))
    first.stop()
    record = first.core.state.pens["brooder"].alarms["brooder/ammonia_birds"]
    assert record.state.value == "unacknowledged"
    first.clocks.pass_time(30.0)
    second = make_middle(clocks=first.clocks, rota=one_notice_an_alarm)
    second.pass_time(120.0, **(WELL | {"ammonia": 25.0}))
    assert second.core.state.pens["brooder"].alarms["brooder/ammonia_birds"] == replace(
        record, evidence=second.core.state.pens["brooder"].alarms["brooder/ammonia_birds"].evidence
    )
    assert second.core.state.pens["brooder"].hand == first.core.state.pens["brooder"].hand
    assert [change for change in second.alarms if change.name == "ammonia_birds"] == []
    assert set(second.told) <= set(first.told)


# ------------------------------------------------------------ the wall clock


def test_a_clock_in_the_past_at_boot_holds_readings_until_it_is_trusted(make_middle: Make) -> None:
    """1970 at boot, right after ten minutes: judged all along, stored under the true day, and the alarm for it clears."""
    clocks = HandClocks(wall_s=86.0, keeps_time=False)
    middle = make_middle(clocks=clocks, rota=one_notice_an_alarm)
    middle.pass_time(600.0, **(WELL | {"ammonia": 60.0}))
    assert middle.commands[-1].running
    assert all(change.wall_ms is None for change in middle.alarms)
    assert {change.name for change in middle.alarms} == {"ammonia_people"}
    middle.pass_time(400.0, **WELL)
    assert middle.core.state.alarms["/clock_not_trusted"].state.value == "unacknowledged"
    clocks.wall_s, clocks.synchronised = START + 1000.0, True
    middle.pass_time(90.0, **WELL)
    assert middle.flush()
    assert middle.core.state.alarms["/clock_not_trusted"].state.value == "returned"
    assert middle.flush()
    rows = middle.store._connection.execute("SELECT min(time_ms), max(time_ms), count(*) FROM dated").fetchall()
    assert rows == [(round((START + 30.0) * 1000), round((START + 1090.0) * 1000), 4 * (20 + 13 + 3))]
    undated = middle.store._connection.execute("SELECT count(*) FROM decision WHERE time_ms IS NULL").fetchall()
    assert undated == [(0,)]


@pytest.mark.parametrize("years", [-30.0, -1.0, 1.0, 4.0])
def test_a_wall_clock_that_jumps_years_moves_nothing(make_middle: Make, years: float) -> None:
    """No alarm, no fan change and no stored time comes of it; it is put right, and the days are the true ones."""
    steady = make_middle()
    clocks = HandClocks()
    middle = make_middle(steady.folder.with_name("jumping"), clocks=clocks)
    for barn in (steady, middle):
        barn.pass_time(1800.0, **(WELL | {"ammonia": 25.0}))
    clocks.wall_s += years * 365.25 * 86400.0
    for barn in (steady, middle):
        barn.pass_time(600.0, **(WELL | {"ammonia": 25.0}))
    clocks.wall_s -= years * 365.25 * 86400.0
    for barn in (steady, middle):
        barn.pass_time(1800.0, **(WELL | {"ammonia": 12.0}))
        assert barn.flush()
    assert middle.lines == steady.lines
    assert {change.name for change in middle.alarms} == {"ammonia_birds"}
    asked = "SELECT series, time_ms, value FROM dated ORDER BY 1, 2"
    jumped, stood = (barn.store._connection.execute(asked).fetchall() for barn in (middle, steady))
    assert jumped == stood


def test_a_jump_back_between_two_boots_dates_nothing_before_what_is_stored(make_middle: Make) -> None:
    """No battery clock: after a power cut the machine wakes in 1970; its readings wait, and the alarm of the night is open."""
    first = make_middle(clocks=HandClocks(keeps_time=False, synchronised=True))
    first.pass_time(1200.0, **(WELL | {"ammonia": 25.0}))
    assert first.flush()
    first.stop()
    first.clocks.reboot(wall_s=30.0)
    second = make_middle(clocks=first.clocks, rota=one_notice_an_alarm)
    second.pass_time(1000.0, **(WELL | {"ammonia": 25.0}))
    assert second.core.state.pens["brooder"].alarms["brooder/ammonia_birds"].state.value == "unacknowledged"
    assert [change.name for change in second.alarms] == ["clock_not_trusted"]
    assert second.flush()
    latest = second.store._connection.execute("SELECT max(time_ms) FROM dated").fetchone()
    assert latest == (round((START + 1200.0) * 1000),)
    second.clocks.wall_s, second.clocks.synchronised = START + 10_000.0, True
    second.pass_time(2.0)
    assert second.flush()
    assert second.flush()
    after = second.store._connection.execute("SELECT min(time_ms) FROM dated WHERE time_ms > ?", latest).fetchone()
    assert after == (round((START + 10_000.0 - 1000.0 + 30.0) * 1000),)


def test_a_clock_known_to_be_doubtful_after_a_reboot_is_an_alarm(make_middle: Make) -> None:
    """The last run trusted its clock; this one does not, and says so after its delay, without any change of mind between."""
    first = make_middle(clocks=HandClocks(keeps_time=False, synchronised=True))
    first.pass_time(60.0, **WELL)
    first.stop()
    first.clocks.reboot(wall_s=first.clocks.wall_s + 600.0)
    second = make_middle(clocks=first.clocks)
    second.pass_time(1000.0, **WELL)
    assert [change.name for change in second.alarms] == ["clock_not_trusted"]


def test_a_fan_never_chatters_over_jumps_of_the_clock(make_middle: Make) -> None:
    """A hundred jumps in an hour: no two changes nearer than the shortest on and off times allow."""
    the_pen = pen(the_fan=fan(command_topic="t", shortest_on_s=20.0, shortest_off_s=60.0))
    middle = make_middle(specification=site(the_pen))
    for n in range(100):
        middle.clocks.wall_s += (-1.0) ** n * 40_000_000.0
        middle.pass_time(36.0, **(WELL | {"ammonia": 8.0 + 14.0 * (n % 7 == 3)}))
    changes = [command for command in middle.commands if not command.again]
    assert len(changes) >= 4
    for former, later in pairwise(changes):
        if former.running != later.running:
            assert later.at - former.at >= (20.0 if former.running else 60.0)
