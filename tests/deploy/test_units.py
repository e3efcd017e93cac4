"""The services as the service manager reads them: no word it does not know, no privilege the daemon can live without."""

from __future__ import annotations

import ctypes
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"
UNITS = sorted((DEPLOY / "systemd").glob("*.service"))
HIGHEST_EXPOSURE = 2.0  # our own limit; systemd-analyze(1) runs from 0 to 10 and calls up to 2.9 "OK"
# What brings a service below that limit, of the settings systemd-analyze counts; each is worth it to both services.
HARDENED = (
    "CapabilityBoundingSet=",
    "NoNewPrivileges=yes",
    "ProtectHome=yes",
    "PrivateTmp=yes",
    "PrivateDevices=yes",
    "PrivateUsers=yes",
    "PrivateMounts=yes",
    "ProtectKernelTunables=yes",
    "ProtectKernelModules=yes",
    "ProtectKernelLogs=yes",
    "ProtectControlGroups=yes",
    "ProtectProc=invisible",
    "RestrictNamespaces=yes",
    "RestrictRealtime=yes",
    "RestrictSUIDSGID=yes",
    "LockPersonality=yes",
    "MemoryDenyWriteExecute=yes",
    "SystemCallArchitectures=native",
    "SystemCallFilter=@system-service",
    "User=warmstraw",
)


def lines(unit: Path) -> list[str]:
    return [line for line in unit.read_text().splitlines() if line and not line.startswith("#")]


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_a_service_has_no_more_privilege_than_it_needs(unit: Path) -> None:
    """Broken into, the daemon can do little more than what it does anyway."""
    assert [setting for setting in HARDENED if setting not in lines(unit)] == []
    if shutil.which("systemd-analyze") is None:
        return  # the settings it counts have been looked at above
    told = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", str(unit)], capture_output=True, text=True, check=True
    )
    found = re.search(r"Overall exposure level for \S+: ([\d.]+)", told.stdout)
    assert found is not None, told.stdout
    assert float(found[1]) <= HIGHEST_EXPOSURE


def test_the_service_comes_back_after_anything_but_does_not_hammer() -> None:
    """Years without a visitor: it never gives up, waits between tries, and is ended when it stands still."""
    said = lines(DEPLOY / "systemd/warmstraw.service")
    for setting in ("Type=notify", "Restart=always", "StartLimitIntervalSec=0", "WatchdogSec=60", "WantedBy=multi-user.target"):
        assert setting in said
    assert "RestartSec=5" in said
    assert any(line.startswith("LogRateLimitBurst=") for line in said)


def test_what_would_blind_the_daemon_is_not_set() -> None:
    """ProtectClock forbids asking whether the clock is kept right; ProcSubset=pid hides the boot's own id."""
    said = lines(DEPLOY / "systemd/warmstraw.service")
    assert not [line for line in said if line.startswith(("ProtectClock=", "ProcSubset="))]
    assert "SystemCallFilter=adjtimex clock_adjtime" in said


@pytest.mark.skipif(sys.platform != "linux", reason="prctl is Linux's")  # the daemon itself runs on Linux only
def test_the_daemon_loads_where_no_memory_may_be_both_written_and_run() -> None:
    """MemoryDenyWriteExecute breaks some libraries; ours, and the clock's ctypes call, bear it."""
    deny = 65  # PR_SET_MDWE of prctl(2), Linux 6.3 and later; older kernels answer EINVAL
    script = (
        "import monitor.daemon.watch, monitor.notify.channels, argon2\n"
        "from monitor.daemon.clocks import MachineClocks\n"
        "print(MachineClocks(True).glance().boot_id, argon2.PasswordHasher(memory_cost=1024).hash('x')[:7])\n"
    )

    def denied() -> None:
        ctypes.CDLL(None, use_errno=True).prctl(deny, 1, 0, 0, 0)

    told = subprocess.run(
        [sys.executable, "-c", script],
        preexec_fn=denied,
        capture_output=True,
        text=True,
        check=False,
        cwd=DEPLOY.parent,
        env={**os.environ, "PYTHONPATH": str(DEPLOY.parent)},
    )
    assert told.returncode == 0, told.stderr
    assert told.stdout.endswith("$argon2\n")


def test_every_command_a_unit_runs_is_in_the_tree() -> None:
    """A renamed script would show only on the night it is needed."""
    for unit in (DEPLOY / "systemd").rglob("*.*"):
        for path in re.findall(r"/opt/warmstraw/current/(deploy/\S+)", unit.read_text() if unit.is_file() else ""):
            assert (DEPLOY.parent / path).is_file(), f"{unit.name} names {path}"


@pytest.mark.parametrize("script", sorted(DEPLOY.rglob("*.sh")), ids=lambda script: script.name)
def test_every_script_is_plain_sh_and_may_be_run(script: Path) -> None:
    """Debian's sh is dash, and a unit needs the mode bit."""
    assert os.access(script, os.X_OK)
    subprocess.run(["sh", "-n", str(script)], check=True)
    if shutil.which("dash"):
        subprocess.run(["dash", "-n", str(script)], check=True)
