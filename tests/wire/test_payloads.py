"""What a payload on a sensor's topic is read as, and why some are refused."""

from __future__ import annotations

import json
import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.events import FanReport, Reading, Unreadable
from monitor.engine.specification import Calibration, Measure
from monitor.wire.causes import Cause
from monitor.wire.payloads import MOST_TOPICS, PayloadReader

AT, WALL_MS = 5000.0, 1_764_000_000_000


@pytest.fixture
def read(make_sensor, make_specification):
    """read(payload, wall_ms=…, **changes of the sensor) → events."""

    def do(payload, wall_ms=WALL_MS, retained=False, **changes):
        reader = PayloadReader(make_specification(make_sensor(**changes)))
        return reader.read("barn/probe", payload, retained, AT, wall_ms)

    return do


@pytest.fixture
def value(read):
    def do(payload, **changes):
        [event] = read(payload, **changes)
        assert isinstance(event, Reading), event
        return event.value

    return do


@pytest.fixture
def cause(read):
    def do(payload, **changes):
        [event] = read(payload, **changes)
        assert isinstance(event, Unreadable), event
        return event.cause

    return do


@pytest.mark.parametrize(
    ("payload", "number"),
    [
        (b"21.5", 21.5),
        (b" -3\r\n", -3.0),
        (b"+4", 4.0),
        (b".5", 0.5),
        (b"5.", 5.0),
        (b"2.15e1", 21.5),
        (b"0\0", 0.0),
        (b"-0", 0.0),
    ],
)
def test_a_bare_number_is_read(value, payload, number):
    """What printf writes, with blanks or a closing zero byte around it."""
    assert value(payload) == number


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b"", Cause.EMPTY),
        (b"  \n", Cause.EMPTY),
        (b"nan", Cause.NOT_A_NUMBER),
        (b"-inf", Cause.NOT_A_NUMBER),
        (b"Infinity", Cause.NOT_A_NUMBER),
        (b"1_0", Cause.NOT_A_NUMBER),
        (b"0x1F", Cause.NOT_A_NUMBER),
        (b"21,5", Cause.NOT_A_NUMBER),
        (b"21.5 C", Cause.NOT_A_NUMBER),
        (b'"21.5"', Cause.IN_QUOTES),
        (b'"', Cause.NOT_A_NUMBER),
        (b'""', Cause.NOT_A_NUMBER),
        (b"true", Cause.NOT_A_NUMBER),
        (b"--1", Cause.NOT_A_NUMBER),
        (b"1 2", Cause.NOT_A_NUMBER),
        ("٢١".encode(), Cause.NOT_A_NUMBER),
        (b"9" * 41, Cause.NOT_A_NUMBER),
        (b"9" * 70_000, Cause.TOO_LONG),
        (b"1e999", Cause.NOT_FINITE),
        (b"\xff\xfe2\x001\x00", Cause.NOT_UTF8),
        (b'{"t": 21.5}', Cause.NOT_A_NUMBER),
        (b"unavailable", Cause.NOT_A_NUMBER),
    ],
)
def test_what_is_no_number_is_named_and_not_guessed(cause, payload, why):
    """float() alone would take several of these."""
    assert cause(payload) is why


@pytest.mark.parametrize(
    ("payload", "pointer", "number"),
    [
        (b'{"t": 21.5}', "/t", 21.5),
        (b'{"a": [{"t": 1}, {"t": -2e0}]}', "/a/1/t", -2.0),
        (b"7", "", 7.0),
        (b' {"t":\t3} ', "/t", 3.0),
    ],
)
def test_a_number_in_json_is_found_by_its_pointer(value, payload, pointer, number):
    """RFC 6901 into RFC 8259."""
    assert value(payload, pointer=pointer) == number


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b"", Cause.EMPTY),
        (b"{", Cause.NOT_JSON),
        (b'{"t": 1} 2', Cause.NOT_JSON),
        (b'{"t": NaN}', Cause.NOT_JSON),
        (b'{"t": -Infinity}', Cause.NOT_JSON),
        (b'{"t": 01}', Cause.NOT_JSON),
        (b"{'t': 1}", Cause.NOT_JSON),
        (b'\xef\xbb\xbf{"t": 1}', Cause.NOT_JSON),
        ('{"t": 1}'.encode("utf-16"), Cause.NOT_UTF8),
        (b'{"t": 1, "t": 2}', Cause.REPEATED_KEY),
        (b'{"x": {"y": 1, "y": 2}, "t": 1}', Cause.REPEATED_KEY),
        (b'{"rh": 1}', Cause.NOTHING_THERE),
        (b"[1]", Cause.NOTHING_THERE),
        (b'{"t": "21.5"}', Cause.IN_QUOTES),
        (b'{"t": "warm"}', Cause.NOT_A_NUMBER),
        (b'{"t": null}', Cause.NOT_A_NUMBER),
        (b'{"t": true}', Cause.NOT_A_NUMBER),
        (b'{"t": [1]}', Cause.NOT_A_NUMBER),
        (b'{"t": 1e999}', Cause.NOT_FINITE),
        (b'{"t": ' + b"9" * 5000 + b"}", Cause.NOT_FINITE),
        (b'{"t": ' + b"[" * 33 + b"]" * 33 + b"}", Cause.TOO_DEEP),
        (b"[" * 60_000, Cause.TOO_DEEP),
        (b'{"a":' * 10_000, Cause.TOO_DEEP),
        (b" " * 70_000, Cause.TOO_LONG),
        (b'{"t": "\\ud800"}', Cause.NOT_A_NUMBER),
    ],
)
def test_bad_json_is_refused_with_its_cause(cause, payload, why):
    """Hostile ones too: bombs, bare huge integers, lone surrogates, two answers under one name."""
    assert cause(payload, pointer="/t") is why


def test_brackets_inside_a_string_are_no_depth(value):
    """A device's free text does not hide its number."""
    assert value(json.dumps({"note": '\\"[[{{' * 40, "t": 5}).encode(), pointer="/t") == 5.0


def test_the_published_unit_becomes_si_and_then_the_calibration_applies(value):
    """70 °F is 21.11 °C; the probe of this test reads 2 % low and 0.5 K high. Arithmetic our own."""
    unit = {"unit": "degF", "unit_gain": 5 / 9, "unit_offset": -160 / 9}
    assert value(b"70", **unit) == pytest.approx(21.1111, abs=1e-4)
    assert value(b"70", calibration=Calibration(1.02, -0.5), **unit) == pytest.approx(1.02 * 21.11111 - 0.5, abs=1e-4)


def test_a_conversion_that_overflows_is_refused(cause):
    """Finite times finite need not be finite."""
    assert cause(b"1.7e308", unit_gain=9.0) is Cause.NOT_FINITE


def test_a_reading_carries_its_arrival_and_its_sensor(read):
    """Both times of arrival, the sensor's key, nothing of its own."""
    assert read(b"21.5") == [Reading(AT, WALL_MS, "brooder/probe", 21.5, None, None, False)]
    assert read(b"21.5", wall_ms=None) == [Reading(AT, None, "brooder/probe", 21.5, None, None, False)]


@pytest.mark.parametrize(
    ("payload", "changes"), [(b"21", {}), (b'{"t":21}', {"pointer": "/t"}), (b'[{"n":"a","v":21}]', {"record": "a"})]
)
def test_the_brokers_memory_is_marked_in_every_format(read, payload, changes):
    """A retained reading may be a month old."""
    assert [event.retained for event in read(payload, retained=True, **changes)] == [True]
    assert [event.retained for event in read(payload, retained=False, **changes)] == [False]


def test_a_complaint_shows_a_piece_of_the_payload_that_no_terminal_acts_on(read):
    """Control characters are spelt out, and it is short."""
    [event] = read(b"\x1b[2J\x07warm \xc2\x9b" + b"x" * 500)
    assert event.sample.startswith("\\x1b[2J\\x07warm \\x9bxxx")
    assert len(event.sample) <= 80
    assert event.sample.isprintable()
    assert (event.topic, event.sensor) == ("barn/probe", "brooder/probe")


# ------------------------------------------------------------------ mains


@pytest.mark.parametrize(
    ("payload", "pointer", "present"),
    [
        (b"1", None, 1.0),
        (b"0", None, 0.0),
        (b"on", None, 1.0),
        (b"OFF", None, 0.0),
        (b"True\n", None, 1.0),
        (b'{"p": true}', "/p", 1.0),
        (b'{"p": false}', "/p", 0.0),
        (b'{"p": 0}', "/p", 0.0),
        (b'{"p": "on"}', "/p", 1.0),
    ],
)
def test_power_present_is_read_in_words_and_digits(value, payload, pointer, present):
    """true/false, on/off, 1/0, bare or in JSON."""
    assert value(payload, pointer=pointer, measures=Measure.MAINS) == present


@pytest.mark.parametrize(("payload", "pointer"), [(b"230", None), (b"yes", None), (b'{"p": 2}', "/p"), (b'{"p": null}', "/p")])
def test_what_is_neither_on_nor_off_is_refused(cause, payload, pointer):
    """A mains alarm must not hang on a guess."""
    assert cause(payload, pointer=pointer, measures=Measure.MAINS) is Cause.NOT_ON_OFF


# ----------------------------------------------------------- many at once


def test_several_sensors_share_a_topic(make_sensor, make_specification):
    """One JSON message, three quantities; a bad one spoils only itself."""
    reader = PayloadReader(
        make_specification(
            make_sensor("warmth", pointer="/t"),
            make_sensor("damp", pointer="/rh", measures=Measure.HUMIDITY),
            make_sensor("gas", pointer="/nh3", measures=Measure.AMMONIA),
        )
    )
    events = reader.read("barn/probe", b'{"t": 21, "rh": "wet", "nh3": 12}', False, AT, WALL_MS)
    assert [getattr(event, "value", None) or event.cause for event in events] == [21.0, Cause.NOT_A_NUMBER, 12.0]


def test_a_device_that_sends_its_quantities_in_turn_is_not_complained_about(make_sensor, make_specification):
    """What is missing from one message comes in the next; a message with nothing for anybody is told to each."""
    reader = PayloadReader(make_specification(make_sensor("warmth", pointer="/t"), make_sensor("damp", pointer="/rh")))
    assert [event.sensor for event in reader.read("barn/probe", b'{"t": 21}', False, AT, WALL_MS)] == ["brooder/warmth"]
    events = reader.read("barn/probe", b'{"x": 21}', False, AT, WALL_MS)
    assert [(event.sensor, event.cause) for event in events] == [
        ("brooder/warmth", Cause.NOTHING_THERE),
        ("brooder/damp", Cause.NOTHING_THERE),
    ]


@pytest.mark.parametrize(
    ("pattern", "topic", "is_heard"),
    [
        ("barn/+/t", "barn/a/t", True),
        ("barn/+/t", "barn/a/b/t", False),
        ("barn/#", "barn", True),
        ("barn/#", "barn/a/b", True),
        ("#", "$SYS/uptime", False),
        ("+/a", "$SYS/a", False),
        ("barn/a", "barn/b", False),
    ],
)
def test_wildcards_mean_what_mqtt_says(make_sensor, make_specification, pattern, topic, is_heard):
    """MQTT 5.0 section 4.7: levels, "#" includes its parent, "$" topics stay out. Twice, for the second is remembered."""
    reader = PayloadReader(make_specification(make_sensor(topic=pattern)))
    for _ in range(2):
        assert bool(reader.read(topic, b"1", False, AT, WALL_MS)) is is_heard


def test_an_exact_topic_and_a_wildcard_are_both_served(make_sensor, make_specification):
    """One message, two sensors that asked for it in different words."""
    reader = PayloadReader(make_specification(make_sensor("one", topic="barn/a"), make_sensor("two", topic="barn/+")))
    assert [event.sensor for event in reader.read("barn/a", b"1", False, AT, WALL_MS)] == ["brooder/one", "brooder/two"]
    assert reader.topics == ("barn/a", "barn/+")


def test_strangers_topics_do_not_fill_the_memory(make_sensor, make_specification):
    """A wildcard meets topics without end; what is remembered of them is bounded, and reading goes on."""
    reader = PayloadReader(make_specification(make_sensor(topic="barn/#")))
    for i in range(3 * MOST_TOPICS):
        assert len(reader.read(f"barn/{i}", b"1", False, AT, WALL_MS)) == 1
    assert len(reader._routes) <= MOST_TOPICS


def test_the_fans_report_comes_in_as_one(make_sensor, make_fan, make_specification):
    """Reports and readings may even share a topic."""
    fan = make_fan(report_topic="barn/probe", report_pointer="/fan")
    reader = PayloadReader(make_specification(make_sensor(pointer="/t"), fan=fan))
    assert reader.read("barn/probe", b'{"t": 21, "fan": "ON"}', False, AT, WALL_MS) == [
        Reading(AT, WALL_MS, "brooder/probe", 21.0),
        FanReport(AT, WALL_MS, "brooder", True, None),
    ]
    [_, complaint] = reader.read("barn/probe", b'{"t": 21, "fan": "?"}', False, AT, WALL_MS)
    assert (complaint.cause, complaint.sensor) == (Cause.NOT_A_REPORT, None)


def test_a_retained_fan_report_proves_nothing(make_fan, make_specification):
    """The relay may have died since the broker stored it."""
    reader = PayloadReader(make_specification(fan=make_fan()))
    assert reader.read("barn/fan/state", b"ON", True, AT, WALL_MS) == []
    assert reader.read("barn/fan/state", b"ON", False, AT, WALL_MS) == [FanReport(AT, WALL_MS, "brooder", True, None)]


# ------------------------------------------------------------------ SenML


def pack(*records):
    return json.dumps(records).encode()


def test_a_record_is_chosen_by_its_full_name(value):
    """Its own unit wins over the configured one, and calibration comes last."""
    payload = pack({"bn": "pen1:", "n": "t", "u": "K", "v": 294.15}, {"n": "rh", "u": "%RH", "v": 61})
    assert value(payload, record="pen1:t", unit_gain=5 / 9, unit_offset=-160 / 9) == pytest.approx(21.0)
    assert value(payload, record="pen1:t", calibration=Calibration(1.0, -0.5)) == pytest.approx(20.5)
    assert value(payload, record="pen1:rh", measures=Measure.HUMIDITY) == 61.0


def test_a_pack_of_one_needs_no_choosing(value, cause):
    """With several and no choice in the settings nothing is guessed."""
    assert value(pack({"n": "t", "v": 21})) == 21.0
    assert cause(pack({"n": "t", "v": 21}, {"n": "rh", "v": 61})) is Cause.SEVERAL_RECORDS


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b"[]", Cause.NO_RECORD),
        (pack({"n": "other", "v": 1}), Cause.NO_RECORD),
        (pack({"n": "t", "u": "%RH", "v": 1}), Cause.WRONG_UNIT),
        (pack({"n": "t", "vs": "warm"}), Cause.NOT_A_NUMBER),
        (pack({"n": "t", "vb": True}), Cause.NOT_A_NUMBER),
        (pack({"n": "t", "s": 500}), Cause.NOT_A_NUMBER),
        (pack({"n": "t", "bver": 99, "v": 1}), Cause.NEWER_SENML),
        (b"21.5", Cause.NOT_SENML),
        (b"[{]", Cause.NOT_JSON),
        (b'[{"n":"t","v":1,"v":2}]', Cause.REPEATED_KEY),
    ],
)
def test_a_pack_without_a_usable_record_is_refused_with_its_cause(cause, payload, why):
    """Each way a pack can fail a thermometer."""
    assert cause(payload, record="t") is why


def test_power_present_in_senml(value):
    """A boolean, or the ratio of a switch (RFC 8428 section 12.1, note 1)."""
    assert value(pack({"n": "m", "vb": False}), record="m", measures=Measure.MAINS) == 0.0
    assert value(pack({"n": "m", "u": "/", "v": 1}), record="m", measures=Measure.MAINS) == 1.0


def test_readings_saved_up_come_out_with_their_own_times(read):
    """Two absolute times, oldest first; elapsed time is counted back from the arrival."""
    base = WALL_MS / 1000 - 90
    events = read(pack({"n": "t", "bt": base, "t": 60, "v": 22}, {"n": "t", "v": 21}), record="t")
    assert [(e.value, e.measured_at, e.measured_wall_ms) for e in events] == [
        (21.0, AT - 90, WALL_MS - 90_000),
        (22.0, AT - 30, WALL_MS - 30_000),
    ]
    assert {(e.at, e.wall_ms) for e in events} == {(AT, WALL_MS)}


def test_a_time_counted_from_now_works_without_a_trusted_clock(read):
    """ "Ten seconds ago" needs no calendar."""
    assert [(e.measured_at, e.measured_wall_ms) for e in read(pack({"n": "t", "t": -10, "v": 1}), record="t")] == [
        (AT - 10, WALL_MS - 10_000)
    ]
    assert [(e.measured_at, e.measured_wall_ms) for e in read(pack({"n": "t", "t": -10, "v": 1}), wall_ms=None, record="t")] == [
        (AT - 10, None)
    ]


@pytest.mark.parametrize("ahead_s", [-30 * 86400 - 1, 61, 86400, 1e9, 1e300])
def test_a_device_whose_clock_is_wrong_is_read_as_of_its_arrival(read, ahead_s):
    """More than a minute ahead or thirty days behind: its value counts, its time does not."""
    [event] = read(pack({"n": "t", "t": WALL_MS / 1000 + ahead_s, "v": 21}), record="t")
    assert (event.value, event.measured_at, event.measured_wall_ms) == (21.0, None, None)


def test_a_device_slightly_ahead_has_not_measured_in_our_future(read):
    """Its own stamp is kept, for it names the reading; the elapsed time stops at the arrival."""
    [event] = read(pack({"n": "t", "t": WALL_MS / 1000 + 20, "v": 21}), record="t")
    assert (event.measured_at, event.measured_wall_ms) == (AT, WALL_MS + 20_000)


def test_an_absolute_time_is_not_believed_while_our_clock_is_not(read):
    """Nothing to check it by: a reading under a wrong day would be worse than one without a day."""
    [event] = read(pack({"n": "t", "t": WALL_MS / 1000 - 10, "v": 21}), wall_ms=None, record="t")
    assert (event.value, event.measured_at, event.measured_wall_ms) == (21.0, None, None)


def test_a_flood_of_records_is_refused(cause):
    """What one message may put into the store is bounded."""
    assert cause(b"[" + b",".join([b'{"n":"t","v":1}'] * 1500) + b"]", record="t") is Cause.TOO_LONG


# ---------------------------------------------------------------- hostile

_ODDITIES = [b"NaN", b"inf", b"1e999", b"[" * 5000, b'{"t":', b'"', b"\x00", b"\xff", b"\xed\xa0\x80", b"9" * 4400, b"-", b"_"]
_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(["t", "n", "v", "u", "bn", "bt", "bv", "vb", "t_", "s"]) | st.text(), inner)
    ),
    max_leaves=20,
)


@pytest.fixture
def every_kind(make_sensor, make_fan, make_specification):
    """A reader with each way to listen on one topic."""
    return PayloadReader(
        make_specification(
            make_sensor("bare", unit_gain=1e10),
            make_sensor("json", pointer="/t"),
            make_sensor("deep", pointer="/t/0/v"),
            make_sensor("senml", record="t"),
            make_sensor("mains", pointer="/t", measures=Measure.MAINS),
            make_sensor("bare mains", measures=Measure.MAINS),
            make_sensor("wild", topic="barn/+"),
            fan=make_fan(report_topic="barn/#", report_pointer="/t", variable=True),
        )
    )


def assert_sound(events):
    assert events
    for event in events:
        if isinstance(event, Reading):
            assert type(event.value) is float
            assert math.isfinite(event.value)
            assert event.measured_at is None or event.measured_at <= event.at
        elif isinstance(event, Unreadable):
            assert event.cause in set(Cause)
            assert event.sample.isprintable()
            assert len(event.sample) <= 80


@settings(max_examples=300)
@given(st.binary(max_size=200) | _JSON.map(lambda value: json.dumps(value).encode()))
def test_no_payload_can_break_the_reader(every_kind, payload):
    """Anything at all becomes finite readings or a named cause."""
    assert_sound(every_kind.read("barn/probe", payload, False, AT, WALL_MS))


def test_ten_thousand_hostile_payloads_leave_only_finite_numbers(every_kind, read):
    """Honest payloads cut, doubled, sprinkled with rubbish and glued together; always the same ten thousand."""
    dice = random.Random(8428)
    honest = [
        b"21.5",
        b'{"t": 21.5}',
        b'{"t": [{"v": 3}]}',
        pack({"n": "t", "u": "Cel", "t": -5, "v": 21}),
        b"ON",
        b'{"t": true}',
    ]
    readings = complaints = 0
    for _ in range(10_000):
        payload = bytearray(dice.choice(honest))
        for _ in range(dice.randrange(5)):
            where = dice.randrange(len(payload) + 1)
            what = dice.choice([bytes([dice.randrange(256)]), dice.choice(_ODDITIES), b""])
            payload[where : where + dice.randrange(3)] = what
        events = every_kind.read("barn/probe", bytes(payload), bool(dice.randrange(2)), AT, dice.choice([None, WALL_MS]))
        assert_sound(events)
        readings += sum(isinstance(event, Reading) for event in events)
        complaints += sum(isinstance(event, Unreadable) for event in events)
    assert readings > 1000  # both sides were really visited
    assert complaints > 10_000
