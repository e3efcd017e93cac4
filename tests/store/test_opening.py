"""A store that is damaged, old, foreign or missing: nothing is deleted, nothing is hidden, the daemon goes on."""

from __future__ import annotations

import os
import resource
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from monitor.store import keep, opening, schema
from monitor.store.connection import STORE_NAME, SUSPECT_NAME, open_writer
from monitor.store.failures import BackupFailing, StoreCorrupt, StoreFailing, StoreFull, StoreNewer, StoreReadOnly, told
from monitor.store.keep import Store
from monitor.store.nightly import nightly
from monitor.store.reader import Reader


def values(folder: Path) -> list[float]:
    with Reader(folder) as reader:
        return [reading.value for reading in reader.readings(None)]


def spoil(file: Path, at: float = 0.3, size: int = 6_000) -> None:
    """Overwrite a part in the middle, as a failing card does."""
    with file.open("r+b") as stream:
        stream.seek(int(file.stat().st_size * at))
        stream.write(os.urandom(size))


def spoil_table(file: Path, name: str) -> None:
    """Overwrite the first page of one table."""
    with closing(sqlite3.connect(file)) as connection:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (name,)).fetchone()
    with file.open("r+b") as stream:
        stream.seek((root - 1) * 1024)
        stream.write(b"\xff" * 1024)


@pytest.fixture
def filled(tmp_path, say):
    """A closed store of 3,000 readings, the first 2,000 of them in a backup."""
    with Store.open(tmp_path) as store:
        store.commit(say.batch(*[say.keep("a/b", float(n), n * 1000) for n in range(2000)], at=1.0, notices=[say.notice("old")]))
        store.tidy(None, move_from=1)
        nightly(tmp_path, "2026-05-01.sqlite")
        store.commit(say.batch(*[say.keep("a/b", float(n), n * 1000) for n in range(2000, 3000)], at=2.0))
        store.tidy(None, move_from=1)
    return tmp_path


@pytest.mark.parametrize("where", ["header", "middle", "cut short", "empty", "missing", "nonsense"])
def test_a_damaged_store_is_set_aside_and_the_newest_backup_takes_its_place(filled, say, where):
    """Whatever is wrong with the file, the next start goes on from the last good backup and says what is lost."""
    file = filled / STORE_NAME
    if where == "header":
        spoil(file, 0.0, 50)
    elif where == "middle":
        spoil(file)
    elif where == "cut short":
        os.truncate(file, file.stat().st_size // 2)
    elif where == "empty":
        os.truncate(file, 0)
    elif where == "missing":
        file.unlink()
    else:
        file.write_text("not a database, but a letter to the keeper\n" * 100)
    damaged = file.read_bytes() if file.exists() else None
    with Store.open(filled) as store:
        assert store.opened.recovered_from == filled / "backups" / "2026-05-01.sqlite"
        assert "What came after 2026-05-01 06:" in store.opened.lost
        if damaged:
            assert store.opened.set_aside is not None
            assert store.opened.set_aside.read_bytes() == damaged
        assert store.outbox.due(10.0) == []  # unsent in the backup, perhaps sent since: not told twice
        store.commit(say.batch(say.keep("a/b", -1.0, 9_000_000)))
    kept = values(filled)
    assert kept[:2000] == [float(n) for n in range(2000)]
    assert kept[-1] == -1.0


def test_a_loss_is_said_at_each_opening_until_somebody_has_been_told(filled, say):
    """Killed before it could say so, the daemon says it at its next start; once the notice is stored, no more."""
    spoil(filled / STORE_NAME)
    with Store.open(filled) as store:
        lost = store.opened.lost
    assert "What came after" in lost
    with Store.open(filled) as store:
        assert store.opened.lost == lost
        assert store.opened.set_aside is None
        store.loss_told()
    with Store.open(filled) as store:
        assert store.opened.lost == ""


@pytest.fixture
def files_end_at_40_kb():
    """No file grows further, as on a disk that is full."""
    _, most = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (40_960, most))
    yield lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))


@pytest.mark.parametrize("has_backup", [True, False])
def test_a_full_disk_while_restoring_costs_nothing(filled, has_backup, request):
    """No store begins anew in front of a good backup, nor of what can be read: it waits for room, then all is there."""
    spoil_table(filled / STORE_NAME, "ten_minutes")
    (filled / SUSPECT_NAME).touch()
    if not has_backup:
        (filled / "backups" / "2026-05-01.sqlite").unlink()
    make_room = request.getfixturevalue("files_end_at_40_kb")
    for _ in range(3):
        with pytest.raises(StoreFailing):
            Store.open(filled)
        assert not (filled / STORE_NAME).exists()
    assert list(filled.glob("store.sqlite.part*")) == []
    make_room()
    with Store.open(filled) as store:
        assert store.opened.created is not has_backup
        assert store.opened.set_aside == filled / "store.sqlite.damaged-1"
        assert "Read out of the damaged file" in store.opened.lost
    assert values(filled) == [float(n) for n in range(3000)]
    with Store.open(filled) as store:
        assert store.opened.set_aside is None


def test_a_backup_for_which_there_is_no_room_is_not_begun(filled, monkeypatch):
    """Opened again each half minute, a copy that must fail would wear out the card that is full."""
    spoil(filled / STORE_NAME, 0.0, 50)
    with monkeypatch.context() as patch:
        patch.setattr(opening, "copy_in", lambda *_: pytest.fail("it was begun"))
        patch.setattr(opening.shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10**9, 10**9 - 4096, 4096))
        with pytest.raises(StoreFull):
            Store.open(filled)
    with Store.open(filled) as store:
        assert store.opened.recovered_from is not None
    assert len(values(filled)) >= 2000


def test_a_kill_while_restoring_leaves_no_half_restored_store(filled, monkeypatch):
    """Dead after the backup was copied and before what was newer had been read out: the next start does all of it."""
    spoil_table(filled / STORE_NAME, "ten_minutes")
    (filled / SUSPECT_NAME).touch()

    def die(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(keep, "put_in", die)
        with pytest.raises(KeyboardInterrupt):
            Store.open(filled)
    with Store.open(filled) as store:
        assert store.opened.recovered_from == filled / "backups" / "2026-05-01.sqlite"
    assert values(filled) == [float(n) for n in range(3000)]


def test_the_better_backup_is_found_whatever_its_name_and_date(filled, say):
    """Backups are ordered by how far the engine's time had come in them; one that is damaged itself is passed over."""
    with Store.open(filled) as store:
        store.commit(say.batch(say.keep("a/b", 5.0, 5_000_000), at=3.0))
        nightly(filled, "1970-01-01.sqlite")
        store.commit(say.batch(at=4.0))
        nightly(filled, "2026-05-03.sqlite")
    spoil(filled / "backups" / "2026-05-03.sqlite")
    os.truncate(filled / STORE_NAME, 5_000)
    with Store.open(filled) as store:
        assert store.opened.recovered_from == filled / "backups" / "1970-01-01.sqlite"


def test_without_a_backup_the_store_begins_anew_and_says_so(tmp_path, say):
    """The damaged file stays, under another name."""
    with Store.open(tmp_path) as store:
        store.commit(say.batch(say.keep("a/b", 1.0)))
    (tmp_path / STORE_NAME).write_bytes(b"rubbish" * 1000)
    with Store.open(tmp_path) as store:
        assert store.opened.created
        assert "no good backup" in store.opened.lost
        assert store.opened.set_aside == tmp_path / "store.sqlite.damaged-1"
        assert store.load() is None


def test_damage_met_while_running_is_looked_for_at_the_next_start(filled, say):
    """A light look at the start may miss a spoilt page; once one was met, every page is read."""
    with Store.open(filled) as store:
        store.mark_clean()
    spoil_table(filled / STORE_NAME, "ten_minutes")
    with Store.open(filled) as store:
        assert store.opened.recovered_from is None
        store.commit(say.batch(say.keep("a/b", 1.0, 9_000_000)))
        with pytest.raises(StoreCorrupt, match="is damaged") as told:
            store.tidy(None, move_from=1)
        assert "sets the damaged file aside" in told.value.advice
        assert (filled / SUSPECT_NAME).exists()
    with Store.open(filled) as store:
        assert store.opened.recovered_from is not None
    assert not (filled / SUSPECT_NAME).exists()


@pytest.mark.parametrize("table", ["reading", "waiting", "inbox", "delivery", "mirror", "saved"])
def test_damage_met_anywhere_on_the_way_in_is_recovered_from(filled, table):
    """Whatever the opening reads, a damaged page there leads to the backup, not to a daemon that cannot start."""
    with Store.open(filled) as store:
        store.mark_clean()
    spoil_table(filled / STORE_NAME, table)
    with Store.open(filled) as store:
        assert store.opened.recovered_from == filled / "backups" / "2026-05-01.sqlite"
    left = 2000 if table == "reading" else 3000  # what lies on sound pages is read out of the damaged file
    assert values(filled) == [float(n) for n in range(left)]


def test_a_nightly_backup_finds_damage_that_nobody_has_met(filled):
    """A spoilt page in a quiet corner: the copy is read whole each night, and the next start looks for itself."""
    with Store.open(filled) as store:
        store.mark_clean()
    spoil_table(filled / STORE_NAME, "ten_minutes")
    with Store.open(filled) as store:
        assert store.opened.lost == ""
        with pytest.raises(BackupFailing, match="the store itself may be damaged"):
            nightly(filled, "2026-05-02.sqlite")
    assert [file.name for file in (filled / "backups").iterdir()] == ["2026-05-01.sqlite"]
    with Store.open(filled) as store:
        assert store.opened.recovered_from == filled / "backups" / "2026-05-01.sqlite"


def test_a_backup_that_meets_a_spoilt_list_of_tables_says_so_to_the_next_look(filled):
    """It cannot even open the file beside the daemon, which reads on from its memory: that is a sign of damage like any."""
    for at_rest in (True, False):
        with Store.open(filled) as store:
            program = "import os, sys; os.pwrite(os.open(sys.argv[1], os.O_RDWR), b'\\xcf' * 900, 100)"
            subprocess.run([sys.executable, "-c", program, str(filled / STORE_NAME)], check=True)
            with pytest.raises(StoreFailing):
                nightly(filled, "2026-05-02.sqlite", store.at_rest if at_rest else None)
            assert (filled / SUSPECT_NAME).exists()
        with Store.open(filled) as store:
            assert store.opened.recovered_from == filled / "backups" / "2026-05-01.sqlite"


def test_a_backup_without_its_state_is_better_than_none(filled):
    """What the engine remembered is noise in it, by a page that no check of the database reads: its readings are whole."""
    backup = filled / "backups" / "2026-05-01.sqlite"
    with closing(sqlite3.connect(backup)) as connection, connection:
        connection.execute("UPDATE saved SET state = x'ff00ff'")
    spoil(filled / STORE_NAME, 0.0, 50)
    with Store.open(filled) as store:
        assert store.opened.recovered_from == backup
        assert "It is kept as store.sqlite.damaged-1." in store.opened.lost
    assert values(filled)[:2000] == [float(n) for n in range(2000)]


def test_a_spoilt_text_is_damage_like_any(tmp_path, say):
    """SQLite answers with bytes that are no text, and Python with an error that is none of SQLite's."""
    with Store.open(tmp_path) as store:
        store.commit(say.batch(say.keep("a/b", 1.0)))
        store._connection.execute("UPDATE series SET name = CAST(x'61cf' AS TEXT)")
        with pytest.raises(StoreCorrupt, match="damaged"), told(tmp_path / STORE_NAME):
            store._connection.execute("SELECT name FROM series").fetchone()
    with pytest.raises(StoreCorrupt, match="damaged"), told(tmp_path / STORE_NAME):
        b"a\xcf".decode()


@pytest.mark.parametrize("noise", ["00", "00ff00ff00ff00ff00ff", "ffffffffffffffff0100046e6f6e65", "000000000000000001"])
def test_noise_where_deliveries_were_packed_costs_no_store(tmp_path, say, noise):
    """What was known of that batch is forgotten; the daemon starts, and goes on moving readings."""
    with Store.open(tmp_path) as store:
        store.commit(say.batch(say.keep("a/b", 1.0), deliveries=[say.delivery(7)]))
        store._connection.execute(f"UPDATE inbox SET deliveries = x'{noise}'")
    with Store.open(tmp_path) as store:
        assert store.remembered() == []
        store.commit(say.batch(say.keep("a/b", 2.0, 1000), deliveries=[say.delivery(8)]))
        assert [row.packet_id for row in store.remembered()] == [8]
        store.tidy(None, move_from=1)
    assert values(tmp_path) == [1.0, 2.0]


def test_a_log_spoilt_by_a_power_cut_costs_only_its_tail(tmp_path, say):
    """SQLite's log has a sum over each entry: what comes after the first wrong one is left out, the rest is whole."""
    store = Store.open(tmp_path)
    for n in range(50):
        store.commit(say.batch(say.keep("a/b", float(n), n * 1000)))
    log = tmp_path / f"{STORE_NAME}-wal"
    copy = tmp_path / "copy"
    copy.mkdir()
    for file in (tmp_path / STORE_NAME, log):
        (copy / file.name).write_bytes(file.read_bytes())
    store.close()
    spoil(copy / log.name, 0.5, 2_000)
    with Store.open(copy) as reopened:
        assert reopened.opened.lost == ""
    kept = values(copy)
    assert 0 < len(kept) < 50
    assert kept == [float(n) for n in range(len(kept))]


def test_a_store_of_a_later_version_is_left_alone(tmp_path):
    """A program that does not know the format does not touch it."""
    Store.open(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / STORE_NAME)) as connection:
        connection.execute("PRAGMA user_version = 99")
    before = (tmp_path / STORE_NAME).read_bytes()
    with pytest.raises(StoreNewer, match=r"format 99.*Install the later version again"):
        Store.open(tmp_path)
    assert (tmp_path / STORE_NAME).read_bytes() == before


def test_a_database_of_something_else_is_set_aside_not_used(tmp_path):
    """Another program's file is not written into."""
    with closing(sqlite3.connect(tmp_path / STORE_NAME)) as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")
    with Store.open(tmp_path) as store:
        assert "not a store of readings" in store.opened.lost
        assert store.opened.set_aside is not None


@pytest.mark.parametrize("found", range(1, len(schema.STEPS) + 1))
def test_a_store_of_every_earlier_format_becomes_one_of_this(tmp_path, say, found):
    """Each format ever released is brought up to this one, its readings kept, and a copy of the old file made before."""
    with closing(open_writer(tmp_path / STORE_NAME)) as connection:
        schema.migrate(connection, "test", steps=schema.STEPS[:found])
        connection.execute("INSERT INTO series (id, name) VALUES (1, 'a/b')")
        connection.execute("INSERT INTO reading (series, time_ms, value) VALUES (1, ?, 4.5)", (say.dawn_ms,))
    with Store.open(tmp_path) as store:
        changed = found < len(schema.STEPS)
        assert store.opened.migrated_from == (found if changed else None)
        assert (tmp_path / "backups" / f"before-format-{found + 1}.sqlite").exists() == changed
        store.commit(say.batch(say.keep("a/b", 5.5, 1000)))
        with closing(open_writer(tmp_path / STORE_NAME)) as connection:
            assert schema.version(connection) == len(schema.STEPS)
    assert values(tmp_path) == [4.5, 5.5]


def test_a_step_that_fails_leaves_the_former_format(tmp_path):
    """A migration is whole or not at all."""
    with closing(open_writer(tmp_path / STORE_NAME)) as connection:
        schema.migrate(connection, "test")
        broken = (*schema.STEPS, ("CREATE TABLE extra (a)", "CREATE TABLE extra (a)"))
        with pytest.raises(sqlite3.OperationalError, match="already exists"):
            schema.migrate(connection, "test", steps=broken)
        assert schema.version(connection) == len(schema.STEPS)
        assert connection.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'extra'").fetchone() == (0,)


def test_a_folder_that_cannot_be_made_is_told_with_advice(tmp_path):
    """A wrong path in the settings is a sentence, not a traceback."""
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreFailing) as told:
        Store.open(tmp_path / "file" / "store")
    assert str(tmp_path) in told.value.cause
    assert told.value.advice
    assert not isinstance(told.value, StoreReadOnly)
