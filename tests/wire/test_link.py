"""Acknowledgements leave in the order in which the messages came, whoever gives them."""

from __future__ import annotations

import random
import threading

from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.connections import Delivery
from monitor.wire.link import Link
from monitor.wire.subscriptions import Subscriptions, identifier


def delivery(packet_id, connection=1):
    return Delivery(connection, packet_id, 1, b"")


@given(st.lists(st.booleans(), max_size=30), st.randoms(use_true_random=False))
def test_our_own_acknowledgements_wait_for_those_before_them(is_ours, dice):
    """MQTT 5.0 section 4.6: in order, though we settle ours at once and the daemon acknowledges later, in batches."""
    sent = []
    link = Link(1, lambda packet_id, _qos: sent.append(packet_id), None)
    waiting = []
    for packet_id, ours in enumerate(is_ours, start=1):
        link.came()
        if ours:
            link.settle(delivery(packet_id))
        else:
            waiting.append(delivery(packet_id))
        if dice.random() < 0.3:
            for each in waiting:
                assert link.acknowledge(each)
            waiting = []
    for each in waiting:
        link.acknowledge(each)
    assert sent == list(range(1, len(is_ours) + 1))
    assert link.owed == 0


def test_an_id_of_another_connection_acknowledges_nothing():
    """Ids begin anew with each connection: the wrong message would be lost."""
    sent = []
    link = Link(2, lambda packet_id, _qos: sent.append(packet_id), None)
    link.came()
    assert not link.acknowledge(delivery(1, connection=1))
    assert sent == []
    assert link.owed == 1
    assert link.acknowledge(delivery(1, connection=2))
    assert sent == [1]


def test_two_threads_lose_no_acknowledgement():
    """The network thread settles while the writer acknowledges."""
    sent = []
    link = Link(1, lambda packet_id, _qos: sent.append(packet_id), None)
    came = list(range(1, 2001))
    dice = random.Random(1)
    ours = set(dice.sample(came, 1000))
    handed = threading.Semaphore(0)
    theirs = []

    def write():
        for _ in range(1000):
            handed.acquire()
            link.acknowledge(theirs.pop(0))

    writer = threading.Thread(target=write)
    writer.start()
    for packet_id in came:
        link.came()
        if packet_id in ours:
            link.settle(delivery(packet_id))
        else:
            theirs.append(delivery(packet_id))
            handed.release()
    writer.join(10)
    assert sent == came


def test_only_our_own_mark_ends_the_catching_up():
    """The mark of an earlier, broken connection may still be waiting at the broker."""
    link = Link(1, lambda *_: None, b"mine")
    assert link.is_catching_up
    assert not link.caught_up(b"theirs")
    assert link.is_catching_up
    assert link.caught_up(b"mine")
    assert not link.is_catching_up
    assert not Link(1, lambda *_: None, None).is_catching_up


def test_one_copy_of_a_message_counts_the_one_of_its_first_filter():
    """Whatever order the copies come in, and if one copy carries all the identifiers."""
    ours = Subscriptions([("barn/#", 1), ("barn/a", 1)])
    first, second = identifier("barn/#"), identifier("barn/a")
    assert [ours.is_ours("barn/a", [number], waited=False) for number in (second, first)] == [False, True]
    assert ours.is_ours("barn/a", [second, first], waited=False)
    assert ours.is_ours("barn/a", [], waited=False)  # MQTT 3.1.1
    assert not ours.is_ours("yard/a", [first], waited=False)


def test_what_only_a_former_subscription_brought_counts_if_it_waited():
    """The keeper changed a filter while the daemon was down: what was published meanwhile is not lost."""
    ours = Subscriptions([("barn/a", 1)])
    former = identifier("barn/#")
    assert ours.is_ours("barn/a", [former], waited=True)
    assert not ours.is_ours("barn/a", [former], waited=False)
    assert not ours.is_ours("barn/b", [former], waited=True)


@given(st.text())
def test_identifiers_are_valid_and_steady(pattern):
    """MQTT 5.0 section 3.8.2.1.2: from 1 to 268,435,455."""
    assert 1 <= identifier(pattern) <= 268_435_455
    assert identifier(pattern) == identifier(pattern)
