"""The figures for a scraper, read back by the grammar of the standard."""

from __future__ import annotations

import re

import httpx

from tests.api.barn_at_hand import BarnAtHand

# OpenMetrics 1.0, section "ABNF", reduced to gauges and counters (value from memory).
_NAME = r"[a-zA-Z_:][a-zA-Z0-9_:]*"
_LABEL = r'[a-zA-Z_][a-zA-Z0-9_]*="(?:[^"\\\n]|\\[\\"n])*"'
_SAMPLE = re.compile(rf"({_NAME})(?:\{{({_LABEL}(?:,{_LABEL})*)?\}})? (-?[0-9.]+(?:e[+-]?[0-9]+)?)")
_META = re.compile(rf"# (TYPE|UNIT|HELP) ({_NAME}) (.+)")


def test_the_text_keeps_to_the_standard(program: httpx.Client, cold: BarnAtHand) -> None:
    """Families in one piece, metadata first, counters end in _total, units end the name, EOF ends the text."""
    answer = program.get("/metrics")
    assert answer.headers["content-type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    *lines, end = answer.text.removesuffix("\n").split("\n")
    assert end == "# EOF"
    kinds: dict[str, str] = {}
    current = ""
    seen: set[str] = set()
    for line in lines:
        meta = _META.fullmatch(line)
        if meta:
            word, name, rest = meta.groups()
            assert name.startswith("warmstraw_")
            if word == "TYPE":
                assert name not in kinds, "a family in two pieces"
                kinds[name], current = rest, name
            assert name == current
            if word == "UNIT":
                assert name.endswith(f"_{rest}")
            continue
        sample = _SAMPLE.fullmatch(line)
        assert sample, line
        expected = f"{current}_total" if kinds[current] == "counter" else current
        assert sample[1] == expected
        identity = f"{sample[1]}{{{sample[2]}}}"
        assert identity not in seen, "the same sample twice"
        seen.add(identity)


def test_the_figures_are_those_of_the_barn(program: httpx.Client, cold: BarnAtHand) -> None:
    """A believable reading in base units, an open alarm with its priority, the daemon's own counters."""
    text = program.get("/metrics").text
    assert 'warmstraw_temperature_celsius{pen="brooder",sensor="chick height",place="bird level"} 20\n' in text
    assert 'warmstraw_humidity_ratio{pen="brooder",sensor="damp",place="room"} 0.62\n' in text
    assert re.search(
        r'warmstraw_alarm_open\{pen="brooder",alarm="birds_cold",.*priority="urgent",state="unacknowledged"\} 1\n', text
    )
    assert "warmstraw_readings_stored_total 12\n" in text
    assert "warmstraw_clock_trusted 1\n" in text


def test_a_silent_sensor_has_an_age_and_no_value(program: httpx.Client, well: BarnAtHand) -> None:
    """An old number is not handed on as if it were the present."""
    well.pass_time(3600)
    text = program.get("/metrics").text
    assert "warmstraw_temperature_celsius{" not in text
    assert 'warmstraw_reading_age_seconds{pen="brooder",sensor="damp",place="room"} 3600\n' in text
