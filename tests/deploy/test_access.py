"""Who may say what at the barn's broker: real mosquitto, our settings, accounts made by add-device.sh."""

from __future__ import annotations

import re
import signal
import subprocess
from collections.abc import Callable
from typing import Any

import pytest

PROBE, COMMAND, REPORT, SIREN = (
    "millrise/brooder/probe1",
    "millrise/brooder/fan/set",
    "millrise/brooder/fan/state",
    "millrise/siren",
)
ALIVE = "warmstraw/Mill Rise/alive"

Make = Callable[..., Any]


@pytest.fixture
def barn(make_barn: Make) -> Any:
    """A broker with one account of each kind; `keys` holds their passwords."""
    barn = make_barn()
    barn.keys = {
        "warmstraw": barn.password("daemon"),
        "probe1": barn.password("sensor", "probe1", PROBE),
        "fan": barn.password("relay", "fan", COMMAND, REPORT, "Mill Rise"),
        "siren": barn.password("siren", "siren", SIREN),
        "eye": barn.password("yard", "eye"),
    }
    barn.put("warmstraw.conf")
    return barn.start()


# From the promises of each account in add-device.sh; the site's name holds a space on purpose.
@pytest.mark.parametrize(
    ("who", "allowed", "refused"),
    [
        ("probe1", [PROBE], ["millrise/brooder/probe2", COMMAND, REPORT, SIREN, ALIVE, "warmstraw/Mill Rise/answer", "$SYS/x"]),
        ("fan", [REPORT], [COMMAND, PROBE, SIREN, ALIVE]),
        ("siren", [], [SIREN, COMMAND, PROBE]),
        ("eye", [], [ALIVE, "warmstraw/Mill Rise/answer", PROBE]),
        (
            "warmstraw",
            [COMMAND, SIREN, ALIVE, f"{ALIVE}/mark", "warmstraw/Mill Rise/answer", "warmstraw/Mill Rise/brooder/fan"],
            [PROBE, REPORT, "millrise/other"],
        ),
    ],
)
def test_each_account_publishes_its_own_topics_and_no_other(
    barn: Any, connect: Make, who: str, allowed: list[str], refused: list[str]
) -> None:
    """A stolen sensor cannot switch the fan, silence the siren or speak for the daemon."""
    device = connect(barn.port, who, barn.keys[who])
    assert device.is_in
    assert [topic for topic in allowed if not device.may_publish(topic)] == []
    assert [topic for topic in refused if device.may_publish(topic)] == []


def test_a_relay_hears_its_command_and_alive_and_nothing_else(barn: Any, connect: Make, wait_until: Make) -> None:
    """What a stolen relay could overhear is its own command."""
    fan, daemon = connect(barn.port, "fan", barn.keys["fan"]), connect(barn.port, "warmstraw", barn.keys["warmstraw"])
    fan.listen(COMMAND, ALIVE, "#", PROBE)
    daemon.may_publish(ALIVE, "here", retain=True)
    daemon.may_publish("warmstraw/Mill Rise/answer", "secret")
    connect(barn.port, "probe1", barn.keys["probe1"]).may_publish(PROBE, "31.5")
    daemon.may_publish(COMMAND, "ON")
    assert wait_until(lambda: fan.last(COMMAND) == b"ON")
    assert {topic for topic, _, _ in fan.heard} == {COMMAND, ALIVE}


def test_the_daemon_hears_sensors_reports_and_the_brokers_own_counts(barn: Any, connect: Make, wait_until: Make) -> None:
    """Nothing in the barn is hidden from the daemon, the count of dropped messages included."""
    daemon = connect(barn.port, "warmstraw", barn.keys["warmstraw"])
    daemon.listen("#", "$SYS/broker/version")
    connect(barn.port, "probe1", barn.keys["probe1"]).may_publish(PROBE, "31.5")
    connect(barn.port, "fan", barn.keys["fan"]).may_publish(REPORT, "ON")
    assert wait_until(lambda: {PROBE, REPORT, "$SYS/broker/version"} <= {topic for topic, _, _ in daemon.heard})


def test_a_sensor_hears_nothing(barn: Any, connect: Make, wait_until: Make) -> None:
    """A sensor has no reason to listen, and so it cannot learn what others do."""
    probe, daemon = connect(barn.port, "probe1", barn.keys["probe1"]), connect(barn.port, "warmstraw", barn.keys["warmstraw"])
    probe.listen("#", COMMAND)
    daemon.listen(COMMAND)
    daemon.may_publish(COMMAND, "ON")
    assert wait_until(lambda: daemon.last(COMMAND) == b"ON")
    probe.may_publish(PROBE)  # its receipt comes after anything the broker had for it
    assert probe.heard == []


@pytest.mark.parametrize(("name", "password"), [("probe1", "guess"), ("probe1", None), ("nobody", "guess"), ("", None)])
def test_nobody_comes_in_without_the_right_password(barn: Any, connect: Make, name: str, password: str | None) -> None:
    """No anonymous client, no wrong password, no empty one."""
    assert not connect(barn.port, name, password).is_in


def test_an_account_made_while_the_broker_runs_comes_in_and_a_removed_one_does_not(
    barn: Any, connect: Make, wait_until: Make
) -> None:
    """A sensor is added and taken away without a restart that would lose readings."""
    password = barn.password("sensor", "probe2", "millrise/brooder/probe2")
    assert wait_until(lambda: connect(barn.port, "probe2", password).is_in, 5.0)
    assert connect(barn.port, "probe2", password).may_publish("millrise/brooder/probe2")
    barn.device("remove", "probe2")
    assert wait_until(lambda: not connect(barn.port, "probe2", password).is_in, 5.0)
    assert connect(barn.port, "probe1", barn.keys["probe1"]).is_in


def test_a_new_password_ends_the_old_one(barn: Any, connect: Make, wait_until: Make) -> None:
    """A device that was stolen and replaced leaves a key that no longer fits."""
    password = barn.password("sensor", "probe1", PROBE)
    assert password != barn.keys["probe1"]
    assert wait_until(lambda: not connect(barn.port, "probe1", barn.keys["probe1"]).is_in, 5.0)
    assert connect(barn.port, "probe1", password).is_in


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["sensor", "probe1", "millrise/#"], "without + or #"),
        (["sensor", "probe1", "millrise/+/t"], "without + or #"),
        (["sensor", "probe1", "warmstraw/Mill Rise/alive"], "the daemon's own"),
        (["sensor", "probe1", "a/b\nuser warmstraw"], "cannot be printed"),
        (["sensor", "probe1", ""], "expected a plain topic"),
        (["sensor", "$SYS", "a/b"], "expected letters"),
        (["sensor", "two words", "a/b"], "expected letters"),
        (["sensor", "a:b", "a/b"], "expected letters"),
        (["sensor", "warmstraw", "a/b"], "the daemon's own account"),
        (["relay", "fan", "a/b", "a/b", "Mill Rise"], "must differ"),
        (["remove", "nobody"], "no account"),
        (["sensor", "probe1"], "usage"),
        (["frobnicate"], "usage"),
    ],
)
def test_a_wrong_device_is_refused_in_words_and_changes_nothing(make_barn: Make, words: list[str], told: str) -> None:
    """No slip of the keyboard opens the broker wider than was meant."""
    barn = make_barn()
    barn.device("daemon")
    before = (barn.accounts / "access").read_text(), (barn.accounts / "passwords").read_text()
    with pytest.raises(ValueError, match=re.escape(told)):
        barn.device(*words)
    assert ((barn.accounts / "access").read_text(), (barn.accounts / "passwords").read_text()) == before


def test_what_is_printed_goes_into_the_firmware_and_the_password_is_kept_only_as_a_hash(make_barn: Make) -> None:
    """One look at the printed lines is all a person needs at the bench; the file is of no use to a thief."""
    barn = make_barn()
    told = barn.device("relay", "fan", COMMAND, REPORT, "Mill Rise/east")
    password = next(line.split()[1] for line in told.splitlines() if "password  " in line)
    assert all(word in told for word in ("barn.example", "1883", COMMAND, REPORT, "warmstraw/Mill Rise-east/alive"))
    stored = (barn.accounts / "passwords").read_text()
    assert stored.startswith("fan:$7$")  # PBKDF2 with SHA-512, as mosquitto_passwd(1) of 2.0 writes it
    assert password not in stored
    assert (barn.accounts / "passwords").stat().st_mode & 0o007 == 0


def test_readings_wait_through_a_restart_of_the_broker(barn: Any, connect: Make, wait_until: Make) -> None:
    """While the daemon is away the broker holds what came, also across a stop in good order."""
    login = [
        "-h",
        "127.0.0.1",
        "-p",
        str(barn.port),
        "-u",
        "warmstraw",
        "-P",
        barn.keys["warmstraw"],
        "-i",
        "board",
        "-c",
        "-q",
        "1",
    ]
    subprocess.run(["mosquitto_sub", *login, "-t", PROBE, "-E"], check=True, timeout=20)
    probe = connect(barn.port, "probe1", barn.keys["probe1"])
    for value in range(1500):  # above mosquitto's own limit of 1000
        probe.client.publish(PROBE, str(value), 1)
    assert probe.may_publish(PROBE, "1500")
    barn.end(signal.SIGTERM)
    barn.start()
    told = subprocess.run(
        ["mosquitto_sub", *login, "-t", PROBE, "-C", "1501", "-W", "20"], check=True, timeout=40, capture_output=True, text=True
    )
    assert told.stdout.split() == [str(value) for value in range(1501)]
