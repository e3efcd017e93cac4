"""What the tests of the store share: a way to say a batch in one line, and a moment to count from."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.engine.connections import Delivery, Notice
from monitor.engine.events import AlarmChanged, Keep, SwitchFan
from monitor.engine.specification import Priority
from monitor.store.keep import Batch, Store

# 2026-05-01 06:00 UTC, in ms: a moment like any other.
DAWN_MS = 1_777_615_200_000


class Say:
    """Short words for the store's records, so that a test shows only what matters to it."""

    dawn_ms = DAWN_MS

    @staticmethod
    def batch(*keeps: Keep, **changed: Any) -> Batch:
        told: dict[str, Any] = {
            "keeps": keeps,
            "deliveries": (),
            "decisions": (),
            "journal": (),
            "notices": (),
            "state": None,
            "at": 1.0,
            "wall_ms": DAWN_MS,
            "segment": 1,
            "boot_id": "boot",
            "boottime_s": 10.0,
            "at_once": False,
        }
        return Batch(**{**told, **changed})

    @staticmethod
    def keep(sensor: str, value: float, after_ms: int | None = 0, own_time: bool = False, at: float = 0.0) -> Keep:
        """A reading `after_ms` after dawn; None: taken before the clock was trusted, at elapsed second `at`."""
        return Keep(sensor, value, at, None if after_ms is None else DAWN_MS + after_ms, own_time)

    @staticmethod
    def fan(pen: str, running: bool, after_ms: int | None = 0, at: float = 0.0, **changed: Any) -> SwitchFan:
        told: dict[str, Any] = {"speed_pct": None, "reason": "damp", "evidence": {"value": 81.5, "limit": 75.0}}
        return SwitchFan(at, None if after_ms is None else DAWN_MS + after_ms, pen, running, **{**told, **changed})

    @staticmethod
    def alarm(key: str, state: str, former: str = "normal", after_ms: int | None = 0, at: float = 0.0) -> AlarmChanged:
        pen, name = key.split("/")[:2]
        wall = None if after_ms is None else DAWN_MS + after_ms
        return AlarmChanged(at, wall, key, name, pen, "", former, state, Priority.URGENT, 7, {"value": 21.0, "limit": 27.8})

    @staticmethod
    def delivery(packet_id: int, digest: bytes = b"d") -> Delivery:
        return Delivery(1, packet_id, 1, digest)

    @staticmethod
    def notice(key: str, **changed: Any) -> Notice:
        told: dict[str, Any] = {
            "occurrence": 7,
            "alarm": "brooder/birds_cold",
            "kind": "raised",
            "person": "keeper",
            "channel": 0,
            "priority": Priority.URGENT,
            "title": "Brooder 70 °F",
            "body": "Look: are they piled up?",
            "due_at": 5.0,
            "stale_after": 3_605.0,
        }
        return Notice(key=key, **{**told, **changed})


@pytest.fixture
def say() -> type[Say]:
    return Say


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """A new store in `tmp_path / "store"`."""
    with Store.open(tmp_path / "store") as opened:
        yield opened
