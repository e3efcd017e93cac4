"""`warmstraw call`: real receivers, a real broker, a daemon's session beside it."""

from __future__ import annotations

import argparse
import json
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from demo.broker import free_port
from monitor.cli.calling import SOUNDS_S, call
from monitor.cli.refusal import Refused
from monitor.engine.events import AlarmChanged
from monitor.engine.specification import Priority
from monitor.settings.read import Settings, read
from monitor.store.keep import Batch, Store
from monitor.wire.session import Session
from tests.notify.conftest import Receiver
from tests.wire.conftest import BrokerProcess, wait_until

SITE = '[site]\nname = "Mill Rise"\ntimezone = "Europe/Dublin"\n[store]\nfolder = "{folder}"\n[broker]\nport = {port}\n'


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    it = Receiver()
    yield it
    it.close()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[BrokerProcess]:
    it = BrokerProcess(tmp_path / "broker").start()
    yield it
    it.kill()


Make = Callable[..., Settings]


@pytest.fixture
def settings(tmp_path: Path) -> Make:
    def make(*people: tuple[str, str], port: int = 1883) -> Settings:
        file = tmp_path / "barn.toml"
        tells = "".join(f'[[tell]]\nperson = "{person}"\nchannel = "{channel}"\n' for person, channel in people)
        file.write_text(SITE.format(folder=tmp_path / "store", port=port) + tells, encoding="utf-8")
        return read(str(file), {})

    return make


def asked(person: str | None = None, as_json: bool = False) -> argparse.Namespace:
    return argparse.Namespace(person=person, json=as_json)


class Siren:
    """What a siren on the broker hears."""

    def __init__(self, port: int) -> None:
        self.heard: list[dict[str, Any]] = []
        self.ready = threading.Event()
        self.client = Client(CallbackAPIVersion.VERSION2)
        self.client.on_message = lambda _c, _u, message: self.heard.append(json.loads(message.payload))
        self.client.on_subscribe = lambda *_: self.ready.set()
        self.client.connect("127.0.0.1", port)
        self.client.subscribe("yard/siren", 1)
        self.client.loop_start()
        assert self.ready.wait(10)

    def close(self) -> None:
        self.client.loop_stop()
        self.client.disconnect()


@pytest.fixture
def siren(broker: BrokerProcess) -> Iterator[Siren]:
    it = Siren(broker.port)
    yield it
    it.close()


def test_every_channel_is_named_with_what_came_of_it(
    settings: Make, receiver: Receiver, capsys: pytest.CaptureFixture[str]
) -> None:
    """One takes it, one is not there: exit code 1, and the table says which."""
    two = settings(("Nora", receiver.address), ("Ed", f"json://127.0.0.1:{free_port()}/x"))
    assert call(asked(), two) == 1
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines[:3]] == ["person", "Nora", "Ed"]
    assert "accepted" in lines[1]
    assert "failed" in lines[2]
    assert lines[-1].startswith("1 of 2 did not get through.")
    assert receiver.titles() == ["Test from Mill Rise: this way works"]


def test_one_person_alone_can_be_called(settings: Make, receiver: Receiver, capsys: pytest.CaptureFixture[str]) -> None:
    """--person leaves the others asleep; the JSON holds the same as the table."""
    two = settings(("Nora", receiver.address), ("Ed", f"json://127.0.0.1:{free_port()}/x"))
    assert call(asked("Nora", as_json=True), two) == 0
    said = json.loads(capsys.readouterr().out)
    (row,) = said["channels"]
    assert (row["person"], row["verdict"], row["channel"]) == ("Nora", "accepted", f"json://127.0.0.1:{receiver.port}")
    assert 0 <= row["took_s"] < 5


def test_an_unknown_person_is_refused_with_those_that_are_known(settings: Make, receiver: Receiver) -> None:
    """Exit code 2: the words were wrong, nobody was called."""
    with pytest.raises(Refused, match="expected one of Nora") as caught:
        call(asked("Norah"), settings(("Nora", receiver.address)))
    assert caught.value.code == 2
    assert receiver.asked == 0


def test_nobody_to_call_is_a_failed_test(settings: Make, capsys: pytest.CaptureFixture[str]) -> None:
    """No [[tell]] at all must not end with exit code 0."""
    assert call(asked(), settings()) == 1
    assert "Nobody is told of anything" in capsys.readouterr().out


def test_the_siren_sounds_and_is_silenced_again(
    settings: Make, broker: BrokerProcess, siren: Siren, capsys: pytest.CaptureFixture[str]
) -> None:
    """The test leaves no siren wailing: after a few seconds it hears that somebody has it, under the same id."""
    waited: list[float] = []

    def wait(seconds: float) -> None:
        assert wait_until(lambda: siren.heard)
        waited.append(seconds)

    assert call(asked(), settings(("yard", "mqtt:yard/siren"), port=broker.port), wait) == 0
    assert wait_until(lambda: len(siren.heard) == 2)
    assert [said["kind"] for said in siren.heard] == ["test", "acknowledged"]
    assert len({said["notice"] for said in siren.heard}) == 1
    assert waited == [SOUNDS_S]
    assert f"silenced after {SOUNDS_S:.0f} s" in capsys.readouterr().out


def test_a_siren_that_may_sound_for_an_alarm_is_not_silenced(
    tmp_path: Path, settings: Make, broker: BrokerProcess, siren: Siren, capsys: pytest.CaptureFixture[str]
) -> None:
    """A test call at the wrong moment must not take a real alarm's voice away."""
    with Store.open(tmp_path / "store") as store:
        alarm = AlarmChanged(
            1.0, None, "brooder/birds_cold", "birds_cold", "brooder", "", "normal", "unacknowledged", Priority.URGENT, 1
        )
        store.commit(Batch((), (), (alarm,), (), (), None, 1.0, None, 1, "boot", 1.0, True))
    assert call(asked(), settings(("yard", "mqtt:yard/siren"), port=broker.port), lambda _: None) == 0
    assert "left to sound: an alarm stands unacknowledged" in capsys.readouterr().out
    assert wait_until(lambda: siren.heard)
    assert [said["kind"] for said in siren.heard] == ["test"]


def test_without_a_broker_the_siren_is_told_as_not_reached(settings: Make, capsys: pytest.CaptureFixture[str]) -> None:
    """The reason stands below the table."""
    assert call(asked(), settings(("yard", "mqtt:yard/siren"), port=free_port())) == 1
    out, error = capsys.readouterr()
    assert "not connected to the broker" in out
    assert "no broker answers" in error


def test_the_daemons_own_session_is_not_thrown_out(settings: Make, broker: BrokerProcess, siren: Siren) -> None:
    """The call has a client id of its own, and says nothing on the topic by which relays know the daemon lives."""
    barn = settings(("yard", "mqtt:yard/siren"), port=broker.port)
    links: list[bool] = []
    heard: list[bytes] = []
    daemon = Session(
        barn.connections.broker,
        [("warmstraw/+/+", 1)],
        "warmstraw/Mill Rise/alive",
        lambda arrival: heard.append(arrival.payload),
        lambda up, _why: links.append(up),
    )
    daemon.start()
    assert wait_until(lambda: links == [True])
    assert call(asked(), barn, lambda _: None) == 0
    assert wait_until(lambda: b"gone" in heard)  # of the call's own topic
    assert links == [True]
    assert daemon.connected
    daemon.stop()
