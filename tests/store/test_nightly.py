"""The nightly backup writes what a day changed and no more; whatever happens on the way, the other nights stay whole."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from contextlib import closing

import pytest

from monitor.store import same_pages
from monitor.store.backup import restore, verify
from monitor.store.connection import STORE_NAME, open_reader
from monitor.store.failures import BackupFailing
from monitor.store.keep import Store
from monitor.store.nightly import KEPT, nightly
from monitor.store.reader import Reader

DAY_MS = 86_400_000


def a_day(store, say, day, count=3_000):
    """A day's readings, moved to their place as the hourly chore does it."""
    store.commit(say.batch(*[say.keep("a/b", float(n), day * DAY_MS + n * 1000) for n in range(count)], at=day * 86_400.0))
    store.tidy(None, move_from=1)


def names(store):
    return sorted(file.name for file in (store.folder / "backups").iterdir())


def night(day):
    return f"2026-05-{day:02}.sqlite"


@pytest.fixture
def nights(store, say):
    """A store after as many nights as are kept."""
    for day in range(1, KEPT + 1):
        a_day(store, say, day)
        nightly(store.folder, night(day), store.at_rest)
    return store


def values(file):
    with closing(open_reader(file)) as connection:
        return [value for (value,) in connection.execute("SELECT value FROM dated ORDER BY time_ms")]


def test_the_oldest_night_becomes_the_newest_by_what_has_changed(nights, say):
    """A file that holds nearly all is brought up to date: it is whole, and a fraction of it was written."""
    for day in range(KEPT + 1, KEPT + 10):
        a_day(nights, say, day)
        made = nightly(nights.folder, night(day), nights.at_rest)
    assert names(nights) == [night(day) for day in range(KEPT + 7, KEPT + 10)]
    assert len(values(made.file)) == 3_000 * (KEPT + 9)
    assert made.written_bytes < made.size_bytes * (KEPT + 2) / (KEPT + 9)  # what came since the oldest night, and little more
    with Reader(nights.folder) as reader:
        assert values(made.file) == [reading.value for reading in reader.readings(None)]


def test_a_renewed_night_restores(nights, say, tmp_path):
    """It is an ordinary backup, which needs no log beside it."""
    a_day(nights, say, 9)
    made = nightly(nights.folder, night(9), nights.at_rest)
    assert sorted(os.listdir(made.file.parent)) == sorted(names(nights))
    restore(made.file, tmp_path / "elsewhere")
    with Store.open(tmp_path / "elsewhere") as restored:
        assert not restored.opened.lost
    assert len(values(tmp_path / "elsewhere" / STORE_NAME)) == 3_000 * (KEPT + 1)


def test_a_night_is_one_moment_of_a_store_that_goes_on(nights, say):
    """Commits and hourly chores while it is made change nothing of it: an exact beginning of what was committed."""
    stop, committed = threading.Event(), threading.Event()
    before = len(values(nights.file))

    def go_on():
        n = 0
        while not stop.is_set():
            nights.commit(say.batch(say.keep("a/b", float(n), 20 * DAY_MS + n)))
            n += 1
            if n % 50 == 0:
                nights.tidy(None, move_from=1)
            committed.set()

    writer = threading.Thread(target=go_on)
    writer.start()
    try:
        committed.wait()
        made = [nightly(nights.folder, night(day), nights.at_rest) for day in range(11, 15)]
    finally:
        stop.set()
        writer.join()
    for file in [one.file for one in made][-KEPT:]:
        found = values(file)[before:]
        assert found == [float(n) for n in range(len(found))]
        assert len(found) >= 1


def test_a_night_cut_off_leaves_the_others_and_is_taken_up_again(nights, say):
    """Killed while it wrote: the half written file is no backup, is the next to be written, and costs no other night."""
    left = nights.folder / "backups" / f"{night(9)}.part"
    (nights.folder / "backups" / night(1)).rename(left)
    with left.open("r+b") as stream:
        stream.seek(10_000)
        stream.write(os.urandom(30_000))
    made = nightly(nights.folder, night(10), nights.at_rest)
    assert names(nights) == [night(2), night(3), night(10)]
    assert values(made.file) == values(nights.file)


def test_damage_costs_one_night_and_no_more(nights):
    """A spoilt store cannot spoil them one by one: each failing night writes to the same file, the sound ones stay."""
    with closing(open_reader(nights.file)) as reader:
        (root,) = reader.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'ten_minutes'").fetchone()
    with nights.at_rest():  # the log is empty: the file is what counts
        spoil = f"import os; fd = os.open({str(nights.file)!r}, os.O_RDWR); os.pwrite(fd, b'\\xff' * 1024, {(root - 1) * 1024})"
        subprocess.run([sys.executable, "-c", spoil], check=True)
    for day in (9, 10, 11):
        with pytest.raises(BackupFailing, match="the store itself may be damaged"):
            nightly(nights.folder, night(day), nights.at_rest)
    assert names(nights) == [night(2), night(3), f"{night(11)}.part"]
    assert (nights.folder / "damage-suspected").exists()
    for day in (2, 3):
        verify(nights.folder / "backups" / night(day))


def test_who_reads_for_long_makes_it_a_whole_copy(nights, say):
    """The log cannot be emptied under an old question: then the whole is copied, as consistent as ever."""
    with closing(open_reader(nights.file)) as asking:
        asking.execute("BEGIN")
        asking.execute("SELECT count(*) FROM inbox").fetchone()
        a_day(nights, say, 9, count=10)
        nights._connection.execute("PRAGMA busy_timeout = 10")
        made = nightly(nights.folder, night(9), nights.at_rest)
    assert made.written_bytes == made.size_bytes
    assert values(made.file) == values(nights.file)


def test_the_first_nights_and_those_before_an_update_are_left_alone(store, say):
    """A copy made before a change of format is no night: it is neither counted nor written to."""
    a_day(store, say, 1)
    (store.folder / "backups").mkdir()
    (store.folder / "backups" / "before-format-2.sqlite").write_bytes(b"")
    for day in range(1, 11):
        nightly(store.folder, night(day), store.at_rest)
    nightly(store.folder, night(10), store.at_rest)
    assert names(store) == [*map(night, (8, 9, 10)), "before-format-2.sqlite"]
    assert (store.folder / "backups" / "before-format-2.sqlite").read_bytes() == b""


@pytest.mark.parametrize(("old_bytes", "differing"), [(0, 5_000), (1_000, 5_000), (3_000, 2_952), (5_000, 0), (9_000, 0)])
def test_files_are_made_the_same_by_the_pages_that_differ(tmp_path, old_bytes, differing):
    """Whatever stood there: the bytes are the source's, but for the two that tell of a log; equal pages are not written."""
    source, target = tmp_path / "source", tmp_path / "target"
    body = bytearray(os.urandom(5_000))
    source.write_bytes(body)
    body[18:20] = b"\x01\x01"
    target.write_bytes((bytes(body) + os.urandom(9_000))[:old_bytes])
    written, _ = same_pages.make_same(str(source), str(target), 1024)
    assert target.read_bytes() == bytes(body)
    assert written == differing
    assert same_pages.make_same(str(source), str(target), 1024) == (0, 0)
