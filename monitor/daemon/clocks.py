"""What the machine's clocks say. The one place of the daemon that reads them."""

from __future__ import annotations

import ctypes
import logging
import time
from collections.abc import Callable
from pathlib import Path

from monitor.engine.timeline import Glance

log = logging.getLogger(__name__)

_UNSYNCHRONISED = 0x40  # STA_UNSYNC of adjtimex(2)
_BATTERY_CLOCK = Path("/sys/class/rtc/rtc0")
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class _Timex(ctypes.Structure):
    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * 512),
    )


def _adjtimex() -> Callable[[], bool]:
    """Does the kernel say its clock is disciplined? Never, where it cannot be asked."""
    try:
        ask = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return lambda: False

    def synchronised() -> bool:
        answer = _Timex()
        if ask(ctypes.byref(answer)) < 0:
            return False
        return not answer.status & _UNSYNCHRONISED

    return synchronised


def boot_id() -> str:
    """Names this boot of the machine."""
    try:
        return _BOOT_ID.read_text().strip()
    except OSError:
        return f"unknown {time.time() - time.clock_gettime(time.CLOCK_BOOTTIME):.0f}"


class MachineClocks:
    """A look at the machine's clocks; `kept` when the settings say that something keeps the time."""

    def __init__(self, kept: bool) -> None:
        self._keeps_time = kept or _BATTERY_CLOCK.exists()
        self._boot_id = boot_id()
        self._synchronised = _adjtimex()

    def boottime_s(self) -> float:
        return time.clock_gettime(time.CLOCK_BOOTTIME)

    def glance(self) -> Glance:
        return Glance(self.boottime_s(), self._boot_id, time.time(), self._synchronised(), self._keeps_time)
