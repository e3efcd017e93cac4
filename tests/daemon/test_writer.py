"""The one that writes: commit, then acknowledge, then tell; and what it does while nothing can be written."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.daemon import writer as writer_room
from monitor.engine.events import JournalEntry
from monitor.store.connection import STORE_NAME, note_suspicion
from monitor.store.failures import StoreCorrupt, StoreUnreachable
from monitor.store.keep import Saved, Store
from monitor.store.nightly import nightly
from monitor.store.reader import Reader
from tests.daemon.conftest import HandClocks, Middle, one_notice_an_alarm, until
from tests.engine.barns import START, START_MS

Make = Callable[..., Middle]
WELL = {"chick_height": 31.0, "chick_height_two": 31.4, "damp": 60.0, "ammonia": 8.0}


def test_a_reading_is_acknowledged_only_when_it_is_in_the_store(make_middle: Make) -> None:
    """At the moment of acknowledgement another connection to the store sees the reading."""
    middle = make_middle()
    deliveries = middle.hear(**WELL)
    assert middle.acknowledged == []
    assert middle.flush()
    assert until(lambda: middle.acknowledged == deliveries)
    assert middle.stored_at_acknowledgement == [4]


def test_what_is_acknowledged_outlives_a_power_cut(make_middle: Make) -> None:
    """The broker forgets what we acknowledge: so a commit with deliveries is synced (SQLite's FULL is 2)."""
    middle = make_middle()
    middle.hear(ammonia=7.0)
    assert middle.flush()
    assert middle.store._connection.execute("PRAGMA synchronous").fetchone() == (2,)
    assert len(middle.acknowledged) == 1


def test_a_full_window_is_committed_before_its_time(make_middle: Make) -> None:
    """The broker stops sending at its window; the commit does not wait for the hour set here."""
    middle = make_middle()
    middle.core.window = 8
    middle.hear(**WELL)
    middle.hear(**WELL)
    assert until(lambda: len(middle.acknowledged) == 8)


def test_a_commit_before_its_time_pays_for_the_one_after_it(tmp_path: Path) -> None:
    """The card bears a commit at once like any other: the next usual one comes after two hours here instead of one, the one
    after that on its hour again, and what must be kept at once never waits. A full window is no such commit."""
    middle = Middle(tmp_path / "store")  # its writer is turned by hand
    writer = middle.writer

    def commits_after(hours: float) -> int:
        middle.monotonic_s += hours * 3600.0 + 0.1
        middle.hear(**WELL)
        before = writer.commits
        assert writer.turn()
        return writer.commits - before

    assert commits_after(1.0) == 1
    assert commits_after(0.5) == 0
    middle.core.act(JournalEntry(*middle.core.now(), "brooder", "note"))
    assert commits_after(0.0) == 1
    assert commits_after(1.0) == 0
    middle.core.act(JournalEntry(*middle.core.now(), "brooder", "note"))
    assert commits_after(0.0) == 1
    assert commits_after(1.9) == 0
    assert commits_after(0.1) == 1
    assert commits_after(1.0) == 1
    middle.core.window = 8  # full with every second hearing: a usual commit that came early, and nothing to pay for
    assert commits_after(0.2) == 0
    assert commits_after(0.1) == 1
    middle.core.window = 100
    assert commits_after(1.0) == 1
    writer._asked_to_stop = True
    assert not writer.turn()


def test_a_full_disk_stops_neither_the_fan_nor_the_calls(make_middle: Make) -> None:
    """While SQLite finds no room: the fan switches, an alarm raised then is told, and afterwards all is stored once."""
    middle = make_middle(rota=one_notice_an_alarm)
    middle.pass_time(60.0, **WELL)
    assert middle.flush()
    middle.fill_the_disk()
    for ppm in range(200):  # until the disk's last page is full
        middle.hear(ammonia=8.0 + ppm / 1000)
    middle.core.act(JournalEntry(*middle.core.now(), "brooder", "note", note="x" * 3000))
    assert until(lambda: middle.writer.is_failing)

    middle.pass_time(120.0, **(WELL | {"ammonia": 60.0}))
    assert middle.commands[-1].running
    middle.pass_time(900.0, **(WELL | {"ammonia": 60.0}))
    raised = {change.name for change in middle.alarms if change.state == "unacknowledged"}
    assert {"ammonia_people", "store_failing"} <= raised
    middle.writer.flush(0.3)
    told = {key.rsplit(" ", 1)[0] for key in middle.told}
    assert {"brooder/ammonia_people", "/store_failing"} <= told

    middle.free_the_disk()
    assert middle.flush()
    assert until(lambda: not middle.writer.is_failing)
    assert middle.flush()
    assert len(middle.values("brooder/ammonia")) == 2 + 200 + 4 + 30
    with Reader(middle.folder) as reader:
        assert [entry.what for entry in reader.journal()] == ["note"]
        assert "ammonia_people" in {change.what for change in reader.alarm_history()}
    middle.pass_time(120.0, **WELL)
    assert middle.core.state.alarms["/store_failing"].state.value == "returned"


def test_a_full_disk_does_not_fill_the_brokers_window(make_middle: Make) -> None:
    """At the window the deliveries are given up and counted, so that the next readings still come; none is lost here."""
    middle = make_middle()
    middle.hear(**WELL)
    assert middle.flush()
    middle.fill_the_disk()
    middle.core.window = 10
    for ppm in range(400):
        middle.hear(ammonia=8.0 + ppm / 1000)
    assert until(lambda: middle.core.waiting_deliveries < 10 and len(middle.acknowledged) >= 394)
    assert until(lambda: middle.writer.acknowledged_unstored > 0)
    middle.free_the_disk()
    assert middle.flush()
    assert middle.flush()
    assert sorted(middle.values("brooder/ammonia")) == sorted([8.0] + [8.0 + ppm / 1000 for ppm in range(400)])
    assert len(set(middle.acknowledged)) == len(middle.acknowledged) == 404


def test_waiting_readings_that_cannot_be_dated_do_not_blind_the_engine(
    make_middle: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The clock becomes known on a full disk: dating fails, the window is relieved, and all is dated once there is room."""
    clocks = HandClocks(wall_s=1000.0, keeps_time=False)
    middle = make_middle(clocks=clocks)
    middle.core.window = 10
    middle.pass_time(60.0, **WELL)
    assert middle.flush()
    with Reader(middle.folder) as reader:
        assert len(list(reader.undated())) == 8
    middle.fill_the_disk()
    monkeypatch.setattr(middle.store, "place", lambda *_: (_ for _ in ()).throw(_full()))
    clocks.wall_s, clocks.synchronised = START, True
    middle.pass_time(300.0, **WELL)
    assert until(lambda: middle.writer.acknowledged_unstored >= 30)
    assert middle.writer.is_failing
    monkeypatch.undo()
    middle.free_the_disk()
    assert middle.flush()
    with Reader(middle.folder) as reader:
        assert list(reader.undated()) == []
        first = next(iter(reader.readings("brooder/ammonia")))
    assert first.time_ms == round((START - 30.0) * 1000)
    assert middle.count() == 8 + 40


def _full() -> Exception:
    from monitor.store.failures import StoreFull

    return StoreFull("No room left.", "Free some space.")


def test_a_fault_of_ours_before_the_commit_neither_silences_nor_blinds(
    make_middle: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not the disk but the program fails on the way to each commit: people are told, the broker's window is kept open, and
    once it is over all is stored."""
    clocks = HandClocks(wall_s=1000.0, keeps_time=False)
    middle = make_middle(clocks=clocks, rota=one_notice_an_alarm)
    middle.core.window = 10
    middle.pass_time(60.0, **WELL)
    assert middle.flush()

    def stumble(*_: object) -> int:
        raise RuntimeError("a fault of ours")

    monkeypatch.setattr(middle.store, "place", stumble)
    clocks.wall_s, clocks.synchronised = START, True
    middle.pass_time(900.0, **(WELL | {"ammonia": 60.0}))
    assert until(lambda: middle.core.waiting_deliveries < 10)
    assert until(lambda: middle.writer.is_failing)
    assert until(lambda: "brooder/ammonia_people" in {key.rsplit(" ", 1)[0] for key in middle.told})
    monkeypatch.undo()
    assert middle.flush()
    assert middle.count() == 8 + 4 * 30
    assert len(set(middle.acknowledged)) == len(middle.acknowledged) == 8 + 4 * 30


def test_what_was_acknowledged_unstored_is_known_again_by_the_next_run(tmp_path: Path) -> None:
    """A broker that crashed may send it once more, from a file it saved before: the store remembers it like the others."""
    middle = Middle(tmp_path / "store")  # its writer is turned by hand
    writer = middle.writer
    middle.core.window = 10
    told = middle.hear(**WELL)
    assert writer.turn()
    middle.fill_the_disk()
    while not writer.is_failing:  # until the disk's last page is full
        told += [middle.hear(ammonia=8.0 + ppm / 1000)[0] for ppm in range(50)]
        assert writer.turn()
    for _ in range(3):
        told += [middle.hear(ammonia=9.0 + ppm / 1000)[0] for ppm in range(50)]
        assert writer.turn()
    assert writer.acknowledged_unstored >= 150
    assert middle.acknowledged == told
    middle.free_the_disk()
    middle.core.act(JournalEntry(*middle.core.now(), "brooder", "note"))  # commits at once
    assert writer.turn()
    assert middle.count() == len(told)
    assert middle.acknowledged == told
    assert [row.packet_id for row in middle.store.remembered()] == [delivery.packet_id for delivery in told]
    writer._asked_to_stop = True
    assert not writer.turn()


def test_a_store_that_waits_to_be_restored_is_failing(tmp_path: Path) -> None:
    """Met soon after an opening, damage waits for the next: until then nothing is written, and nobody says that all is well."""
    middle = Middle(tmp_path / "store")  # its writer is turned by hand
    writer = middle.writer
    assert not writer.is_failing
    writer._next_try = 30.0
    note_suspicion(middle.folder)  # as whoever reads or copies does
    assert writer.turn()
    assert writer.is_failing
    middle.monotonic_s = 31.0
    assert writer.turn()
    assert not writer.is_failing
    writer._asked_to_stop = True
    assert not writer.turn()


def test_a_late_store_that_cannot_be_read_at_once_is_not_written_beside_what_it_knows(
    make_middle: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It opens and then fails to say what it holds: the next try takes up the numbers of its alarms first."""
    folder = tmp_path / "store"
    middle = make_middle(folder, rota=one_notice_an_alarm)
    middle.pass_time(900.0, **(WELL | {"ammonia": 60.0}))
    assert middle.flush()
    occurrences = middle.core.state.occurrences
    assert occurrences > 0
    middle.stop()

    load, tries = Store.load, []

    def fail_once(store: Store) -> Saved | None:
        tries.append(store)
        if len(tries) == 1:
            raise StoreUnreachable("disk I/O error.", "See the system's log.")
        return load(store)

    late = make_middle(folder, store=False)
    monkeypatch.setattr(Store, "load", fail_once)
    late.monotonic_s += 60.0
    late.writer.flush(0.3)
    assert late.writer.store is None
    late.monotonic_s += 60.0
    assert late.flush()
    assert len(tries) == 2
    assert late.core.state.occurrences >= occurrences
    assert late.core.timeline.segment > 1


def test_a_keepers_act_does_not_wait_for_a_batch_that_never_comes(make_middle: Make) -> None:
    """However quick the writer is, `flush` after an act returns as soon as the act is stored."""
    middle = make_middle()
    for _ in range(20):
        middle.core.act(JournalEntry(*middle.core.now(), "brooder", "note"))
        time.sleep(0.01)  # the writer takes the batch before anybody waits for it
        began = time.monotonic()
        assert middle.flush()
        assert time.monotonic() - began < 1.0
    with Reader(middle.folder) as reader:
        assert len(reader.journal()) == 20


@pytest.mark.parametrize(
    "fault", [ValueError("NaN"), KeyError("a field"), RecursionError()], ids=lambda fault: type(fault).__name__
)
def test_a_state_that_cannot_be_saved_does_not_keep_readings_from_the_store(
    make_middle: Make, monkeypatch: pytest.MonkeyPatch, fault: Exception
) -> None:
    """A fault of ours in saving costs the state of that commit, not its readings."""
    middle = make_middle()
    middle.hear(ammonia=7.0)
    assert middle.flush()
    before = middle.store.load()

    def refuse(_state: object) -> str:
        raise fault

    monkeypatch.setattr(writer_room, "save", refuse)
    middle.hear(ammonia=8.0)
    assert middle.flush()
    after = middle.store.load()
    assert middle.values("brooder/ammonia") == [7.0, 8.0]
    assert before is not None
    assert after is not None
    assert after.state == before.state


def test_without_a_store_the_birds_are_watched_and_it_is_opened_when_it_can_be(make_middle: Make, tmp_path: Path) -> None:
    """Another process holds the store at the start; once it lets go, everything since then is in it."""
    folder = tmp_path / "store"
    other = Store.open(folder)
    middle = make_middle(folder, store=False, rota=one_notice_an_alarm)
    middle.core.link("store", False, "held")
    middle.pass_time(900.0, **(WELL | {"ammonia": 60.0}))
    assert middle.commands[-1].running
    middle.writer.flush(0.3)
    assert "brooder/ammonia_people" in {key.rsplit(" ", 1)[0] for key in middle.told}
    other.close()
    middle.monotonic_s += 60.0
    assert middle.flush()
    assert len(middle.values("brooder/ammonia")) == 30


def test_a_lost_session_forgets_old_deliveries_and_keeps_new_ones(make_middle: Make) -> None:
    """What the broker sent before it lost the session is stored, and never acknowledged or taken for a repeat."""
    middle = make_middle()
    middle.hear(connection=1, ammonia=7.0)
    assert middle.flush()
    old = middle.hear(connection=1, ammonia=8.0)
    middle.core.forget_deliveries()
    new = middle.hear(connection=2, ammonia=9.0)
    assert middle.flush()
    assert middle.values("brooder/ammonia") == [7.0, 8.0, 9.0]
    assert [row.packet_id for row in middle.store.remembered()] == [delivery.packet_id for delivery in new]
    assert not set(old) & set(middle.acknowledged)


def test_a_stop_in_good_order_leaves_the_store_clean(make_middle: Make) -> None:
    """The next start then knows that nothing was under way."""
    middle = make_middle()
    middle.hear(**WELL)
    middle.stop()
    with Store.open(middle.folder) as store:
        saved = store.load()
    assert saved is not None
    assert saved.clean
    assert middle.count() == 4
    assert len(middle.acknowledged) == 4


def test_the_writer_outlives_whatever_it_meets(make_middle: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three faults in a row are an alarm; afterwards it writes as before."""
    middle = make_middle()
    real = middle.core.collect
    monkeypatch.setattr(middle.core, "collect", lambda: 1 / 0)
    middle.hear(ammonia=7.0)
    for _ in range(3):
        middle.writer.flush(0.3)
    assert until(lambda: middle.core.state.links.get("store") is False)
    assert middle.writer.is_alive
    monkeypatch.setattr(middle.core, "collect", real)
    assert middle.flush()
    assert middle.values("brooder/ammonia") == [7.0]


def spoil(folder: Path, table: str) -> None:
    """Another process writes over a table's first page, as a failing card does."""
    with sqlite3.connect(f"file:{folder / STORE_NAME}?mode=ro", uri=True) as reader:
        (root,) = reader.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()
    reader.close()
    program = "import os, sys; os.pwrite(os.open(sys.argv[1], os.O_RDWR), b'\\xff' * 1024, int(sys.argv[2]))"
    subprocess.run([sys.executable, "-c", program, str(folder / STORE_NAME), str((root - 1) * 1024)], check=True)


def test_a_store_damaged_under_the_daemon_is_restored_by_itself(make_middle: Make, tmp_path: Path) -> None:
    """Met by whoever asks for a picture: closed, set aside, restored from last night's, read out, and written on."""
    folder = tmp_path / "store"
    middle = make_middle(folder)
    middle.pass_time(300.0, **WELL)
    assert middle.flush()
    while middle.store.tidy(None, move_from=1).more:
        pass
    nightly(folder, "2026-05-01.sqlite", middle.store.at_rest)
    middle.pass_time(300.0, **WELL)
    assert middle.flush()
    with middle.store.at_rest():
        spoil(folder, "hour")
    with Reader(folder) as reader, pytest.raises(StoreCorrupt, match="by itself"):
        reader.series("brooder/ammonia", START_MS - 10**9, START_MS + 10**9, 2)
    middle.hear(ammonia=7.5)
    middle.monotonic_s += 60.0
    assert middle.flush()
    opened = middle.store.opened
    assert opened.recovered_from == folder / "backups" / "2026-05-01.sqlite"
    assert opened.set_aside is not None
    assert "Read out of the damaged file: 40 readings" in opened.lost
    assert len(middle.values("brooder/ammonia")) == 21
    assert middle.values("brooder/ammonia")[-1] == 7.5
    assert not (folder / "damage-suspected").exists()
    assert middle.core.state.links["store"]


def test_a_store_found_late_keeps_its_counts_and_its_own_times(make_middle: Make, tmp_path: Path) -> None:
    """The disk came later than the daemon: its counts of birds hold again, and what waits in it for a clock still waits."""
    folder = tmp_path / "store"
    clocks = HandClocks(keeps_time=False)
    first = make_middle(folder, clocks=clocks)
    at, wall_ms = first.core.now()
    first.core.act(JournalEntry(at, wall_ms, "brooder", "deaths", count=3))
    before = dict(first.core.state.pens["brooder"].counts)
    clocks.reboot(wall_s=60.0)
    first.stop()
    second = make_middle(folder, clocks=clocks)  # 1970: its readings wait for the clock
    second.pass_time(300.0, **WELL)
    second.stop()
    waiting = second.count()
    other = Store.open(folder)
    clocks.reboot(wall_s=clocks.wall_s + 60.0)
    late = make_middle(folder, clocks=clocks, store=False)
    late.pass_time(60.0, **WELL)
    assert late.core.state.pens["brooder"].counts != before
    other.close()
    late.monotonic_s += 60.0
    assert late.flush()
    assert late.core.state.pens["brooder"].counts == before
    with Reader(folder) as reader:
        segments = {reading.segment for reading in reader.undated()}
    assert len(segments) == 2
    assert late.count() == waiting + 8
