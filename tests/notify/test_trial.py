"""A test call says what arrived where, no more than it knows."""

from __future__ import annotations

import json
import time
from typing import Any

from monitor.engine.connections import Secret, Tell
from monitor.engine.specification import Priority, Specification
from monitor.engine.wording import trial_words
from monitor.engine.wording_english import ENGLISH
from monitor.notify.channels import open_channels
from monitor.notify.trial import HONESTY, call, sheet

SITE = Specification("Mill Rise", "Europe/Dublin", "us", 50.0, {}, {}, {})


def test_every_channel_is_tried_at_once_and_told_apart(receiver: Any, second_receiver: Any, mailbox: Any) -> None:
    """One takes it, one hangs, one refuses, one sounds: four lines, and the hung one delays no other."""
    box, mail = mailbox
    box.refuse = True
    second_receiver.mode = "hang"
    addresses = {"Ada": receiver.address, "Bea": second_receiver.address, "Cid": mail, "yard": "mqtt:yard/siren"}
    tell = [Tell(person, Secret(address), (Priority.URGENT,)) for person, address in addresses.items()]
    heard: list[str] = []

    def publish(topic: str, payload: str) -> bool:
        heard.append(payload)
        return topic == "yard/siren"

    channels = open_channels(tell, publish)
    began = time.monotonic()
    trials = call(tell, channels, trial_words(SITE, ENGLISH), name="1")
    assert time.monotonic() - began < 4
    assert [(trial.person, trial.verdict) for trial in trials] == [
        ("Ada", "accepted"),
        ("Bea", "no answer, may have arrived"),
        ("Cid", "failed"),
        ("yard", "accepted"),
    ]
    assert receiver.titles() == ["Test from Mill Rise: this way works"]
    assert json.loads(heard[0])["kind"] == "test"
    text = sheet(trials)
    assert "2 of 4 did not get through." in text
    assert HONESTY in text
    assert text.splitlines()[1].split()[:3] == ["Ada", f"json://127.0.0.1:{receiver.port}", "accepted"]


def test_a_channel_that_never_answers_is_named_after_the_time_given(receiver: Any) -> None:
    """The command comes back on time with a line for each channel."""
    receiver.mode = "hang"
    tell = [Tell("Ada", Secret(f"json://127.0.0.1:{receiver.port}/x?cto=9&rto=9"), (Priority.URGENT,))]
    channels = open_channels(tell, lambda topic, payload: True)
    (trial,) = call(tell, channels, trial_words(SITE, ENGLISH), name="1", give_up_s=0.3)
    assert (trial.verdict, trial.answer) == ("no answer, may have arrived", "no answer within 0.3 s")


def test_a_rota_without_anyone_is_said_outright() -> None:
    """No [[tell]] at all is the worst result of a test."""
    assert "Nobody is told of anything" in sheet(call([], [], trial_words(SITE, ENGLISH), name="1"))
