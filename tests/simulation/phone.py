"""Phones at the far end, and what reached them: they take, refuse, lose their answer, or hang."""

from __future__ import annotations

from collections.abc import Callable, Container
from dataclasses import dataclass, field
from itertools import pairwise
from random import Random

from monitor.engine.connections import Notice
from monitor.notify.channels import Outcome
from monitor.notify.rota import ALARMING, LOSS, SUMMARY


@dataclass(frozen=True, slots=True)
class Ring:
    """One message that reached a phone."""

    at: float
    notice: Notice
    says_maybe_repeat: bool
    is_answered: bool  # the answer came back: never again
    while_disk_failed: bool


@dataclass(slots=True)
class Phones:
    """What the keepers' channels do now, and everything they ever took."""

    dice: Random
    maybe_repeat: str
    rung: list[Ring] = field(default_factory=list)
    told: set[int] = field(default_factory=set)  # occurrences somebody has heard of
    by_key: dict[str, list[Ring]] = field(default_factory=dict)

    def hand_over(self, notice: Notice, body: str, mode: str, at: float, disk_fails: bool) -> Outcome | None:
        """The channel's answer, or None while it hangs.

        Args:
            mode: "takes", "refuses", "answer lost" or "hangs".
        """
        if mode == "refuses":
            return Outcome(False, "refused", 0.1)
        if mode == "takes" or self.dice.random() < 0.5:
            ring = Ring(at, notice, body.startswith(self.maybe_repeat), mode == "takes", disk_fails)
            self.rung.append(ring)
            self.by_key.setdefault(notice.key, []).append(ring)
            self.told.add(notice.occurrence)
        if mode == "hangs":
            return None
        return Outcome(mode == "takes", mode, 0.1, uncertain=mode != "takes")

    def doubled(
        self,
        was_killed_between: Callable[[float, float], bool],
        was_restored_between: Callable[[float, float], bool] = lambda _one, _other: False,
    ) -> list[str]:
        """Messages that came again against the rules at the top of `policy`; told once each."""
        wrong = []
        for key, rings in self.by_key.items():
            for former, again in pairwise(rings):
                if former.while_disk_failed or again.while_disk_failed:
                    continue  # what could not be written, a kill forgets: see `BothOutboxes`
                if was_restored_between(former.at, again.at):
                    continue  # the page that was spoilt may have been the outbox's own
                killed = was_killed_between(former.at, again.at)
                if former.is_answered and not killed:
                    wrong.append(f"{key} came again at {again.at:.0f} though it had been accepted at {former.at:.0f}")
                elif not again.says_maybe_repeat:
                    wrong.append(f"{key} came again at {again.at:.0f} and did not say that it may be a repeat")
                elif again.notice.kind not in ALARMING and again.notice.kind not in (SUMMARY, LOSS):
                    wrong.append(f"{key}, a {again.notice.kind}, came twice")
        return wrong


def mode_of(channel: int, faults: Container[str]) -> str:
    """What a channel does now: 0 is the first person's phone, 1 her mail, 2 the next person's phone."""
    if channel == 1:
        return "refuses" if "mail refuses" in faults else "takes"
    if channel == 2:
        return "answer lost" if "phone hangs" in faults else "takes"
    for mode in ("refuses", "hangs"):
        if f"phone {mode}" in faults:
            return mode
    return "answer lost" if "phone answers lost" in faults else "takes"
