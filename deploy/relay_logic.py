"""How a fan's relay must think, so that it stays safe when everything around it fails. Reference for its firmware.

Rules of this file: pure; no clock, no network. The firmware calls `step` for each message and at least once a
second, sets its output to what comes back, and feeds its hardware watchdog only after that. Time is the chip's
own count of milliseconds, 32 bits that start again at zero after 49.7 days: only differences are ever used.
`tests/deploy/test_relay_logic.py` plays it through broken days; relay.md tells it in words.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

WRAP = 2**32


def since(earlier_ms: int, now_ms: int) -> int:
    """Milliseconds from one count to a later one, across the wrap; right up to 49.7 days."""
    return (now_ms - earlier_ms) % WRAP


class Mode(StrEnum):
    """Who decides on the fan."""

    OBEYING = "obeying"
    ALONE = "alone"


@dataclass(frozen=True, slots=True)
class Settings:
    """What the keeper sets in the firmware.

    `alone_on_ms` of every `alone_period_ms` is the minimum timer the relay keeps by itself: take the figures
    of `warmstraw size` for the birds' age and the season, and renew them as the birds grow.
    """

    command_old_after_ms: int = 180_000  # the daemon says a standing command again every 60 s: three are missing
    wait_at_start_ms: int = 90_000  # after power came: time for the network, then the relay goes on alone
    alone_on_ms: int = 60_000
    alone_period_ms: int = 600_000
    shortest_on_ms: int = 20_000
    shortest_off_ms: int = 60_000
    hot_above_c: float | None = None  # with a probe of its own: alone, it runs all the time from here …
    cool_below_c: float | None = None  # … until it is cooler than this


@dataclass(frozen=True, slots=True)
class Message:
    """What came from the broker. `retained` is the broker's own memory, of unknown age."""

    topic: str  # "command" or "alive": which of the two subscriptions it came by
    word: str
    retained: bool = False


@dataclass(frozen=True, slots=True)
class Relay:
    """All it remembers, in memory only: after a power cut it must not go on with an old command."""

    settings: Settings
    started_ms: int
    mode: Mode = Mode.ALONE
    running: bool = False
    switched_ms: int | None = None  # None since the start: the shortest times do not hold it then
    wanted: bool = False
    command_ms: int | None = None  # of the last live command; None when there is none to obey
    alone_since_ms: int | None = None
    is_hot: bool = False


def boot(settings: Settings, now_ms: int) -> Relay:
    """As the chip starts: output off, no command known."""
    return Relay(settings, now_ms)


def step(relay: Relay, now_ms: int, message: Message | None = None, room_c: float | None = None) -> Relay:
    """What it does now.

    Args:
        now_ms: the chip's count.
        message: what came in, if anything did.
        room_c: of the relay's own probe, °C; None when it has none or the probe is broken.

    Returns:
        The relay as it is now; `running` is the output to set, and the word to report on every change and
        after every command, "ON" or "OFF".
    """
    if message is not None:
        relay = _heard(relay, now_ms, message)
    relay = _grown_old(relay, now_ms)
    relay = _warmth(relay, room_c)
    if relay.mode is Mode.OBEYING:
        return _switched(relay, relay.wanted, now_ms)
    if relay.alone_since_ms is None:
        return relay  # still waiting after its start
    return _switched(relay, relay.is_hot or _timer_on(relay, now_ms), now_ms)


def _heard(relay: Relay, now_ms: int, message: Message) -> Relay:
    word = message.word.strip().casefold()
    if message.topic == "alive":
        # "gone" is the broker's word that the daemon is: believed at once, even from its memory, unless a
        # live command has just proved otherwise. "here" proves nothing: a daemon that hangs is still "here".
        fresh = message.retained and relay.mode is Mode.OBEYING
        return _alone(relay, now_ms) if word == "gone" and not fresh else relay
    if message.topic != "command" or message.retained or word not in ("on", "off"):
        return relay  # a retained command is of unknown age; nonsense changes nothing and proves nothing
    return replace(relay, mode=Mode.OBEYING, wanted=word == "on", command_ms=now_ms, alone_since_ms=None)


def _grown_old(relay: Relay, now_ms: int) -> Relay:
    settings = relay.settings
    if relay.mode is Mode.OBEYING:
        assert relay.command_ms is not None
        return _alone(relay, now_ms) if since(relay.command_ms, now_ms) > settings.command_old_after_ms else relay
    if relay.alone_since_ms is None and since(relay.started_ms, now_ms) >= settings.wait_at_start_ms:
        return _alone(relay, now_ms)
    return relay


def _alone(relay: Relay, now_ms: int) -> Relay:
    if relay.mode is Mode.ALONE and relay.alone_since_ms is not None:
        return relay
    return replace(relay, mode=Mode.ALONE, command_ms=None, alone_since_ms=now_ms)


def _timer_on(relay: Relay, now_ms: int) -> bool:
    """Air first, then rest: nobody knows how long there was none."""
    assert relay.alone_since_ms is not None
    # The wrap makes one period of 49.7 days shorter or longer, once.
    return since(relay.alone_since_ms, now_ms) % relay.settings.alone_period_ms < relay.settings.alone_on_ms


def _warmth(relay: Relay, room_c: float | None) -> Relay:
    on, off = relay.settings.hot_above_c, relay.settings.cool_below_c
    if room_c is None or on is None or off is None:
        return replace(relay, is_hot=False)
    return replace(relay, is_hot=room_c >= on or (relay.is_hot and room_c >= off))


def _switched(relay: Relay, wanted: bool, now_ms: int) -> Relay:
    """Switch, but not sooner than the motor bears."""
    if wanted == relay.running:
        return relay
    shortest = relay.settings.shortest_on_ms if relay.running else relay.settings.shortest_off_ms
    if relay.switched_ms is not None and since(relay.switched_ms, now_ms) < shortest:
        return relay
    return replace(relay, running=wanted, switched_ms=now_ms)
