"""A message that comes again is stored once, and two equal messages are stored twice."""

from __future__ import annotations

import contextlib
import itertools
import sqlite3
import subprocess
import sys
from collections import deque
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from monitor.engine.connections import Delivery
from monitor.wire.redelivery import Remembered


def sent(packet_id, payload=b"x", connection=1):
    return Delivery(connection, packet_id, 1, payload.ljust(16))


def test_what_comes_again_on_a_new_connection_is_known():
    """Same id, same topic and payload: taken before, so not stored again."""
    remembered = Remembered()
    remembered.note(sent(7))
    assert remembered.already_stored(sent(7, connection=2))
    assert not remembered.already_stored(sent(8, connection=2))
    assert not remembered.already_stored(sent(7, b"y", connection=2))


def test_two_equal_readings_on_one_connection_are_two():
    """A broker does not send again on the same connection (MQTT 5.0 section 4.4); a used id is then a new message."""
    remembered = Remembered()
    remembered.note(sent(7))
    assert not remembered.already_stored(sent(7))


def test_what_comes_again_twice_is_known_twice():
    """The second connection may break before its acknowledgement as well."""
    remembered = Remembered()
    remembered.note(sent(7))
    assert remembered.already_stored(sent(7, connection=2))
    assert not remembered.already_stored(sent(7, connection=2))
    assert remembered.already_stored(sent(7, connection=3))


def test_only_the_last_message_under_an_id_can_come_again():
    """The id was free again only after the first was acknowledged."""
    remembered = Remembered()
    remembered.note(sent(7, b"first"))
    remembered.note(sent(7, b"second"))
    assert not remembered.already_stored(sent(7, b"first", connection=2))
    assert remembered.already_stored(sent(7, b"second", connection=2))


def test_a_fresh_message_that_looks_like_an_old_one_is_new():
    """Unmarked and published after we connected: an equal value under a used id, as after a broker's crash."""
    remembered = Remembered()
    remembered.note(sent(7))
    assert not remembered.already_stored(sent(7, connection=2), duplicate=False, waited=False)
    assert remembered.already_stored(sent(7, connection=2), duplicate=False, waited=True)


def test_a_lost_session_leaves_nothing_to_know():
    """The broker counts ids from 1 again, and everything is new."""
    remembered = Remembered()
    remembered.note(sent(7))
    remembered.clear()
    assert not remembered.already_stored(sent(7, connection=2))
    assert len(remembered) == 0


def test_what_was_given_up_is_new_when_it_comes_again():
    """A batch that could not be stored was not stored."""
    remembered = Remembered()
    remembered.note(sent(7))
    remembered.forget([sent(7)])
    assert not remembered.already_stored(sent(7, connection=2))


def test_the_next_run_knows_what_the_last_one_saved():
    """From the rows of the store, in any order; new orders go on after the old."""
    first = Remembered()
    rows = [first.note(sent(packet_id)) for packet_id in (3, 1, 2)]
    second = Remembered.load(reversed(rows))
    assert all(second.already_stored(sent(packet_id, connection=1)) for packet_id in (1, 2, 3))
    assert second.note(sent(4))[2] > max(order for _, _, order in rows)


def test_what_an_earlier_run_saved_may_be_learnt_late():
    """What has been taken meanwhile under the same id stands above it; the rest is known from then on."""
    first = Remembered()
    rows = [first.note(sent(packet_id)) for packet_id in (3, 1, 2)]
    second = Remembered()
    second.note(sent(2, b"newer"))
    second.put_under(rows)
    assert second.already_stored(sent(1, connection=2))
    assert second.already_stored(sent(3, connection=2))
    assert not second.already_stored(sent(2, connection=2))
    assert second.already_stored(sent(2, b"newer", connection=2))
    assert second.note(sent(4))[2] > max(order for _, _, order in rows)


def test_the_memory_is_bounded_and_keeps_the_newest():
    """And says which rows the store may drop."""
    remembered = Remembered(capacity=3)
    rows = [remembered.note(sent(packet_id)) for packet_id in range(1, 6)]
    assert len(remembered) == 3
    assert [remembered.already_stored(sent(n, connection=2)) for n in range(1, 6)] == [False, False, True, True, True]
    assert remembered.oldest_order == rows[2][2]
    assert len(Remembered.load(rows, capacity=2)) == 2
    again = Remembered(capacity=2)
    for packet_id in (1, 2, 1, 3):
        again.note(sent(packet_id))
    assert again.already_stored(sent(1, connection=2))  # used lately, so kept
    assert not again.already_stored(sent(2, connection=2))
    with pytest.raises(ValueError, match="capacity is 0"):
        Remembered(0)


# ----------------------------------------------- every way it can go wrong


class BrokerAndDaemon(RuleBasedStateMachine):
    """A broker that keeps to MQTT and a daemon that commits and acknowledges, broken off at any point.

    Payloads are few, so that equal ones are the rule. Packet ids do not come round within what is
    remembered, as with 65,535 of them they do not.
    """

    ids = 65_535
    payloads = (b"21.5", b"21.6")

    @initialize()
    def begin(self):
        self.queue: deque[tuple[int, bytes]] = deque()  # published, not yet sent
        self.in_flight: dict[int, tuple[int, bytes]] = {}  # by packet id, in order
        self.last_id = 0
        self.serial = itertools.count()
        self.published: list[int] = []
        self.stored: list[int] = []
        self.saved: dict[int, tuple[int, bytes, int]] = {}
        self.connection = 0
        self.start_daemon()

    def start_daemon(self):
        self.remembered = Remembered.load(self.saved.values(), capacity=50)
        self.batch: list[tuple[int | None, Delivery, tuple[int, bytes, int] | None]] = []
        self.committed: list[Delivery] = []
        self.connection = 0
        self.connect()

    def connect(self):
        self.connection += 1
        for packet_id, (serial, payload) in list(self.in_flight.items()):
            self.take(packet_id, serial, payload, duplicate=True, waited=True)
        self.send(waited=True)

    def send(self, waited):
        while self.queue and len(self.in_flight) < 10:
            serial, payload = self.queue.popleft()
            while True:
                self.last_id = self.last_id % self.ids + 1
                if self.last_id not in self.in_flight:
                    break
            self.in_flight[self.last_id] = (serial, payload)
            self.take(self.last_id, serial, payload, duplicate=False, waited=waited)

    def take(self, packet_id, serial, payload, duplicate, waited):
        delivery = sent(packet_id, payload, self.connection)
        if self.remembered.already_stored(delivery, duplicate, waited):
            self.batch.append((None, delivery, None))
        else:
            self.batch.append((serial, delivery, self.remembered.note(delivery)))

    @rule(payload=st.sampled_from([0, 1]), count=st.integers(1, 4))
    def publish(self, payload, count):
        for _ in range(count):
            serial = next(self.serial)
            self.published.append(serial)
            self.queue.append((serial, self.payloads[payload] if self.payloads else b"%d" % serial))
        self.send(waited=False)

    @rule(payload=st.sampled_from([0, 1]))
    def publish_while_offline(self, payload):
        serial = next(self.serial)
        self.published.append(serial)
        self.queue.append((serial, self.payloads[payload] if self.payloads else b"%d" % serial))
        self.connect()

    @rule()
    def commit(self):
        for serial, delivery, row in self.batch:
            if serial is not None:
                self.stored.append(serial)
            if row is not None:
                self.saved[row[0]] = row
            self.committed.append(delivery)
        self.batch = []

    @precondition(lambda self: self.committed)
    @rule(share=st.floats(0.0, 1.0))
    def acknowledge(self, share):
        count = round(share * len(self.committed))
        for delivery in self.committed[:count]:
            if delivery.connection == self.connection:
                del self.in_flight[delivery.packet_id]
        self.committed = self.committed[count:]
        self.send(waited=False)

    @rule()
    def break_the_connection(self):
        self.connect()

    @rule()
    def kill_the_daemon(self):
        self.start_daemon()

    def teardown(self):
        if not hasattr(self, "stored"):
            return
        while self.queue or self.in_flight:
            self.commit()
            self.acknowledge(1.0)
        self.commit()
        assert sorted(self.stored) == self.published


class FewIds(BrokerAndDaemon):
    """The same with a broker that uses the smallest ids again and again, and payloads that tell messages apart."""

    ids = 12
    payloads = ()


class TestBrokerAndDaemon(BrokerAndDaemon.TestCase):
    """Every published message is stored exactly once, equal ones included."""

    settings = settings(max_examples=60, stateful_step_count=40)


class TestFewIds(FewIds.TestCase):
    """Every published message is stored exactly once, though ids repeat at once."""

    settings = settings(max_examples=60, stateful_step_count=40)


# ------------------------------------------------------------- with real parts


def test_after_a_brokers_crash_what_it_sends_again_unmarked_is_known(make_broker, make_ears, make_publisher, wait_until):
    """mosquitto killed after its file was saved: acknowledged messages come again as if new, under their old ids."""
    broker = make_broker(persistence=True)
    make_ears(broker.port, "barn/+").start().session.stop()
    publisher = make_publisher(broker, "out/#")
    publisher.send("barn/probe", *[b"21.5"] * 4)
    broker.save()
    ears = make_ears(broker.port, "barn/+").start()
    remembered = Remembered()

    def store(arrivals):
        new = [a.delivery for a in arrivals if not remembered.already_stored(a.delivery, a.duplicate, a.waited)]
        for delivery in new:
            remembered.note(delivery)
        return len(new)

    assert ears.wait_for(4)
    assert store(ears.arrivals) == 4
    ears.session.acknowledge(ears.deliveries)
    assert ears.session.publish("out/after", b"", qos=1)
    assert wait_until(lambda: publisher.heard)
    publisher.close()
    broker.kill()
    assert wait_until(lambda: not ears.session.connected)
    broker.start()
    assert ears.wait_for(8)
    again = ears.arrivals[4:8]
    assert [a.duplicate for a in again] == [False] * 4  # this is the trap
    assert store(again) == 0
    ears.session.acknowledge(ears.deliveries[4:])
    assert wait_until(lambda: ears.session.owed == 0)
    make_publisher(broker).send("barn/probe", *[b"21.5"] * 8)  # equal values, and ids used before the crash
    assert ears.wait_for(16)
    assert store(ears.arrivals[8:16]) == 8


_TAKER = Path(__file__).with_name("taker.py")


def test_killed_around_its_commits_a_daemon_stores_each_message_once(
    make_broker, make_ears, make_publisher, tmp_path, child_environment
):
    """Real broker, real SQLite, SIGKILL before the commit, between commit and acknowledgement, and after it."""
    broker = make_broker()
    make_ears(broker.port, "barn/+").start().session.stop()  # so that the broker keeps a session
    file = tmp_path / "taken.sqlite"
    publisher = make_publisher(broker)
    count = 0
    for moment in ("before", "between", "after", "between", "before", "between", "never"):
        if moment != "never":
            publisher.send("barn/probe", b"21.5", b"21.5", b"%d" % count)
            count += 3
        words = [sys.executable, str(_TAKER), str(broker.port), str(file), moment]
        run = subprocess.run(words, timeout=30, capture_output=True, text=True, env=child_environment)
        assert run.returncode == (0 if moment == "never" else -9), run.stderr
    with contextlib.closing(sqlite3.connect(file)) as store:
        rows = [payload for (payload,) in store.execute("select payload from taken")]
    assert len(rows) == count
    assert sorted(rows) == sorted([b"21.5"] * (2 * count // 3) + [b"%d" % n for n in range(0, count, 3)])
