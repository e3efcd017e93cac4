"""What the sites of a yard say of themselves on a broker that carries them all.

Rules of this file: a stranger may publish here, so everything is bounded: sites, pens, alarms, lengths; what
cannot be read changes nothing and is counted. The site's name is that of its topic, which access control can
guard; what stands in the payload is only shown. Nothing here is judged.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from monitor.engine.events import Json
from monitor.wire.causes import Unusable
from monitor.wire.connection import GONE, HERE
from monitor.wire.strict import json_value, printable

MOST_SITES = 1_000
MOST_PENS = 64
MOST_ALARMS = 64
LONGEST_TEXT = 400
# A bridge's words of itself, the second as its last will: mosquitto.conf(5), notifications.
STANDS, FALLEN = b"1", b"0"


@dataclass(frozen=True, slots=True)
class PenSaid:
    pen: str
    answer: str
    verdict: str


@dataclass(frozen=True, slots=True)
class AlarmSaid:
    pen: str
    title: str
    priority: str
    state: str


@dataclass(frozen=True, slots=True)
class SiteSaid:
    """The last that was heard of one site. `heard_at` is elapsed seconds of its last live message."""

    site: str
    alive: bool | None = None  # None while nothing was heard of that
    pens: tuple[PenSaid, ...] = ()
    alarms: tuple[AlarmSaid, ...] = ()
    has_answered: bool = False
    time_ms: int | None = None  # what its own clock said; None when it did not trust it
    heard_at: float | None = None  # None: only the broker's memory, of unknown age
    line_gone_at: float | None = None  # since when its bridge is known to be down; None while it stands, or there is none

    @property
    def is_cut_off(self) -> bool:
        """Its line is gone, and nothing has come from it since: what was said before is old, however lately it was said."""
        return self.line_gone_at is not None and (self.heard_at is None or self.heard_at <= self.line_gone_at)


class OtherSites:
    """Everything heard so far; any thread may ask."""

    def __init__(self, own_site: str = "") -> None:
        """Begin with nothing.

        Args:
            own_site: the level of the listener's own topics. A board hears its own bridge fall, and hears itself all the same.
        """
        self._own_site = own_site
        self._sites: dict[str, SiteSaid] = {}
        self._lock = threading.Lock()
        self.unusable = 0
        self.left_out = 0

    def hear(self, topic: str, payload: bytes, retained: bool, at: float) -> bool:
        """Take a message if it is one of these; False when its topic is another's.

        An empty answer, which also takes a retained one back, strikes the site off.
        """
        levels = topic.split("/")
        if len(levels) != 3 or levels[0] != "warmstraw" or levels[2] not in _ENDS:
            return False
        if levels[2] == "line" and levels[1] == self._own_site:
            return True
        with self._lock:
            known = self._sites.get(levels[1])
            if known is None and len(self._sites) >= MOST_SITES:
                self.left_out += 1
                return True
            if levels[2] == "answer" and not payload:
                self._sites.pop(levels[1], None)
                return True
            known = known or SiteSaid(printable(levels[1], LONGEST_TEXT))
            said = _ENDS[levels[2]](known, payload, at)
            if said is None:
                self.unusable += 1
                return True
            # Of its line the broker speaks, not the site.
            self._sites[levels[1]] = said if retained or levels[2] == "line" else replace(said, heard_at=at)
        return True

    def sites(self) -> list[SiteSaid]:
        """By name."""
        with self._lock:
            return sorted(self._sites.values(), key=lambda said: said.site)


def _alive(known: SiteSaid, payload: bytes, _at: float) -> SiteSaid | None:
    return replace(known, alive=payload == HERE) if payload in (HERE, GONE) else None


def _line(known: SiteSaid, payload: bytes, at: float) -> SiteSaid | None:
    """An empty word takes a retained one back: the site has no bridge any more."""
    if payload in (STANDS, b""):
        return replace(known, line_gone_at=None)
    return replace(known, line_gone_at=at) if payload == FALLEN else None


def _answer(known: SiteSaid, payload: bytes, _at: float) -> SiteSaid | None:
    try:
        told = json_value(payload)
    except Unusable:
        return None
    if not isinstance(told, dict):
        return None
    pens = [
        PenSaid(_text(one, "pen"), _text(one, "answer"), _text(one, "verdict")) for one in _tables(told.get("pens"), MOST_PENS)
    ]
    alarms = [
        AlarmSaid(_text(one, "pen"), _text(one, "title"), _text(one, "priority"), _text(one, "state"))
        for one in _tables(told.get("alarms"), MOST_ALARMS)
    ]
    return replace(known, pens=tuple(pens), alarms=tuple(alarms), has_answered=True, time_ms=_time_ms(told.get("time")))


_ENDS = {"answer": _answer, "alive": _alive, "line": _line}


def _tables(listed: Json, most: int) -> Sequence[dict[str, Json]]:
    return [one for one in listed[:most] if isinstance(one, dict)] if isinstance(listed, list) else []


def _text(table: dict[str, Json], key: str) -> str:
    value = table.get(key)
    return printable(value, LONGEST_TEXT) if isinstance(value, str) else ""


def _time_ms(written: Json) -> int | None:
    if not isinstance(written, str) or len(written) > 40:
        return None
    try:
        moment = datetime.fromisoformat(written)
        return None if moment.tzinfo is None else round(moment.timestamp() * 1000)
    except (ValueError, OverflowError):
        return None
