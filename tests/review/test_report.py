"""The morning line in one glance, the weekly sheet in one screen, and no number that nobody measured."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.events import AlarmChanged
from monitor.engine.specification import Priority
from monitor.engine.wording import GLANCE
from monitor.review.alarm_measures import measures
from monitor.review.report import Night, PenDay, PenWeek, morning_line, weekly_sheet

FINE = Night(
    "brooder", low_c=28.9, low_at="05:50", high_c=32.2, high_at="21:10", cold_c=25.0, hot_c=36.0,
    ammonia_peak_ppm=11.0, ammonia_peak_at="06:20", ammonia_limit_ppm=20.0, fan_s=4320.0, due=("raise the lamp 2 in",),
)  # fmt: skip


def test_a_fine_night_is_one_line() -> None:
    """Low and high at bird level, the dawn peak, fan hours and what is due, in the keeper's units."""
    said = morning_line("Mill Rise", [FINE], "us")
    assert said.title == "Mill Rise: night fine, brooder low 84 °F"
    assert said.body == (
        "Brooder: low 84 °F at 05:50, high 90 °F at 21:10, ammonia 11 ppm at 06:20 (limit 20 ppm), fan 1.2 h. "
        "Today: raise the lamp 2 in."
    )


def test_a_metric_keeper_reads_celsius() -> None:
    """The same night for one who thinks in Celsius."""
    assert morning_line("Mill Rise", [FINE], "metric").title == "Mill Rise: night fine, brooder low 28.9 °C"


@pytest.mark.parametrize(
    ("night", "title"),
    [
        (replace(FINE, low_c=21.7), "Mill Rise: brooder was cold, 71 °F"),
        (replace(FINE, high_c=36.7), "Mill Rise: brooder was hot, 98 °F"),
        (replace(FINE, ammonia_peak_ppm=23.0), "Mill Rise: brooder ammonia 23 ppm at dawn"),
        (replace(FINE, unwatched_s=7200.0), "Mill Rise: brooder unwatched 2 h"),
        (Night("brooder"), "Mill Rise: the night was not measured"),
    ],
)
def test_the_title_tells_what_was_not_fine(night: Night, title: str) -> None:
    """A cold hour in the night is not called fine because it is over, and an unmeasured night is not called fine at all."""
    assert morning_line("Mill Rise", [night], "us").title == title


def test_what_still_stands_comes_first() -> None:
    """An open alarm stands in front of the night's figures."""
    said = morning_line("Mill Rise", [FINE], "us", ["Brooder: fan does not obey"])
    assert said.title == "Mill Rise: 1 open, Brooder: fan does not obey"
    assert said.body.splitlines()[0] == "Open: Brooder: fan does not obey"


def test_what_was_not_measured_is_said_in_words() -> None:
    """No sensor, no number."""
    body = morning_line("Mill Rise", [Night("house", fan_s=3600.0)], "us").body
    assert body == "House: birds' place not measured, ammonia not measured, fan 1.0 h."


def test_the_week_is_a_table_with_dashes_where_nothing_was_measured() -> None:
    """One row a day; eggs only where eggs are counted; then the notes and how the alarms behaved."""
    days = (
        PenDay(date(2026, 3, 23), 28.9, 32.2, 11.0, 4320.0, eggs=9),
        PenDay(date(2026, 3, 24), 28.3, 31.7, None, None, eggs=11),
    )
    change = AlarmChanged(3600.0, None, "house/damp", "damp", "house", "", "normal", "unacknowledged", Priority.MEDIUM, 1)
    counted = measures([change], 0.0, 7 * 86400.0)
    said = weekly_sheet("Mill Rise", [PenWeek("house", days, ("Litter: cannot tell.",), ("turn the litter",))], "us", counted)
    assert said.title == "Mill Rise: the week, 23 Mar to 24 Mar"
    assert said.body.splitlines() == [
        "House",
        "   day    low   high  ammonia    fan  eggs",
        "Mon 23  84 °F  90 °F   11 ppm  1.2 h     9",
        "Tue 24  83 °F  89 °F        –      –    11",
        "Litter: cannot tell.",
        "Due: turn the litter.",
        "",
        "Alarms: 1 in 7 days, 0 of them urgent. Most often: house/damp (1). Longest: house/damp (6 days 23 h). "
        "Standing for a day or longer: house/damp; mend it or shelve it.",
    ]


def test_a_week_that_could_not_be_counted_says_so() -> None:
    """Neither "none" nor a zero stands for what is not known."""
    assert weekly_sheet("Mill Rise", [], "us").body == "Alarms: not counted this week."
    assert weekly_sheet("Mill Rise", [], "us", measures([], 0.0, 7 * 86400.0)).body == "Alarms: none in 7 days."


NUMBER = st.none() | st.floats(-40, 60)
NIGHTS = st.lists(
    st.builds(Night, st.text(min_size=1, max_size=40), NUMBER, st.just("05:00"), NUMBER, st.just(""), NUMBER, NUMBER, NUMBER),
    max_size=4,
)


@given(st.text(min_size=1, max_size=60), NIGHTS, st.sampled_from(["us", "metric"]), st.lists(st.text(max_size=80), max_size=2))
def test_any_figures_make_a_readable_line(site: str, nights: list[Night], units: str, alarms: list[str]) -> None:
    """Whatever was or was not measured, the title fits a lock screen and no None is shown."""
    said = morning_line(site, nights, units, alarms)
    assert 0 < len(said.title) <= GLANCE
    assert len(said.body.split("\n")) >= len(nights)
    assert "None" not in said.body.replace(site, "") or any("None" in text for text in [*alarms, *(n.pen for n in nights)])
