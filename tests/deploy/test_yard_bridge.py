"""Two real brokers with the settings of deploy/mosquitto: a board that tells, and the yard's that carries it, over TLS."""

from __future__ import annotations

import json
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.api.yard import yard_status
from monitor.wire.other_sites import OtherSites
from monitor.wire.own_topics import OF_THE_YARD

Make = Callable[..., Any]
SITE = "Mill Rise"
ANSWER = json.dumps({"site": SITE, "pens": [{"pen": "brooder", "answer": "Warm and dry.", "verdict": "good"}], "alarms": []})


def certificates(folder: Path) -> None:
    """An authority, and a broker's certificate for localhost signed by it."""

    def openssl(*words: str) -> None:
        subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)

    new = ["req", "-newkey", "rsa:2048", "-nodes"]
    openssl(*new, "-x509", "-keyout", "ca.key", "-out", "yard-ca.pem", "-days", "2", "-subj", "/CN=yard")
    openssl(*new, "-keyout", "broker.key", "-out", "broker.csr", "-subj", "/CN=localhost")
    (folder / "names").write_text("subjectAltName=DNS:localhost")
    openssl("x509", "-req", "-in", "broker.csr", "-CA", "yard-ca.pem", "-CAkey", "ca.key", "-out", "broker.pem", "-days", "2",
            "-extfile", "names")  # fmt: skip


@pytest.fixture
def yard(make_barn: Make) -> Any:
    """The central broker, with an account for Mill Rise, one for Low Field, and a reader."""
    central = make_barn("central")
    certificates(central.folder)
    central.keys = {
        "millrise": central.password("site", "millrise", SITE),
        "lowfield": central.password("site", "lowfield", "Low Field"),
        "office": central.password("yard", "office"),
    }
    central.put("central.conf")
    central.put("tls.conf")
    return central.start()


@pytest.fixture
def board(make_barn: Make, yard: Any) -> Any:
    """Mill Rise's own broker, bridged."""
    board = make_barn("board")
    board.key = board.password("daemon")
    board.put("warmstraw.conf")
    words = {"CENTRAL:8883": f"localhost:{yard.tls_port}", "ACCOUNT": "millrise", "PASSWORD": yard.keys["millrise"], "SITE": SITE}
    words["restart_timeout 5 300"] = "restart_timeout 1"  # a test does not wait five minutes
    board.put("bridge.conf", **words)
    (board.folder / "yard-ca.pem").write_bytes((yard.folder / "yard-ca.pem").read_bytes())
    return board.start()


def test_what_a_site_says_reaches_the_yard_and_nothing_else_does(board: Any, yard: Any, connect: Make, wait_until: Make) -> None:
    """Answer, alive, fan and alarm go out and are kept there; a reading, a command and the mark stay in the barn."""
    office = connect(yard.port, "office", yard.keys["office"])
    office.listen("warmstraw/#", "#")
    daemon = connect(board.port, "warmstraw", board.key)
    quiet = [f"warmstraw/{SITE}/alive/mark", f"warmstraw/{SITE}/other"]
    for topic in quiet:
        assert daemon.may_publish(topic, "x")
    said = {
        f"warmstraw/{SITE}/answer": ANSWER,
        f"warmstraw/{SITE}/brooder/fan": '{"state": "running"}',
        f"warmstraw/{SITE}/brooder/alarm": '{"state": "unacknowledged"}',
        f"warmstraw/{SITE}/alive": "here",
    }
    for topic, payload in said.items():
        assert daemon.may_publish(topic, payload, retain=True)
    assert wait_until(lambda: all(office.last(topic) == payload.encode() for topic, payload in said.items()))
    assert {topic for topic, _, _ in office.heard} == {*said, f"warmstraw/{SITE}/line"}
    late = connect(yard.port, "office", yard.keys["office"])
    late.listen("warmstraw/#")
    assert wait_until(lambda: {topic for topic, _, retained in late.heard if retained} >= set(said))


def test_the_yard_page_reads_what_the_bridge_brings(board: Any, yard: Any, connect: Make, wait_until: Make) -> None:
    """The same reader as behind /yard, on what really came through both brokers."""
    office = connect(yard.port, "office", yard.keys["office"])
    office.listen("warmstraw/+/answer", "warmstraw/+/alive")
    daemon = connect(board.port, "warmstraw", board.key)
    daemon.may_publish(f"warmstraw/{SITE}/answer", ANSWER, retain=True)
    daemon.may_publish(f"warmstraw/{SITE}/alive", "here", retain=True)
    # a bridge that connects just then brings a retained message twice
    assert wait_until(lambda: len({topic for topic, _, _ in office.heard}) == 2)
    sites = OtherSites()
    for topic, payload, retained in office.heard:
        sites.hear(topic, payload, retained, at=1.0)
    (said,) = sites.sites()
    assert (said.site, said.alive, said.pens[0].answer) == (SITE, True, "Warm and dry.")


def test_nothing_said_at_the_yard_reaches_a_barn(board: Any, yard: Any, connect: Make, wait_until: Make) -> None:
    """Whoever has the central broker in hand, even as the board's own account, switches no fan and fakes no reading."""
    daemon = connect(board.port, "warmstraw", board.key)
    daemon.listen("#")
    intruder = connect(yard.port, "millrise", yard.keys["millrise"])
    assert not intruder.may_publish("millrise/brooder/fan/set", "ON")
    assert intruder.may_publish(f"warmstraw/{SITE}/alive", "gone", retain=True)
    daemon.may_publish(f"warmstraw/{SITE}/answer", ANSWER)
    assert wait_until(lambda: daemon.last(f"warmstraw/{SITE}/answer") is not None)
    assert [payload for topic, payload, _ in daemon.heard if topic != f"warmstraw/{SITE}/line"] == [ANSWER.encode()]


def test_a_board_speaks_for_its_own_site_only(yard: Any, connect: Make) -> None:
    """A stolen board cannot calm the yard about another barn."""
    thief = connect(yard.port, "lowfield", yard.keys["lowfield"])
    assert thief.may_publish("warmstraw/Low Field/answer")
    assert [end for end in ("answer", "alive", "line", "brooder/alarm") if thief.may_publish(f"warmstraw/{SITE}/{end}")] == []


def test_a_board_that_burns_is_told_by_its_last_will(board: Any, yard: Any, connect: Make, wait_until: Make) -> None:
    """Killed without a goodbye: the yard's own broker says that the line is gone, also to who joins later, and the yard shows
    the site as silent though its daemon's last word was good; with the board back, it answers again."""
    line = f"warmstraw/{SITE}/line"
    office = connect(yard.port, "office", yard.keys["office"])
    office.listen(line)
    daemon = connect(board.port, "warmstraw", board.key)
    daemon.may_publish(f"warmstraw/{SITE}/alive", "here", retain=True)
    daemon.may_publish(f"warmstraw/{SITE}/answer", ANSWER, retain=True)
    assert wait_until(lambda: office.last(line) == b"1")
    assert wait_until(lambda: shown(yard, connect, wait_until) == "answering")
    board.end(signal.SIGKILL)
    assert wait_until(lambda: office.last(line) == b"0")
    assert shown(yard, connect, wait_until) == "silent"
    board.start()
    assert wait_until(lambda: office.last(line) == b"1")
    again = connect(board.port, "warmstraw", board.key)
    again.may_publish(f"warmstraw/{SITE}/answer", ANSWER, retain=True)
    assert wait_until(lambda: shown(yard, connect, wait_until) == "answering")


def shown(yard: Any, connect: Make, wait_until: Make) -> str:
    """The site's state on a yard page that has just come up, from what the yard's broker remembers."""
    late, sites = connect(yard.port, "office", yard.keys["office"]), OtherSites()
    late.listen(*OF_THE_YARD)
    assert wait_until(lambda: len({topic for topic, _, _ in late.heard}) == 3)
    for topic, payload, _ in list(late.heard):
        sites.hear(topic, payload, topic.endswith("/line"), at=1.0)
    (site,) = yard_status(sites, (1.0, None))["sites"]
    return str(site["state"])


def test_after_an_outage_the_yard_hears_how_it_is_now(board: Any, yard: Any, connect: Make, wait_until: Make) -> None:
    """Fifty answers were said meanwhile; only the last one comes."""
    daemon = connect(board.port, "warmstraw", board.key)
    yard.end(signal.SIGKILL)
    for number in range(50):
        daemon.may_publish(f"warmstraw/{SITE}/answer", str(number), retain=True)
    yard.start()
    office = connect(yard.port, "office", yard.keys["office"])
    office.listen("warmstraw/+/answer")
    assert wait_until(lambda: office.last(f"warmstraw/{SITE}/answer") == b"49")
    assert [payload for _, payload, _ in office.heard] == [b"49"]


def test_a_broker_that_cannot_prove_its_name_is_told_nothing(make_barn: Make, yard: Any, connect: Make, wait_until: Make) -> None:
    """Another authority in the board's folder: the bridge does not come in, and the password is not sent."""
    board = make_barn("board")
    board.key = board.password("daemon")
    board.put("warmstraw.conf")
    words = {"CENTRAL:8883": f"localhost:{yard.tls_port}", "ACCOUNT": "millrise", "PASSWORD": yard.keys["millrise"], "SITE": SITE}
    board.put("bridge.conf", **words)
    certificates(board.folder)
    board.start()
    assert wait_until(lambda: "certificate verify failed" in board.log())
    office = connect(yard.port, "office", yard.keys["office"])
    office.listen("warmstraw/#")
    assert office.heard == []
