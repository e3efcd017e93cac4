"""A tiny daemon for the kill test: takes messages, commits them with what redelivery needs, acknowledges, dies when told.

usage: taker.py PORT FILE before|between|after|never
"""

from __future__ import annotations

import os
import signal
import sqlite3
import sys
import threading
import time
from collections import deque

from monitor.engine.connections import Broker
from monitor.wire.redelivery import Remembered
from monitor.wire.session import Arrival, Session


def main(port: int, file: str, moment: str) -> None:
    store = sqlite3.connect(file, check_same_thread=False)
    store.executescript(
        "create table if not exists taken (payload blob);"
        "create table if not exists delivery (packet_id integer primary key, digest blob, place integer);"
    )
    remembered = Remembered.load(store.execute("select packet_id, digest, place from delivery"))
    arrivals: deque[Arrival] = deque()
    some = threading.Event()

    def arrived(arrival: Arrival) -> None:
        arrivals.append(arrival)
        some.set()

    def session_begins(is_present: bool) -> None:
        if not is_present:
            remembered.clear()

    broker = Broker(port=port, client_id="barn")
    session = Session(broker, [("barn/+", 1)], "barn/alive", arrived, lambda *_: None, session_begins)
    session.start()

    def die_if(now: str) -> None:
        if now == moment:
            os.kill(os.getpid(), signal.SIGKILL)

    quiet_since = time.monotonic()
    while time.monotonic() - quiet_since < 0.5:
        if not some.wait(0.05):
            continue
        time.sleep(0.05)  # let a batch gather
        some.clear()
        batch = [arrivals.popleft() for _ in range(len(arrivals))]
        with store:
            for arrival in batch:
                assert arrival.delivery is not None
                if not remembered.already_stored(arrival.delivery, arrival.duplicate, arrival.waited):
                    store.execute("insert into taken values (?)", (arrival.payload,))
                    store.execute("insert or replace into delivery values (?, ?, ?)", remembered.note(arrival.delivery))
            die_if("before")
        die_if("between")
        session.acknowledge([arrival.delivery for arrival in batch if arrival.delivery is not None])
        quiet_since = time.monotonic()
        time.sleep(0.1)
        die_if("after")
    session.stop()


main(int(sys.argv[1]), sys.argv[2], sys.argv[3])
