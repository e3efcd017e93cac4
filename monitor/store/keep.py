"""The writing side of the store: one transaction holds what belongs together.

Rules of this file: no clock, times come in. A batch is stored whole or not at all, and storing it again
after a failure stores it once. `Store` may be called from any thread: callers take turns on the one
writing connection, and nothing here holds it for long.
"""

from __future__ import annotations

import sqlite3
import threading
import zlib
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

from monitor.engine.events import AlarmChanged, Keep, SwitchFan
from monitor.store import decisions, fan_sums, journal, outbox, retention, rollups
from monitor.store.batch import Batch, Committed, Saved, Tidied
from monitor.store.connection import STORE_NAME, loss_was_told, note_suspicion, open_reader, transaction
from monitor.store.failures import StoreCorrupt, StoreUnreachable, told
from monitor.store.inbox import LATEST_MS, Inbox, Intake
from monitor.store.lock import FolderLock
from monitor.store.memory import Memory, Remembered
from monitor.store.mirror_ledger import Ledger
from monitor.store.opening import Opened, open_store, unpack
from monitor.store.outbox import Outbox
from monitor.store.salvage import put_in, salvage

# A move and its checkpoint touch pages all over the file, whether they move one reading or a hundred: with eight sensors at
# 30 s this is twice a day, once ahead of the night's backup, with eighty every second hourly call. At 6,000 a day wrote
# 1.5 MB more; at 24,000 no less, and whoever looks back reads through all of the inbox.
MOVE_FROM = 12_000
_MOST_CALLS = 20  # of the chore in a row; what a flood brings meanwhile may wait


__all__ = ["Batch", "Committed", "Saved", "Store", "Tidied"]


class Store:
    """The one writer. Make it with `Store.open`; it keeps the folder locked until `close`."""

    def __init__(self, folder: Path, lock: FolderLock, connection: sqlite3.Connection, opened: Opened, raw_days: int) -> None:
        self.folder = folder
        self.file = opened.file
        self.opened = opened
        self.raw_days = raw_days
        self._lock = lock
        self._connection = connection
        self._turns = threading.RLock()
        self._inbox = Inbox(connection)
        self._commits = int(self._one("SELECT coalesce(max(commits), 0) FROM saved"))
        self._memory = Memory(connection)
        self._doubtful: tuple[Batch, Committed] | None = None
        self._state_bytes = 0
        self._is_restored = bool(self._one("SELECT count(*) FROM mark WHERE name = 'restored'"))
        self.is_damaged = False  # met since it was opened: close it, and open it again
        self.outbox = Outbox(connection, self._turn)
        self.mirror = Ledger(connection, self._turn)

    @classmethod
    def open(cls, folder: str | Path, raw_days: int = 400) -> Store:
        """Open the store in this folder, or make one.

        Args:
            folder: made when missing.
            raw_days: raw readings older than this many days are dropped by `tidy`; roll-ups stay. 0 keeps all.

        Raises:
            StoreHeld: another process has it open.
            StoreFailing: any other cause, with advice. A damaged file is no error: it is set aside, the newest
                good backup takes its place, and `opened` says so.
        """
        place = Path(folder)
        with told(place):
            place.mkdir(mode=0o750, parents=True, exist_ok=True)
        lock = FolderLock(place)
        try:
            try:
                return cls._opened(place, lock, raw_days)
            except StoreCorrupt:
                # Met behind the first look: now every page is read, and the store restored if it must be.
                note_suspicion(place)
                return cls._opened(place, lock, raw_days)
        except BaseException:
            lock.release()
            raise

    @classmethod
    def _opened(cls, place: Path, lock: FolderLock, raw_days: int) -> Store:
        def take_out(connection: sqlite3.Connection, damaged: Path) -> str:
            return cls(place, lock, connection, Opened(place / STORE_NAME), raw_days)._take_out_of(damaged)

        with told(place / STORE_NAME):
            connection, opened = open_store(place, take_out)
            try:
                return cls(place, lock, connection, opened, raw_days)
            except BaseException:
                connection.close()
                raise

    def _take_out_of(self, damaged: Path) -> str:
        """What can still be read of a damaged store comes into this one, made to take its place; what is left out is lost."""
        last_ids = {t: int(self._one(f"SELECT coalesce(max(id), 0) FROM {t}")) for t in ("journal", "decision", "outbox")}  # noqa: S608
        found = salvage(damaged, self._inbox.newest, last_ids)
        if not found:
            return ""
        for start in range(0, len(found.readings), 10_000):
            keeps = [Keep(name, value, 0.0, time_ms, True) for name, time_ms, value in found.readings[start : start + 10_000]]
            self.add_readings(keeps)
        with self._turn(True):
            put_in(self._connection, found)
        return f" Read out of the damaged file: {found.words}."

    def loss_told(self) -> None:
        """Whoever must hear of the loss will, for the notice is stored: the next opening says nothing of it."""
        loss_was_told(self.folder)

    def close(self) -> None:
        """Put everything in its file and give the folder back. Calling it twice does no harm."""
        with self._turns:
            try:
                self._connection.close()
            finally:
                self._lock.release()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ------------------------------------------------------------ committing

    def commit(self, batch: Batch) -> Committed:
        """Store one batch in one transaction.

        Raises:
            StoreFailing: nothing of it is stored; call again with the same batch, before any other.
        """
        with self._turns:
            stood = self._stood_after_all(batch)
            if stood is not None:
                return stood
            with self._told():
                intake = self._inbox.plan(batch.keeps, batch.segment)
            result = self._committed(intake, batch.decisions)
            self._doubtful = (batch, result)
            with self._told(), transaction(self._connection, batch.at_once):
                self._inbox.write(intake)
                self._memory.write(batch.deliveries, self._inbox.last_dated(intake))
                decisions.write(self._connection, batch.decisions, batch.segment)
                journal.write(self._connection, batch.journal, batch.segment)
                outbox.write(self._connection, batch.notices)
                self._save(batch)
                if self._is_restored and batch.state is not None:
                    self._connection.execute("DELETE FROM mark WHERE name = 'restored'")
            self._doubtful = None
            self._is_restored &= batch.state is None
            self._commits += 1
            self._memory.accept(batch.deliveries)
            self._inbox.accept(intake)
            return result

    def add_readings(self, keeps: Sequence[Keep]) -> Committed:
        """Store readings that come from a file; the engine's state stays as it is."""
        with self._turns:
            with self._told():
                intake = self._inbox.plan(keeps, segment=0)
            result = self._committed(intake, ())
            with self._turn(True):
                self._inbox.write(intake)
            self._inbox.accept(intake)
            return result

    def _committed(self, intake: Intake, decided: Sequence[SwitchFan | AlarmChanged]) -> Committed:
        return Committed(
            readings=intake.readings,
            waiting=len(intake.waiting),
            same=intake.same,
            refused=intake.refused,
            decisions=sum(1 for d in decided if not (isinstance(d, SwitchFan) and d.again)),
            unmoved=self._inbox.unmoved + len(intake.dated),
        )

    def _stood_after_all(self, batch: Batch) -> Committed | None:
        """A commit may fail in its last breath with the transaction already in the log: the count knows."""
        if self._doubtful is None:
            return None
        former, result = self._doubtful
        with self._told():
            commits = int(self._one("SELECT coalesce(max(commits), 0) FROM saved"))
            stood = commits != self._commits
            if stood:
                self._commits = commits
                self._memory.load()
                self._inbox.load()
        self._doubtful = None
        return result if stood and former == batch else None

    def _save(self, batch: Batch) -> None:
        packed = None if batch.state is None else self._pack(batch.state)
        self._connection.execute(
            """INSERT INTO saved (id, commits, at, wall_ms, segment, boot_id, boottime_s, clean, state)
               VALUES (1, ?, ?, ?, ?, ?, ?, 0, ?) ON CONFLICT (id) DO UPDATE SET commits = excluded.commits, at = excluded.at,
               wall_ms = excluded.wall_ms, segment = excluded.segment, boot_id = excluded.boot_id,
               boottime_s = excluded.boottime_s, clean = 0, state = coalesce(excluded.state, state)""",
            (self._commits + 1, batch.at, batch.wall_ms, batch.segment, batch.boot_id, batch.boottime_s, packed),
        )

    def _pack(self, state: str) -> bytes:
        """Compressed, with zeros behind it: a row that keeps its size is overwritten in place, in two pages
        rather than five, and the size of a compressed state changes a little every time."""
        packed = zlib.compress(state.encode(), 6)
        if not len(packed) <= self._state_bytes <= len(packed) + 1024:
            self._state_bytes = len(packed) + 128
        return packed.ljust(self._state_bytes, b"\0")

    # ------------------------------------------------------------ going on after a restart

    def load(self) -> Saved | None:
        """What the last commit left, or None in a new store."""
        with self._turns, self._told():
            row = self._connection.execute("SELECT state, at, wall_ms, segment, boot_id, boottime_s, clean FROM saved").fetchone()
        if row is None:
            return None
        packed, at, wall_ms, segment, boot_id, boottime_s, clean = row
        state = None if packed is None else unpack(packed)
        return Saved(state, at, wall_ms, segment, boot_id, boottime_s, bool(clean), self._is_restored)

    def mark_clean(self) -> None:
        """The daemon stops in good order: nothing is under way. The next commit takes the mark off."""
        with self._turn(True):
            self._connection.execute("UPDATE saved SET clean = 1")
            self.mirror.write()

    def remembered(self) -> list[Remembered]:
        """The last deliveries committed, oldest first."""
        with self._turn(False):
            return self._memory.rows()

    def forget_deliveries(self) -> None:
        """The broker holds no session of ours: its packet ids begin anew."""
        with self._turn(True):
            self._memory.forget()

    def place(self, segment: int, offset_ms: int) -> int:
        """The clock of a segment has become known: whatever waits in it stands at elapsed ms + offset.

        Decisions, journal and up to 5,000 readings are dated now, further readings by the next calls of
        `tidy`. Readings of that segment that come undated later wait for the next `place`.

        Returns:
            How many readings were dated now.
        """
        if not -LATEST_MS < offset_ms < LATEST_MS:
            raise ValueError(f"offset_ms {offset_ms}: no elapsed time and this offset make a time before the year 2100")
        with self._turn(True):
            self.mirror.about_to_date(segment)
            for table in ("decision", "journal"):
                self._connection.execute(
                    f"UPDATE {table} SET time_ms = at_ms + ? WHERE segment = ? AND time_ms IS NULL",  # noqa: S608
                    (offset_ms, segment),
                )
            self._inbox.note_placement(segment, offset_ms)
        return self._date(5_000)

    def _date(self, rows: int) -> int:
        with self._turns:
            with self._told():
                found = self._inbox.next_dated(rows)
            if found is None:
                return 0
            intake, origins = found
            with self._turn(True):
                self._inbox.write_dated(intake, origins)
            self._inbox.accept(intake)
            return intake.readings

    # ------------------------------------------------------------ chores

    def tidy(self, now_ms: int | None, rows: int = 20_000, move_from: int = MOVE_FROM) -> Tidied:
        """The hourly chore: date what waited, move arrivals to their place, drop old raw readings, checkpoint.

        Args:
            now_ms: the trusted time, or None: then nothing is dropped.
            move_from: arrivals are moved once there are this many.
            rows: at most so many readings are dated, moved or dropped in one call, so that the writer stays free.

        Returns:
            What was done; with `more` the caller should call again soon.
        """
        dated = self._date(rows)
        with self._turns:
            with self._turn(True):
                places = self._inbox.move(rows) if self._inbox.unmoved >= move_from else []
                self.mirror.bound_backlog()
                self._inbox.let_go(self.mirror.keep_after_seq)
                dropped = retention.drop_old(self._connection, now_ms, self.raw_days, rows, beside_move=bool(places))
                fan_sums.sum_up_old(self._connection, now_ms, self.raw_days, self.mirror.decision)
                outbox.tidy(self._connection)
                self.mirror.write()
            with self._told():
                self._inbox.accept_move(places)
                left = self._inbox.unmoved >= max(1, move_from)
                if (places or dropped) and not left:
                    # Only now: each checkpoint writes every page touched since the last one to its place.
                    self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
                waits = int(self._one("SELECT count(*) FROM placement"))
            return Tidied(dated, len(places), dropped, more=bool(waits or left or dropped >= rows))

    def move_all(self, now_ms: int | None) -> None:
        """Every arrival to its place, ahead of a backup, which brings the log into the file as a move does: once for both."""
        for _ in range(_MOST_CALLS):
            if not self.tidy(now_ms, move_from=1).more:
                return

    def mend_rollups(self, from_ms: int, to_ms: int) -> int:
        """Compare roll-ups with the raw readings of these hours and rewrite wrong ones. Returns how many were wrong."""
        with self._turn(True):
            (raw_from_ms,) = self._connection.execute("SELECT value FROM mark WHERE name = 'raw_from_ms'").fetchone()
            return rollups.mend(self._connection, max(from_ms, raw_from_ms), to_ms)

    @contextmanager
    def at_rest(self) -> Iterator[sqlite3.Connection | None]:
        """A reading connection for whose snapshot the file needs no log, and a file that nothing changes while this lasts.

        Commits go on meanwhile, into the log. None where somebody reads for so long that the log cannot be emptied.

        Why it rests: a reader that begins with an empty log reads the file alone, and holds the lock without which no
        checkpoint may write to it. Source: https://www.sqlite.org/walformat.html, section 2.3.1, WAL_READ_LOCK(0).
        """
        with self._told():
            opened = open_reader(self.file)
        with closing(opened) as reader:
            with self._turns, self._told():
                self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
                reader.execute("BEGIN")
                reader.execute("SELECT count(*) FROM sqlite_schema").fetchone()
                log = self.file.with_name(STORE_NAME + "-wal")
                rests = not log.exists() or log.stat().st_size == 0
            yield reader if rests else None

    # ------------------------------------------------------------ inside

    @contextmanager
    def _turn(self, writes: bool) -> Iterator[None]:
        with self._turns, self._told():
            if not writes:
                yield
            elif self._connection.in_transaction:
                raise StoreUnreachable(f"{self.file}: a transaction is already open.", "Please report this as a fault.")
            else:
                with transaction(self._connection, at_once=True):
                    yield

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            with told(self.file):
                yield
        except StoreCorrupt:
            self.is_damaged = True
            note_suspicion(self.folder)
            raise

    def _one(self, asked: str) -> int | float:
        (value,) = self._connection.execute(asked).fetchone()
        assert isinstance(value, int | float)
        return value
