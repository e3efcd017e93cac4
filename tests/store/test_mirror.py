"""The copy elsewhere, against a real time-series server: killed, hung, refusing, full and slow, and nothing lost."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.engine.connections import Mirror as Address
from monitor.engine.connections import Secret
from monitor.engine.events import JournalEntry
from monitor.engine.specification import Calibration, Measure, Place, Sensor, Specification
from monitor.store import mirror_ledger
from monitor.store.keep import Store
from monitor.store.mirror import LineSender, Mirror, Refused, Unreached
from tests.store.mirror_server import Gate, Server

KEYS = ["brooder/chick height", 'brooder/odd, "name" = °\\', "brooder/air"]


def sensor(key: str) -> Sensor:
    pen, name = key.split("/", 1)
    given = (key, pen, name, Measure.TEMPERATURE, Place.BIRD_LEVEL, "t", None, None, "degC", 1.0, 0.0, 30.0, Calibration())
    return Sensor(*given, lowest=-50.0, highest=80.0, largest_step=5.0, silent_after_s=100.0, stuck_after_s=1e4)


SITE = Specification("North Field", "UTC", "us", 0.0, {}, {key: sensor(key) for key in KEYS}, {})


@pytest.fixture
def server(tmp_path) -> Iterator[Server]:
    made = Server(tmp_path / "server")
    made.start()
    yield made
    made.end()


class Clock:
    """Elapsed time that goes on only when told to."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


class Bench:
    """A mirror driven step by step, under a clock of its own."""

    def __init__(self, store: Store, address: str, timeout_s: float = 10.0) -> None:
        self.store = store
        self.clock = Clock()
        self.links: list[tuple[bool, str]] = []
        store.mirror.begin()
        made = Address(address, "barn", "poultry", Secret("t"))
        self.mirror = Mirror(
            store.folder,
            store.mirror,
            SITE,
            lambda: LineSender(made, timeout_s),
            lambda *link: self.links.append(link),
            self.clock,
        )

    def run(self, until: Callable[[], bool], steps: int = 60) -> None:
        for _ in range(steps):
            if until():
                return
            self.clock.now = max(self.mirror.step(), self.clock.now)
        raise AssertionError(f"not reached in {steps} steps; links: {self.links}, last error: {self.mirror.last_error}")

    def run_dry(self) -> None:
        """Until nothing waits, history included."""
        self.run(lambda: self.mirror.lines_sent > 0 and self.mirror.behind() == 0 and self._walked())

    def _walked(self) -> bool:
        course = self.mirror._course
        return course is not None and course.front.history_series is None

    def wait(self, seconds: float) -> None:
        """Time goes by, with the mirror stepping when it wants to."""
        end = self.clock.now + seconds
        while self.clock.now < end:
            self.clock.now = min(end, max(self.mirror.step(), self.clock.now + 0.1))


def test_readings_decisions_and_journal_arrive_as_they_stand_in_the_store(store, server, say):
    """Every value, time and name comes out of the server again; hostile names cannot break a line."""
    store.commit(
        say.batch(
            *[say.keep(key, 20.25 + n, n * 1000 + 7) for n in range(3) for key in KEYS],
            decisions=[
                say.fan("brooder", True, 500, speed_pct=40.0),
                say.alarm("brooder/birds_cold", "unacknowledged", after_ms=900),
            ],
            journal=[JournalEntry(1.0, say.dawn_ms, "brooder", "deaths", "me", "spring", 2, 'found "two"\nby the lamp')],
        )
    )
    Bench(store, server.address).run_dry()
    readings = server.series('{__name__="warmstraw_reading_value"}')
    assert sorted(labels["sensor"] for labels, _ in readings) == sorted(["chick height", 'odd, "name" = °/', "air"])
    for labels, pairs in readings:
        assert pairs == [(say.dawn_ms + n * 1000 + 7, 20.25 + n) for n in range(3)]
        assert (labels["site"], labels["pen"], labels["place"], labels["unit"]) == (
            "North Field",
            "brooder",
            "bird level",
            "degC",
        )
    ((fan, pairs),) = server.series('{__name__="warmstraw_fan_running"}')
    assert (fan["reason"], pairs) == ("damp", [(say.dawn_ms + 500, 1.0)])
    assert server.values('{__name__="warmstraw_fan_speed_pct"}') == [40.0]
    ((alarm, pairs),) = server.series('{__name__="warmstraw_alarm_open"}')
    assert (alarm["alarm"], alarm["priority"], pairs) == ("birds_cold", "urgent", [(say.dawn_ms + 900, 1.0)])
    assert server.values('{__name__="warmstraw_alarm_limit"}') == [27.8]
    assert server.values('{__name__="warmstraw_journal_count"}') == [2.0]


def test_what_was_stored_before_there_was_a_mirror_follows_behind_the_new(store, server, say):
    """A mirror set up in the second year gets the first one too, after what has just come."""
    store.commit(say.batch(*[say.keep(KEYS[n % 3], float(n), n * 1000) for n in range(12_000)]))
    store.tidy(None, move_from=1)
    bench = Bench(store, server.address)
    store.commit(say.batch(say.keep(KEYS[0], 50_000.0, 20_000_000)))
    bench.mirror.step()
    assert bench.mirror._course.front.seq == 12_001
    bench.run_dry()
    assert server.values('{__name__="warmstraw_reading_value"}') == [*map(float, range(12_000)), 50_000.0]


def test_hourly_rollups_follow_when_their_hours_are_well_over(store, server, say):
    """Count, low, mean and high of each hour, once; the last three hours may still change and are held back."""
    hour = 3_600_000
    store.commit(say.batch(*[say.keep(KEYS[k], n + k * 100.0, n * hour // 2) for n in range(96) for k in range(2)]))
    store.tidy(None, move_from=1)
    bench = Bench(store, server.address)
    bench.wait(100.0)
    store.commit(say.batch(say.keep(KEYS[0], 96.0, 48 * hour)))
    store.tidy(None, move_from=1)
    bench.wait(100.0)
    for field, shift in (("low", 0.0), ("mean", 0.5), ("high", 1.0)):
        found = {labels["sensor"]: pairs for labels, pairs in server.series(f'{{__name__="warmstraw_hour_{field}"}}')}
        assert found["chick height"] == [(say.dawn_ms + h * hour, 2 * h + shift) for h in range(46)]
    assert set(server.values('{__name__="warmstraw_hour_n"}')) == {2.0}


def test_a_server_killed_after_accepting_gets_the_last_minutes_again(store, server, say):
    """Accepted is not kept: killed at once after it answered, the server has everything in the end all the same."""
    bench, n = Bench(store, server.address), 0
    for _ in range(3):
        for _ in range(4):
            store.commit(say.batch(*[say.keep(KEYS[0], float(n + k), (n + k) * 1000) for k in range(50)]))
            n += 50
            store.tidy(None, move_from=1)
            bench.wait(20.0)
        server.end(signal.SIGKILL)
        store.commit(say.batch(say.keep(KEYS[0], float(n), n * 1000)))
        n += 1
        bench.wait(20.0)
        assert bench.links[-1][0] is False
        server.start()
        bench.wait(60.0)
        assert bench.links[-1] == (True, "")
    assert server.values('{__name__="warmstraw_reading_value"}') == list(map(float, range(n)))


def test_a_hung_server_holds_up_nobody_and_gets_everything_once(store, server, say):
    """A server that takes connections and never answers: the store goes on, the mirror waits and sends again."""
    bench = Bench(store, server.address, timeout_s=0.5)
    store.commit(say.batch(say.keep(KEYS[0], 0.0, 0)))
    bench.run_dry()
    server.tell(signal.SIGSTOP)
    for n in range(1, 200):
        store.commit(say.batch(say.keep(KEYS[0], float(n), n * 1000)))
    started = time.monotonic()
    bench.wait(30.0)
    assert time.monotonic() - started < 10.0
    assert bench.links[-1][0] is False
    assert bench.mirror.behind() >= 199
    server.tell(signal.SIGCONT)
    bench.wait(120.0)
    assert server.values('{__name__="warmstraw_reading_value"}') == list(map(float, range(200)))


def test_one_bad_line_is_set_aside_and_told_and_all_others_arrive(store, server, say):
    """A refused batch is halved until the bad line stands alone; it is kept, named, and never sent again."""
    gate = Gate(server, lambda body: 400 if "value=666.0" in body else None)
    try:
        bench = Bench(store, gate.address)
        store.commit(say.batch(*[say.keep(KEYS[0], float(n), n * 1000) for n in range(2_000)]))
        bench.run_dry()
        requests = gate.requests
        assert requests < 30
        ((line, answer),) = store.mirror.lines_set_aside()
        assert "value=666.0" in line
        assert "400" in answer
        assert any(up and "set aside" in detail for up, detail in bench.links)
        assert (bench.mirror.lines_sent, bench.mirror.lines_refused) == (1_999, 1)
        assert server.values('{__name__="warmstraw_reading_value"}') == [float(n) for n in range(2_000) if n != 666]
    finally:
        gate.close()


@pytest.mark.parametrize(("status", "word"), [(401, "token"), (404, "404"), (429, "429"), (503, "503")])
def test_a_server_that_will_not_now_gets_the_same_lines_later(store, server, say, status, word):
    """A wrong token, a missing bucket, a busy server: no line is given up, and the cause is told once."""
    answers: list[int | None] = [status, status, status]
    gate = Gate(server, lambda _body: answers.pop() if answers else None)
    try:
        bench = Bench(store, gate.address)
        store.commit(say.batch(*[say.keep(KEYS[0], float(n), n) for n in range(20)]))
        bench.run_dry()
        assert [up for up, _ in bench.links] == [False, True]
        assert word in bench.links[0][1]
        assert bench.clock.now >= 5 + 10 + 20
        assert store.mirror.lines_set_aside() == []
        assert server.values('{__name__="warmstraw_reading_value"}') == list(map(float, range(20)))
    finally:
        gate.close()


def test_a_server_on_a_full_disk_gets_everything_when_there_is_room(store, tmp_path, say):
    """The real server, short of disk, takes nothing in: the mirror waits, and loses no line when it may go on."""
    # A real server calls its disk full when less than this many bytes are free.
    server = Server(tmp_path / "full", "-storage.minFreeDiskSpaceBytes=900000000000000")
    server.start()
    try:
        bench = Bench(store, server.address, timeout_s=2.0)
        store.commit(say.batch(*[say.keep(KEYS[0], float(n), n) for n in range(20)]))
        bench.wait(30.0)
        assert bench.links
        assert bench.links[-1][0] is False
        assert bench.mirror.lines_sent == 0
        server.end()
        server.options = ()
        server.start()
        bench.wait(60.0)
        assert server.values('{__name__="warmstraw_reading_value"}') == list(map(float, range(20)))
    finally:
        server.end()


def test_a_slow_server_never_slows_the_store(store, server, say):
    """While one batch takes long to be accepted, commits go on as fast as ever."""
    gate = Gate(server, lambda _body: time.sleep(1.0))
    mirror = Mirror(store.folder, store.mirror, SITE, lambda: LineSender(Address(gate.address, "barn", "poultry")))
    try:
        store.commit(say.batch(say.keep(KEYS[0], 0.0, 0)))
        mirror.start()
        deadline = time.monotonic() + 20
        while not gate.requests:
            assert time.monotonic() < deadline
            time.sleep(0.01)
        started = time.monotonic()
        for n in range(1, 300):
            store.commit(say.batch(say.keep(KEYS[0], float(n), n * 1000)))
        assert time.monotonic() - started < 0.9  # less than the one request under way
    finally:
        mirror.stop(5.0)
        gate.close()


def test_stopping_does_not_wait_for_a_hung_server(store, server, say):
    """The daemon stops within seconds whatever the server does."""
    server.tell(signal.SIGSTOP)
    store.commit(say.batch(say.keep(KEYS[0], 0.0, 0)))
    mirror = Mirror(store.folder, store.mirror, SITE, lambda: LineSender(Address(server.address, "barn", "poultry"), 4.0))
    mirror.start()
    time.sleep(0.3)
    started = time.monotonic()
    mirror.stop(0.5)
    assert time.monotonic() - started < 1.0
    server.tell(signal.SIGCONT)
    mirror.stop(10.0)


def test_arrivals_stay_until_they_are_safe_elsewhere(store, server, say):
    """The hourly move leaves in the inbox what the server may still forget, and lets go of it afterwards."""

    def held() -> int:
        return store._connection.execute("SELECT count(*) FROM inbox").fetchone()[0]

    bench = Bench(store, server.address)
    store.commit(say.batch(*[say.keep(KEYS[0], float(n), n) for n in range(100)]))
    store.tidy(None, move_from=1)
    assert held() == 100
    bench.run_dry()
    store.tidy(None, move_from=1)
    assert held() == 100
    bench.wait(400.0)
    store.tidy(None, move_from=1)
    assert held() == 0


def test_a_restart_goes_on_from_the_kept_cursor(tmp_path, server, say):
    """After a kill of the daemon lines are sent again rather than left out; the server keeps each once."""
    for run in range(3):
        with Store.open(tmp_path / "store") as store:
            bench = Bench(store, server.address)
            store.commit(say.batch(*[say.keep(KEYS[0], float(run * 100 + n), run * 100 + n) for n in range(100)]))
            bench.run_dry()
            store.tidy(None, move_from=1)
    assert server.values('{__name__="warmstraw_reading_value"}') == list(map(float, range(300)))


def test_what_gets_its_time_late_is_sent_then(store, server, say):
    """Readings and decisions from before the clock was trusted follow once they are dated."""
    bench = Bench(store, server.address)
    early = say.keep(KEYS[0], 1.0, None, at=5.0)
    store.commit(say.batch(early, decisions=[say.alarm("brooder/damp", "unacknowledged", after_ms=None, at=6.0)]))
    store.commit(say.batch(say.keep(KEYS[0], 2.0, 60_000), decisions=[say.fan("brooder", True, 61_000)]))
    bench.run_dry()
    assert server.values('{__name__="warmstraw_alarm_open"}') == []
    store.place(1, say.dawn_ms)
    bench.wait(30.0)
    ((_, pairs),) = server.series('{__name__="warmstraw_alarm_open"}')
    assert pairs == [(say.dawn_ms + 6000, 1.0)]
    assert server.values('{__name__="warmstraw_reading_value"}') == [1.0, 2.0]
    assert server.values('{__name__="warmstraw_fan_running"}') == [1.0]


def test_a_backlog_beyond_bounds_is_let_go_and_made_up_from_the_readings(store, server, say, monkeypatch):
    """With the server away for months the inbox stays bounded, and nothing is missing in the end."""
    monkeypatch.setattr(mirror_ledger, "LONGEST_BACKLOG", 500)
    bench = Bench(store, server.address)
    server.end()
    for n in range(10):
        store.commit(say.batch(*[say.keep(KEYS[0], float(n * 100 + k), (n * 100 + k) * 1000) for k in range(100)]))
        store.tidy(None, move_from=1)
    assert store._connection.execute("SELECT count(*) FROM inbox").fetchone()[0] <= 600
    server.start()
    bench.wait(700.0)
    assert server.values('{__name__="warmstraw_reading_value"}') == list(map(float, range(1000)))


def test_without_a_mirror_nothing_is_kept_for_it(store, say):
    """A mirror taken out of the settings frees what was kept."""
    store.mirror.begin()
    store.commit(say.batch(say.keep(KEYS[0], 1.0)))
    store.mirror.end()
    store.tidy(None, move_from=1)
    assert store._connection.execute("SELECT count(*) FROM inbox").fetchone()[0] == 0


def test_the_sender_names_its_failures(say):
    """No server at all is told in words; the token is in none of them."""
    sender = LineSender(Address("http://127.0.0.1:9", "barn", "poultry", Secret("hush-hush")), 1.0)
    with pytest.raises(Unreached) as told:
        sender.send(["warmstraw_reading value=1.0 1"])
    assert "hush" not in str(told.value)
    assert not issubclass(Unreached, Refused)
    sender.close()


def test_the_client_library_is_loaded_only_by_the_sender():
    """A daemon without a mirror does not pay for it."""
    script = "import sys, monitor.store.mirror; print([m for m in sys.modules if m.startswith('influxdb')])"
    root = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", script], cwd=root, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
