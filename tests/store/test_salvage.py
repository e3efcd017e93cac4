"""What came after the last backup is read out of a damaged store as far as its pages are whole."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import pytest

from monitor.engine.events import JournalEntry
from monitor.store.connection import PAGE_BYTES, STORE_NAME
from monitor.store.keep import Store
from monitor.store.nightly import nightly
from monitor.store.reader import Reader
from tests.store.test_opening import spoil, spoil_table, values


@pytest.fixture
def filled(tmp_path, say):
    """A closed store: 2,000 readings in a backup, then 30,000 more, a day's journal, decisions and state."""
    with Store.open(tmp_path) as store:
        store.commit(say.batch(*[say.keep("a/b", float(n), n * 1000) for n in range(2000)], at=1.0, state='{"then": 1}'))
        store.tidy(None, move_from=1)
        nightly(tmp_path, "2026-05-01.sqlite")
        wrote = JournalEntry(2.0, say.dawn_ms, "a", "note", note="two eggs")
        keeps = [say.keep("a/b", float(n), n * 1000) for n in range(2000, 32_000)]
        store.commit(say.batch(*keeps, at=2.0, decisions=[say.fan("a", True)], journal=[wrote], state='{"now": 1}'))
        store.tidy(None, move_from=1, rows=40_000)
        store.commit(say.batch(say.keep("a/b", -1.0, 32_000_000), at=3.0, state='{"now": 2}'))
        store.mark_clean()
    return tmp_path


def opened_again(folder):
    (folder / "damage-suspected").touch()
    return Store.open(folder)


def test_all_but_the_spoilt_page_is_there_again(filled):
    """A spoilt roll-up costs no reading, no line of the journal, no decision, and not the engine's last state."""
    spoil_table(filled / STORE_NAME, "ten_minutes")
    with opened_again(filled) as store:
        assert "Read out of the damaged file: 30001 readings, 1 lines of the journal, 1 decisions, and the last state" in (
            store.opened.lost
        )
        assert store.load().state == '{"now": 2}'
        assert not store.load().clean
    assert values(filled) == [*map(float, range(32_000)), -1.0]
    with Reader(filled) as reader:
        assert [entry.note for entry in reader.journal("a")] == ["two eggs"]
        assert len(reader.decisions("a")) == 1


def test_readings_in_front_of_a_hole_and_behind_it_are_there_again(filled):
    """Six spoilt pages in the midst of them: few are lost, none comes twice, none is invented."""
    spoil(filled / STORE_NAME, 0.8)
    with opened_again(filled) as store:
        assert store.opened.set_aside is not None
    kept = values(filled)
    assert 28_000 < len(kept) < 32_001
    assert kept == [*sorted(set(kept[:-1])), -1.0]


def test_a_saved_state_that_is_not_whole_is_left(filled):
    """Its own sum tells: then the state of the backup stands."""
    spoil_table(filled / STORE_NAME, "saved")
    with opened_again(filled) as store:
        assert store.load().state == '{"then": 1}'


def test_without_a_backup_the_store_begins_with_what_can_be_read(filled):
    """No backup is no reason to lose what lies on sound pages."""
    (filled / "backups" / "2026-05-01.sqlite").unlink()
    spoil_table(filled / STORE_NAME, "ten_minutes")
    with opened_again(filled) as store:
        assert "begins anew. Read out of the damaged file: 32001 readings" in store.opened.lost
    assert len(values(filled)) == 32_001


def test_readings_that_wait_for_their_clock_still_wait(filled, say):
    """Taken before the clock was known, some before the backup and some after; those dated since come once, at their time."""
    with Store.open(filled) as store:
        store.commit(say.batch(*[say.keep("a/b", 100.0 + n, None, at=float(n)) for n in range(5)], segment=2))
        nightly(filled, "2026-05-02.sqlite")
        store.place(2, say.dawn_ms + 50_000_000)
        store.commit(say.batch(*[say.keep("a/new", 200.0 + n, None, at=float(n)) for n in range(7)], segment=3))
        store.mark_clean()
    spoil_table(filled / STORE_NAME, "ten_minutes")
    with opened_again(filled) as store:
        assert store.opened.recovered_from == filled / "backups" / "2026-05-02.sqlite"
        with Reader(filled) as reader:
            assert [one.value for one in reader.undated()] == [200.0 + n for n in range(7)]
            assert [one.value for one in reader.readings("a/b") if one.value >= 100.0][-5:] == [100.0 + n for n in range(5)]
            assert sum(one.value == 102.0 and one.time_ms == say.dawn_ms + 50_002_000 for one in reader.readings("a/b")) == 1
        store.place(3, say.dawn_ms + 60_000_000)
        store.commit(say.batch(say.keep("a/new", 300.0, 70_000_000)))
    with Reader(filled) as reader:
        assert [one.value for one in reader.readings("a/new")] == [*(200.0 + n for n in range(7)), 300.0]


def test_what_was_known_of_deliveries_and_notices_is_known_again(tmp_path, say):
    """Else the broker's repeats would be stored beside what was read out, and people be told again what they had."""
    with Store.open(tmp_path) as store:
        store.commit(say.batch(say.keep("a/b", 1.0), deliveries=[say.delivery(7, b"old")], notices=[say.notice("old")]))
        nightly(tmp_path, "2026-05-01.sqlite")
        store.commit(say.batch(say.keep("a/b", 2.0, 1000), deliveries=[say.delivery(8, b"new")], notices=[say.notice("new")]))
        store.commit(say.batch(deliveries=[say.delivery(9, b"newest")]))
        store.mark_clean()
    spoil_table(tmp_path / STORE_NAME, "hour")
    with opened_again(tmp_path) as store:
        assert store.opened.set_aside is not None
        assert [(row.packet_id, row.digest) for row in store.remembered()] == [(7, b"old"), (8, b"new"), (9, b"newest")]
        store.commit(say.batch(say.keep("a/b", 3.0, 2000), deliveries=[say.delivery(10)]))
        assert [row.packet_id for row in store.remembered()] == [7, 8, 9, 10]
        assert store.outbox.find("new") is not None
    assert values(tmp_path) == [1.0, 2.0, 3.0]


@pytest.mark.parametrize("spoilt", ["ring", "inbox"])
def test_a_hole_in_what_is_known_of_deliveries_takes_only_what_stood_there(tmp_path, say, spoilt):
    """The ring of the old ones is another table than that of the newest, which the broker may yet send again."""
    with Store.open(tmp_path) as store:
        for n in range(60):  # in the ring, for they came without a reading
            store.commit(say.batch(deliveries=[say.delivery(1_000 + n, b"old %d" % n)]))
        for n in range(400):  # beside the readings, over several pages
            keeps = [say.keep("a/b", n + part / 4, n * 1000 + part) for part in range(4)]
            store.commit(say.batch(*keeps, deliveries=[say.delivery(n, b"digest of sixteen")]))
        store.mark_clean()
    with closing(sqlite3.connect(tmp_path / STORE_NAME)) as connection:
        asked = "SELECT pageno FROM dbstat WHERE name = ? AND pagetype = 'leaf' ORDER BY path"
        pages = [page for (page,) in connection.execute(asked, ("delivery" if spoilt == "ring" else "inbox",))]
    with (tmp_path / STORE_NAME).open("r+b") as stream:
        stream.seek((pages[len(pages) // 2] - 1) * PAGE_BYTES)
        stream.write(bytes(PAGE_BYTES))
    with opened_again(tmp_path) as store:
        assert store.opened.set_aside is not None
        known = [row.packet_id for row in store.remembered()]
    old, new = [one for one in known if one >= 1_000], [one for one in known if one < 1_000]
    assert {int(value) for value in values(tmp_path)} == set(new)  # what would be sent again is known, or is not there
    if spoilt == "ring":
        assert new == list(range(400))
        assert 0 < len(old) < 60
    else:
        assert old == list(range(1_000, 1_060))
        assert (new[0], new[-1]) == (0, 399)
        assert 380 < len(new) < 400


def test_a_page_of_something_else_invents_no_reading(filled):
    """Names that are none and times before this century are left, wherever a failing card puts them."""
    with closing(sqlite3.connect(filled / STORE_NAME)) as connection, connection:
        connection.execute("PRAGMA ignore_check_constraints = ON")
        connection.execute("INSERT INTO series (id, name) VALUES (2, x'00ff')")
        connection.execute("INSERT INTO reading VALUES (2, 1777615200000, 5.0), (1, 12, 5.0), (1, 9999999999999, 5.0)")
    spoil_table(filled / STORE_NAME, "ten_minutes")
    with opened_again(filled) as store:
        assert store.opened.set_aside is not None
    assert values(filled) == [*map(float, range(32_000)), -1.0]
