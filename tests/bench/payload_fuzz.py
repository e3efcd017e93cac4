"""A million payloads on the wire's reader and the engine behind it: nothing raises, nothing but a number of this world comes out.

Run: python tests/bench/payload_fuzz.py [--cases 1000000] [--seed 1]. Sound payloads of every form (bare number, JSON by
pointer, SenML, switch words, a relay's report) are damaged at random (bits, cuts, splices, repeated pieces, swapped
words), mixed with noise and with the hostile forms of the tests. Each goes through `PayloadReader.read` for every
listener, and every event through the engine. A failing case prints its seed, its number and the payload.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import sys
import time
from collections import Counter
from multiprocessing import get_context
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from monitor.engine.events import FanReport, Reading, Unreadable
from monitor.engine.specification import Measure
from monitor.engine.state import Health, State
from monitor.engine.step import step
from monitor.wire.payloads import PayloadReader
from tests.whole.test_hostile import hostile
from tests.wire.conftest import make_fan, make_sensor, make_specification

SENML_TWO = (
    b'[{"bn":"barn:","bt":1764000000,"bu":"Cel","n":"probe","v":1,"t":-5},'
    b'{"bu":"%RH","n":"rh","v":61},{"bu":"Cel","n":"probe","v":1.5}]'
)
SOUND = {
    "barn/bare": (b"21.5", b"-3.25e1", b"0", b" 98.6\r\n", b'[{"n":"probe","u":"Cel","v":21.5}]'),
    "barn/json": (b'{"t": 21.5, "deep": {"a/b": {"~": 3}}}', b'{"t": "21.5"}', b'{"deep": {"a/b": {"~": -4e0}}}'),
    "barn/senml": (SENML_TWO, b'[{"n":"barn:probe","bver":26,"u":"K","v":294,"s":3}]'),
    "barn/both": (b'{"h": [40, 41.5]}', b"12.25", b'[{"n":"x","u":"Cel","v":7}]'),
    "barn/mains": (b"ON", b"off", b"true", b"0"),
    "barn/fan/state": (b'{"state": "ON"}', b'{"state": "OFF", "speed": 40}', b"ON"),
    "elsewhere": (b"100",),
}
TOPICS = tuple(SOUND)
WORDS = (
    *(b"NaN", b"Infinity", b"-", b"e", b'"', b"[", b"]", b"{", b"}", b":", b","),
    *(b"\\u0000", b"\xff", b"null", b"1e309", b"bn", b"v"),
)


def damaged(dice: random.Random, topic: str) -> bytes:
    """A payload that would be sound on this topic, or now and then on another, after up to four accidents."""
    raw = bytearray(dice.choice(SOUND[topic if dice.random() < 0.8 else dice.choice(TOPICS)]))
    for _ in range(dice.randrange(5)):
        at = dice.randrange(len(raw) + 1)
        accident = dice.randrange(6)
        if accident == 0 and raw:
            raw[at % len(raw)] ^= 1 << dice.randrange(8)
        elif accident == 1:
            del raw[at : at + dice.randrange(1, 9)]
        elif accident == 2:
            raw[at:at] = dice.choice(WORDS)
        elif accident == 3:
            other = dice.choice(SOUND[topic])
            raw[at:at] = other[dice.randrange(len(other)) :]
        elif accident == 4:
            raw[at:at] = raw[: dice.randrange(20)] * dice.randrange(1, 20)
        else:
            raw[at:at] = dice.randbytes(dice.randrange(1, 5))
    return bytes(raw)


def run(asked: tuple[int, int]) -> tuple[Counter[str], str]:
    """Try this many cases from this seed; what became of them, and the first failure."""
    seed, cases = asked
    dice = random.Random(seed)
    noise = hostile(dice)
    sensors = (
        make_sensor("bare", "barn/bare"),
        make_sensor("json", "barn/json", pointer="/t"),
        make_sensor("deep", "barn/json", pointer="/deep/a~1b/~0"),
        make_sensor("senml", "barn/senml", record="barn:probe"),
        make_sensor("alone", "barn/both"),
        make_sensor("damp", "barn/both", measures=Measure.HUMIDITY, unit="%", pointer="/h/1"),
        make_sensor("mains", "barn/mains", measures=Measure.MAINS),
    )
    specification = make_specification(*sensors, fan=make_fan(report_pointer="/state"))
    reader = PayloadReader(specification)
    state, came = State(), Counter[str]()
    at, wall_ms = 1000.0, 1_764_000_000_000
    for number in range(cases):
        topic = dice.choice(TOPICS)
        payload = next(noise) if number % 10 == 0 else damaged(dice, topic)
        at += dice.random() * 5.0
        try:
            events = reader.read(
                topic, payload, dice.random() < 0.05, at, None if number % 7 == 0 else wall_ms + round(at * 1000)
            )
            for event in events:
                came[type(event).__name__] += 1
                assert isinstance(event, (Reading, Unreadable, FanReport)), "an event of no known kind"
                if isinstance(event, Reading):
                    assert math.isfinite(event.value), "a reading that is no number"
                state, _ = step(state, event, specification)
            if number % 1000 == 0:
                for pen in state.pens.values():
                    for key, known in pen.sensors.items():
                        if known.health is Health.BELIEVED and known.value is not None:
                            sensor = specification.sensors[key]
                            within = sensor.lowest <= known.value <= sensor.highest
                            assert within, f"{key} believed at {known.value}"
        except Exception as broken:
            return (
                came,
                f"seed {seed}, case {number}, topic {topic}, payload {payload[:300]!r}: {type(broken).__name__}: {broken}",
            )
        came["payloads"] += 1
        came["silent"] += not events
    return came, ""


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--cases", type=int, default=1_000_000)
    words.add_argument("--seed", type=int, default=1)
    asked = words.parse_args()
    shares = [(asked.seed + n, 50_000) for n in range(-(-asked.cases // 50_000))]
    began = time.monotonic()
    came: Counter[str] = Counter()
    with get_context("spawn").Pool(2) as pool:
        for counted, failure in pool.imap_unordered(run, shares):
            came.update(counted)
            if failure:
                print(f"FAILED: {failure}")
                return 1
    took_s = time.monotonic() - began
    print(f"{came['payloads']:,} payloads in {took_s:.0f} s, none raised")
    print(f"  readings {came['Reading']:,} · complaints {came['Unreadable']:,} · fan reports {came['FanReport']:,}")
    out = Path(__file__).parent / "out"
    out.mkdir(exist_ok=True)
    (out / "payload_fuzz.json").write_text(json.dumps({**came, "took_s": round(took_s, 1)}) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
