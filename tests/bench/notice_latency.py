"""How soon an urgent notice is handed to its channel with a hundred others queued, half of them on a hung channel.

Run: python tests/bench/notice_latency.py [times]. Prints median, 95 % and worst, in milliseconds, from the
commit of the outbox row to the receiver having the message, over a real store and real HTTP receivers.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from monitor.engine.connections import Notice, Secret, Tell
from monitor.engine.specification import Priority
from monitor.notify.channels import open_channels
from monitor.notify.worker import Sayings, Worker
from monitor.store.keep import Store


def serve(hangs: bool, taken: dict[str, float]) -> ThreadingHTTPServer:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            taken[body["title"]] = time.monotonic()
            time.sleep(60 if hangs else 0.02)  # a far end takes its time
            self.send_response(200)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base class's name
            return

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server


def notice(number: int, channel: int, priority: Priority, due_at: float) -> Notice:
    person = ("Ada", "Bea")[channel]
    key = f"{number}/raised/{person}/{channel}/1"
    return Notice(key, number, "pen/damp", "raised", person, channel, priority, f"Matter {number}", "", due_at, 1e9)


def once(folder: Path, good: ThreadingHTTPServer, hung: ThreadingHTTPServer, taken: dict[str, float]) -> float:
    addresses = [f"json://127.0.0.1:{server.server_address[1]}/" for server in (good, hung)]
    tell = tuple(
        Tell(person, Secret(address), tuple(Priority)) for person, address in zip(("Ada", "Bea"), addresses, strict=True)
    )
    store = Store.open(folder)
    taken.clear()
    worker = Worker(
        store.outbox, open_channels(tell, lambda topic, payload: True), tell, Sayings("", str),
        now=time.monotonic, matters=lambda one: True, on_link=lambda up, detail: None,
    )  # fmt: skip
    store.outbox.add([notice(n, n % 2, Priority.MEDIUM, time.monotonic()) for n in range(100)])
    worker.start()
    while len(taken) < 5:
        time.sleep(0.001)
    store.outbox.add([notice(500, 0, Priority.URGENT, time.monotonic())])
    written = time.monotonic()
    worker.wake()
    while "Matter 500" not in taken:
        time.sleep(0.0005)
    worker.stop(0.3)
    store.close()
    return 1000.0 * (taken["Matter 500"] - written)


def main(times: int) -> None:
    taken: dict[str, float] = {}
    good, hung = serve(False, taken), serve(True, {})
    delays = []
    for number in range(times):
        with tempfile.TemporaryDirectory() as folder:
            delays.append(once(Path(folder) / str(number), good, hung, taken))
    delays.sort()
    at_95 = delays[min(len(delays) - 1, int(0.95 * len(delays)))]
    print(f"{times} times: median {statistics.median(delays):.0f} ms, 95 % {at_95:.0f} ms, worst {delays[-1]:.0f} ms")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
