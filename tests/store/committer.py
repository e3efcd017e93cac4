"""A child process that commits numbered batches until it is killed, and says each one once it stands.

usage: python committer.py FOLDER FIRST
Batch n holds three readings of value n without a time of their own in one millisecond, one that tells its time,
a fan decision, a journal entry, a notice, a delivery, and the state "n"; every fifth is followed by `tidy`.
"""

import os
import sys

from monitor.engine.connections import Delivery, Notice
from monitor.engine.events import JournalEntry, Keep, SwitchFan
from monitor.engine.specification import Priority
from monitor.store.keep import Batch, Store

DAWN_MS = 1_777_615_200_000


def batch(n: int) -> Batch:
    wall = DAWN_MS + n * 1000
    return Batch(
        keeps=[*[Keep("a/burst", float(n), float(n), wall, False)] * 3, Keep("a/told", float(n), float(n), wall, True)],
        deliveries=[Delivery(1, n % 65_535 + 1, 1, b"digest")],
        decisions=[SwitchFan(float(n), wall, "a", n % 2 == 0, None, "damp", {"n": n})],
        journal=[JournalEntry(float(n), wall, "a", "note", note=str(n))],
        notices=[Notice(str(n), n, "a/damp", "raised", "keeper", 0, Priority.URGENT, "title", "body", 0.0, 1e9)],
        state=f'{{"n": {n}}}',
        at=float(n),
        wall_ms=wall,
        segment=1,
        boot_id="boot",
        boottime_s=0.0,
        at_once=n % 3 == 0,
    )


def main() -> None:
    folder, first = sys.argv[1], int(sys.argv[2])
    store = Store.open(folder)
    for n in range(first, first + 100_000):
        store.commit(batch(n))
        os.write(1, f"{n}\n".encode())  # said only when it stands
        if n % 5 == 0:
            store.tidy(DAWN_MS + n * 1000, move_from=1)


if __name__ == "__main__":
    main()
