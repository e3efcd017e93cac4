"""A copy made while the store runs is whole and checked; a restore never destroys what it replaces."""

from __future__ import annotations

import os
import threading
from contextlib import closing

import pytest

from monitor.store import backup
from monitor.store.connection import STORE_NAME, open_reader
from monitor.store.failures import BackupFailing, StoreHeld, StoreMissing
from monitor.store.keep import Store
from monitor.store.reader import Reader


def values(folder) -> list[float]:
    with Reader(folder) as reader:
        return [reading.value for reading in reader.readings(None)]


def test_a_backup_of_a_running_store_is_one_moment_of_it(tmp_path, say):
    """While commits go on, the copy holds an exact beginning of them, and all that was committed before it began."""
    folder, stop = tmp_path / "store", threading.Event()
    with Store.open(folder) as store:
        store.commit(say.batch(*[say.keep("a/b", float(n), n) for n in range(20_000)]))

        def go_on() -> None:
            n = 20_000
            while not stop.is_set():
                store.commit(say.batch(say.keep("a/b", float(n), n)))
                n += 1

        writer = threading.Thread(target=go_on)
        writer.start()
        try:
            made = [backup.backup(folder, tmp_path / f"copy-{n}.sqlite") for n in range(3)]
        finally:
            stop.set()
            writer.join()
    for copy in made:
        assert sorted(os.listdir(tmp_path)) == ["copy-0.sqlite", "copy-1.sqlite", "copy-2.sqlite", "store"]
        with closing(open_reader(copy.file)) as connection:
            found = [value for (value,) in connection.execute("SELECT value FROM dated ORDER BY time_ms")]
        assert len(found) >= 20_000
        assert found == [float(n) for n in range(len(found))]


def test_a_restored_store_is_the_one_backed_up(tmp_path, say):
    """Readings, decisions and state of the backup are there, and the former store stands aside, whole."""
    folder = tmp_path / "store"
    with Store.open(folder) as store:
        store.commit(
            say.batch(say.keep("a/b", 1.0), state='{"then": 1}', deliveries=[say.delivery(1)], notices=[say.notice("n")])
        )
        backup.backup(folder, tmp_path / "copy.sqlite")
        store.commit(say.batch(say.keep("a/b", 2.0, 1000), state='{"now": 1}'))
    done = backup.restore(tmp_path / "copy.sqlite", folder)
    assert done.set_aside_notices == 1
    assert values(folder) == [1.0]
    with Store.open(folder) as store:
        assert store.load().state == '{"then": 1}'
        assert store.remembered() == []  # packet ids of that time mean other messages now
    assert done.kept_aside == folder / "store.sqlite.replaced-1"
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    os.rename(done.kept_aside, elsewhere / STORE_NAME)
    assert values(elsewhere) == [1.0, 2.0]


def test_a_restored_store_says_that_it_is_older_until_a_state_is_saved(tmp_path, say):
    """What was numbered after the backup is out in the world: the next run must not number from there once more."""
    folder = tmp_path / "store"
    with Store.open(folder) as store:
        store.commit(say.batch(say.keep("a/b", 1.0), state='{"then": 1}'))
        assert not store.load().is_older
        backup.backup(folder, tmp_path / "copy.sqlite")
    backup.restore(tmp_path / "copy.sqlite", folder)
    for state in (None, '{"now": 1}'):
        with Store.open(folder) as store:
            assert store.load().is_older
            store.commit(say.batch(say.keep("a/b", 2.0, 1000 if state is None else 2000), state=state))
    with Store.open(folder) as store:
        assert not store.load().is_older


def test_a_restore_refuses_over_a_running_store(store, tmp_path, say):
    """The daemon must be stopped first; nothing is touched until then."""
    store.commit(say.batch(say.keep("a/b", 1.0)))
    backup.backup(store.folder, tmp_path / "copy.sqlite")
    with pytest.raises(StoreHeld, match="stop that one first"):
        backup.restore(tmp_path / "copy.sqlite", store.folder)


def test_a_bad_backup_is_refused_and_the_store_stays(tmp_path, say):
    """A damaged, foreign or missing file never takes the store's place."""
    folder = tmp_path / "store"
    with Store.open(folder) as store:
        store.commit(say.batch(*[say.keep("a/b", float(n), n) for n in range(2000)]))
        backup.backup(folder, tmp_path / "copy.sqlite")
    with (tmp_path / "copy.sqlite").open("r+b") as stream:
        stream.seek(20_000)
        stream.write(os.urandom(5_000))
    (tmp_path / "letter.sqlite").write_text("dear keeper")
    for name, why in (("copy", "damaged|malformed"), ("letter", "cannot be read as a store"), ("nothing", "There is no file")):
        with pytest.raises(BackupFailing, match=why):
            backup.restore(tmp_path / f"{name}.sqlite", folder)
    assert len(values(folder)) == 2000
    assert sorted(os.listdir(folder)) == ["store.sqlite", "store.sqlite-shm", "store.sqlite-wal", "warmstraw.lock"]


def test_a_restore_over_a_damaged_store_does_not_read_its_log(tmp_path, say):
    """The log of the damaged store must never be read into the restored one."""
    folder = tmp_path / "store"
    store = Store.open(folder)
    store.commit(say.batch(say.keep("a/b", 1.0)))
    backup.backup(folder, tmp_path / "copy.sqlite")
    store.commit(say.batch(say.keep("a/b", 2.0, 1000)))
    kept = {end: (folder / f"{STORE_NAME}{end}").read_bytes() for end in ("", "-wal")}
    store.close()
    (folder / STORE_NAME).write_bytes(b"x" * len(kept[""]))
    (folder / f"{STORE_NAME}-wal").write_bytes(kept["-wal"])
    backup.restore(tmp_path / "copy.sqlite", folder)
    assert values(folder) == [1.0]


def test_a_backup_says_why_it_cannot_be(tmp_path, store):
    """Each refusal names the place and what to do."""
    with pytest.raises(StoreMissing, match="Name the folder"):
        backup.backup(tmp_path / "nowhere", tmp_path / "copy.sqlite")
    (tmp_path / "there.sqlite").write_text("")
    with pytest.raises(BackupFailing, match="exists already"):
        backup.backup(store.folder, tmp_path / "there.sqlite")
