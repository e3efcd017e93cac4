"""Rate, standing, chattering, fleeting, longest: counted by hand on a small story, and on any story."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.events import AlarmChanged
from monitor.engine.specification import Priority
from monitor.engine.state import AlarmState
from monitor.review.alarm_measures import Measures, measures, most_within, spells

HOUR, DAY = 3600.0, 86400.0


def change(at: float, occurrence: int, state: str, former: str = "normal", name: str = "damp") -> AlarmChanged:
    priority = Priority.URGENT if name == "birds_cold" else Priority.MEDIUM
    return AlarmChanged(at, None, f"brooder/{name}", name, "brooder", "", former, state, priority, occurrence)


# at | occurrence | state
STORY = [
    change(0.0, 1, "unacknowledged", name="birds_cold"),
    change(300.0, 1, "acknowledged", name="birds_cold"),
    change(2 * HOUR, 1, "normal", name="birds_cold"),
    *(change(3 * HOUR + 200 * n, 2 + n, "unacknowledged") for n in range(3)),
    *(change(3 * HOUR + 200 * n + 90, 2 + n, "returned") for n in range(3)),
    change(5 * HOUR, 5, "suppressed", name="fan_weak"),
    change(6 * HOUR, 6, "unacknowledged", name="condensation"),
    change(7 * HOUR, 6, "acknowledged", name="condensation"),
]


@pytest.fixture
def two_days() -> Measures:
    return measures(sorted(STORY, key=lambda one: one.at), 0.0, 2 * DAY)


def test_the_rate_counts_what_rang(two_days: Measures) -> None:
    """Five rang in two days; what was suppressed under its cause did not."""
    assert (two_days.activations, two_days.a_day) == (5, 2.5)
    assert two_days.by_priority == {Priority.URGENT: 1, Priority.MEDIUM: 4}
    assert two_days.contributors[0] == ("brooder/damp", 3)
    assert two_days.most_in_ten_minutes == 3


def test_three_raisings_within_ten_minutes_chatter(two_days: Measures) -> None:
    """Damp came three times in 400 s and each time went within 90 s."""
    assert two_days.chattering == ("brooder/damp",)
    assert two_days.fleeting == 3


def test_what_stands_for_a_day_is_stale(two_days: Measures) -> None:
    """Acknowledged is not over: condensation has stood for 42 hours."""
    assert [spell.name for spell in two_days.standing] == ["condensation"]
    assert two_days.stale == two_days.standing
    assert two_days.longest is not None
    assert (two_days.longest.name, two_days.longest.lasted_s(2 * DAY)) == ("condensation", 42 * HOUR)


def test_how_soon_somebody_answered(two_days: Measures) -> None:
    """Five minutes and an hour: the median lies between."""
    assert two_days.acknowledged_after_s == (300 + HOUR) / 2


def test_an_occurrence_counts_once_however_often_it_is_shelved() -> None:
    """On the shelf and back is the same trouble, and it lasts until it is over."""
    story = [change(0, 1, "unacknowledged"), change(10, 1, "shelved"), change(500, 1, "unacknowledged"), change(900, 1, "normal")]
    (spell,) = spells(story)
    assert (spell.began_at, spell.ended_at) == (0, 900)


def test_an_alarm_that_rings_anew_ends_its_former_spell() -> None:
    """Grown from high to urgent it rings again: two activations, and only the second one stands."""
    story = [change(0, 1, "unacknowledged"), change(100, 2, "unacknowledged", former="unacknowledged")]
    counted = measures(story, 0.0, DAY)
    assert counted.activations == 2
    assert [spell.began_at for spell in counted.standing] == [100]


def test_nothing_rang_is_a_good_answer() -> None:
    """A quiet week has zeros, not errors."""
    quiet = measures([], 0.0, 7 * DAY)
    assert (quiet.activations, quiet.a_day, quiet.longest, quiet.acknowledged_after_s) == (0, 0.0, None, None)


def test_a_stretch_without_length_is_refused() -> None:
    """A rate over no time is no number."""
    with pytest.raises(ValueError, match="has no length"):
        measures([], 5.0, 5.0)


@given(st.lists(st.floats(0, 1e5), max_size=40), st.floats(0, 1e4))
def test_the_busiest_stretch_is_found(times: list[float], seconds: float) -> None:
    """The sliding count agrees with counting from every instant."""
    assert most_within(times, seconds) == max((sum(0 <= t - start <= seconds for t in times) for start in times), default=0)


CHANGES = st.lists(st.tuples(st.floats(0, 1e6), st.integers(1, 6), st.sampled_from(AlarmState)), max_size=40)


@given(CHANGES)
def test_any_story_can_be_counted(story: list[tuple[float, int, AlarmState]]) -> None:
    """Whatever the life cycle did, no spell is negative and nothing is counted twice."""
    changes = [change(at, number, state.value) for at, number, state in sorted(story)]
    counted = measures(changes, 0.0, 1e6)
    assert counted.activations == sum(count for _, count in counted.contributors)
    assert all(spell.lasted_s(1e6) >= 0 for spell in spells(changes))
    assert counted.activations <= 6
