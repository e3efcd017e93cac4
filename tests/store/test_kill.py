"""Killed at any instant, the store holds an exact beginning of the batches, all that were said to stand, none twice."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
from pathlib import Path

from monitor.store.keep import Store
from monitor.store.reader import Reader

KILLS = 30
COMMITTER = Path(__file__).with_name("committer.py")
ROOT = Path(__file__).parents[2]


def test_thirty_kills_lose_nothing_and_double_nothing(tmp_path):
    """Readings, decisions, journal, notices and state stop at the same batch, at or after the last one said to stand."""
    dice = random.Random(20260501)
    last = 0
    for kill in range(KILLS):
        child = subprocess.Popen(
            [sys.executable, str(COMMITTER), str(tmp_path), str(last + 1)],
            stdout=subprocess.PIPE,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        assert child.stdout is not None
        child.stdout.readline()  # it is committing
        timer = threading.Timer(dice.uniform(0.0, 0.05), child.send_signal, [signal.SIGKILL])
        timer.start()
        said = child.stdout.read().split()
        timer.join()
        child.wait()
        child.stdout.close()
        assert child.returncode == -signal.SIGKILL
        with Store.open(tmp_path) as store:
            assert store.opened.lost == ""
            assert not store.opened.created
            saved = store.load()
            assert saved is not None
            stands = int(saved.at)
            assert saved.state == f'{{"n": {stands}}}'
            assert stands >= (int(said[-1]) if said else last + 1)
            assert store.remembered()[-1].packet_id == stands + 1
            assert len(store.outbox.rows("waiting", 10**6)) == min(stands, 10**6)
        last = stands
        if kill % 10 == 9:
            check_whole(tmp_path, last)


def check_whole(folder: Path, last: int) -> None:
    numbers = [float(n) for n in range(1, last + 1)]
    with Reader(folder) as reader:
        assert [r.value for r in reader.readings("a/told")] == numbers
        burst = [r.value for r in reader.readings("a/burst")]
        assert burst == [n for n in numbers for _ in range(3)]
        assert [d.evidence["n"] for d in reader.decisions("a")] == numbers
        assert [e.note for e in reader.journal("a")] == [str(int(n)) for n in numbers]
        span = (1_777_615_200_000, 1_777_615_200_000 + (last + 1) * 1000)
        assert sum(bucket.n for bucket in reader.series("a/burst", *span, 1)) == 3 * last
        assert reader.counts().readings == 4 * last
