"""The time-series engine as deploy/central starts it: it takes our lines, and a reading sent twice is one reading."""

from __future__ import annotations

import json
import shlex
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from demo.broker import free_port

Make = Callable[..., Any]


@pytest.fixture
def engine(tmp_path: Path, deploy: Path, wait_until: Make) -> Iterator[str]:
    """Its address; started with the words of the file, in a folder and on a port of the test's own."""
    settings = (deploy / "central/victoria-metrics").read_text()
    words = shlex.split(settings.split('ARGS="')[1].split('"')[0])
    address = f"127.0.0.1:{free_port()}"
    replaced = {"-storageDataPath": str(tmp_path / "kept"), "-httpListenAddr": address}
    own = [f"{name}={replaced.get(name, value)}" for name, _, value in (word.partition("=") for word in words)]
    process = subprocess.Popen(["victoria-metrics", *own], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def up() -> bool:
        try:
            ask(f"http://{address}/health")
        except urllib.error.URLError:
            return False
        return True

    assert wait_until(up)
    yield f"http://{address}"
    process.terminate()
    process.wait(20)


def ask(address: str, body: bytes | None = None) -> bytes:
    with urllib.request.urlopen(urllib.request.Request(address, data=body), timeout=10) as answer:
        told: bytes = answer.read()
    return told


def test_a_reading_that_is_sent_again_is_kept_once(engine: str, wait_until: Make) -> None:
    """After an outage a board sends its last minutes again; three readings twice are three."""
    now_ms = time.time_ns() // 1_000_000
    lines = "".join(
        f"warmstraw_reading,site=Mill\\ Rise,sensor=probe value={n} {now_ms - n * 30_000}\n" for n in range(3)
    ).encode()
    for _ in range(2):
        ask(f"{engine}/api/v2/write?bucket=warmstraw&precision=ms", lines)
    ask(f"{engine}/internal/force_flush")
    asked = urllib.parse.urlencode({"match[]": '{__name__="warmstraw_reading_value"}', "reduce_mem_usage": 0})

    def kept() -> list[float]:
        told = ask(f"{engine}/api/v1/export?{asked}").splitlines()
        return sorted(json.loads(told[0])["values"]) if told else []

    assert wait_until(lambda: kept() == [0, 1, 2]), kept()
