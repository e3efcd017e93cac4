"""The dead-man ping of this daemon: the keeper's watcher hears from it only while all is truly well."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping

from monitor.engine.connections import DeadManPing
from monitor.notify.dead_man import DeadMan, check_ping_address

log = logging.getLogger(__name__)

Healthy = Callable[[], tuple[bool, Mapping[str, str]]]


def dead_man(ping: DeadManPing | None, healthy: Healthy, now: Callable[[], float] = time.monotonic) -> DeadMan | None:
    """What pings, or None when the settings ask for none or for what cannot be pinged.

    A wrong address keeps nobody from watching the birds: it is logged, and the watcher elsewhere, which then never
    hears anything, calls.

    Args:
        healthy: is the daemon doing its work, and what each part says of itself.
        now: seconds that never run backwards.
    """
    if ping is None:
        return None
    mistake = check_ping_address(ping.address.reveal())
    if mistake is not None:
        log.error("the address under [ping] cannot be called, so nothing is: %s", mistake)
        return None
    return DeadMan(ping, lambda: healthy()[0], now)


def figures(pinging: DeadMan | None) -> dict[str, float]:
    """For the metrics: did the watcher answer the last ping; 0 also while none is sent for want of health."""
    if pinging is None or pinging.last is None:
        return {}
    return {"ping_answered": float(pinging.last.answered)}
