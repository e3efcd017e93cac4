"""install.sh run whole in a clean Debian: every file, account and program is real; only the service manager is absent.

What needs the service manager itself, a new daemon that does not become healthy above all, is tried on a booted
system by tests/bench/booted_board.py.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.deploy.clean_root import roomy, source_copy, unpack, wheels

pytestmark = pytest.mark.skipif(
    os.geteuid() != 0 or shutil.which("debootstrap") is None,  # an ordinary user has no chroot; tests/run says what to install
    reason="needs root and debootstrap: a clean system cannot be made without them",
)

ETC, OPT, DATA = "etc/warmstraw", "opt/warmstraw", "var/lib/warmstraw"
CSV = "time,sensor,value\n2026-05-01T06:40:00Z,brooder/ammonia,18\n2026-05-01T06:41:00Z,brooder/ammonia,19\n"
LATER = "time,sensor,value\n2026-05-01T06:42:00Z,brooder/ammonia,20\n"


class Board:
    """A clean system and the source that is installed into it."""

    def __init__(self, root: Path, source: Path, packages: Path) -> None:
        self.root, self.source, self._packages = root, source, packages

    def install(self, *words: str, wrong: bool = False, answer: str = "") -> str:
        """Run install.sh on it; what it said. `wrong`: it must fail."""
        script = ["sh", str(self.source / "deploy/install.sh"), "--root", str(self.root), *words]
        if not {"--check", "--uninstall", "--rollback"} & set(words):
            script += ["--wheels", str(self._packages)]
        clean = {name: value for name, value in os.environ.items() if not name.startswith("PIP_")}
        clean["PIP_NO_COMPILE"] = "1"  # byte code is half the time of an installation, and none of what is tested
        done = subprocess.run(script, capture_output=True, text=True, input=answer, env=clean, check=False, timeout=300)
        said = done.stdout + done.stderr
        assert (done.returncode != 0) is wrong, f"exit code {done.returncode}:\n{said}"
        return said

    def run(self, *words: str, user: str = "warmstraw", given: str = "") -> subprocess.CompletedProcess[str]:
        """A command in it, as that user."""
        who = ["setpriv", f"--reuid={user}", f"--regid={user}", "--clear-groups"]
        return subprocess.run(["chroot", str(self.root), *who, *words], capture_output=True, text=True, input=given, check=False)

    def warmstraw(self, *words: str, given: str = "") -> str:
        done = self.run("/usr/local/bin/warmstraw", *words, given=given)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def describe_barn(self) -> None:
        """What the keeper does after the first run."""
        self.run("cp", "/etc/warmstraw/warmstraw.toml.example", "/etc/warmstraw/warmstraw.toml", user="root")

    def change(self, file: str, old: str, new: str) -> None:
        """Another version of the source."""
        text = (self.source / file).read_text()
        assert old in text
        (self.source / file).write_text(text.replace(old, new, 1))

    def pointed(self, name: str) -> str:
        link = self.root / OPT / name
        return os.readlink(link) if link.is_symlink() else ""

    def readings(self) -> int:
        return self.warmstraw("export", "-").count("brooder/ammonia")


@pytest.fixture(scope="module")
def packages() -> Path:
    return wheels(Path(sys.executable))


@pytest.fixture(scope="module")
def room() -> Iterator[Path]:
    """A folder for whole systems."""
    with tempfile.TemporaryDirectory(prefix="warmstraw-install-", dir=roomy()) as folder:
        yield Path(folder)


@pytest.fixture(scope="module")
def fresh(room: Path, packages: Path) -> Board:
    """Installed once, for the tests that only look."""
    board = Board(unpack(room / "fresh"), source_copy(room / "source"), packages)
    board.install()
    return board


@pytest.fixture
def board(fresh: Board, room: Path, packages: Path) -> Iterator[Board]:
    """A copy of it with a barn described and two readings kept, for the tests that change it."""
    with tempfile.TemporaryDirectory(dir=room) as name:
        root = Path(name) / "root"
        subprocess.run(["cp", "-a", str(fresh.root), str(root)], check=True)
        shutil.copytree(fresh.source, Path(name) / "source")
        copy = Board(root, Path(name) / "source", packages)
        copy.describe_barn()
        copy.warmstraw("take-in", "-", given=CSV)
        yield copy


def test_a_second_run_changes_nothing(fresh: Board) -> None:
    """It may be run again after any doubt: not one file is written, not one secret renewed."""

    def picture() -> dict[str, tuple[int, int]]:
        places = [fresh.root / place for place in ("etc", OPT, "usr/local", DATA)]
        files = [file for place in places for file in place.rglob("*") if file.is_file() and not file.is_symlink()]
        return {
            str(file): (file.stat().st_mtime_ns, file.stat().st_mode) for file in files if file.name not in (".placed", ".lock")
        }

    before = picture()
    assert "nothing was to be changed" in fresh.install()
    assert picture() == before


def test_check_names_what_is_missing_and_changes_nothing(fresh: Board) -> None:
    """Right after the installation one thing is wanting: the keeper's own settings."""
    said = fresh.install("--check", wrong=True)
    assert [line for line in said.splitlines() if "WRONG" in line] == [
        "  WRONG  there are settings, /etc/warmstraw/warmstraw.toml"
    ]


HARMS = {
    "chmod 644 /etc/warmstraw/broker-password": "the daemon's password at the broker",
    "rm /etc/systemd/system/multi-user.target.wants/warmstraw.service": "it starts with the board",
    "echo 'WatchdogSec=0' >>/etc/systemd/system/warmstraw.service": "warmstraw.service is this version's",
    "echo 'allow_anonymous true' >>/etc/mosquitto/conf.d/warmstraw.conf": "the broker's settings are this version's",
    "echo 'x = 1' >>/etc/warmstraw/warmstraw.toml": "the settings are sound",
    "chown root /var/lib/warmstraw": "belongs to the daemon alone",
    "sed -i '/^user warmstraw/d' /etc/mosquitto/warmstraw/access": "access control is in place",
}


def test_check_finds_what_was_spoilt(board: Board) -> None:
    """Each thing it looks at is really looked at: of a sound board it names none, of one spoilt in seven places those seven."""

    def wrong() -> list[str]:
        return [line for line in board.install("--check", wrong=True).splitlines() if "WRONG" in line]

    assert "all is as it should be" in board.install("--check")
    board.run("sh", "-c", " && ".join(HARMS), user="root")
    found = wrong()
    for named in HARMS.values():
        assert len([line for line in found if named in line]) == 1, (named, found)
    assert len(found) == len(HARMS), found
    board.run("rm", "/opt/warmstraw/current", user="root")
    assert any("the program is whole" in line for line in wrong())


def test_secrets_are_nobody_elses_and_the_program_cannot_change_itself(fresh: Board) -> None:
    """The daemon's user reads its secrets and writes its own folder; other users of the board do neither."""
    for secret in ("etc/warmstraw/broker-password", "etc/warmstraw/token", "etc/mosquitto/warmstraw/passwords"):
        assert fresh.run("cat", f"/{secret}", user="nobody").returncode != 0, secret
    assert fresh.run("cat", "/etc/warmstraw/token").returncode == 0
    assert fresh.run("ls", "/var/lib/warmstraw", user="nobody").returncode != 0
    writable = fresh.run("find", "/opt/warmstraw", "/etc", "/usr/local", "!", "-type", "l", "-writable").stdout
    assert writable == ""
    passwords = fresh.run("cat", "/etc/mosquitto/warmstraw/passwords", user="mosquitto")
    assert passwords.stdout.startswith("warmstraw:$7$"), "the broker must be able to read its accounts"


def test_what_root_does_by_the_command_stays_the_daemons(board: Board) -> None:
    """`sudo warmstraw password` and `journal` are what a keeper types; nothing they write may shut the daemon out."""
    for words, given in ((("password",), "a long enough password\n"), (("journal", "--add", "litter changed"), "")):
        done = board.run("/usr/local/bin/warmstraw", *words, user="root", given=given)
        assert done.returncode == 0, done.stdout + done.stderr
    assert board.run("find", "/var/lib/warmstraw", "!", "-user", "warmstraw", user="root").stdout == ""


def test_the_example_holds_the_accounts_and_a_client_id_of_its_own(board: Board) -> None:
    """The first settings sign in to the broker without anybody copying a password."""
    written = (board.root / ETC / "warmstraw.toml").read_text()
    assert re.search(r'^client_id = "warmstraw-[0-9a-f]{12}"$', written, re.M)
    password = (board.root / ETC / "broker-password").read_text().strip()
    assert password not in written
    assert password not in board.warmstraw("check")


def test_installed_broker_and_daemon_work_together(board: Board) -> None:
    """As installed, each as its own user, on a network of their own: a sensor's reading makes the daemon healthy."""
    told = subprocess.run(
        ["unshare", "--net", "--", sys.executable, str(Path(__file__).with_name("first_minute.py")), str(board.root)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert told.returncode == 0, told.stdout + told.stderr
    assert "well" in told.stdout


def test_an_update_keeps_the_way_back_and_what_the_keeper_changed(board: Board) -> None:
    """The former version and a copy of the store stay; a port moved by hand is not moved back; going back loses no reading."""
    old = board.pointed("current")
    mine = board.root / "etc/mosquitto/conf.d/warmstraw.conf"
    mine.write_text(mine.read_text().replace("listener 1883", "listener 1884"))
    board.change("deploy/mosquitto/warmstraw.conf", "sys_interval 60", "sys_interval 30")

    said = board.install("--update")
    assert board.pointed("current") != old
    assert board.pointed("former") == old
    assert [file.name for file in (board.root / DATA / "backups").iterdir()] == [f"before-update-from-{old}.sqlite"]
    assert "kept your /etc/mosquitto/conf.d/warmstraw.conf" in said
    assert "listener 1884" in mine.read_text()
    assert "sys_interval 30" in mine.with_name("warmstraw.conf.new").read_text()

    board.warmstraw("take-in", "-", given=LATER)
    board.install("--rollback")
    assert board.pointed("current") == old
    assert board.readings() == 3


@pytest.mark.parametrize(
    ("file", "old", "new", "told"),
    [
        ("monitor/daemon/watch.py", "\nfrom monitor.", "\nimport no_such_module\nfrom monitor.", "the new program does not run"),
        ("monitor/settings/written.py", "    commit_every:", "    write_every:", "does not take your settings"),
    ],
)
def test_a_version_that_cannot_run_here_is_not_taken(board: Board, file: str, old: str, new: str, told: str) -> None:
    """The version that watches the birds goes on as if nothing had been tried."""
    before = board.pointed("current")
    board.change(file, old, new)
    assert told in board.install("--update", wrong=True)
    assert board.pointed("current") == before
    assert board.readings() == 2


def test_going_back_restores_the_store_where_its_format_had_changed(board: Board) -> None:
    """The former program could not read the newer store; it gets the copy from before, and the newer one is kept."""
    old = board.pointed("current")
    steps = re.search(r"^STEPS: .*\)$", (board.source / "monitor/store/schema.py").read_text(), re.MULTILINE)
    assert steps is not None
    more = steps[0].removesuffix(")") + ', ("CREATE TABLE later_thing (x)",))'
    board.change("monitor/store/schema.py", steps[0], more)
    board.install("--update")
    board.warmstraw("take-in", "-", given=LATER)  # the newer program opens the store, and changes its format
    assert board.readings() == 3
    said = board.install("--rollback")
    assert "the store is that of before the update" in said
    assert board.pointed("current") == old
    assert board.readings() == 2
    assert list((board.root / DATA).glob("store.sqlite.replaced-*"))


def test_removing_keeps_the_data_and_purge_asks_for_the_word_itself(board: Board) -> None:
    """A keeper who removes it in anger has lost nothing, and a slip of Enter deletes nothing."""
    assert "Readings stay in /var/lib/warmstraw" in board.install("--uninstall")
    assert list((board.root / "etc/systemd").rglob("*warmstraw*")) == []
    assert not (board.root / OPT).exists()
    assert (board.root / DATA / "store.sqlite").exists()
    board.install("--uninstall", "--purge", answer="y\n", wrong=True)
    assert (board.root / DATA / "store.sqlite").exists()
    board.install("--uninstall", "--purge", answer="purge\n")
    assert [place for place in (ETC, DATA, "etc/mosquitto/warmstraw") if (board.root / place).exists()] == []
    assert "warmstraw" not in (board.root / "etc/passwd").read_text()
