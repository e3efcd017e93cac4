"""The overnight low from the last nights: what must hold, whatever the numbers."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.overnight import Night, decrement_ratio, expected_outside_low_c, overnight_low_c
from monitor.air.ranges import OutOfRange


@given(st.floats(0.0, 1.2), st.lists(st.tuples(st.floats(-10.0, 25.0), st.floats(2.0, 20.0)), min_size=1, max_size=7))
def test_nights_that_follow_one_ratio_give_it_back(ratio, evenings):
    """Whatever the weather of each night."""
    nights = [Night(evening, evening - ratio * lead, evening - lead) for evening, lead in evenings]
    assert decrement_ratio(nights) == pytest.approx(ratio, abs=1e-9)


@given(st.floats(-10.0, 25.0), st.floats(0.0, 20.0), st.floats(0.0, 1.0))
def test_the_low_lies_between_evening_and_outside_low(evening, lead, ratio):
    """A pen that loses at most its lead gets no colder than the outside."""
    assert evening - lead - 1e-9 <= overnight_low_c(evening, evening - lead, ratio) <= evening


def test_the_decrement_ratio_of_like_nights_is_theirs():
    """Each night loses half of the evening's lead."""
    nights = [Night(12.0, 7.0, 2.0), Night(15.0, 10.0, 5.0), Night(10.0, 4.0, -2.0)]
    assert decrement_ratio(nights) == pytest.approx(0.5)
    assert overnight_low_c(11.0, 1.0, 0.5) == 6.0


def test_the_decrement_ratio_stays_between_none_and_a_little_over_one():
    """A warm front or a door left open does not make a rule."""
    assert decrement_ratio([Night(10.0, 12.0, 2.0)]) == 0.0
    assert decrement_ratio([Night(10.0, -10.0, 2.0)]) == 1.2
    assert decrement_ratio([Night(10.0, 10.0, 10.0)]) is None
    assert decrement_ratio([]) is None


def test_without_a_forecast_the_outside_falls_as_it_did():
    """The mean fall of the nights that are known; none known, no answer."""
    nights = [Night(12.0, 7.0, 2.0, 6.0), Night(12.0, 7.0, 0.0, 8.0), Night(12.0, 7.0, 0.0)]
    assert expected_outside_low_c(5.0, nights) == pytest.approx(-1.0)
    assert expected_outside_low_c(5.0, nights[2:]) is None


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: overnight_low_c(10.0, 0.0, 1.5), "ratio"),
        (lambda: expected_outside_low_c(99.0, []), "outside_evening_c"),
    ],
)
def test_a_number_outside_the_range_is_refused_by_name(call, named):
    """No answer outside the range stated."""
    with pytest.raises(OutOfRange, match=named):
        call()
