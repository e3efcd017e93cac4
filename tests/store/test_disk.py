"""A disk that is full or read-only: told in words, nothing half stored, and all is well again when the disk is."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.store import backup
from monitor.store.failures import BackupFailing, StoreFailing, StoreFull, StoreReadOnly
from monitor.store.keep import Batch, Store
from monitor.store.reader import Reader

ROOT = Path(__file__).parents[2]


def mounted(place: Path) -> bool:
    """Whether a small file system could be mounted here; that takes root."""
    command = ["mount", "-t", "tmpfs", "-o", "size=400k", "none", str(place)]
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path | None]:
    """A file system of 400 kB, or None where this user may not mount one."""
    place = tmp_path / "disk"
    place.mkdir()
    if not mounted(place):
        yield None
        return
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def numbered(say, n: int) -> Batch:
    readings = [say.keep("a/b", float(n), n * 1000 + k) for k in range(20)]
    return say.batch(*readings, state=os.urandom(300).hex(), at=float(n))


def commit_until_it_fails(store: Store, say) -> tuple[Batch, StoreFailing]:
    """The batch that met the full disk, and what was said."""
    for n in range(10_000):
        batch = numbered(say, n)
        try:
            store.commit(batch)
        except StoreFailing as told:
            return batch, told
    raise AssertionError("the disk never got full")


def test_a_full_disk_is_told_and_nothing_is_half_stored(small_disk, tmp_path, say):
    """The batch that met the full disk is stored whole, once, when there is room again; nothing before it is lost."""
    folder = small_disk or tmp_path
    ballast = folder / "ballast"
    former = resource.getrlimit(resource.RLIMIT_FSIZE)
    with Store.open(folder) as store:
        if small_disk:
            ballast.write_bytes(b"\0" * 150_000)
        else:  # an ordinary user: files that may not grow, the nearest thing to a full disk
            resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, former[1]))
        try:
            batch, told = commit_until_it_fails(store, say)
            if small_disk:
                assert isinstance(told, StoreFull)
                assert "No room left" in told.cause
                assert "Free some space" in told.advice
            with pytest.raises(type(told)):
                store.commit(batch)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, former)
            ballast.unlink(missing_ok=True)
        assert batch.at > 3
        assert store.commit(batch).readings == 20
        assert store.load().at == batch.at
        while store.tidy(None, move_from=1).more:
            pass
    with Reader(folder) as reader:
        assert [r.value for r in reader.readings(None)] == [float(n) for n in range(int(batch.at) + 1) for _ in range(20)]


def test_a_full_disk_refuses_a_backup_before_it_begins(small_disk, tmp_path, say):
    """No half a backup is left lying on a disk that is full anyway."""
    if small_disk is None:
        pytest.skip("needs root, to mount a small file system")
    folder = tmp_path / "store"
    with Store.open(folder) as store:
        store.commit(say.batch(*[say.keep("a/b", float(n), n) for n in range(40_000)]))
        store.tidy(None, move_from=1)
    with pytest.raises(BackupFailing, match="MB free, the backup needs"):
        backup.backup(folder, small_disk / "copy.sqlite")
    assert list(small_disk.iterdir()) == []


def test_a_disk_that_turns_read_only_is_told(small_disk, say):
    """A card that the kernel has remounted read-only after an error: said so, and readings can still be looked at."""
    if small_disk is None:
        pytest.skip("needs root, to mount a small file system")
    store = Store.open(small_disk)
    store.commit(say.batch(say.keep("a/b", 1.0)))
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=False, capture_output=True)
    store.close()
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(StoreReadOnly, match="mounted read-only after an error"):
        Store.open(small_disk)
    subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)
    with Store.open(small_disk) as store:
        assert store.commit(say.batch(say.keep("a/b", 2.0, 1000))).readings == 1


def test_a_folder_without_permission_is_told(say):
    """A user who may not write the folder hears which one it is, and why."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o555)
    # The child gives up root, if it has it, only after the imports.
    script = f"""
import os
from monitor.store.failures import StoreReadOnly
from monitor.store.keep import Store
if os.getuid() == 0:
    os.setuid(65534)
try:
    Store.open({str(folder)!r})
except StoreReadOnly as told:
    print(told)
"""
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    folder.rmdir()
    assert str(folder) in done.stdout
    assert "belongs to the daemon's user" in done.stdout
