"""A broker for the demo, on loopback: an installed mosquitto, else an embedded one for Python.

Rules of this file: the broker belongs to the demo alone and ends with it; whichever it is, it says so.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path

START_WITHIN_S = 15.0
FREE_PORTS = range(10_000, 32_768)
# Where distributions put it; a desk user's PATH often lacks /usr/sbin.
PLACES = ("mosquitto", "/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto", "/opt/homebrew/sbin/mosquitto")


class NoBroker(RuntimeError):  # noqa: N818  said in words
    """The sentence says what is missing and what to do."""


def free_port() -> int:
    """A port of loopback that nobody uses at this moment.

    It is drawn from below the ports that operating systems hand to outgoing connections (Linux: 32768 and up), so
    that none of those takes it in the moment before the broker does.

    Raises:
        NoBroker: a hundred tries found none.
    """
    for port in random.SystemRandom().sample(FREE_PORTS, 100):
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
    raise NoBroker(f"no free port of 127.0.0.1 among a hundred tried from {FREE_PORTS.start} to {FREE_PORTS.stop - 1}")


class Broker:
    """A running broker. `words` says which."""

    def __init__(self, port: int, words: str, stop: Callable[[], None]) -> None:
        self.port = port
        self.words = words
        self.stop = stop


def start(folder: Path, embedded: bool = False) -> Broker:
    """Start a broker on a free port.

    Args:
        folder: for its settings and its log.
        embedded: take the embedded one even if mosquitto is installed.

    Raises:
        NoBroker: neither can be started.
    """
    program = None if embedded else next((found for place in PLACES if (found := shutil.which(place))), None)
    return _embedded(folder) if program is None else _mosquitto(program, folder)


def _mosquitto(program: str, folder: Path) -> Broker:
    port = free_port()
    settings = folder / "broker.conf"
    settings.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nmax_queued_messages 100000\n")
    log = (folder / "broker.log").open("w")
    # A session of its own, so that Ctrl-C at the terminal does not take the broker away from under the daemon.
    process = subprocess.Popen(  # noqa: S603  the program was found at one of PLACES
        [program, "-c", str(settings)], stdout=log, stderr=log, start_new_session=True
    )

    def stop() -> None:
        process.terminate()
        try:
            process.wait(5.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        log.close()

    try:
        _wait_for(port, lambda: process.poll() is None, f"{program} did not start: see {folder / 'broker.log'}")
    except NoBroker:
        stop()
        raise
    return Broker(port, f"mosquitto ({program})", stop)


def _embedded(folder: Path) -> Broker:
    try:
        from amqtt.broker import Broker as Embedded
    except ImportError as missing:
        raise NoBroker(
            "no broker: mosquitto is not installed and neither is the Python package amqtt.\n"
            "Install one of them: apt install mosquitto, or pip install 'warmstraw[demo]'."
        ) from missing
    for name in ("amqtt", "transitions"):
        logging.getLogger(name).setLevel(logging.ERROR)
    port = free_port()
    loop = asyncio.new_event_loop()
    settings = {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}", "max_connections": 20}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }
    ready = threading.Event()
    running: list[Embedded] = []
    trouble: list[BaseException] = []

    async def up() -> None:
        broker = Embedded(settings)
        await broker.start()
        running.append(broker)

    def run() -> None:
        asyncio.set_event_loop(loop)
        try:
            loop.run_until_complete(up())
        except BaseException as cause:
            trouble.append(cause)
            ready.set()
            return
        ready.set()
        loop.run_forever()

    thread = threading.Thread(target=run, name="broker", daemon=True)
    thread.start()
    ready.wait(START_WITHIN_S)
    if trouble or not running:
        raise NoBroker(f"the embedded broker did not start: {trouble[0] if trouble else 'no answer'}; its settings: {folder}")

    def stop() -> None:
        ended = asyncio.run_coroutine_threadsafe(running[0].shutdown(), loop)
        try:
            ended.result(5.0)
        except Exception:
            logging.getLogger(__name__).debug("the embedded broker did not end in good order")
        loop.call_soon_threadsafe(loop.stop)
        thread.join(5.0)

    return Broker(port, "an embedded broker (amqtt, MQTT 3.1.1), for mosquitto is not installed", stop)


def _wait_for(port: int, alive: Callable[[], bool], otherwise: str) -> None:
    deadline = time.monotonic() + START_WITHIN_S
    while time.monotonic() < deadline and alive():
        try:
            socket.create_connection(("127.0.0.1", port), 0.2).close()
            return
        except OSError:
            time.sleep(0.02)
    raise NoBroker(otherwise)
