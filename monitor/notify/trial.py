"""A test alarm through every channel: what arrived where, and how long it took.

Rules of this file: all channels at once, so that one that hangs hides no other; and it says no more than it
knows: "accepted" is the next hop's word, that a person saw it only the person can tell.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from monitor.engine.connections import Notice, Tell
from monitor.engine.specification import Priority
from monitor.engine.wording import Words
from monitor.notify.channels import Channel
from monitor.notify.rota import TEST

GIVE_UP_S = 30.0

HONESTY = "Accepted means the next hop took it; only the person can say that it rang. Ask them."


@dataclass(frozen=True, slots=True)
class Trial:
    """What came of one channel."""

    person: str
    channel: str  # masked
    accepted: bool
    uncertain: bool  # not accepted, yet it may have arrived
    answer: str
    took_s: float

    @property
    def verdict(self) -> str:
        if self.accepted:
            return "accepted"
        return "no answer, may have arrived" if self.uncertain else "failed"


def call(
    tell: Sequence[Tell],
    channels: Sequence[Channel],
    words: Words,
    *,
    name: str,
    give_up_s: float = GIVE_UP_S,
    stopwatch: Callable[[], float] = time.monotonic,
) -> list[Trial]:
    """Send a test through every channel and wait for what they say, at most `give_up_s` seconds.

    Args:
        name: tells this test from others, for the notices' ids.
    """
    outcomes: dict[int, Trial] = {}
    threads = []
    began = stopwatch()
    for index, (entry, channel) in enumerate(zip(tell, channels, strict=True)):
        key = f"{TEST}/{name}/{entry.person}/{index}"
        notice = Notice(key, 0, "", TEST, entry.person, index, Priority.LOW, words.title, words.message, 0.0, give_up_s)

        def one(index: int = index, channel: Channel = channel, notice: Notice = notice) -> None:
            out = channel.hand_over(notice, notice.title, notice.body)
            outcomes[index] = Trial(notice.person, channel.name, out.accepted, out.uncertain, out.answer, out.took_s)

        thread = threading.Thread(target=one, name=f"test call {index}", daemon=True)
        thread.start()
        threads.append(thread)
    for thread in threads:
        thread.join(max(0.0, give_up_s - (stopwatch() - began)))
    return [
        outcomes.get(index) or Trial(entry.person, channel.name, False, True, f"no answer within {give_up_s:g} s", give_up_s)
        for index, (entry, channel) in enumerate(zip(tell, channels, strict=True))
    ]


def sheet(trials: Sequence[Trial]) -> str:
    """The table a keeper reads after a test call."""
    if not trials:
        return "Nobody is told of anything: the settings hold no [[tell]]. An alarm would show on the page only."
    rows = [("person", "channel", "result", "took", "answer")]
    rows += [(t.person, t.channel, t.verdict, f"{t.took_s:.1f} s", t.answer) for t in trials]
    widths = [max(len(row[column]) for row in rows) for column in range(4)]
    lines = ["  ".join([*(cell.ljust(width) for cell, width in zip(row, widths, strict=False)), row[4]]).rstrip() for row in rows]
    failed = sum(not trial.accepted for trial in trials)
    verdict = f"{failed} of {len(trials)} did not get through." if failed else "All were accepted."
    return "\n".join([*lines, "", f"{verdict} {HONESTY}"])
