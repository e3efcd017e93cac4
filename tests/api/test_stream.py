"""The live stream: the present first, then what changed, a heartbeat, and an end that does not keep anyone waiting."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI

from monitor.api import stream as live
from monitor.api.app import create_app
from monitor.api.changes import Hub
from monitor.api.server import WebServer
from tests.api.barn_at_hand import TOKEN, WELL, BarnAtHand
from tests.api.conftest import Visit


def test_the_stream_begins_with_the_present_and_goes_on_with_what_changes(well: BarnAtHand, visit: Visit) -> None:
    """Site and every pen at once; afterwards only the pen that changed."""
    with visit(token=TOKEN).stream("GET", "/api/stream") as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        events = _events(answer.iter_lines())
        first = [next(events) for _ in range(3)]
        assert [name for name, _ in first] == ["site", "pen", "pen"]
        assert str(first[1][1]["answer"]).startswith("Warm enough")
        well.at += 30
        well.hear(WELL | {"brooder/nose": 30.0})
        changed = _until(events, lambda name, told: name == "pen" and "30 ppm" in str(told["answer"]))
        assert changed["name"] == "brooder"


def test_a_burst_of_readings_is_one_event(well: BarnAtHand, visit: Visit) -> None:
    """However many readings arrive within a second, a phone gets the pen once."""
    with visit(token=TOKEN).stream("GET", "/api/stream") as answer:
        events = _events(answer.iter_lines())
        for _ in range(3):
            next(events)
        for number in range(50):
            well.at += 1
            well.hear({"brooder/nose": 8.0 + number})
        told = 0
        for name, content in events:
            told += name == "pen" and content["name"] == "brooder"
            if "57 ppm" in str(content.get("answer")):
                break
        assert told <= 3


def test_the_heartbeat_comes_when_nothing_changes(barn: BarnAtHand) -> None:
    """A page can tell a quiet barn from a dead line."""

    async def listen() -> list[bytes]:
        live_beat, live.BEAT_S = live.BEAT_S, 0.2
        try:
            events = live.stream(barn, lambda: True, pause_s=0.05)
            return [await anext(events) for _ in range(6)]
        finally:
            live.BEAT_S = live_beat

    # in a thread of its own: a browser driver may already have a loop in this one
    with ThreadPoolExecutor(1) as pool:
        got = pool.submit(lambda: asyncio.run(listen())).result()
    assert got[0].startswith(b"retry:")
    assert got[4].startswith(b"event: beat\ndata: {")


def test_a_listener_that_sleeps_costs_a_few_names() -> None:
    """What a slow phone has not read is never queued: a thousand changes of two pens are two names."""
    hub = Hub()
    with hub.listen() as listener:
        for _ in range(1000):
            hub.tell("brooder")
            hub.tell("hen house")
        assert listener.take() == {"brooder", "hen house"}
        assert listener.take() == set()
    assert hub.open_streams == 0


def test_a_stream_ends_when_the_sign_in_does(well: BarnAtHand, keeper: httpx.Client) -> None:
    """Signing out elsewhere, or a changed password, ends the stream, with a word."""
    with keeper.stream("GET", "/api/stream") as answer:
        events = _events(answer.iter_lines())
        next(events)
        Path(well.connections.store.folder, "passwords.json").unlink()
        well.hear(WELL)
        _until(events, lambda name, _: name == "signed_out")


def test_the_server_stops_at_once_with_streams_open(tmp_path: Path) -> None:
    """A stop ends open streams within a second or two; it does not wait for phones to hang up."""
    token_file = tmp_path / "token"
    token_file.write_text(TOKEN)
    barn = BarnAtHand(tmp_path / "store", token_file=token_file)
    server = WebServer(create_app(barn), "127.0.0.1", 0)
    server.start()
    ended = threading.Event()
    begun = threading.Event()

    def follow() -> None:
        try:
            with httpx.stream(
                "GET", f"{server.address}/api/stream", headers={"Authorization": f"Bearer {TOKEN}"}, timeout=20, verify=False
            ) as answer:
                for _ in answer.iter_lines():
                    begun.set()
        except httpx.HTTPError:
            pass
        ended.set()

    threading.Thread(target=follow, daemon=True).start()
    assert begun.wait(10)
    started = time.monotonic()
    barn.hub.close()
    assert server.stop()
    assert time.monotonic() - started < 2.5
    assert ended.wait(5)
    barn.close()


def test_a_phone_that_reads_nothing_does_not_hold_up_the_stop(tmp_path: Path) -> None:
    """A connection that stopped reading is cut after the grace of two seconds."""
    token_file = tmp_path / "token"
    token_file.write_text(TOKEN)
    barn = BarnAtHand(tmp_path / "store", token_file=token_file)
    server = WebServer(create_app(barn), "127.0.0.1", 0)
    server.start()
    with socket.create_connection(("127.0.0.1", server.port)) as phone:
        phone.sendall(f"GET /api/stream HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {TOKEN}\r\n\r\n".encode())
        phone.recv(10)
        started = time.monotonic()
        assert server.stop()
        assert time.monotonic() - started < 5
    barn.close()


def test_answers_do_not_wait_for_acknowledgements(program: httpx.Client) -> None:
    """On a kept connection an answer comes at once, not after the 40 ms that two small packets would cost."""
    took = []
    for _ in range(20):
        started = time.monotonic()
        assert program.get("/healthz").status_code == 200
        took.append(time.monotonic() - started)
    assert min(took) < 0.03


def test_a_taken_port_is_a_clear_error_at_the_start() -> None:
    """Not a thread that dies later, and it names the setting."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(OSError, match=rf"127\.0\.0\.1 port {port}.*\[api\]"):
            WebServer(FastAPI(), "127.0.0.1", port)


def _events(lines: Iterator[str]) -> Iterator[tuple[str, dict[str, object]]]:
    name = ""
    for line in lines:
        if line.startswith("event: "):
            name = line.removeprefix("event: ")
        elif line.startswith("data: "):
            yield name, json.loads(line.removeprefix("data: "))


def _until(events: Iterator[tuple[str, dict[str, object]]], holds: Callable[[str, dict[str, object]], bool]) -> dict[str, object]:
    deadline = time.monotonic() + 15
    for name, told in events:
        if holds(name, told):
            return told
        assert time.monotonic() < deadline, "the event did not come"
    raise AssertionError("the stream ended first")
