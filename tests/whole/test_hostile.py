"""Ten thousand random and hostile payloads over the real broker: nothing but numbers of this world comes through."""

from __future__ import annotations

import json
import random
import struct
from collections.abc import Callable, Iterator

from tests.whole.conftest import LAMP, NH3, WINDOW, DaemonProcess
from tests.wire.conftest import BrokerProcess, Publisher, wait_until

PAYLOADS = 10_000
GROWTH_MB = 25.0  # of a daemon that has had them all, above one that has had a few; it starts at some 70


def hostile(dice: random.Random) -> Iterator[bytes]:
    """Endless: broken numbers, JSON that is none or too deep, records with strange fields, and plain noise."""
    words = [
        "nan",
        "NaN",
        "inf",
        "-Infinity",
        "1e999",
        "-1e308",
        "0x1F",
        "1_000",
        "٣",
        "12,5",
        "1e",
        "+",
        ".",
        "",
        " ",
        "\0",
        "on",
    ]
    fields = ["n", "bn", "v", "bv", "t", "bt", "u", "bu", "s", "vs", "vb", "bver"]
    while True:
        kind = dice.randrange(9)
        if kind == 0:
            yield dice.choice(words).encode()
        elif kind == 1:
            yield dice.randbytes(dice.randrange(200))
        elif kind == 2:
            yield repr(struct.unpack("<d", dice.randbytes(8))[0]).encode()
        elif kind == 3:
            yield b"[" * dice.randrange(20_000)
        elif kind == 4:
            yield b'{"a":' * dice.randrange(2000) + b"1"
        elif kind == 5:
            yield b"9" * dice.randrange(1, 6000)
        elif kind == 6:
            record = {dice.choice(fields): dice.choice([1, -1e300, "x" * 50, None, True, [], {}, 1e18]) for _ in range(5)}
            yield json.dumps(
                [record, {"n": "window", "u": dice.choice(["lx", "Cel", "%RH"]), "v": dice.uniform(-1e6, 1e6)}]
            ).encode()
        elif kind == 7:
            yield json.dumps([{"n": "window", "u": "lx", "v": 1.0, "t": dice.uniform(-1e12, 1e12)}] * dice.randrange(50)).encode()
        else:
            yield str(dice.uniform(-1e5, 1e5)).encode()


def test_ten_thousand_hostile_payloads_store_nothing_but_numbers_in_range(
    broker: BrokerProcess, make_daemon: Callable[..., DaemonProcess]
) -> None:
    """The daemon stays alive and small, goes on hearing, and every stored number lies in its sensor's range."""
    dice = random.Random(20260402)
    daemon = make_daemon(broker.port).start()
    far_end = Publisher(broker.port)

    def hears(value: str) -> bool:
        far_end.send(LAMP, value)
        return float(value) in daemon.stored("brooder/lamp")

    assert wait_until(lambda: hears("0.25"))
    payloads = hostile(dice)
    topics = (NH3, LAMP, WINDOW, "millrise/brooder/fan/state")
    for n in range(1000):
        far_end.send(topics[n % 4], next(payloads))
    before = daemon.memory_mb()
    for n in range(PAYLOADS // 100):
        far_end.send(topics[n % 4], *[next(payloads) for _ in range(100)])
    assert wait_until(lambda: hears("0.75"), 60)
    assert daemon.is_alive
    assert daemon.memory_mb() - before < GROWTH_MB
    ranges = {"ammonia": (0.0, 1000.0), "lamp": (0.0, 150_000.0), "window": (0.0, 150_000.0)}
    for sensor, (lowest, highest) in ranges.items():
        stored = daemon.stored(f"brooder/{sensor}")
        assert stored
        assert all(isinstance(value, float) and lowest <= value <= highest for value in stored)
    assert "Traceback" not in daemon.log()
    assert len(daemon.log()) < 200_000
    assert daemon.stop()[0] == 0
    far_end.close()
