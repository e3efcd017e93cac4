"""A real time-series server for the tests, and a gate before it that can refuse, delay or answer at will."""

from __future__ import annotations

import gzip
import json
import os
import signal
import subprocess
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from demo.broker import free_port


class Server:
    """One `victoria-metrics` process; its data outlive the process."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.folder = folder
        self.options = options
        self.port = free_port()
        self.address = f"http://127.0.0.1:{self.port}"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        command = [
            "victoria-metrics",
            f"-storageDataPath={self.folder}",
            f"-httpListenAddr=127.0.0.1:{self.port}",
            "-dedup.minScrapeInterval=1ms",
            "-retentionPeriod=20y",
            "-search.latencyOffset=0s",
            "-memory.allowedPercent=5",
            "-loggerLevel=ERROR",
            *self.options,
        ]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            try:
                if self.ask("/health") == b"OK":
                    return
            except OSError:
                time.sleep(0.05)
        self.end()
        raise AssertionError("the server did not come up")

    def tell(self, number: signal.Signals) -> None:
        assert self.process is not None
        os.kill(self.process.pid, number)

    def end(self, number: signal.Signals = signal.SIGKILL) -> None:
        if self.process is not None:
            self.tell(signal.SIGCONT)
            self.tell(number)
            self.process.wait(20)
            self.process = None

    def ask(self, path: str, **query: str) -> bytes:
        address = f"{self.address}{path}?{urllib.parse.urlencode(query)}"
        with urllib.request.urlopen(address, timeout=20) as answer:
            return bytes(answer.read())

    def series(self, match: str) -> list[tuple[dict[str, str], list[tuple[int, float]]]]:
        """Every series that matches: labels, and (ms, value) pairs."""
        self.ask("/internal/force_flush")
        found = []
        for line in self.ask("/api/v1/export", **{"match[]": match}).splitlines():
            told = json.loads(line)
            found.append((told["metric"], list(zip(told["timestamps"], told["values"], strict=True))))
        return found

    def values(self, match: str) -> list[float]:
        return sorted(value for _, pairs in self.series(match) for _, value in pairs)


class Gate:
    """Stands before the server on a port of its own; `rule` may answer in its place with a status, or wait."""

    def __init__(self, server: Server, rule: Callable[[str], int | None]) -> None:
        gate = self
        self.rule = rule
        self.requests = 0

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                gate.requests += 1
                body = self.rfile.read(int(self.headers["Content-Length"]))
                zipped = self.headers.get("Content-Encoding") == "gzip"
                status = gate.rule((gzip.decompress(body) if zipped else body).decode())
                if status is None:
                    request = urllib.request.Request(f"{server.address}{self.path}", body, dict(self.headers))
                    try:
                        with urllib.request.urlopen(request, timeout=20) as answer:
                            status = answer.status
                    except urllib.error.HTTPError as error:
                        with error:
                            status = error.code
                self.send_response(status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self._http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"http://127.0.0.1:{self._http.server_port}"
        self._thread = threading.Thread(target=self._http.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._http.shutdown()
        self._http.server_close()
        self._thread.join(5)
