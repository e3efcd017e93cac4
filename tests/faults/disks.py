"""Disks that are held, slow or read-only, each as one row, for real."""

from __future__ import annotations

import gc
import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from monitor.store.nightly import nightly
from tests.faults.rows import (
    STORE_TOLD_SOON,
    WORKS_ON,
    Row,
    ask,
    barn,
    counted,
    is_unwell,
    open_alarms,
    speaking,
    turn_bad,
    until_stored,
)
from tests.whole.conftest import DaemonProcess, is_all_stored
from tests.wire.conftest import wait_until


def store_held(folder: Path, for_s: float = 8.0) -> Row:
    """Another program holds the database: no write comes through, as on a disk that has stopped answering."""
    with barn(folder, STORE_TOLD_SOON) as (broker, daemon):
        sensors = speaking(broker, daemon)
        holder = subprocess.Popen(["python3", "-c", HOLD, str(daemon.store / "store.sqlite"), str(for_s)], stdout=subprocess.PIPE)
        assert holder.stdout is not None
        holder.stdout.readline()
        turn_bad(sensors)
        saw = "alarm store_failing" if wait_until(lambda: "store_failing" in open_alarms(daemon), for_s) else ""
        unwell = is_unwell(daemon)
        holder.wait()
        holder.stdout.close()
        told, recovered_s = until_stored(daemon, sensors, time.monotonic())
        row = counted(daemon, told)
        sign = "health address unwell, ping stops" if unwell else ""
        return Row(f"store locked for {for_s:.0f} s", *row, recovered_s, saw, sign, daemon.is_alive)


HOLD = """
import sqlite3, sys, time
held = sqlite3.connect(sys.argv[1], isolation_level=None)
held.execute("BEGIN IMMEDIATE")
print("held", flush=True)
time.sleep(float(sys.argv[2]))
held.execute("ROLLBACK")
"""

SLOW = """
#include <unistd.h>
#include <sys/syscall.h>
int fsync(int fd) { sleep(SECONDS); return syscall(SYS_fsync, fd); }
int fdatasync(int fd) { sleep(SECONDS); return syscall(SYS_fdatasync, fd); }
"""


def slow_disk(folder: Path, sync_s: int = 1, seconds: float = 12.0) -> Row:
    """Each sync takes seconds, as on a card that wears out: the C library's calls are slowed for the daemon's process."""
    source, library = folder / "slow.c", folder / "slow.so"
    source.write_text(SLOW)
    subprocess.run(["cc", "-shared", "-fPIC", f"-DSECONDS={sync_s}", "-o", str(library), str(source)], check=True)
    with barn(folder) as (broker, daemon):
        daemon.stop()  # the store is made before the card wears out
        os.environ["LD_PRELOAD"] = str(library)
        try:
            daemon.start(until="")
        finally:
            del os.environ["LD_PRELOAD"]
        assert wait_until(lambda: "connected by MQTT" in daemon.recent_log(), 60), daemon.recent_log()
        assert wait_until(lambda: "the page is at" in daemon.recent_log(), 60), daemon.recent_log()
        sensors = speaking(broker, daemon)
        turn_bad(sensors)
        time.sleep(seconds)
        slowest = max(_answer_s(daemon) for _ in range(5))
        told, recovered_s = until_stored(daemon, sensors, time.monotonic(), 120.0)
        row = counted(daemon, told)
        saw = f"page answers within {slowest:.1f} s"
        return Row(f"every sync takes {sync_s} s", *row, recovered_s, saw, WORKS_ON, daemon.is_alive)


def _answer_s(daemon: DaemonProcess) -> float:
    began = time.monotonic()
    ask(daemon, "/api/status")
    return time.monotonic() - began


@contextmanager
def card(folder: Path, megabytes: int = 24) -> Iterator[Path]:
    """A real ext4 file system in a file, as on a card; takes root and a loop device.

    Raises:
        OSError: it cannot be mounted here.
    """
    image, place = folder / "card.img", folder / "card"
    place.mkdir()
    with image.open("wb") as stream:
        stream.truncate(megabytes << 20)
    for words in (["mkfs.ext4", "-q", str(image)], ["mount", "-o", "loop,errors=remount-ro", str(image), str(place)]):
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        if done.returncode:
            raise OSError(f"{words[0]}: {done.stderr.strip()}")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=False)


def full_card(folder: Path, for_s: float = 5.0) -> Row:
    """Another program fills the card to the last block; later its file is removed."""
    with card(folder) as place, barn(folder, STORE_TOLD_SOON, store=str(place / "store")) as (broker, daemon):
        sensors = speaking(broker, daemon)
        filler = place / "holiday.mp4"
        subprocess.run(["dd", "if=/dev/zero", f"of={filler}", "bs=64k", "status=none"], check=False, capture_output=True)
        subprocess.run(["dd", "if=/dev/zero", f"of={filler}2", "bs=1k", "status=none"], check=False, capture_output=True)
        turn_bad(sensors)
        saw = "alarm store_failing" if wait_until(lambda: "store_failing" in open_alarms(daemon), 30) else ""
        unwell = is_unwell(daemon)
        time.sleep(for_s)
        filler.unlink()
        told, recovered_s = until_stored(daemon, sensors, time.monotonic())
        row = counted(daemon, told)
        sign = "health address unwell, ping stops" if unwell else ""
        return Row("card full", *row, recovered_s, saw, sign, daemon.is_alive)


def spoilt_store(folder: Path) -> Row:
    """A page of the store turns to rubbish under the running daemon; somebody asks for a picture that needs it."""
    with barn(folder) as (broker, daemon):
        sensors = speaking(broker, daemon)
        nightly(daemon.store, "2026-01-01.sqlite")
        wait_until(lambda: daemon.stored("brooder/window")[-1:] > [300.0], 20)
        ((root,),) = daemon.asked("SELECT rootpage FROM sqlite_schema WHERE name = 'hour'")
        log = daemon.store / "store.sqlite-wal"
        subprocess.run(["python3", "-c", SPOIL, str(daemon.store / "store.sqlite"), str(log), str(root)], check=True)
        turn_bad(sensors)
        now_ms = round(time.time() * 1000)
        with suppress(OSError, ValueError):
            ask(daemon, f"/api/pens/brooder/series?measure=ammonia&place=bird%20level&from={now_ms - 10**9}&to={now_ms}&points=2")
        began = time.monotonic()
        told_of = wait_until(lambda: any("damaged and is restored" in title for title in daemon.phone.titles()), 30)
        saw = "message: damaged and restored, and what is lost" if told_of else ""
        told, _ = until_stored(daemon, sensors, began)
        row = counted(daemon, told)
        recovered_s = time.monotonic() - began
        return Row("a page of the store spoilt", *row, recovered_s, saw, saw, daemon.is_alive)


SPOIL = """
import os, sys
file, log, page = sys.argv[1], sys.argv[2], int(sys.argv[3])
os.pwrite(os.open(file, os.O_RDWR), b"\\xff" * 1024, (page - 1) * 1024)
# The page may stand in the log too, from the days the store was made: there as well.
with open(log, "rb") as stream:
    frames = stream.read()[32:]
for start in range(0, len(frames) - 1047, 1048):
    if int.from_bytes(frames[start : start + 4], "big") == page:
        os.pwrite(os.open(log, os.O_RDWR), b"\\xff" * 1024, 32 + start + 24)
"""


def read_only_card(folder: Path) -> Row:
    """The kernel meets an error on the card and makes it read-only under the running daemon; later it is mounted anew."""
    with card(folder) as place, barn(folder, STORE_TOLD_SOON, store=str(place / "store")) as (broker, daemon):
        sensors = speaking(broker, daemon)
        device = subprocess.run(
            ["findmnt", "-no", "SOURCE", str(place)], capture_output=True, text=True, check=True
        ).stdout.strip()
        Path(f"/sys/fs/ext4/{Path(device).name}/trigger_fs_error").write_text("a fault by the test")
        turn_bad(sensors)
        saw = "alarm store_failing" if wait_until(lambda: "store_failing" in open_alarms(daemon), 20) else ""
        unwell = is_unwell(daemon)
        # A read-only file system that met an error must be checked before it may be written again: a restart mends it.
        told = sensors.stop()
        daemon.stop()
        gc.collect()  # our own looks into the store, which hold the file system
        subprocess.run(["umount", str(place)], check=True)
        subprocess.run(["e2fsck", "-fy", str(folder / "card.img")], capture_output=True, check=False)
        subprocess.run(["mount", "-o", "loop", str(folder / "card.img"), str(place)], check=True)
        began = time.monotonic()
        daemon.start()
        wait_until(lambda: is_all_stored(daemon, told), 20)
        row = counted(daemon, told)
        sign = "health address unwell, ping stops" if unwell else ""
        return Row("card read-only, restart", *row, time.monotonic() - began, saw, sign, daemon.is_alive)
