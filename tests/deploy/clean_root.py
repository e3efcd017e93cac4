"""A clean Debian to install into: made once by debootstrap and kept as an archive, then unpacked for each test module.

Making it takes a minute of an idle machine's two cores; unpacking two seconds. The archive stands in the user's cache folder
and is renewed when it is older than a month or the list of packages changes.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import time
from pathlib import Path

CACHE = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "warmstraw-tests"
OLDEST_S = 30 * 86400.0
SUITE = "bookworm"
# What install.sh would fetch itself is part of it, so that a test of the script needs no net of its own.
PLAIN = ("python3-venv", "mosquitto", "mosquitto-clients")
BOOTABLE = (*PLAIN, "systemd", "systemd-sysv", "dbus")
MEMORY = Path("/dev/shm")


def mirror() -> str:
    """Where this machine's own packages come from: its apt knows."""
    asked = ["apt-get", "indextargets", "--format", "$(RELEASE) $(SITE)", "Created-By: Packages"]
    lines = subprocess.run(asked, capture_output=True, text=True, check=True).stdout.split("\n")
    sites = [line.split(" ", 1)[1] for line in lines if line.startswith(f"{SUITE} ")]
    assert sites, f"apt on this machine knows no {SUITE} to make a clean system from"
    return sites[0]


def roomy() -> Path:
    """Where a system is made, unpacked and thrown away: in memory where there is room, for dpkg syncs each file."""
    has_room = MEMORY.is_dir() and shutil.disk_usage(MEMORY).free > 1_500_000_000
    if has_room and not os.statvfs(MEMORY).f_flag & (os.ST_NODEV | os.ST_NOEXEC):
        return MEMORY
    return Path(os.environ.get("TMPDIR") or "/tmp")


def archive(packages: tuple[str, ...] = PLAIN) -> Path:
    """The archive of a clean system; made when there is none yet."""
    named = hashlib.sha256(" ".join((SUITE, *packages)).encode()).hexdigest()[:8]
    kept = CACHE / f"{SUITE}-{named}.tar"
    if kept.exists() and time.time() - kept.stat().st_mtime < OLDEST_S:
        return kept
    CACHE.mkdir(parents=True, exist_ok=True)
    place = roomy() / f"warmstraw-debootstrap-{os.getpid()}"
    try:
        made = subprocess.run(
            ["debootstrap", "--variant=minbase", f"--include={','.join(packages)}", SUITE, str(place), mirror()],
            capture_output=True,
            text=True,
            check=False,
        )
        assert made.returncode == 0, f"debootstrap failed:\n{made.stdout[-2000:]}{made.stderr[-2000:]}"
        part = kept.with_suffix(".part")
        leave_out = ["--exclude=./var/cache/apt/archives/*.deb", "--exclude=./usr/share/doc/*", "--exclude=./dev/*"]
        subprocess.run(["tar", "-C", str(place), *leave_out, "-cf", str(part), "."], check=True)
        part.rename(kept)
    finally:
        shutil.rmtree(place, ignore_errors=True)
    return kept


def source_copy(folder: Path) -> Path:
    """The tree as it is now, in a folder of its own: others may be at work on this one."""
    root = Path(__file__).parents[2]
    folder.mkdir(parents=True)
    for name in ("monitor", "deploy", "config"):
        shutil.copytree(root / name, folder / name, ignore=shutil.ignore_patterns("__pycache__", "*.pyc"))
    for name in ("pyproject.toml", "README.md"):
        shutil.copy2(root / name, folder / name)
    return folder


def wheels(python: Path) -> Path:
    """A folder with every package the daemon needs, filled by make-wheels.sh; kept beside the archive."""
    root = Path(__file__).parents[2]
    pinned = hashlib.sha256((root / "pyproject.toml").read_bytes() + (root / "deploy/constraints.txt").read_bytes()).hexdigest()[
        :8
    ]
    kept = CACHE / f"wheels-{pinned}"
    if not kept.exists():
        CACHE.mkdir(parents=True, exist_ok=True)
        part = kept.with_suffix(".part")
        shutil.rmtree(part, ignore_errors=True)
        made = ["sh", str(source_copy(part / "source") / "deploy/make-wheels.sh"), str(part / "wheels"), str(python)]
        subprocess.run(made, check=True, capture_output=True)
        (part / "wheels").rename(kept)
        shutil.rmtree(part)
    return kept


def unpack(folder: Path, packages: tuple[str, ...] = PLAIN) -> Path:
    """A clean system below `folder`."""
    folder.mkdir(parents=True)
    subprocess.run(["tar", "-C", str(folder), "-xpf", str(archive(packages))], check=True)
    (folder / "dev").mkdir(exist_ok=True)
    for name, numbers in (("null", (1, 3)), ("zero", (1, 5)), ("random", (1, 8)), ("urandom", (1, 9))):
        node = folder / "dev" / name
        if not node.exists():
            os.mknod(node, 0o20666, os.makedev(*numbers))
            node.chmod(0o666)
    return folder
