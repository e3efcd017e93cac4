"""SenML packs resolve as RFC 8428 says."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.specification import Measure
from monitor.wire.causes import Cause, Unusable
from monitor.wire.senml import resolve, to_si


def named(pack):
    return [(record.name, record.unit, record.value, record.time_s) for record in resolve(pack)]


def refused(pack):
    with pytest.raises(Unusable) as caught:
        resolve(pack)
    return caught.value.cause


def test_one_record_stands_for_itself():
    """RFC 8428 section 5.1.1: a temperature taken roughly now."""
    [record] = resolve([{"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1}])
    assert (record.name, record.unit, record.value) == ("urn:dev:ow:10e2073a01080063", "Cel", 23.1)
    assert (record.time_s, record.from_now_s) == (None, 0.0)


def test_the_base_name_is_put_before_each_name():
    """RFC 8428 section 5.1.2, first example: voltage and current."""
    pack = [
        {"bn": "urn:dev:ow:10e2073a01080063:", "n": "voltage", "u": "V", "v": 120.1},
        {"n": "current", "u": "A", "v": 1.2},
    ]
    assert named(pack) == [
        ("urn:dev:ow:10e2073a01080063:voltage", "V", 120.1, None),
        ("urn:dev:ow:10e2073a01080063:current", "A", 1.2, None),
    ]


def test_base_time_base_unit_and_base_version_hold_for_all_records_that_follow():
    """RFC 8428 section 5.1.2, second example; the sums of the times worked out by hand."""
    pack = [
        {
            "bn": "urn:dev:ow:10e2073a0108006:",
            "bt": 1.276020076001e09,
            "bu": "A",
            "bver": 5,
            "n": "voltage",
            "u": "V",
            "v": 120.1,
        },
        {"n": "current", "t": -5, "v": 1.2},
        {"n": "current", "t": -4, "v": 1.3},
        {"n": "current", "t": -3, "v": 1.4},
        {"n": "current", "t": -2, "v": 1.5},
        {"n": "current", "t": -1, "v": 1.6},
        {"n": "current", "v": 1.7},
    ]
    records = resolve(pack)
    assert [round(record.time_s - 1276020000.001, 6) for record in records] == [71, 72, 73, 74, 75, 76, 76]
    assert [(record.unit, record.value) for record in records if record.name.endswith("current")] == [
        ("A", 1.2),
        ("A", 1.3),
        ("A", 1.4),
        ("A", 1.5),
        ("A", 1.6),
        ("A", 1.7),
    ]
    assert [(record.unit, record.value) for record in records if record.name.endswith("voltage")] == [("V", 120.1)]


def test_base_value_and_base_sum_are_added():
    """RFC 8428 section 4.5.4: a missing one of the two counts as zero. Numbers our own."""
    records = resolve(
        [{"bn": "room1:", "bv": 20, "bs": 100, "n": "t", "v": 1.5}, {"n": "t", "s": 5}, {"n": "t", "v": 2, "bv": 30}]
    )
    assert [(record.value, record.sum) for record in records] == [(21.5, 100.0), (None, 105.0), (32.0, 100.0)]


def test_records_come_out_oldest_first():
    """RFC 8428 section 4.6: resolved records are in chronological order."""
    pack = [{"bn": "a", "t": 0, "v": 3}, {"t": -60, "v": 1}, {"t": -30, "v": 2}]
    assert [record.value for record in resolve(pack)] == [1.0, 2.0, 3.0]


@pytest.mark.parametrize(("time", "is_absolute"), [(2**28 - 1, False), (2**28, True), (-5, False), (0, False)])
def test_a_time_is_absolute_from_two_to_the_28(time, is_absolute):
    """RFC 8428 section 4.5.3."""
    [record] = resolve([{"n": "a", "t": time, "v": 1}])
    assert (record.time_s is not None) is is_absolute
    assert (record.time_s if is_absolute else record.from_now_s) == time


def test_values_of_every_type_come_through():
    """RFC 8428 section 4.2: number, text, boolean, octets (base64url)."""
    pack = [{"n": "a", "v": 1}, {"n": "b", "vs": "wet"}, {"n": "c", "vb": True}, {"n": "d", "vd": "aGkg"}]
    assert [(r.value, r.is_octets) for r in resolve(pack)] == [(1.0, False), ("wet", False), (True, False), ("aGkg", True)]


def test_a_record_of_base_fields_only_sets_them_and_is_no_reading():
    """Devices open a pack so; only what follows carries a value."""
    assert named([{"bn": "pen:", "bu": "Cel"}, {"n": "t", "v": 21}]) == [("pen:t", "Cel", 21.0, None)]


def test_an_unknown_label_is_passed_over():
    """RFC 8428 section 4.4: unknown labels must be ignored…"""
    assert named([{"n": "a", "v": 1, "mood": "good"}]) == [("a", None, 1.0, None)]


@pytest.mark.parametrize(
    "pack",
    [
        [{"n": "a", "v": 1, "colour_": "red"}],  # …but one ending in "_" must be understood (section 4.4)
        {"n": "a", "v": 1},
        ["a"],
        [{"v": 1}],
        [{"n": "", "v": 1}],
        [{"n": "-a", "v": 1}],
        [{"n": "a b", "v": 1}],
        [{"n": "ä", "v": 1}],
        [{"n": 7, "v": 1}],
        [{"n": "a", "v": "1"}],
        [{"n": "a", "v": True}],
        [{"n": "a", "vb": 1}],
        [{"n": "a", "v": 1, "vs": "one"}],
        [{"n": "a", "v": 1, "t": None}],
        [{"n": "a", "v": 1, "bver": 4.5}],
        [{"n": "a", "v": 1, "bver": 0}],
    ],
)
def test_a_pack_that_breaks_a_rule_is_refused_whole(pack):
    """Names per section 4.5.1, types per table 1, at most one value: otherwise nothing of it is trusted."""
    assert refused(pack) is Cause.NOT_SENML


@pytest.mark.parametrize(("version", "is_known"), [(5, True), (10, True), (26, True), (11, False), (42, False)])
def test_a_newer_version_is_not_guessed_at(version, is_known):
    """RFC 8428 section 4.4; 26 is version 10 with the secondary units of RFC 9100."""
    pack = [{"bver": version, "n": "a", "v": 1}]
    if is_known:
        assert named(pack) == [("a", None, 1.0, None)]
    else:
        assert refused(pack) is Cause.NEWER_SENML


def test_numbers_that_add_up_beyond_a_double_are_refused():
    """A base and a value may each be finite and their sum not."""
    assert refused([{"n": "a", "bv": 1.7e308, "v": 1.7e308}]) is Cause.NOT_FINITE
    assert refused([{"n": "a", "bt": 1.7e308, "t": 1.7e308, "v": 1}]) is Cause.NOT_FINITE


@pytest.mark.parametrize(
    ("measure", "unit", "raw", "si"),
    [
        (Measure.TEMPERATURE, "Cel", 21.0, 21.0),
        (Measure.TEMPERATURE, "K", 294.15, 21.0),
        (Measure.HUMIDITY, "%RH", 61.0, 61.0),
        (Measure.HUMIDITY, "/", 0.61, 61.0),
        (Measure.AMMONIA, "ppm", 18.0, 18.0),
        (Measure.AMMONIA, "/", 18e-6, 18.0),
        (Measure.STATIC_PRESSURE, "hPa", 0.25, 25.0),
        (Measure.FAN_POWER, "kW", 0.04, 40.0),
        (Measure.BATTERY, "%EL", 88.0, 88.0),
        (Measure.FAN_SPEED, "/100", 55.0, 55.0),
        (Measure.LIGHT, "lx", 20.0, 20.0),
    ],
)
def test_units_of_the_registry_become_si(measure, unit, raw, si):
    """Units of RFC 8428 section 12.1 and RFC 8798; 0 °C is 273.15 K and ppm is "/" × 10⁻⁶ by definition."""
    gain, offset = to_si(measure, unit, (7.0, 7.0))
    assert gain * raw + offset == pytest.approx(si, abs=1e-9)


def test_a_record_without_a_unit_has_the_configured_one():
    """So has "%" where it may be per cent: RFC 8428 calls it a ratio, most devices do not."""
    assert to_si(Measure.TEMPERATURE, None, (0.5, -17.0)) == (0.5, -17.0)
    assert to_si(Measure.HUMIDITY, "%", (1.0, 0.0)) == (1.0, 0.0)


@pytest.mark.parametrize(("measure", "unit"), [(Measure.TEMPERATURE, "%RH"), (Measure.HUMIDITY, "Cel"), (Measure.AMMONIA, "%")])
def test_a_unit_of_another_kind_is_refused(measure, unit):
    """A hygrometer's record chosen for a thermometer must not pass for degrees."""
    with pytest.raises(Unusable, match="unit"):
        to_si(measure, unit, (1.0, 0.0))


_NUMBER = st.floats(min_value=-1e6, max_value=1e6)
_RECORD = st.fixed_dictionaries(
    {"n": st.sampled_from(["t", "rh"])},
    optional={
        "bn": st.sampled_from(["a:", "b:"]),
        "bt": _NUMBER,
        "bu": st.just("Cel"),
        "bv": _NUMBER,
        "t": _NUMBER,
        "v": _NUMBER,
    },
)


@given(st.lists(_RECORD, max_size=6))
def test_resolving_what_is_resolved_changes_nothing(pack):
    """Section 4.6: a resolved pack resolves to itself."""
    once = resolve(pack)
    again = [
        {"n": r.name, "t": r.from_now_s, "v": r.value, **({"u": r.unit} if r.unit else {})} for r in once if r.value is not None
    ]
    assert resolve(json.loads(json.dumps(again))) == [r for r in once if r.value is not None]
