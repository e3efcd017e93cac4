"""Old commands of a fan become sums of ten minutes: how long it ran, and why, stays; the numbers of each go."""

from __future__ import annotations

from itertools import pairwise

import pytest

from monitor.engine.ladder import AMMONIA_DANGEROUS, MINIMUM_TIMER
from monitor.store.fan_sums import COMMAND_DAYS
from monitor.store.keep import Store
from monitor.store.reader import Reader

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
COMMANDS_A_DAY = 2 * 139 + 2


def a_day(store, say, day):
    """The timer for two minutes in ten, and ammonia from 12:03 to 12:48 over it."""
    told = []
    for start in range(day * DAY_MS, (day + 1) * DAY_MS, 600_000):
        if not 12.0 <= (start - day * DAY_MS) / HOUR_MS < 12.8:
            told.append(say.fan("a", True, start, reason=MINIMUM_TIMER))
            told.append(say.fan("a", False, start + 120_000, reason=MINIMUM_TIMER))
    noon = day * DAY_MS + 12 * HOUR_MS
    told.append(say.fan("a", True, noon + 180_000, reason=AMMONIA_DANGEROUS))
    told.append(say.fan("a", False, noon + 2_880_000, reason=AMMONIA_DANGEROUS))
    store.commit(say.batch(decisions=sorted(told, key=lambda one: one.wall_ms)))


@pytest.fixture
def filled(tmp_path, say):
    with Store.open(tmp_path) as store:
        for day in range(4):
            a_day(store, say, day)
        yield store


def ran(store, say, step_ms=600_000):
    """Seconds in each stretch of the four days."""
    with Reader(store.folder) as reader:
        starts = range(say.dawn_ms, say.dawn_ms + 4 * DAY_MS, step_ms)
        return [reader.fan_seconds("a", start, start + step_ms) for start in starts]


def tidy(store, now_ms, times=10):
    for _ in range(times):
        store.tidy(now_ms)


def commands(store):
    """Of the fan, as they stand in the file."""
    return store._connection.execute("SELECT count(*) FROM decision WHERE kind = 'fan'").fetchone()[0]


def told(store, **span):
    with Reader(store.folder) as reader:
        return reader.decisions("a", kinds=("fan",), **span)


def test_after_eight_weeks_each_ten_minutes_keep_how_long_the_fan_ran(filled, say):
    """To the millisecond in every ten minutes, in the days that are sums, in those that are not, and at their edge."""
    before = ran(filled, say)
    assert sum(before) == pytest.approx(4 * (139 * 120 + 2700))
    tidy(filled, say.dawn_ms + (COMMAND_DAYS + 2) * DAY_MS)
    assert ran(filled, say) == pytest.approx(before, abs=0.002)
    assert commands(filled) == 2 * COMMANDS_A_DAY + 1  # and the last command before, from which it goes on


def test_who_asks_for_old_commands_gets_the_sums_in_their_shape(filled, say):
    """Runs of the same length for the same reason, in order and never two at once; the note says what they are."""
    tidy(filled, say.dawn_ms + (COMMAND_DAYS + 2) * DAY_MS)
    found = told(filled)
    times = [one.time_ms for one in found]
    assert times == sorted(times)
    old = [one for one in found if one.time_ms < say.dawn_ms + 2 * DAY_MS]
    assert [one.state for one in found] == ["running", "resting"] * (len(found) // 2)
    lengths = {MINIMUM_TIMER: 0, AMMONIA_DANGEROUS: 0}
    for begin, end in zip(old[::2], old[1::2], strict=True):
        lengths[begin.reason] += end.time_ms - begin.time_ms
    assert lengths == {MINIMUM_TIMER: 2 * 139 * 120_000, AMMONIA_DANGEROUS: 2 * 2_700_000}
    assert {one.evidence["note"] for one in old} == {"summed over ten minutes: commands are kept for 56 days"}
    assert told(filled, from_ms=say.dawn_ms + 3 * DAY_MS) == found[-COMMANDS_A_DAY:]


def test_a_run_over_the_edge_goes_on(filled, say):
    """The fan runs while the day ends that becomes sums: no second of it is missing or counted twice."""
    filled.commit(say.batch(decisions=[say.fan("a", True, 4 * DAY_MS - 60_000), say.fan("a", False, 4 * DAY_MS + 90_000)]))
    tidy(filled, say.dawn_ms + (COMMAND_DAYS + 4) * DAY_MS)
    with Reader(filled.folder) as reader:
        edge = say.dawn_ms + 4 * DAY_MS
        assert reader.fan_seconds("a", edge - 600_000, edge) == pytest.approx(180.0)  # two minutes of the timer, and one
        assert reader.fan_seconds("a", edge, edge + 600_000) == pytest.approx(90.0)
    assert [(one.time_ms - edge, one.state) for one in told(filled, from_ms=edge - 600_000)][-2:] == [
        (0, "running"),
        (90_000, "resting"),
    ]


def test_a_variable_fan_keeps_its_load(filled, say):
    """Half speed for two minutes is told as half speed."""
    filled.commit(
        say.batch(
            decisions=[say.fan("b", True, 0, speed_pct=50.0), say.fan("b", False, 120_000), say.fan("b", False, 5 * DAY_MS)]
        )
    )
    tidy(filled, say.dawn_ms + (COMMAND_DAYS + 2) * DAY_MS)
    with Reader(filled.folder) as reader:
        assert reader.decisions("b", to_ms=say.dawn_ms + DAY_MS, kinds=("fan",))[0].speed_pct == pytest.approx(50.0)


def test_a_day_comes_after_the_day_before(filled, say):
    """In steps, a day at most with each call: the sums are those of one large step."""
    before = ran(filled, say)
    for day in range(COMMAND_DAYS, COMMAND_DAYS + 5):
        filled.tidy(say.dawn_ms + day * DAY_MS + 5_000_000)
        filled.tidy(say.dawn_ms + day * DAY_MS + 50_000_000)
        assert ran(filled, say) == pytest.approx(before, abs=0.002)
    assert commands(filled) == 1


def test_nothing_goes_without_a_trusted_time_nor_where_all_is_kept(tmp_path, say):
    """`raw_days = 0` keeps every command; a clock nobody trusts drops none."""
    with Store.open(tmp_path, raw_days=0) as store:
        a_day(store, say, 0)
        tidy(store, None)
        tidy(store, say.dawn_ms + 4000 * DAY_MS)
        assert commands(store) == COMMANDS_A_DAY


def test_what_the_mirror_has_not_yet_stays(filled, say):
    """A central engine that was away for long still gets every command."""
    filled.mirror.begin()
    tidy(filled, say.dawn_ms + (COMMAND_DAYS + 3) * DAY_MS)
    assert commands(filled) == 4 * COMMANDS_A_DAY


@pytest.mark.parametrize("days_later", [0, COMMAND_DAYS + 2, COMMAND_DAYS + 9], ids=["commands", "half sums", "nearly all sums"])
@pytest.mark.parametrize(("from_ms", "steps"), [(0, 96), (0, 4), (-DAY_MS, 10), (30 * 60_000, 7), (DAY_MS, 1)])
def test_many_steps_in_one_go_are_as_each_alone(filled, say, days_later, from_ms, steps):
    """Asked at once or step by step: the same, but for the ten minutes at an edge where commands have become sums; a run
    that stands over days is shared out over all its steps."""
    filled.commit(say.batch(decisions=[say.fan("a", True, 4 * DAY_MS + 90_000)]))
    tidy(filled, say.dawn_ms + days_later * DAY_MS)
    begin, end = say.dawn_ms + from_ms, say.dawn_ms + 7 * DAY_MS
    edges = [round(begin + (end - begin) * step / steps) for step in range(steps + 1)]
    with Reader(filled.folder) as reader:
        alone = [reader.fan_seconds("a", one, other) for one, other in pairwise(edges)]
        at_once = reader.fan_seconds_each("a", begin, end, steps)
    assert sum(at_once) == pytest.approx(sum(alone), abs=600.0 if days_later else 0.1)
    assert at_once == pytest.approx(alone, abs=600.0 if days_later else 0.1)
    if steps >= 7:  # the last step is all of it that last run
        assert at_once[-1] == pytest.approx((edges[-1] - edges[-2]) / 1000.0, abs=600.0 if days_later else 0.1)
