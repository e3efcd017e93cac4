"""What a tired person reads: in one glance, in the keeper's units, and well even when numbers are missing."""

from __future__ import annotations

import json
import string
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.events import AlarmChanged
from monitor.engine.specification import Priority, Specification
from monitor.engine.state import AlarmRecord, AlarmState
from monitor.engine.translation import CatalogueMistake, catalogue_from
from monitor.engine.wording import (
    FIELDS,
    GLANCE,
    Texts,
    all_clear_words,
    started_words,
    words,
)
from monitor.engine.wording_english import ENGLISH

# The stable alarm names: they stand in decisions, the API and topics.
NAMES = [
    *("birds_cold", "birds_hot", "heat_failing", "heat_rising", "cold_by_morning"),
    *("ammonia_birds", "ammonia_people", "ammonia_by_morning", "damp", "dry"),
    *("condensation", "frostbite", "airflow_short", "fan_not_obeying", "fan_weak"),
    *("sensor_silent", "sensor_stuck", "sensor_implausible", "sensors_disagree", "mains_lost"),
    *("broker_lost", "clock_not_trusted", "store_failing", "notice_not_delivered", "mirror_behind"),
]


def site(units: str = "us") -> Specification:
    return Specification("Mill Rise", "Europe/Dublin", units, 50.0, {}, {}, {})


def changed(
    name: str, evidence: Mapping[str, Any], wall_ms: int | None = 1_774_404_000_000, pen: str = "brooder"
) -> AlarmChanged:
    return AlarmChanged(1000.0, wall_ms, f"{pen}/{name}", name, pen, "", "normal", "unacknowledged", Priority.URGENT, 7, evidence)


HEAT_FAILING: dict[str, Any] = {
    "value": 24.4,
    "unit": "degC",
    "limit": 27.2,
    "source": "Penn State",
    "for_s": 180.0,
    "age_days": 13.0,
    "target_low": 30.0,
    "target_high": 32.0,
    "slope_per_min": -0.33,
    "reaches": 21.1,
    "reaches_at_s": 1000.0 + 14 * 60,
}


def test_a_failing_lamp_is_told_in_one_glance() -> None:
    """The first line says where, how cold, what was wanted and what is wrong, in the keeper's units."""
    said = words(changed("heat_failing", HEAT_FAILING), site(), ENGLISH, link="http://192.168.1.20:8720/a/x")
    assert said.title == "Brooder 76 °F, wanted 86: heat failing"
    assert said.body == ("Since 01:57. Falling 0.6 °F a minute; at 70 °F by 02:14. Limit 81 °F (birds 13 days, Penn State).")
    assert said.message.splitlines()[1].startswith("1 Look")
    assert "fire" in said.message
    assert said.message.endswith("Tap to say you have it: http://192.168.1.20:8720/a/x")


def test_a_metric_keeper_reads_degrees_celsius() -> None:
    """No Fahrenheit reaches a keeper who set metric units."""
    said = words(changed("heat_failing", HEAT_FAILING), site("metric"), ENGLISH)
    assert said.title == "Brooder 24.4 °C, wanted 30.0: heat failing"
    assert "°F" not in said.message
    assert "0.3 °C a minute" in said.body


def test_without_a_trusted_clock_spans_stand_in_for_times() -> None:
    """When the hour is not known no hour is named: how long and how soon are told instead."""
    said = words(changed("heat_failing", HEAT_FAILING, wall_ms=None), site(), ENGLISH)
    assert "For 3 min now." in said.body
    assert "at 70 °F in 14 min" in said.body


@pytest.mark.parametrize("name", NAMES)
def test_every_alarm_has_words_even_without_any_number(name: str) -> None:
    """No alarm goes out empty, with a brace in it, or with a number nobody measured."""
    said = words(changed(name, {}), site(), ENGLISH)
    assert name in ENGLISH.alarms
    assert 10 <= len(said.title) <= GLANCE
    assert 1 <= len(said.steps) <= 3
    assert "{" not in said.title + said.message
    assert "None" not in said.message
    over = all_clear_words(changed(name, {}), site(), ENGLISH)
    assert 10 <= len(over.title) <= GLANCE
    assert over.body


@pytest.mark.parametrize("name", NAMES)
def test_the_matter_stands_in_the_first_sixty_characters(name: str) -> None:
    """A long pen name is cut, not the trouble: the last words of the title are still there."""
    evidence = HEAT_FAILING | {"sensor": "the old thermometer on the long north wall"}
    short = words(changed(name, evidence), site(), ENGLISH)
    long_name = words(changed(name, evidence, pen="former cart shed, north stall by the orchard gate"), site(), ENGLISH)
    assert len(long_name.title) <= GLANCE
    assert long_name.title.split()[-1] == short.title.split()[-1]


def test_the_catalogue_names_exactly_the_alarms_there_are() -> None:
    """A new alarm without words, or words without an alarm, is noticed here."""
    assert sorted(ENGLISH.alarms) == sorted(NAMES)


@pytest.mark.parametrize(
    ("name", "caution"),
    [
        ("ammonia_people", "Stay out"),
        ("ammonia_people", "Never alone"),
        ("ammonia_birds", "get out"),
        ("heat_failing", "fire"),
        ("heat_failing", "carbon monoxide"),
        ("birds_hot", "fire service first"),
        ("frostbite", "No lamp"),
        ("birds_cold", "fire"),
        ("heat_failing", "breaker off, call an electrician"),
        ("mains_lost", "carbon monoxide"),
        ("heat_rising", "fire service first"),
        ("fan_not_obeying", "it can start by itself"),
        ("fan_weak", "Breaker off"),
        ("damp", "breaker off"),
    ],
)
def test_where_one_can_be_hurt_the_steps_say_so(name: str, caution: str) -> None:
    """Ammonia, lamp, wiring, fan blades and engine fumes carry their caution in the steps."""
    assert caution in " ".join(words(changed(name, {}), site(), ENGLISH).steps)


def test_the_all_clear_says_how_long_and_how_low() -> None:
    """The keeper learns from the all clear what the birds went through."""
    record = AlarmRecord(
        "brooder/birds_cold", "birds_cold", "brooder", "", AlarmState.RETURNED, Priority.URGENT,
        raised_at=1000.0, changed_at=1000.0 + 40 * 60, evidence={"unit": "degC", "value": 30.0}, worst=21.1,
    )  # fmt: skip
    said = all_clear_words(record, site(), ENGLISH)
    assert said.title == "Brooder warm enough again"
    assert said.body == "Too cold for 40 min, lowest 70 °F."


def test_twins_that_disagree_are_both_named() -> None:
    """The two readings are temperatures, the limit between them is a difference: 3 K are 5.4 °F, not 37."""
    evidence = {"value": 30.0, "other_value": 34.0, "unit": "degC", "limit": 3.0, "note": "which is right is not known"}
    said = words(changed("sensors_disagree", evidence), site(), ENGLISH)
    assert said.title == "Brooder: two sensors disagree, 86 °F and 93 °F"
    assert said.body == "Since 02:00. Limit 5.4 °F. Which is right is not known."


def test_a_sensor_of_states_has_no_percentage() -> None:
    """What a silent mains sensor last said was on or off."""
    said = words(changed("sensor_silent", {"value": 1.0, "unit": "1", "sensor": "mains"}), site(), ENGLISH)
    assert "Last it said on." in said.body


def test_a_fan_that_does_not_obey_says_both_sides() -> None:
    """Told and reported stand side by side, and why it is believed."""
    evidence = {"commanded": "running", "reported": "resting", "note": "the relay reports the opposite"}
    body = words(changed("fan_not_obeying", evidence, wall_ms=None), site(), ENGLISH).body
    assert body.startswith("Told: running, reports: resting.")
    assert body.endswith("The relay reports the opposite.")


def test_the_change_that_ends_an_alarm_tells_all_by_itself() -> None:
    """The engine's last change carries how long and how low; nothing else is needed for the all clear."""
    change = changed("birds_cold", {"unit": "degC", "value": 30.0, "worst": 21.1, "lasted_s": 2400.0})
    assert all_clear_words(change, site(), ENGLISH).body == "Too cold for 40 min, lowest 70 °F."


def test_a_share_reads_as_a_percentage() -> None:
    """An airflow of 0.62 of what is needed reads as 62 %."""
    assert words(changed("airflow_short", {"value": 0.62, "unit": "1"}), site(), ENGLISH).title.startswith(
        "Brooder: fan moves 62 %"
    )


def test_a_sensor_is_named_without_its_pen_twice() -> None:
    """The evidence holds the whole key; the title names the pen once."""
    said = words(changed("sensor_silent", {"sensor": "brooder/chick height"}), site(), ENGLISH)
    assert said.title == "Brooder: chick height is silent"


def test_a_site_wide_alarm_names_the_site() -> None:
    """Trouble of no pen is told under the site's name."""
    assert words(changed("broker_lost", {}, pen=""), site(), ENGLISH).title == "Mill Rise: blind, no readings arrive"


def test_a_second_telling_says_that_nobody_has_it_yet() -> None:
    """A repeat and an escalation explain themselves."""
    assert "nobody has it yet" in words(changed("birds_cold", {}), site(), ENGLISH, kind="again").body
    assert "have not answered" in words(changed("birds_cold", {}), site(), ENGLISH, kind="escalated").body


@pytest.mark.parametrize(("dark_s", "expected"), [(5400.0, "Nobody watched for 1 h 30 min"), (None, "cannot tell for how long")])
def test_a_start_after_a_crash_says_how_long_it_was_dark(dark_s: float | None, expected: str) -> None:
    """The dark time is named, or it is said that it is not known."""
    said = started_words(site(), ENGLISH, dark_s)
    assert expected in said.body
    assert len(said.title) <= GLANCE


def test_another_language_replaces_what_it_holds_and_keeps_the_rest() -> None:
    """A half-finished translation still says everything."""
    titles = ["{pen} {value}, soll {wanted}: Tiere zu kalt", "{pen}: zu kalt"]
    given_texts = json.loads(json.dumps({"language": "de", "alarms": {"birds_cold": {"titles": titles}}}))
    german = catalogue_from(given_texts, ENGLISH)
    assert words(changed("birds_cold", HEAT_FAILING), site(), german).title == "Brooder 76 °F, soll 86: Tiere zu kalt"
    assert words(changed("birds_cold", {}), site(), german).title == "Brooder: zu kalt"
    assert words(changed("birds_hot", {}), site(), german).title == "Brooder: birds too hot"


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"alarm": {}}, "expected language, frame or alarms"),
        ({"alarms": {"birds_chilly": {}}}, "no alarm has this name"),
        ({"alarms": {"damp": {"title": "x"}}}, "alarms.damp.title: expected one of titles"),
        ({"alarms": {"damp": {"titles": ["{pen} {temperature}"]}}}, "{temperature} is no field"),
        ({"alarms": {"damp": {"titles": [7]}}}, "expected a text, got '7'"),
        ({"alarms": {"damp": {"titles": ["{pen"]}}}, "alarms.damp.titles"),
        ({"alarms": {"damp": {"titles": ["{value:d}"]}}}, "alarms.damp.titles"),
        ({"alarms": {"damp": {"titles": ["{value:{width}}"]}}}, "alarms.damp.titles"),
        ({"alarms": {"damp": {"differences": "limit"}}}, "alarms.damp.differences: expected one of"),
        ({"frame": {"again": ["a", "b"]}}, "expected one text, got 2"),
        ({"frame": "again"}, "frame: expected a table"),
        ({"alarms": []}, "alarms: expected one table"),
    ],
)
def test_a_mistake_in_a_translation_names_its_place(wrong: dict[str, Any], sentence: str) -> None:
    """A wrong text is refused with its place and what was expected, before any alarm needs it."""
    with pytest.raises(CatalogueMistake) as told:
        catalogue_from(wrong, ENGLISH)
    assert sentence in str(told.value)


def test_our_own_texts_use_only_known_fields() -> None:
    """A slip in a field's name would silently drop that sentence for ever."""
    for name, texts in ENGLISH.alarms.items():
        assert isinstance(texts, Texts)
        for text in (*texts.titles, *texts.sentences, *texts.steps, *texts.clear_titles, *texts.clear_sentences):
            assert {f for _, f, _, _ in string.Formatter().parse(text) if f is not None} <= FIELDS, name


EVIDENCE = st.fixed_dictionaries(
    {},
    optional={
        "value": st.floats(-1e6, 1e6) | st.none() | st.text(max_size=5) | st.booleans(),
        "unit": st.sampled_from(["degC", "%", "ppm", "1", "Pa", "W", "s", "m3/s", "", "furlong"]) | st.integers(),
        "limit": st.floats(allow_nan=True),
        "source": st.text(max_size=20),
        "for_s": st.floats(-10, 1e7),
        "slope_per_min": st.floats(-5, 5),
        "reaches_at_s": st.floats(0, 1e6),
        "age_days": st.floats(0, 900),
        "note": st.text(max_size=20) | st.none(),
        "worst": st.floats(-50, 60),
    },
)


@settings(max_examples=150)
@given(st.sampled_from(NAMES), EVIDENCE, st.none() | st.integers(0, 4_000_000_000_000), st.sampled_from(["us", "metric"]))
def test_no_evidence_can_spoil_a_message(name: str, evidence: dict[str, Any], wall_ms: int | None, units: str) -> None:
    """Whatever the evidence holds or lacks, there is a title, a step, and no error."""
    alarm = changed(name, evidence, wall_ms)
    said = words(alarm, site(units), ENGLISH)
    assert said.title
    assert said.steps
    assert all_clear_words(alarm, site(units), ENGLISH, lasted_s=5.0, worst=1.0).title
