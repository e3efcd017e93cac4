"""The real page on the real daemon, a real broker, and a relay on the other side of it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from queue import Queue

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import expect

from demo.broker import free_port
from monitor.api.passwords import set_password
from monitor.daemon.watch import Daemon
from monitor.settings.read import read
from tests.api.barn_at_hand import KEEPER
from tests.whole.page.conftest import Open, until
from tests.wire.conftest import BrokerProcess

SETTINGS = """
[site]
name = "Mill Rise"
timezone = "Europe/Dublin"
units = "us"

[broker]
host = "127.0.0.1"
port = {broker}

[clock]
kept_by = "battery"

[store]
folder = "{folder}"
commit_every = "1 s"

[api]
port = {api}

[[pen]]
name = "brooder"
length = "12 ft"
width = "10 ft"
height = "8 ft"
insulation = "R-5"

[[pen.sensor]]
name = "chick height"
measures = "temperature"
place = "bird level"
topic = "millrise/brooder/probe1"
pointer = "/t"
unit = "degF"
every = "30 s"

[[pen.sensor]]
name = "nose"
measures = "ammonia"
place = "bird level"
topic = "millrise/brooder/ammonia"
unit = "ppm"
every = "30 s"

[pen.fan]
command_topic = "millrise/brooder/fan/set"
report_topic = "millrise/brooder/fan/state"
free_air = "400 cfm"
shut_off = "1.6 inH2O"
shortest_on = "1 s"
shortest_off = "1 s"

[[pen.flock]]
name = "spring layers"
class = "layer"
hatched = {hatched}
count = 16
"""


class Relay:
    """The far end: obeys each command and reports it; publishes what the sensors say."""

    def __init__(self, port: int) -> None:
        self.commands: Queue[str] = Queue()
        self.last = ""
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._obey
        self._client.connect("127.0.0.1", port)
        self._client.subscribe("millrise/brooder/fan/set")
        self._client.loop_start()

    def _obey(self, client: Client, _: object, message: MQTTMessage) -> None:
        word = message.payload.decode()
        if word != self.last:
            self.last = word
            self.commands.put(word)
        client.publish("millrise/brooder/fan/state", word)

    def say(self, degrees_f: float, ppm: float) -> None:
        self._client.publish("millrise/brooder/probe1", json.dumps({"t": degrees_f}), qos=1)
        self._client.publish("millrise/brooder/ammonia", str(ppm), qos=1)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[tuple[Daemon, Relay, str]]:
    with ExitStack() as ends:
        broker = BrokerProcess(tmp_path / "broker").start()
        ends.callback(broker.stop)
        hatched = (datetime.now(UTC) - timedelta(days=3)).date()
        settings_file = tmp_path / "warmstraw.toml"
        settings_file.write_text(
            SETTINGS.format(broker=broker.port, api=free_port(), folder=tmp_path / "daemon", hatched=hatched.isoformat())
        )
        settings = read(str(settings_file))
        set_password(settings.connections, KEEPER)
        watched = Daemon(settings)
        watched.start()
        ends.callback(watched.stop)
        relay = Relay(broker.port)
        ends.callback(relay.close)
        assert watched.web is not None
        yield watched, relay, watched.web.address


def test_a_reading_on_the_broker_becomes_a_sentence_on_the_phone(open_page: Open, daemon: tuple[Daemon, Relay, str]) -> None:
    """From the sensor's message to the words, without a reload."""
    _, relay, address = daemon
    page = open_page(address=address)
    expect(page.locator(".sentence")).to_contain_text("Warmth not known: no reading yet")
    relay.say(91.0, 8)
    expect(page.locator(".sentence")).to_contain_text("91 °F at bird level")
    expect(page.locator(".sentence")).to_contain_text("Air good: 8 ppm ammonia.")


def test_the_relay_switches_when_the_keeper_sets_the_fan(open_page: Open, daemon: tuple[Daemon, Relay, str]) -> None:
    """On by hand, and given back: the commands on the broker, the relay's own report on the page, the record in the store."""
    watch, relay, address = daemon
    relay.say(91.0, 8)
    page = open_page(address=address)
    section = page.locator("#fan")
    section.scroll_into_view_if_needed()
    section.get_by_text("Set it by hand…").click()
    section.get_by_role("button", name="Set it", exact=True).click()
    until(lambda: relay.last == "on")
    expect(section).to_contain_text("Fan on, set by hand for 15 min more.")
    expect(section).to_contain_text("Its relay says it is running.")
    section.get_by_role("button", name="Give it back to the rule now").click()
    until(lambda: watch.core.state.pens["brooder"].hand is None)
    expect(section).not_to_contain_text("set by hand for")


def test_a_litter_change_is_kept_and_shown(open_page: Open, daemon: tuple[Daemon, Relay, str]) -> None:
    """Written on the page, committed at once, read back from the store."""
    watch, _, address = daemon
    page = open_page(address=address)
    page.locator("#litter").scroll_into_view_if_needed()
    page.get_by_role("button", name="Litter changed").click()
    page.get_by_role("button", name="Write down: litter changed, now").click()
    page.locator("#journal").scroll_into_view_if_needed()
    expect(page.locator("#journal .journal li")).to_contain_text("litter changed")
    with watch.yard.reader() as reader:
        assert [entry.what for entry in reader.journal("brooder")] == ["litter changed"]
