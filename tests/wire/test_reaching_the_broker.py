"""Other brokers, passwords, certificates, and things at the port that are no broker."""

from __future__ import annotations

import asyncio
import gc
import logging
import socket
import subprocess
import threading
import warnings

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.connections import Broker, Secret
from monitor.wire.reasons import in_words, refusal
from monitor.wire.session import LONGEST_PAUSE_S, pause_s

# ------------------------------------------------------------ an older MQTT


@pytest.fixture
def old_broker(unused_port):
    """The embedded broker from PyPI, which speaks MQTT 3.1.1 and refuses 5."""
    from amqtt.broker import Broker as EmbeddedBroker

    for name in ("amqtt", "transitions"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    settings = {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{unused_port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }
    up, end = threading.Event(), threading.Event()

    async def serve():
        broker = EmbeddedBroker(settings)
        await broker.start()
        up.set()
        while not end.is_set():
            await asyncio.sleep(0.02)
        await broker.shutdown()

    thread = threading.Thread(target=lambda: asyncio.run(serve()))
    thread.start()
    assert up.wait(15)
    yield unused_port
    end.set()
    thread.join(15)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        gc.collect()  # it leaves refused connections unclosed; not in the middle of another test, then


def test_a_broker_that_refuses_mqtt_5_is_spoken_to_in_3_1_1(old_broker, make_ears, wait_until):
    """This one trips over a real MQTT 5 connection and says nothing; asked barely it refuses. The rest works in 3.1.1."""
    ears = make_ears(old_broker, "barn/+").start()
    assert ears.session.protocol == "3.1.1"
    assert ears.session.window == 20
    assert ears.session.counts.failures == 0
    assert ears.session.publish("barn/probe", b"21.5", qos=1)
    assert ears.wait_for(1)
    assert ears.payloads == [b"21.5"]
    assert ears.session.acknowledge(ears.deliveries) == 1
    assert [up for up, _ in ears.links] == [True]


class Impostor:
    """Something at a port that is no broker: does `script` with each connection, and keeps its first bytes."""

    def __init__(self, script):
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = self._socket.getsockname()[1]
        self.first_bytes = []
        self._script = script
        self._kept = []
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self):
        while True:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                return
            connection.settimeout(5)
            self.first_bytes.append(connection.recv(4096))
            if self._script(connection):
                self._kept.append(connection)
            else:
                connection.close()

    def close(self):
        for connection in [*self._kept, self._socket]:
            connection.close()


@pytest.fixture
def impostor():
    made = []

    def make(script):
        made.append(Impostor(script))
        return made[-1]

    yield make
    for each in made:
        each.close()


def version_of(connect_packet):
    """The protocol level in a CONNECT packet: the byte after the name "MQTT" (MQTT 5.0 section 3.1.2.2)."""
    return connect_packet[connect_packet.index(b"MQTT") + 4]


def test_a_broker_that_closes_without_a_word_is_offered_the_older_mqtt(impostor, make_ears, wait_until):
    """Some old brokers answer MQTT 5 so, and brokers just starting: it is tried, asked, tried again, then 3.1.1."""
    silent = impostor(lambda connection: False)
    ears = make_ears(silent.port, "barn/+")
    ears.session.start()
    assert wait_until(lambda: len(silent.first_bytes) >= 4)
    assert [version_of(packet) for packet in silent.first_bytes[:4]] == [5, 5, 5, 4]
    assert ears.links == [(False, "the broker closed the connection")]


@pytest.mark.parametrize(
    "rubbish",
    [
        b"HTTP/1.1 400 Bad Request\r\n\r\n",
        b"\x20\x7f" + b"\xff" * 127,
        b"\x20\x03\x00\x00\x00\x32\x02\x00\x09",
        b"\x00" * 64,
        b"\xff",
    ],
)
def test_what_is_no_mqtt_ends_only_the_connection(impostor, make_ears, wait_until, rubbish, caplog):
    """Malformed packets, before and after acceptance; the session tries again and can be stopped."""
    fake = impostor(lambda connection: connection.sendall(rubbish))
    ears = make_ears(fake.port, "barn/+")
    ears.session.start()
    assert wait_until(lambda: len(fake.first_bytes) >= 2)
    assert ears.session.is_turning()
    assert caplog.text.count("Traceback") <= 1  # however often it is tried: logs wear the card
    ears.session.stop()
    assert not ears.session.is_turning()


def test_a_connection_that_says_nothing_is_given_up(impostor, make_ears, wait_until, monkeypatch):
    """A port that accepts and is silent for ever must not hold the session for ever."""
    for within in ("ACCEPT_WITHIN_S", "ANSWER_WITHIN_S"):
        monkeypatch.setattr(f"monitor.wire.connection.{within}", 0.2)
    ears = make_ears(impostor(lambda connection: True).port, "barn/+")
    ears.session.start()
    assert wait_until(lambda: ears.links)
    assert ears.links == [(False, "the broker took the connection and then said nothing")]


# ---------------------------------------------------------------- passwords


@pytest.fixture
def guarded_broker(make_broker, tmp_path):
    passwords = tmp_path / "passwords"
    passwords.touch(mode=0o600)
    subprocess.run(["mosquitto_passwd", "-b", str(passwords), "barn", "right-horse"], check=True, capture_output=True)
    return make_broker(password_file=passwords)


def test_the_right_password_lets_us_in(guarded_broker, make_ears):
    """Name and password of the settings."""
    assert make_ears(guarded_broker.port, "barn/+", username="barn", password=Secret("right-horse")).start().session.connected


def test_a_wrong_password_is_said_without_showing_it(guarded_broker, make_ears, wait_until, caplog):
    """In the reason, what to check; in no log, reason or representation, the password."""
    caplog.set_level("DEBUG")
    ears = make_ears(guarded_broker.port, "barn/+", username="barn", password=Secret("wrong-horse"))
    ears.session.start()
    assert wait_until(lambda: ears.session.counts.failures >= 2)
    assert ears.links == [(False, "the broker says: not authorized (check username and password_file under [broker])")]
    everything = caplog.text + ears.session.last_error + repr(ears.links) + repr(vars(ears.session))
    assert "wrong-horse" not in everything
    assert not ears.session.connected


# ------------------------------------------------------------- certificates


@pytest.fixture(scope="module")
def certificates(tmp_path_factory):
    """An authority of our own, a broker's certificate for localhost, a client's, and a stranger's authority."""
    folder = tmp_path_factory.mktemp("certificates")

    def openssl(*words):
        subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)

    for authority in ("ca", "stranger"):
        openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={authority}",
                "-keyout", f"{authority}.key", "-out", f"{authority}.pem")  # fmt: skip
    for name, host in (("broker", "IP:127.0.0.1"), ("client", "DNS:client"), ("elsewhere", "DNS:elsewhere")):
        (folder / "names").write_text(f"subjectAltName={host}\n")
        openssl("req", "-newkey", "rsa:2048", "-nodes", "-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.csr")
        openssl("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2",
                "-extfile", "names", "-out", f"{name}.pem")  # fmt: skip
    return folder


@pytest.fixture
def tls_broker(make_broker, certificates):
    def make(*more, certificate="broker"):
        files = {"cafile": "ca.pem", "certfile": f"{certificate}.pem", "keyfile": f"{certificate}.key"}
        keys = [f"{key} {certificates}/{file}" for key, file in files.items()]
        return make_broker(listener_lines=(*keys, *more))

    return make


def test_a_broker_with_a_certificate_of_our_authority_is_trusted(tls_broker, certificates, make_ears):
    """TLS with the authority the keeper named; messages go both ways."""
    ears = make_ears(tls_broker().port, "barn/+", tls=True, ca_file=f"{certificates}/ca.pem").start()
    assert ears.session.publish("barn/probe", b"21.5", qos=1)
    assert ears.wait_for(1)


# The client library leaves the socket of a failed handshake to the garbage collector, which says so.
@pytest.mark.filterwarnings("ignore:.*SSLSocket:pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        (
            {"ca_file": "stranger.pem"},
            "is not trusted: ",
        ),
        ({"ca_file": None}, "is not trusted: "),
        ({"ca_file": "missing.pem"}, "missing.pem No such file"),
    ],
)
def test_a_certificate_that_cannot_be_checked_is_refused_in_words(
    tls_broker, certificates, make_ears, wait_until, changes, reason
):
    """A stranger's authority, none of ours, a file that is not there."""
    paths = {key: value and f"{certificates}/{value}" for key, value in changes.items()}
    ears = make_ears(tls_broker().port, "barn/+", tls=True, **paths)
    ears.session.start()
    assert wait_until(lambda: ears.links)
    assert ears.links[0][0] is False
    assert reason in ears.links[0][1]


@pytest.mark.filterwarnings("ignore:.*SSLSocket:pytest.PytestUnraisableExceptionWarning")
def test_a_certificate_for_another_host_is_refused(tls_broker, certificates, make_ears, wait_until):
    """The broker's authority is ours, but its certificate names another house."""
    ears = make_ears(tls_broker(certificate="elsewhere").port, "barn/+", tls=True, ca_file=f"{certificates}/ca.pem")
    ears.session.start()
    assert wait_until(lambda: ears.links)
    assert ears.links[0][0] is False
    assert "is not trusted: IP address mismatch" in ears.links[0][1]


def test_a_broker_may_ask_for_our_certificate(tls_broker, certificates, make_ears, wait_until):
    """With it we are let in; without it the reason speaks of the secure connection."""
    broker = tls_broker("require_certificate true")
    key = {"certificate_file": f"{certificates}/client.pem", "key_file": f"{certificates}/client.key"}
    assert make_ears(broker.port, tls=True, ca_file=f"{certificates}/ca.pem", **key).start().session.connected
    bare = make_ears(broker.port, client_id="bare", tls=True, ca_file=f"{certificates}/ca.pem")
    bare.session.start()
    assert wait_until(lambda: bare.links)
    assert bare.links[0][0] is False


# -------------------------------------------------------------- in one's head


@given(st.integers(min_value=0, max_value=10**9), st.floats(min_value=0.0, max_value=1.0))
def test_pauses_grow_to_a_minute_and_no_further(attempts, chance):
    """Between half a second and a minute, never shorter after more failures."""
    assert 0.5 <= pause_s(attempts, chance) <= LONGEST_PAUSE_S
    assert pause_s(attempts + 1, chance) >= pause_s(attempts, chance)
    assert pause_s(50, 1.0) == LONGEST_PAUSE_S


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (ConnectionRefusedError(111, "refused"), "no broker answers at mill:1883"),
        (TimeoutError(), "mill:1883 does not answer in time"),
        (socket.gaierror(-2, "unknown"), "the name mill is not known to the network"),
        (OSError(113, "No route to host"), "cannot reach mill:1883: No route to host"),
        (PermissionError(13, "Permission denied", "/etc/key"), "cannot reach mill:1883: /etc/key Permission denied"),
        (RuntimeError("with a secret"), "the connection to mill:1883 failed: RuntimeError"),
    ],
)
def test_each_failure_is_told_in_words(error, words):
    """What a keeper can act on, and nothing of an unknown error's text."""
    assert in_words(error, Broker(host="mill")) == words


def test_a_brokers_reason_comes_with_what_to_do():
    """Where there is something to do."""
    assert refusal("Server busy") == "the broker says: server busy"
    assert refusal("Client identifier not valid").endswith("(choose another client_id under [broker])")
