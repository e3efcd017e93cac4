"""The card's own rot: a page of the store's file, or of its newest backup, spoilt by dice; and the nights' backups that help.

A spoilt page is no error of the disk: it answers, with something else. Promises (a broken one raises `Broken`):
- the store comes back from the newest backup that is sound; what that held is there again, whatever was read out of the rest;
- what is newer may be lost with the page, and is counted; nothing else is lost, and nothing is there twice;
- nothing is hidden: a page that is not found by itself is found by the next night's backup, and each loss is told to people.

The dice are the card's own, so that a seed without rot lives as it always did. Backups are made by the daemon's own errand.
"""

from __future__ import annotations

import os
import sqlite3
from collections import Counter
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

from monitor.notify.rota import LOSS
from monitor.store.connection import is_suspected
from monitor.store.failures import StoreFailing
from monitor.store.keep import Store
from monitor.store.nightly import BACKUPS_NAME
from tests.simulation.broker import Message
from tests.simulation.daemon import SimulatedDaemon
from tests.simulation.judging import Tally, stored_readings
from tests.simulation.pace import TURN_S

if TYPE_CHECKING:
    from tests.simulation.world import World

NIGHT_S = 86_400.0
MOST_A_DAY = 6.0
PAGE_BYTES = 1024
RESTORED_WITHIN_S = 120.0  # from meeting a spoilt page
Stored = Counter[tuple[str, float]]


class Card:
    def __init__(self, seed: int, folder: Path, now: float) -> None:
        self._dice = Random(f"the card of {seed}")
        self._rate = 0.0 if self._dice.random() < 0.5 else self._dice.random() ** 2 * MOST_A_DAY / 86_400.0
        self._folder = folder
        self._next_night = now + NIGHT_S / 2.0
        self.nights: dict[Path, Stored] = {}  # what each backup held when it was made
        self._store: Store | None = None
        self._files: dict[tuple[int, int], int] = {}
        self.is_spoilt = False  # since the store was last seen to be sound
        self.spoilt = 0
        self.restored_at: list[float] = []
        self.told_until = now  # every restoration before this was told

    @property
    def file(self) -> Path:
        return self._folder / "store.sqlite"

    def close(self, tally: Tally) -> None:
        """The end of a run; what was seen goes into its tally."""
        tally.spoilt_pages, tally.restored = self.spoilt, len(self.restored_at)
        for descriptor in self._files.values():
            os.close(descriptor)
        self._files.clear()

    # ------------------------------------------------------------------ what happens to it

    def pass_time(self, seconds: float) -> None:
        """While it is stormy, a page goes bad now and then."""
        if self._rate and self._dice.random() < self._rate * seconds:
            newest = max(self.nights, default=None)
            self.spoil(newest if newest is not None and self._dice.random() < 0.2 else self.file)

    def spoil(self, file: Path) -> None:
        """One page of it reads as something else from now on: nothing, all ones, or noise.

        Not as another page's content: a page that belongs elsewhere and is whole in itself has nothing by which SQLite could
        know it, for its pages carry no check sums.
        """
        if not file.exists() or file.stat().st_size < 2 * PAGE_BYTES:
            return
        pages = file.stat().st_size // PAGE_BYTES
        descriptor = self._opened(file)
        page = self._dice.randrange(pages)
        noise = self._dice.randbytes(PAGE_BYTES)
        os.pwrite(descriptor, self._dice.choice((bytes(PAGE_BYTES), b"\xff" * PAGE_BYTES, noise)), page * PAGE_BYTES)
        self.spoilt += 1
        self.is_spoilt |= file == self.file
        self.nights.pop(file, None)  # no good backup any more, or nearly none

    def _opened(self, file: Path) -> int:
        # Kept open: closing a file drops the locks that SQLite holds on it in this process (sqlite.org/howtocorrupt.html, 2.2).
        status = file.stat()
        place = (status.st_dev, status.st_ino)
        if place not in self._files:
            self._files[place] = os.open(file, os.O_RDWR)
        return self._files[place]

    # ------------------------------------------------------------------ what the daemon does about it

    def look(self, daemon: SimulatedDaemon, now: float, may_back_up: bool) -> Store | None:
        """The store that has taken a damaged one's place since the last look; where there is none, the night's backup if due."""
        store = daemon.writer.store
        is_new, self._store = store is not self._store, store or self._store
        if store is None or not is_new or not store.opened.lost:
            if may_back_up and now >= self._next_night and store is not None:
                self._next_night = now + NIGHT_S
                self.back_up(daemon, now)
            return None
        self.is_spoilt = False
        self.restored_at.append(now)
        return store

    def back_up(self, daemon: SimulatedDaemon, now: float) -> bool:
        """By the daemon's own errand, as on a night; False when it could not be made."""
        name = datetime.fromtimestamp(now, UTC).date()
        made = self._folder / BACKUPS_NAME / f"{name}.sqlite"
        if made.exists():
            return True
        with suppress(StoreFailing):
            daemon.errands._back_up(name)
        for file in [file for file in self.nights if not file.exists()]:
            del self.nights[file]
        if not made.exists():
            return False
        self.nights[made] = stored_readings(made)
        return True

    def find_out(self, daemon: SimulatedDaemon, now: float) -> bool:
        """Have a backup made now, as every night does; is the store sound, or at least unspoilt where anything stands?"""
        made = self._folder / BACKUPS_NAME / f"{datetime.fromtimestamp(now, UTC).date()}.sqlite"
        if made.exists():
            made.unlink()  # of an earlier hour: a night of its own is wanted
            self.nights.pop(made, None)
        if self.back_up(daemon, now):
            self.is_spoilt = False
            return True
        return False

    def wrong_after(self, store: Store, messages: list[Message], waiting: set[Message]) -> str:
        """Judge a store that was restored, and mark what may have been lost with the page; "" when all is as promised.

        Args:
            waiting: what the broker has not handed out yet: nothing excuses its loss.
        """
        source = store.opened.recovered_from
        there = stored_readings(self.file)
        # Restored by an opening that was cut off, it does not know from what: from one of the nights it must be.
        if source is None and self.nights and not any(held <= there for held in self.nights.values()):
            return f"the store began anew though there were backups of {len(self.nights)} nights"
        held = Counter() if source is None else self.nights.get(source, Counter())
        missing = [known for known, count in held.items() if there[known] < count]
        if missing:
            return f"{len(missing)} readings of the backup {source} are not in the restored store, the first {missing[0]}"
        for message in messages:
            known = (message.sensor, message.value)
            if there[known] < message.copies and message not in waiting and not message.is_lost:
                message.is_lost = message.went_with_page = True
        return ""

    def is_sound(self) -> bool:
        """Can all of the store be read?"""
        try:
            reader = sqlite3.connect(f"file:{self.file}?mode=ro", uri=True)
            try:
                return bool(reader.execute("PRAGMA integrity_check(1)").fetchone() == ("ok",))
            finally:
                reader.close()
        except sqlite3.DatabaseError:
            return False


def look_at(world: World, daemon: SimulatedDaemon) -> None:
    """After a turn: the night's backup, and a store that was restored is judged."""
    restored = world.card.look(daemon, world.now, not world.disk.fault)
    if restored is not None:
        world.note(f"restored {restored.opened.lost}")
        wrong = world.card.wrong_after(restored, world.sensors.messages, world.broker.waiting)
        if wrong:
            raise world.broken(wrong)


def let_restore(world: World, daemon: SimulatedDaemon) -> None:
    """A page that lay spoilt unseen and is met only now, as by the night's backup in the last turn of a quiet time.

    It is a fault of this minute, not one from which the daemon has had the whole quiet time to come back.
    """
    end = world.now + RESTORED_WITHIN_S
    while world.card.is_spoilt and world.now < end:
        store = daemon.writer.store
        if store is not None and not is_suspected(store.folder):
            return
        world.now = world.clocks.now = round(world.now + TURN_S, 3)
        world.turn_daemon()


def judge(world: World, daemon: SimulatedDaemon) -> None:
    """A spoilt page has been met by now, or a night's backup meets it; whatever was lost, somebody was told of it."""
    card = world.card
    look_at(world, daemon)
    is_fresh = card.restored_at[-1:] == [world.now]  # nobody can have been told yet
    if is_fresh or (card.is_spoilt and not card.find_out(daemon, world.now)):
        for _ in range(60):
            world.now = world.clocks.now = round(world.now + TURN_S, 3)
            world.turn_daemon()
    if not card.is_sound():
        raise world.broken("the store has a spoilt page, and the daemon does not know it")
    for at in card.restored_at:
        if at >= card.told_until and not any(ring.at >= at and ring.notice.kind == LOSS for ring in world.phones.rung):
            raise world.broken(f"a damaged store was restored at {at - world.began:.0f} s, and nobody was told what is lost")
    card.told_until = world.now
