"""The chores of the wall clock, on the real scheduler, while the wall clock is set and elapsed time is not."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from datetime import date, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

import pytest
from apscheduler.executors import base as running
from apscheduler.schedulers import base as planning

from monitor.daemon.chores import Chore, Chores
from monitor.engine.timeline import Glance
from tests.daemon.conftest import until

DUBLIN = ZoneInfo("Europe/Dublin")
WITHIN_S = 10.0


class Wall:
    """A wall clock that can be set; elapsed time goes on by itself."""

    def __init__(self) -> None:
        self.ahead_s = 0.0
        self.trusted = True

    def set(self, local: str, zone: ZoneInfo = DUBLIN) -> None:
        self.ahead_s = datetime.fromisoformat(local).replace(tzinfo=zone).timestamp() - time.monotonic()

    @property
    def wall_s(self) -> float:
        return time.monotonic() + self.ahead_s

    def glance(self) -> Glance:
        return Glance(time.monotonic(), "boot", self.wall_s, True, False)

    def wall_ms(self) -> int | None:
        return round(self.wall_s * 1000) if self.trusted else None


@pytest.fixture
def wall(monkeypatch: pytest.MonkeyPatch) -> Wall:
    """The library reads this clock too."""
    clock = Wall()

    class Set(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override] # the library wants any datetime
            return datetime.fromtimestamp(clock.wall_s, tz)

    monkeypatch.setattr(planning, "datetime", Set)
    monkeypatch.setattr(running, "datetime", Set)
    return clock


class Diary:
    """What was done, and a way to wait for it."""

    def __init__(self) -> None:
        self.days: list[date] = []
        self._changed = threading.Condition()

    def do(self, day: date) -> None:
        with self._changed:
            self.days.append(day)
            self._changed.notify_all()

    def wait(self, count: int, within_s: float = WITHIN_S) -> bool:
        with self._changed:
            return self._changed.wait_for(lambda: len(self.days) >= count, within_s)


Make = Callable[..., Chores]


@pytest.fixture
def make(wall: Wall) -> Iterator[Make]:
    made: list[Chores] = []

    def build(*chores: Chore, zone: ZoneInfo = DUBLIN) -> Chores:
        it = Chores(chores, zone, wall.glance, wall.wall_ms, lambda: wall.trusted)
        it.start()
        made.append(it)
        return it

    yield build
    for one in made:
        one.stop()


def test_a_chore_is_done_at_its_local_hour(wall: Wall, make: Make) -> None:
    """Half past six is half past six where the birds are."""
    wall.set("2026-07-01T06:29:58.8")
    diary = Diary()
    make(Chore("morning line", (6, 30), diary.do)).look()
    assert diary.wait(1)
    assert diary.days == [date(2026, 7, 1)]


def test_nothing_is_scheduled_until_the_clock_is_trusted(wall: Wall, make: Make) -> None:
    """A board without a battery clock boots in the past: no backup is named by that day."""
    wall.set("2026-07-01T06:29:59.8")
    wall.trusted = False
    diary = Diary()
    chores = make(Chore("morning line", (6, 30), diary.do, late_s=3600.0))
    chores.look()
    assert chores.builds == 0
    assert not diary.wait(1, 0.6)
    wall.trusted = True
    chores.look()  # it is 06:30 and a little: not too late
    assert diary.wait(1)


@pytest.mark.parametrize("years", [-2, 1, 3])
def test_a_wall_clock_set_by_years_costs_nothing_and_loses_no_day(wall: Wall, make: Make, years: int) -> None:
    """Left to itself the scheduler would list every missed run of those years, or stand still for them."""
    wall.set("2026-07-01T12:00:00")
    diary = Diary()
    chores = make(Chore("morning line", (6, 30), diary.do, late_s=3600.0))
    chores.look()
    began = time.process_time()
    wall.set(f"{2026 + years}-03-03T06:29:59")
    chores._scheduler.wakeup()  # it may notice before we do
    chores.look()
    assert chores.builds == 2
    assert diary.wait(1)
    assert diary.days == [date(2026 + years, 3, 3)]
    assert time.process_time() - began < 1.0


def test_the_trigger_jumps_over_what_was_missed(wall: Wall, make: Make) -> None:
    """Asked after years, its one answer is the next run to come; never the day after the last one."""
    wall.set("2026-07-01T12:00:00")
    chores = make(Chore("morning line", (6, 30), Diary().do))
    chores.look()
    (job,) = chores._scheduler.get_jobs()
    now = datetime(2029, 7, 1, 12, tzinfo=DUBLIN)
    assert job.trigger.get_next_fire_time(datetime(2026, 7, 1, 6, 30, tzinfo=DUBLIN), now) == datetime(
        2029, 7, 2, 6, 30, tzinfo=DUBLIN
    )


def test_an_hour_back_does_not_do_a_chore_twice(wall: Wall, make: Make) -> None:
    """The clock is set back across the hour: the keeper gets one line that morning."""
    wall.set("2026-07-01T06:29:59.7")
    diary = Diary()
    chores = make(Chore("morning line", (6, 30), diary.do, late_s=3600.0))
    chores.look()
    assert diary.wait(1)
    wall.set("2026-07-01T06:29:59.7")
    wall.ahead_s -= 61.0
    chores.look()
    wall.set("2026-07-01T06:29:59.7")
    chores.look()
    assert chores.builds == 3
    assert not diary.wait(2, 0.8)


def test_a_drifting_clock_builds_nothing_anew(wall: Wall, make: Make) -> None:
    """The network's small corrections are no steps."""
    wall.set("2026-07-01T12:00:00")
    chores = make(Chore("morning line", (6, 30), Diary().do))
    for _ in range(50):
        wall.ahead_s += 1.0
        chores.look()
    assert chores.builds == 1


@pytest.mark.parametrize(
    ("zone", "night"),
    [
        ("Europe/Dublin", "2026-03-29"),
        ("Europe/Dublin", "2026-10-25"),
        ("America/New_York", "2026-03-08"),
        ("America/New_York", "2026-11-01"),
        ("Australia/Lord_Howe", "2026-10-04"),
        ("America/Santiago", "2026-09-06"),
    ],
)
def test_each_chore_comes_once_in_the_nights_when_the_clocks_change(wall: Wall, make: Make, zone: str, night: str) -> None:
    """The skipped and the doubled hour lie before four: through the whole night the next run is always the right one."""
    place = ZoneInfo(zone)
    wall.set(f"{night}T12:00:00", place)
    chores = make(*(Chore(f"{hour}:{minute}", (hour, minute), Diary().do) for hour, minute in ((4, 10), (6, 30))), zone=place)
    chores.look()
    midnight = datetime.fromisoformat(f"{night}T00:00:00").replace(tzinfo=place)
    for job in chores._scheduler.get_jobs():
        fired = set()
        for quarter in range(4 * 24):
            now = midnight.astimezone(ZoneInfo("UTC")) + timedelta(minutes=15 * quarter)
            fired.add(job.trigger.get_next_fire_time(None, now.astimezone(place)))
        at = [one for one in fired if one is not None and one.astimezone(place).date().isoformat() == night]
        assert [f"{one.astimezone(place):%-H:%-M}" for one in at] == [job.name]


def test_what_fell_due_while_nobody_ran_is_done_at_the_start_if_not_too_late(wall: Wall, make: Make) -> None:
    """Power back at seven: the morning line still comes; power back in the afternoon: it does not."""
    diary = Diary()
    wall.set("2026-07-01T07:00:00")
    make(Chore("morning line", (6, 30), diary.do, late_s=4 * 3600.0)).look()
    assert diary.wait(1)
    late = Diary()
    wall.set("2026-07-01T15:00:00")
    make(Chore("morning line", (6, 30), late.do, late_s=4 * 3600.0)).look()
    assert not late.wait(1, 0.3)


def test_a_weekly_chore_keeps_to_its_day(wall: Wall, make: Make) -> None:
    """The sheet of the week comes on Monday: 6 July 2026 is one."""
    wall.set("2026-07-05T06:34:59.7")
    diary = Diary()
    chores = make(Chore("weekly sheet", (6, 35), diary.do, weekday="mon"))
    chores.look()
    assert not diary.wait(1, 0.6)
    wall.set("2026-07-06T06:34:58.8")
    chores.look()
    assert diary.wait(1)


def test_a_chore_that_fails_is_named_and_stops_no_other(wall: Wall, make: Make) -> None:
    """A full disk fails the backup; the morning line comes, and says so."""
    diary = Diary()

    def fail(_: date) -> None:
        raise OSError("no room")

    wall.set("2026-07-01T06:29:58.8")
    chores = make(Chore("nightly backup", (6, 30), fail), Chore("morning line", (6, 30), diary.do))
    chores.look()
    assert diary.wait(1)
    assert until(lambda: chores.failed == {"nightly backup": "no room"})


def test_a_stop_does_not_wait_for_a_chore_under_way(wall: Wall, make: Make) -> None:
    """A backup of minutes must not hold up a restart."""
    begun, release = threading.Event(), threading.Event()

    def long(_: date) -> None:
        begun.set()
        release.wait(30)

    wall.set("2026-07-01T06:29:58.8")
    chores = make(Chore("nightly backup", (6, 30), long))
    chores.look()
    assert begun.wait(WITHIN_S)
    began = time.monotonic()
    chores.stop(within_s=0.1)
    assert time.monotonic() - began < 2.0
    release.set()
