"""Listening to a strange broker: what is listed, what is guessed, and that nothing heard can do harm."""

from __future__ import annotations

import json
import threading
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air import units
from monitor.engine.connections import Broker, Secret
from monitor.engine.specification import Measure, Place
from monitor.wire.drafting import Found, draft, quoted
from monitor.wire.guessing import Guess, Kind, look, place_of
from monitor.wire.hear import Collector, NotHeard, as_json, hear, render
from monitor.wire.pointer import Pointer
from monitor.wire.strict import json_value


def heard(*messages, seconds=10.0):
    """Messages as (topic, payload) or (topic, payload, retained), a second apart."""
    collector = Collector()
    for at, (topic, payload, *retained) in enumerate(messages):
        collector.add(topic, payload, bool(retained), float(at))
    return collector.heard(seconds, "#")


def guesses(topic, payload):
    return [(g.pointer or g.record, g.measures, g.unit) for g in look(topic, payload)[1]]


@pytest.mark.parametrize(
    ("payload", "kind"),
    [
        (b"21.5", Kind.NUMBER),
        (b"on", Kind.SWITCH),
        (b'{"t": 1}', Kind.JSON),
        (b"[1, 2]", Kind.JSON),
        (b'[{"n":"t","v":1}]', Kind.SENML),
        (b"warm", Kind.TEXT),
        (b'"warm"', Kind.TEXT),
        (b"\xff\x00", Kind.BYTES),
        (b" ", Kind.EMPTY),
        (b"x" * 70_000, Kind.BYTES),
    ],
)
def test_each_kind_of_payload_is_told(payload, kind):
    """What a keeper sees in the list."""
    assert look("barn/a", payload)[0] is kind


@pytest.mark.parametrize(
    ("topic", "payload", "answer"),
    [
        ("barn/temperature", b"21.5", [(None, Measure.TEMPERATURE, "degC")]),
        ("barn/temperature", b"71.5", [(None, Measure.TEMPERATURE, "degF")]),
        ("barn/airTemp_F", b"40", [(None, Measure.TEMPERATURE, "degF")]),
        ("barn/temp/value", b"21.5", [(None, Measure.TEMPERATURE, "degC")]),
        ("barn/nh3", b"12", [(None, Measure.AMMONIA, "ppm")]),
        ("barn/co2-ppm", b"900", [(None, Measure.CARBON_DIOXIDE, "ppm")]),
        ("barn/probe1", b'{"t": 71, "rh": 60}', [("/t", Measure.TEMPERATURE, "degF"), ("/rh", Measure.HUMIDITY, "%")]),
        ("barn/temp", b'{"value": 20}', [("/value", Measure.TEMPERATURE, "degC")]),
        ("barn/temp", b'{"uptime": 20}', [("/uptime", None, "")]),
        ("barn/probe", b'{"a/b": {"temp": [20]}}', [("/a~1b/temp/0", Measure.TEMPERATURE, "degC")]),
        ("barn/mains", b"on", [(None, Measure.MAINS, "1/0")]),
        ("barn/pressure", b"1013", [(None, None, "")]),
        ("barn/humidity", b"250", [(None, None, "")]),
        ("barn/x", b"5", [(None, None, "")]),
        ("barn/co2", b'[{"n":"air:c","u":"Cel","v":20}]', [("air:c", Measure.TEMPERATURE, "degC")]),
        (
            "barn",
            b'[{"n":"air:nh3","u":"ppm","v":20},{"n":"v","u":"V","v":3}]',
            [("air:nh3", Measure.AMMONIA, "ppm"), ("v", None, "")],
        ),
        ("barn/probe", b'{"temp": 1e999, "s": "x", "n": null}', []),
    ],
)
def test_the_measure_is_guessed_by_name_unit_and_range(topic, payload, answer):
    """A SenML unit says most, then the value's own name, then the topic; a number out of range is not believed."""
    assert guesses(topic, payload) == answer


@pytest.mark.parametrize(
    ("names", "place"),
    [
        (("barn", "outside", "t"), Place.OUTSIDE),
        (("brooder", "chick_height"), Place.BIRD_LEVEL),
        (("inlet",), Place.SUPPLY),
        (("barn", "t"), Place.ROOM),
    ],
)
def test_the_place_is_guessed_by_a_word(names, place):
    """Else it is the room, said to be a guess."""
    assert place_of(*names)[0] is place


def test_the_pace_is_counted_from_fresh_messages_only():
    """The broker's memory comes at once and says nothing about the pace."""
    [topic] = heard(("a", b"1", True), ("a", b"2"), ("a", b"3"), ("a", b"4")).topics
    assert (topic.count, topic.every_s, topic.last, topic.retained) == (4, 1.0, b"4", False)
    [once] = heard(("a", b"1", True), ("a", b"2")).topics
    assert once.every_s is None


def test_what_is_kept_is_bounded():
    """A broker with ten thousand topics fills neither memory nor screen."""
    result = heard(*((f"a/{n}", b"1") for n in range(700)))
    assert (len(result.topics), result.left_out, result.messages) == (500, 200, 700)
    assert "200 messages on further topics are left out" in render(result)


def test_the_draft_can_be_pasted():
    """Names, topic, pointer, unit and pace as heard; guesses are marked on their line."""
    text = draft([Found("millrise/brooder/probe1", guess, 29.8) for guess in look("", b'{"t": 76.3, "rh": 61, "up": 7}')[1]])
    [pen] = tomllib.loads(text)["pen"]
    assert pen["sensor"] == [
        {
            "name": "probe1 t",
            "measures": "temperature",
            "place": "room",
            "topic": "millrise/brooder/probe1",
            "pointer": "/t",
            "unit": "degF",
            "every": "30 s",
        },
        {
            "name": "probe1 rh",
            "measures": "humidity",
            "place": "room",
            "topic": "millrise/brooder/probe1",
            "pointer": "/rh",
            "unit": "%",
            "every": "30 s",
        },
    ]
    assert "76.3 would be far too hot in °C" in text
    assert text.count("# guess") == 1 + 2 * 4
    assert "#   millrise/brooder/probe1  /up = 7" in text


def test_what_a_daemon_says_itself_is_listed_and_no_sensor():
    """A running daemon's fan speed, drafted and pasted, would be a sensor of its own decisions."""
    fan = ("warmstraw/Mill Rise/hen house/fan", b'{"state": "running", "speed_pct": 30.0}', True)
    text = render(heard(fan, ("millrise/brooder/nh3", b"12")))
    listed, drafted = text.split("# Drafted", 1)
    assert "warmstraw/Mill Rise/hen house/fan" in listed
    assert "warmstraw/" not in drafted
    assert "millrise/brooder/nh3" in drafted


def test_two_sensors_never_get_one_name():
    """Names tell sensors apart in the settings."""
    guess = Guess(20.0, measures=Measure.TEMPERATURE, unit="degC")
    sensors = tomllib.loads(draft([Found(f"{n}/temp", guess, None) for n in range(3)]))["pen"][0]["sensor"]
    assert [sensor["name"] for sensor in sensors] == ["temp", "temp 2", "temp 3"]


_TOPICS = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), min_size=1)


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_any_text_survives_toml_quoting(text):
    """Quotes, backslashes, control characters, other scripts, characters beyond 16 bits."""
    assert tomllib.loads(f"x = {quoted(text)}") == {"x": text}


@given(
    _TOPICS,
    st.binary(max_size=40)
    | st.dictionaries(_TOPICS, st.floats() | st.booleans(), max_size=4).map(lambda d: json.dumps(d).encode()),
)
def test_strange_topics_break_neither_the_draft_nor_the_terminal(topic, payload):
    """The draft stays valid TOML with the topic intact; no control character reaches the screen; JSON can be written."""
    result = heard((topic, payload))
    text = render(result)
    assert all(character.isprintable() or character == "\n" for character in text)
    document = as_json(result)
    json.dumps(document).encode()
    [pen] = tomllib.loads(document["draft"])["pen"]
    for sensor in pen.get("sensor", []):
        assert sensor["topic"] == topic
        units.linear(sensor["unit"], _KIND[sensor["measures"]])  # a unit that the settings know
        if "pointer" in sensor:
            Pointer.parse(sensor["pointer"]).follow(json_value(payload))


_KIND = {
    "temperature": "temperature",
    "humidity": "percentage",
    "ammonia": "concentration",
    "carbon_dioxide": "concentration",
    "static_pressure": "pressure",
    "light": "light",
    "fan_power": "power",
    "fan_speed": "percentage",
    "battery": "percentage",
    "mains": "state",
}


# ------------------------------------------------------- with a real broker


def test_what_is_published_is_heard_and_the_daemon_misses_nothing(make_broker, make_publisher, make_ears):
    """Retained and fresh, strange topics and all, while a session of the same user goes on."""
    broker = make_broker()
    publisher = make_publisher(broker)
    publisher.send("barn/old", b"7", retain=True)
    ears = make_ears(broker.port, "barn/#", client_id="warmstraw").start()
    stopping = threading.Event()
    listening = threading.Event()

    def publish():
        assert listening.wait(10)
        for n in range(3):
            publisher.send("barn/temp", b"%d" % (20 + n))
        publisher.send('barn/"]\\ = \u202e', b"\x1b[2J\x00\xff")  # mosquitto lets no control characters into topics

    thread = threading.Thread(target=publish)
    thread.start()

    def progress(_seconds, messages):
        listening.set()
        if messages >= 6:  # the old one, the daemon's "here", and the four of above
            stopping.set()

    result = hear(Broker(port=broker.port), 20.0, stopping=stopping, progress=progress)
    thread.join()
    assert ears.wait_for(5)
    assert ears.session.connection == 1
    by_topic = {each.topic: each for each in result.topics if each.topic.startswith("barn")}
    assert set(by_topic) == {"barn/old", "barn/temp", 'barn/"]\\ = \u202e'}
    assert (by_topic["barn/old"].retained, by_topic["barn/old"].last) == (True, b"7")
    assert by_topic["barn/temp"].last in (b"20", b"21", b"22")
    assert "\x1b" not in render(result)
    tomllib.loads(as_json(result)["draft"])


def test_it_ends_by_itself(make_broker):
    """After the seconds asked for; a silent broker is said to be one."""
    result = hear(Broker(port=make_broker().port), 0.3)
    assert 0.3 <= result.seconds < 2.0
    assert "nothing was published" in render(result)


def test_why_nothing_can_be_heard_is_said(make_broker, unused_port, tmp_path):
    """No broker, a wrong password, a filter that is none, the broker's own topics."""
    with pytest.raises(NotHeard, match="no broker answers"):
        hear(Broker(port=unused_port), 1.0)
    passwords = tmp_path / "passwords"
    passwords.touch(mode=0o600)
    guarded = make_broker(password_file=passwords)
    with pytest.raises(NotHeard, match="not authorized") as refused:
        hear(Broker(port=guarded.port, username="barn", password=Secret("wrong-horse")), 1.0)
    assert "wrong-horse" not in str(refused.value)
    with pytest.raises(NotHeard, match="no topic filter"):
        hear(Broker(port=make_broker().port), 1.0, "barn/#/x")
    with pytest.raises(NotHeard, match=r"\$SYS"):
        hear(Broker(port=unused_port), 1.0, "$SYS/#")
