"""Each story ends in its own alarm, timed so that a watcher need not wait."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from demo.closed_loop import Loop
from demo.litter import DAY_S
from demo.settings_text import specification
from demo.show import AGE_DAYS, spring_world
from demo.stories import NEAR_ENOUGH_S, STORIES, deeds_of, find, must_begin_at_s, rings_at_s

TONIGHT = date(2026, 4, 21)
PEN = "brooder"


@pytest.fixture(scope="module")
def evening() -> Loop:
    """Mill Rise after a day of its own, at nine in the evening."""
    told = specification("steady", date.fromordinal(TONIGHT.toordinal() - AGE_DAYS))
    start = datetime(2026, 4, 20, 20, 0, tzinfo=UTC)
    wall0_ms = int(start.timestamp() * 1000)
    loop = Loop(spring_world(told.pens[PEN], 1.0, 7, start), told, at0=wall0_ms / 1000, wall0_ms=wall0_ms)
    loop.run(0.9 * DAY_S)
    return loop


def test_a_usual_evening_rings_nothing(evening):
    """Before any story there is no open alarm: what rings later is the story's."""
    assert not [r.name for r in evening.state.pens[PEN].alarms.values() if r.standing]


@pytest.mark.parametrize("story", [s for s in STORIES if not s.live], ids=lambda s: s.name)
def test_a_slow_trouble_can_be_begun_so_that_its_alarm_is_due_when_wanted(evening, story):
    """The moment worked out ahead is the moment it rings, to within two minutes: the room heater's turns make a ring jump."""
    wanted_s = evening.world.time_s + 2.2 * 3600
    at_s = must_begin_at_s(story, evening, wanted_s)
    assert at_s is not None
    assert evening.world.time_s < at_s < wanted_s
    rang_s = rings_at_s(story, evening, at_s)
    assert rang_s is not None
    assert abs(rang_s - wanted_s) <= max(NEAR_ENOUGH_S, 120.0)


@pytest.mark.parametrize("story", [s for s in STORIES if s.live], ids=lambda s: s.name)
def test_a_quick_trouble_rings_within_two_minutes(evening, story):
    """Begun live, the alarm comes while one watches."""
    at_s = evening.world.time_s + 60
    rang_s = rings_at_s(story, evening, at_s)
    assert rang_s is not None
    assert rang_s - at_s <= 120


def test_playing_ahead_leaves_the_barn_as_it_was(evening):
    """A copy is played, never the barn itself."""
    story = find("lamp-dies")
    assert story is not None
    before = (evening.world.time_s, evening.world.barn.lift_c, evening.world.barn.lamp.health, evening.state)
    rings_at_s(story, evening, evening.world.time_s)
    assert (evening.world.time_s, evening.world.barn.lift_c, evening.world.barn.lamp.health, evening.state) == before


def test_all_six_stories_are_there():
    """Lamp, ammonia, fan, probe, radio, mains; each named alarm is one the product knows."""
    assert [s.name for s in STORIES] == ["lamp-dies", "ammonia-climbs", "fan-seizes", "probe-falls", "radio-lost", "mains-lost"]
    assert find("no such story") is None
    assert all(deeds_of(s, 100.0) for s in STORIES)
