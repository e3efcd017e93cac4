"""`hear` as typed, beside a real broker and beside none."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from paho.mqtt import publish

from demo.broker import free_port
from monitor.cli import main
from tests.whole.conftest import DaemonProcess
from tests.wire.conftest import BrokerProcess


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[BrokerProcess]:
    started = BrokerProcess(tmp_path / "broker").start()
    yield started
    started.kill()


def test_what_the_broker_remembers_is_listed_and_drafted(
    tmp_path: Path, broker: BrokerProcess, capsys: pytest.CaptureFixture[str]
) -> None:
    """A retained reading is enough for a draft, and is named as the broker's memory."""
    publish.single("barn/nh3", b"12", qos=1, retain=True, hostname="127.0.0.1", port=broker.port)
    settings = str(DaemonProcess(tmp_path, broker.port).settings_file)
    assert main(["hear", "--settings", settings, "--for", "1 s", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert [(topic["topic"], topic["retained"]) for topic in said["topics"]] == [("barn/nh3", True)]
    assert 'measures = "ammonia"' in said["draft"]


def test_a_long_listening_says_how_far_it_is(
    tmp_path: Path, broker: BrokerProcess, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Progress goes to standard error, so that the draft can be sent to a file."""
    monkeypatch.setattr("monitor.cli.command.HEAR_TOLD_EVERY_S", 1)
    settings = str(DaemonProcess(tmp_path, broker.port).settings_file)
    assert main(["hear", "--settings", settings, "--for", "2 s"]) == 0
    told = capsys.readouterr()
    assert "0 messages in 1 of 2 s …" in told.err
    assert "…" not in told.out


def test_without_a_broker_one_sentence_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 1, where it was tried, and nothing a keeper cannot read."""
    port = free_port()
    settings = str(DaemonProcess(tmp_path, port).settings_file)
    assert main(["hear", "--settings", settings, "--for", "1 s"]) == 1
    told = capsys.readouterr()
    assert told.err == f"warmstraw hear: no broker answers at 127.0.0.1:{port}\n"
    assert told.out == ""
