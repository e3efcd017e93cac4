"""The morning's look at the backup: real stores, real backups, a second file system where there is one."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from deploy.second_copy import KEPT, OLDEST_S, main
from monitor.engine.events import Keep
from monitor.store.backup import verify
from monitor.store.keep import Store
from monitor.store.nightly import nightly

ROOT = Path(__file__).parents[2]


@pytest.fixture
def barn(tmp_path: Path) -> tuple[Path, list[str]]:
    """A store with one reading and last night's backup, and the settings that name it."""
    folder = tmp_path / "store"
    settings = tmp_path / "warmstraw.toml"
    text = (ROOT / "config/brooder.toml").read_text()
    settings.write_text(text.replace('folder = "/var/lib/warmstraw"', f'folder = "{folder}"'))
    with Store.open(folder) as store:
        store.add_readings([Keep("brooder/ammonia", 18.0, 0.0, 1_777_617_600_000, False)])
    nightly(folder, "2026-05-01.sqlite")
    return folder, [str(settings)]


@pytest.fixture
def stick() -> Iterator[Path]:
    """A folder on another file system than pytest's own."""
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:  # Linux has it always: shm_overview(7)
        yield Path(folder)


def last_night(folder: Path) -> float:
    return (folder / "backups/2026-05-01.sqlite").stat().st_mtime


def test_a_young_sound_backup_is_told_with_its_rows(barn: tuple[Path, list[str]], capsys: pytest.CaptureFixture[str]) -> None:
    """The log says each morning how much would come back."""
    folder, settings = barn
    assert main(settings, {}, last_night(folder) + 3600) == 0
    assert "2026-05-01.sqlite" in capsys.readouterr().out


def test_a_missed_night_is_told_on_the_next_morning(barn: tuple[Path, list[str]], capsys: pytest.CaptureFixture[str]) -> None:
    """Silence about backups is how they are found missing, on the day they are needed."""
    folder, settings = barn
    assert main(settings, {}, last_night(folder) + OLDEST_S + 1) == 1
    assert "36 hours old" in capsys.readouterr().err
    (folder / "backups/2026-05-01.sqlite").unlink()
    assert main(settings, {}, 0.0) == 1
    assert "there is no nightly backup" in capsys.readouterr().err


def test_a_damaged_backup_is_found(barn: tuple[Path, list[str]], capsys: pytest.CaptureFixture[str]) -> None:
    """It is read whole, not only looked for."""
    folder, settings = barn
    file = folder / "backups/2026-05-01.sqlite"
    size, written = file.stat().st_size, last_night(folder)
    with file.open("r+b") as spoilt:
        spoilt.seek(size // 2)
        spoilt.write(os.urandom(size // 4))
    assert main(settings, {}, written) == 1
    assert "replace it" in capsys.readouterr().err


def test_the_copy_on_the_stick_is_whole_and_the_oldest_go(barn: tuple[Path, list[str]], stick: Path) -> None:
    """Fourteen nights on the stick, each of them a store that opens."""
    folder, settings = barn
    for day in range(KEPT):
        (stick / f"2026-04-{day + 1:02}.sqlite").write_bytes(b"older")
    (stick / "holiday.jpg").write_bytes(b"the keeper's own")
    assert main(settings, {"SECOND_COPY": str(stick)}, last_night(folder)) == 0
    assert verify(stick / "2026-05-01.sqlite") == verify(folder / "backups/2026-05-01.sqlite")
    names = sorted(file.name for file in stick.iterdir())
    assert len(names) == KEPT + 1
    assert "2026-04-01.sqlite" not in names
    assert "holiday.jpg" in names


def test_a_stick_that_is_not_in_is_told(barn: tuple[Path, list[str]], stick: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Its empty mount point lies on the card itself: a copy there would protect from nothing."""
    folder, settings = barn
    mount_point = folder.parent / "stick"
    mount_point.mkdir()
    assert main(settings, {"SECOND_COPY": str(mount_point)}, last_night(folder)) == 1
    assert "same medium" in capsys.readouterr().err
    assert main(settings, {"SECOND_COPY": str(stick / "gone")}, last_night(folder)) == 1
    assert "put the medium in" in capsys.readouterr().err
