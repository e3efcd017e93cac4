"""The week's picture: well-formed whatever was measured, gaps where nothing was, limits named."""

from __future__ import annotations

from datetime import date, timedelta
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.review.picture import HEIGHT, WIDTH, week_picture
from monitor.review.report import PenDay, PenWeek

SVG = "{http://www.w3.org/2000/svg}"
MONDAY = date(2026, 3, 23)


def texts(picture: str) -> list[str]:
    return [element.text or "" for element in ElementTree.fromstring(picture).iter(f"{SVG}text")]


def test_a_week_is_drawn_with_its_limits_in_the_keepers_units() -> None:
    """Seven bars and six dots for seven days of which one had no ammonia sensor; both limits are labelled."""
    days = tuple(PenDay(MONDAY + timedelta(n), 27.0 + n / 2, 31.0, None if n == 3 else 8.0 + n) for n in range(7))
    picture = week_picture(PenWeek("brooder", days), "us", cold_c=25.0, ammonia_limit_ppm=20.0)
    root = ElementTree.fromstring(picture)
    assert len(root.findall(f"{SVG}rect")) == 1 + 7
    assert len(root.findall(f"{SVG}circle")) == 6
    assert {"Brooder: warmth at bird level, °F", "too cold 77", "limit 20", "Mon 23", "Sun 29"} <= set(texts(picture))


def test_higher_is_drawn_higher() -> None:
    """A dot of more ammonia stands above one of less."""
    days = (PenDay(MONDAY, ammonia_dawn_ppm=5.0), PenDay(MONDAY + timedelta(1), ammonia_dawn_ppm=15.0))
    low, high = ElementTree.fromstring(week_picture(PenWeek("b", days), "us")).findall(f"{SVG}circle")
    assert float(high.attrib["cy"]) < float(low.attrib["cy"])


def test_what_was_not_measured_is_said_not_drawn() -> None:
    """A pen without sensors has two empty frames with words in them."""
    assert texts(week_picture(PenWeek("house", (PenDay(MONDAY),)), "metric")).count("not measured") == 2


def test_no_day_is_no_picture() -> None:
    """An empty week is refused by name."""
    with pytest.raises(ValueError, match="no day to draw for house"):
        week_picture(PenWeek("house", ()), "us")


NUMBER = st.none() | st.floats(-60, 80)
DAYS = st.lists(
    st.builds(PenDay, st.dates(date(2020, 1, 1), date(2040, 1, 1)), NUMBER, NUMBER, st.none() | st.floats(0, 500)), min_size=1
)


@given(st.text(), DAYS, NUMBER, st.none() | st.floats(1, 100))
def test_any_week_is_well_formed_and_inside_its_frame(
    pen: str, days: list[PenDay], cold: float | None, limit: float | None
) -> None:
    """Whatever the name and the figures: valid XML, and every mark within the picture."""
    root = ElementTree.fromstring(week_picture(PenWeek(pen, tuple(days)), "us", cold_c=cold, ammonia_limit_ppm=limit))
    for mark in root.iter(f"{SVG}circle"):
        assert 0 <= float(mark.attrib["cx"]) <= WIDTH
        assert 0 <= float(mark.attrib["cy"]) <= HEIGHT
