"""The session against a real broker: what comes in, what goes out, and what an outage does."""

from __future__ import annotations

import subprocess
import sys
import textwrap
import threading
import time

import pytest
from paho.mqtt.client import Client

ALIVE = "warmstraw/mill-rise/alive"


@pytest.fixture
def broker(make_broker):
    return make_broker()


# ---------------------------------------------------------------- messages


def test_a_message_comes_in_with_what_its_acknowledgement_needs(broker, make_ears, make_publisher):
    """Topic, payload, no mark of age or repetition, and a delivery of the first connection."""
    ears = make_ears(broker.port, "barn/+").start()
    make_publisher(broker).send("barn/probe", b"21.5")
    assert ears.wait_for(1)
    [arrival] = ears.arrivals
    assert (arrival.topic, arrival.payload) == ("barn/probe", b"21.5")
    assert (arrival.retained, arrival.duplicate, arrival.waited) == (False, False, False)
    assert (arrival.delivery.connection, arrival.delivery.qos, len(arrival.delivery.digest)) == (1, 1, 16)
    assert ears.session.protocol == "5"


def test_a_message_of_qos_0_wants_no_acknowledgement(broker, make_ears, make_publisher):
    """Nothing is owed for it."""
    ears = make_ears(broker.port, "barn/+").start()
    make_publisher(broker).send("barn/probe", b"1", qos=0)
    assert ears.wait_for(1)
    assert ears.arrivals[0].delivery is None
    assert ears.session.owed == 0


def test_the_brokers_memory_comes_marked_as_such(broker, make_ears, make_publisher, wait_until):
    """A retained message of unknown age is never mistaken for a fresh one, at the first connection or a later one."""
    publisher = make_publisher(broker)
    publisher.send("barn/probe", b"old", retain=True)
    ears = make_ears(broker.port, "barn/+").start()
    assert ears.wait_for(1)
    publisher.send("barn/probe", b"new", retain=True)
    assert ears.wait_for(2)
    assert [(a.payload, a.retained) for a in ears.arrivals] == [(b"old", True), (b"new", False)]


def test_the_broker_sends_no_more_than_the_window_until_acknowledged(broker, make_ears, make_publisher):
    """Delivery stops at the receive maximum and goes on, in order, after an acknowledgement."""
    ears = make_ears(broker.port, "barn/+", receive_maximum=5).start()
    make_publisher(broker).send("barn/probe", *[b"%d" % n for n in range(12)])
    assert ears.wait_for(5)
    time.sleep(0.2)  # nothing to wait for: the claim is that no more come
    assert len(ears.arrivals) == 5
    assert (ears.session.owed, ears.session.window) == (5, 5)
    assert ears.session.acknowledge(ears.deliveries[:3]) == 3
    assert ears.wait_for(8)
    # mosquitto 2.0.11 then sends more than its share: the daemon must not count on the bound
    assert ears.payloads[:8] == [b"%d" % n for n in range(8)]


def test_filters_that_overlap_bring_each_message_once(broker, make_ears, make_publisher, wait_until):
    """mosquitto sends one copy a filter under MQTT 5; a reading must not be stored three times."""
    ears = make_ears(broker.port, "barn/#", "barn/probe", "barn/+").start()
    publisher = make_publisher(broker)
    publisher.send("barn/probe", b"1", b"2")
    publisher.send("barn/deep/er", b"3")
    assert wait_until(lambda: ears.session.counts.received + ears.session.counts.strangers == 7)
    assert sorted(ears.payloads) == [b"1", b"2", b"3"]
    ears.session.acknowledge(ears.deliveries)
    assert ears.session.owed == 0  # the copies have been acknowledged too, and fill no window


def test_a_topic_of_former_settings_is_passed_over(broker, make_ears, make_publisher, wait_until):
    """The broker keeps old subscriptions with the session; what they bring is acknowledged and dropped."""
    make_ears(broker.port, "barn/old").start().session.stop()
    ears = make_ears(broker.port, "barn/new").start()
    publisher = make_publisher(broker)
    publisher.send("barn/old", b"1")
    publisher.send("barn/new", b"2")
    assert ears.wait_for(1)
    assert ears.payloads == [b"2"]
    assert ears.session.counts.strangers == 1
    ears.session.acknowledge(ears.deliveries)
    assert ears.session.owed == 0


def test_we_do_not_hear_ourselves(broker, make_ears, make_publisher, wait_until):
    """A sensor's filter may cover the alive topic."""
    ears = make_ears(broker.port, "warmstraw/#").start()
    make_publisher(broker).send("warmstraw/probe", b"1")
    assert ears.wait_for(1)
    assert [(a.topic, a.payload) for a in ears.arrivals] == [("warmstraw/probe", b"1")]


def test_an_error_in_the_daemon_does_not_end_the_session(broker, make_ears, make_publisher, wait_until, caplog):
    """An exception that escaped the callback would kill the library's thread while it calls itself connected."""
    taken = []

    def trip(arrival):
        if arrival.payload == b"bad":
            raise KeyError("a bug")
        taken.append(arrival.payload)

    ears = make_ears(broker.port, "barn/+", receive_maximum=2, on_arrival=trip).start()
    make_publisher(broker).send("barn/probe", *[b"bad"] * 5, b"good")
    assert wait_until(lambda: taken == [b"good"]), "bad ones must not fill the window either"
    assert ears.session.counts.mishaps == 5
    assert "a bug" in caplog.text


def test_a_hanging_daemon_is_noticed(broker, make_ears, make_publisher, wait_until):
    """The watchdog can tell a thread that goes round from one that is stuck."""
    release = threading.Event()
    ears = make_ears(broker.port, "barn/+", on_arrival=lambda _: release.wait(20.0)).start()
    assert ears.session.is_turning(within_s=5.0)
    make_publisher(broker).send("barn/probe", b"1")
    try:
        assert wait_until(lambda: not ears.session.is_turning(within_s=1.2))
    finally:
        release.set()
    assert wait_until(lambda: ears.session.is_turning(within_s=5.0))


def test_what_is_published_arrives(broker, make_ears, make_publisher, wait_until):
    """Bytes and text, both qualities of service, retained or not."""
    publisher = make_publisher(broker, "out/#")
    session = make_ears(broker.port).start().session
    assert session.publish("out/fan", b"ON")
    assert session.publish("out/state", "läuft", qos=1, retain=True)
    assert wait_until(lambda: len(publisher.heard) == 2)
    assert {(topic, payload) for topic, payload, _ in publisher.heard} == {("out/fan", b"ON"), ("out/state", "läuft".encode())}


def test_a_command_does_not_wait_for_the_packet_before_it(broker, make_ears, make_publisher, wait_until):
    """Answer and acknowledgement are two small packets; held back by Nagle's algorithm the second costs 40 ms."""

    def answer(arrival):
        ears.session.acknowledge([arrival.delivery])
        ears.session.publish("out/fan", b"ON")

    ears = make_ears(broker.port, "barn/+", on_arrival=answer)
    ears.start()
    sensor = make_publisher(broker, "out/#")
    took = []
    for n in range(15):
        begun = time.perf_counter()
        sensor.send("barn/probe", b"%d" % n)
        assert wait_until(lambda n=n: len(sensor.heard) == n + 1)
        took.append(time.perf_counter() - begun)
    assert sorted(took)[7] < 0.030, took


def test_a_topic_nobody_can_publish_to_is_refused_and_said(broker, make_ears):
    """A wildcard in a command topic does not raise into the engine's caller."""
    session = make_ears(broker.port).start().session
    assert session.publish("fan/#", b"ON") is False
    assert "fan/#" in session.last_error
    assert session.connected


# ------------------------------------------------------------------ outage


def test_a_publish_while_offline_is_refused_and_never_sent_later(make_broker, make_ears, make_publisher, wait_until):
    """A fan command that arrives minutes late is worse than none."""
    broker = make_broker()
    ears = make_ears(broker.port, "barn/+")
    assert ears.session.publish("out/fan", b"before", qos=1) is False
    ears.start()
    broker.kill()
    assert wait_until(lambda: not ears.session.connected)
    assert ears.session.publish("out/fan", b"offline", qos=1) is False
    broker.start()
    publisher = make_publisher(broker, "out/#")
    assert wait_until(lambda: ears.session.connected)
    assert ears.session.publish("out/fan", b"online", qos=1) is True
    assert wait_until(lambda: publisher.heard)
    assert [payload for _, payload, _ in publisher.heard] == [b"online"]
    assert ears.session.counts.publish_refused == 2


def test_each_change_of_the_link_is_told_once(make_broker, make_ears, wait_until, caplog):
    """Up, down with the reason, up again; however many attempts fail in between."""
    caplog.set_level("INFO")
    broker = make_broker()
    ears = make_ears(broker.port, "barn/+").start()
    broker.kill()
    assert wait_until(lambda: ears.session.counts.failures >= 3)
    broker.start()
    assert wait_until(lambda: ears.session.connected and ears.links[-1][0])
    assert ears.links[0][0]
    reasons = [why for up, why in ears.links if not up]
    assert f"no broker answers at 127.0.0.1:{broker.port}" in reasons
    assert len(reasons) == len(set(reasons)) <= 2
    assert sum("not connected" in record.message for record in caplog.records) == len(reasons)
    assert ears.sessions == [False, False]
    assert ears.session.connection == 2


def test_a_broker_that_freezes_is_noticed_and_left(make_broker, make_ears, make_publisher, wait_until):
    """Its sockets stay open and silent: only the keep-alive tells. After the thaw all goes on."""
    broker = make_broker()
    ears = make_ears(broker.port, "barn/+", keepalive_s=1).start()
    broker.freeze()
    assert wait_until(lambda: not ears.links[-1][0])
    assert ears.links[-1] == (False, "the broker has stopped answering")
    assert ears.session.publish("out/fan", b"ON") is False
    broker.thaw()
    assert wait_until(lambda: ears.session.subscribed)
    publisher = make_publisher(broker, ALIVE)
    publisher.send("barn/probe", b"21")
    assert ears.wait_for(1)
    assert wait_until(lambda: publisher.last(ALIVE) == b"here")


def test_what_was_not_acknowledged_comes_again_in_order_and_marked(make_broker, make_ears, make_publisher, wait_until):
    """The promise the store relies on. An acknowledgement of the former connection's ids does nothing."""
    broker = make_broker(persistence=True)
    ears = make_ears(broker.port, "barn/+").start()
    publisher = make_publisher(broker, "out/#")
    publisher.send("barn/probe", *[b"%d" % n for n in range(6)])
    assert ears.wait_for(6)
    assert ears.session.acknowledge(ears.deliveries[:2]) == 2
    assert ears.session.publish("out/after", b"", qos=1)
    assert wait_until(lambda: publisher.heard)  # so the broker has read the acknowledgements, which went before
    publisher.close()
    broker.stop()
    assert wait_until(lambda: not ears.session.connected)
    former = list(ears.deliveries)
    ears.arrivals.clear()
    broker.start()
    assert ears.wait_for(4)
    assert ears.payloads == [b"2", b"3", b"4", b"5"]
    assert all(arrival.duplicate and arrival.waited for arrival in ears.arrivals)
    assert [d.packet_id for d in ears.deliveries] == [d.packet_id for d in former[2:]]
    assert ears.session.acknowledge(former) == 0
    assert ears.session.owed >= 4
    assert ears.session.acknowledge(ears.deliveries) == 4
    assert wait_until(lambda: ears.session.owed == 0)
    assert ears.sessions == [False, True]


def test_what_waited_at_the_broker_is_told_from_what_is_fresh(make_broker, make_ears, make_publisher, wait_until):
    """More than a window of them: the mark comes back after the last, and not before."""
    broker = make_broker()
    make_ears(broker.port, "barn/+", receive_maximum=4).start().session.stop()
    publisher = make_publisher(broker)
    publisher.send("barn/probe", *[b"held"] * 10)
    ears = make_ears(broker.port, "barn/+", receive_maximum=4).start()
    done = 0
    while done < 10:
        assert ears.wait_for(done + 1)
        done += ears.session.acknowledge(ears.deliveries[done:])
    assert wait_until(lambda: ears.session.owed == 0)
    publisher.send("barn/probe", b"fresh")
    assert ears.wait_for(11)
    assert [(a.payload, a.waited) for a in ears.arrivals] == [(b"held", True)] * 10 + [(b"fresh", False)]


_CHILD = """
    import sys, time
    from monitor.engine.connections import Broker
    from monitor.wire.session import Session

    def arrived(arrival):
        print(arrival.payload.decode(), flush=True)

    def link(up, why):
        print("up" if up else why, flush=True)

    broker = Broker(port=int(sys.argv[1]), client_id="barn")
    Session(broker, [("barn/+", 1)], "warmstraw/mill-rise/alive", arrived, link).start()
    time.sleep(60)
"""


def test_a_killed_daemon_leaves_its_last_will_and_loses_nothing(
    make_broker, make_ears, make_publisher, wait_until, child_environment
):
    """SIGKILL in the middle: the relay learns that nobody is there, and the next run gets every message again."""
    broker = make_broker()
    watcher = make_publisher(broker, ALIVE)
    child = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(_CHILD), str(broker.port)],
        stdout=subprocess.PIPE,
        text=True,
        env=child_environment,
    )
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "up\n"
        assert wait_until(lambda: watcher.last(ALIVE) == b"here")
        watcher.send("barn/probe", b"1", b"2")
        assert [child.stdout.readline() for _ in range(2)] == ["1\n", "2\n"]
    finally:
        child.kill()
        child.communicate()
    assert wait_until(lambda: watcher.last(ALIVE) == b"gone")
    watcher.send("barn/probe", b"3")
    ears = make_ears(broker.port, "barn/+").start()
    assert ears.wait_for(3)
    assert [(a.payload, a.duplicate) for a in ears.arrivals] == [(b"1", True), (b"2", True), (b"3", False)]
    assert wait_until(lambda: watcher.last(ALIVE) == b"here")


def test_the_alive_topic_says_here_then_gone(broker, make_ears, make_publisher, wait_until):
    """Both retained, so that a relay which starts later learns it too; a goodbye in good order counts as gone."""
    ears = make_ears(broker.port).start()
    early = make_publisher(broker, ALIVE)
    assert wait_until(lambda: early.heard)
    assert early.heard[0][:2] == (ALIVE, b"here")
    ears.session.stop()
    assert wait_until(lambda: early.last(ALIVE) == b"gone")
    late = make_publisher(broker, ALIVE)
    assert wait_until(lambda: late.heard == [(ALIVE, b"gone", True)])


def test_a_gone_that_is_not_true_is_put_right(broker, make_ears, make_publisher, wait_until):
    """The will of a former connection may come late; a relay that believed it would leave the fan to its own timer."""
    make_ears(broker.port, "barn/+").start()
    other = make_publisher(broker, ALIVE)
    assert wait_until(lambda: other.last(ALIVE) == b"here")
    other.send(ALIVE, b"gone", retain=True)
    assert wait_until(lambda: [payload for _, payload, _ in other.heard[-2:]] == [b"gone", b"here"])
    late = make_publisher(broker, ALIVE)
    assert wait_until(lambda: late.heard == [(ALIVE, b"here", True)])


def test_its_own_goodbye_is_not_put_right_however_soon_its_echo_comes(broker, make_ears, make_publisher, wait_until, monkeypatch):
    """A stopped daemon that left "here" behind would keep every relay from going its own safe way."""
    late = make_publisher(broker, ALIVE)
    ears = make_ears(broker.port, "barn/+").start()
    assert wait_until(lambda: late.last(ALIVE) == b"here")
    publish = Client.publish

    def slow(client, topic, payload=None, *more, **options):
        done = publish(client, topic, payload, *more, **options)
        if payload == b"gone":
            assert wait_until(lambda: late.last(ALIVE) == b"gone")
            wait_until(lambda: late.last(ALIVE) == b"here", 0.3)  # time for the echo to be answered wrongly
        return done

    monkeypatch.setattr(Client, "publish", slow)
    ears.session.stop()
    assert [payload for _, payload, _ in late.heard] == [b"here", b"gone"]


def test_stopping_sends_what_is_queued_and_keeps_the_session(broker, make_ears, make_publisher, wait_until):
    """The acknowledgements and the last fan command given just before still go out."""
    listener = make_publisher(broker, "out/#")
    ears = make_ears(broker.port, "barn/+").start()
    listener.send("barn/probe", b"1")
    assert ears.wait_for(1)
    ears.session.acknowledge(ears.deliveries)
    assert ears.session.publish("out/fan", b"OFF", qos=1)
    ears.session.stop()
    assert wait_until(lambda: listener.last("out/fan") == b"OFF")
    assert ears.links[-1][0] is True  # stopping is no outage
    listener.send("barn/probe", b"2")
    again = make_ears(broker.port, "barn/+").start()
    assert again.wait_for(1)
    assert again.payloads == [b"2"]


def test_stopping_ends_in_time_whatever_the_broker_does(make_broker, make_ears, unused_port):
    """Never connected, or frozen in the middle: the board must be able to shut down."""
    broker = make_broker()
    nowhere = make_ears(unused_port, "barn/+")
    nowhere.session.start()
    frozen = make_ears(broker.port, "barn/+").start()
    broker.freeze()
    for ears in (nowhere, frozen):
        begun = time.monotonic()
        ears.session.stop()
        assert time.monotonic() - begun < 6.0
        assert not ears.session.is_turning()


def test_two_daemons_under_one_client_id_say_so(broker, make_ears, wait_until):
    """Each would throw the other out for ever; the reason is told in words."""
    first = make_ears(broker.port, "barn/+").start()
    second = make_ears(broker.port, "barn/+").start()
    assert wait_until(lambda: any("same client_id" in why for up, why in first.links + second.links))
