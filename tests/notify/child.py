"""A worker in a process of its own that kills itself at a named step of sending. Run by the kill test."""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path
from random import Random
from typing import Any

from monitor.engine.connections import Notice, Secret, Tell
from monitor.engine.specification import Priority
from monitor.notify.channels import Channel, Outcome, open_channels
from monitor.notify.worker import Sayings, Worker
from monitor.store.keep import Store

KINDS = ("raised", "escalated", "all clear", "report")


def notices() -> list[Notice]:
    """Four of as many kinds, the same on every run."""
    return [
        Notice(f"{n}/{kind}/Ada/0/1", n, "brooder/birds_cold", kind, "Ada", 0, Priority.HIGH, f"{kind} {n}", "body", 0.0, 1e9)
        for n, kind in enumerate(KINDS, 1)
    ]


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


class Fatal:
    """The real outbox, with a kill before or after one of its calls, at the n-th time."""

    def __init__(self, outbox: Any, step: str, nth: int) -> None:
        self._outbox = outbox
        self._when, _, self._call = step.partition(" ")
        self._left = nth

    def __getattr__(self, name: str) -> Any:
        call = getattr(self._outbox, name)
        if name != self._call:
            return call

        def fatal(*arguments: Any) -> Any:
            self._left -= 1
            if self._left == 0 and self._when == "before":
                die()
            answer = call(*arguments)
            if self._left == 0 and self._when == "after":
                die()
            return answer

        return fatal


class FatalChannel:
    """The real channel, with a kill just before or just after a hand-over."""

    def __init__(self, channel: Channel, step: str, nth: int) -> None:
        self._channel = channel
        self._step = step
        self._left = nth
        self.name = channel.name

    def hand_over(self, notice: Notice, title: str, body: str) -> Outcome:
        self._left -= 1
        if self._left == 0 and self._step == "before hand_over":
            die()
        outcome = self._channel.hand_over(notice, title, body)
        if self._left == 0 and self._step == "after hand_over":
            die()
        return outcome


def main(folder: str, address: str, step: str, nth: int) -> None:
    """Send all there is, or die on the way. `step`: "before sending", "after sent", "" for none …"""
    store = Store.open(Path(folder))
    tell = (Tell("Ada", Secret(address), tuple(Priority)),)
    outbox = Fatal(store.outbox, step, nth)
    outbox.add(notices())
    channels: list[Channel] = [FatalChannel(one, step, nth) for one in open_channels(tell, lambda topic, payload: True)]
    began = time.monotonic()
    worker = Worker(
        outbox, channels, tell, Sayings("May be a repeat.", str),
        now=lambda: 10.0 + time.monotonic() - began, matters=lambda one: True, on_link=lambda up, detail: None, dice=Random(1),
    )  # fmt: skip
    worker.start()
    while store.outbox.rows("waiting") or store.outbox.rows("sending"):
        time.sleep(0.005)
    worker.stop()
    store.close()


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], sys.argv[3], int(sys.argv[4]))
