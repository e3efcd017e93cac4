"""The pages a keeper reads in the barn: no dead link, every cautious word in place, every limit as its institution prints it."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from deploy.relay_logic import Settings as RelaySettings
from monitor.facts.ammonia import PEOPLE

DEPLOY = Path(__file__).parents[2] / "deploy"
PAGES = sorted(DEPLOY.glob("*.md"))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    """A keeper at night follows no link to nothing."""
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text()):
        assert target.startswith("https://") or (page.parent / target).exists(), target


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_files_and_options_that_a_page_names_exist(page: Path) -> None:
    """What is told to be run can be run."""
    text = page.read_text()
    for named in re.findall(
        r"`?(?:deploy/)?((?:mosquitto/|systemd/|central/|tests/(?:[a-z]+/)?)?[a-z_0-9-]+\.(?:sh|py|conf))\b(?!\.d)", text
    ):
        places = (DEPLOY, DEPLOY / "mosquitto", DEPLOY.parent, DEPLOY.parent / "tests/bench", DEPLOY.parent / "tests/deploy")
        copied = re.fullmatch(r"warmstraw(-tls|-bridge)?\.conf", named)  # the name it takes on the board
        assert copied or any((place / named).exists() for place in places), named
    usage = (DEPLOY / "install.sh").read_text()
    for option in re.findall(r"install\.sh (--[a-z]+)", text):
        assert f"{option}" in usage, option


@pytest.mark.parametrize(
    ("ppm", "names"),
    # NIOSH Pocket guide to chemical hazards, OSHA 29 CFR 1910.1000 table Z-1, ACGIH threshold limit values: ammonia.
    [
        (25, ["NIOSH recommended limit, 10 h mean", "ACGIH limit, 8 h mean"]),
        (35, ["NIOSH short-term limit, 15 min", "ACGIH short-term limit, 15 min"]),
        (50, ["OSHA limit, 8 h mean"]),
        (300, ["immediately dangerous to life or health"]),
    ],
)
def test_peoples_limits_of_ammonia_stand_on_the_page_as_in_the_facts(ppm: int, names: list[str]) -> None:
    """One number, told twice, is the same number."""
    assert [PEOPLE[name].value for name in names] == [ppm] * len(names)
    assert re.search(rf"^\| {ppm} ppm \|", (DEPLOY / "wiring-and-safety.md").read_text(), re.MULTILINE)


@pytest.mark.parametrize(
    "word",
    [
        "never the only safeguard",
        "local code and your licensed electrician come first",
        "Two independent suspensions",
        "3 ft",
        "guard",
        "rated",
        "NEC article 547",
        "RCD",
        "GFCI",
        "carbon monoxide alarm",
        "smoke or heat alarm you can hear in bed",
        "a thermostat of its own",
        "it starts by itself",
    ],
)
def test_the_safety_page_still_says(word: str) -> None:
    """No shortening of the page drops what keeps people and birds alive."""
    assert word in (DEPLOY / "wiring-and-safety.md").read_text()


def test_the_relays_page_and_its_logic_say_the_same() -> None:
    """Whoever writes firmware from the page gets what was played through broken days."""
    text, settings = (DEPLOY / "relay.md").read_text(), RelaySettings()
    assert f"no live command for {settings.command_old_after_ms // 60_000} minutes" in text
    assert f"waits {settings.wait_at_start_ms // 1000} s for the network" in text
    on, period = settings.alone_on_ms // 60_000, settings.alone_period_ms // 60_000
    assert f"The default, {on} minute in {period}" in text


def test_the_write_counter_says_how_it_is_used_where_there_is_nothing_to_count() -> None:
    """On a folder whose device has no counters it ends with a sentence, not with a sum of nothing."""
    done = subprocess.run(
        ["sh", str(DEPLOY / "card-writes.sh"), "0"],
        env={"STORE_FOLDER": "/dev/shm", "PATH": "/usr/bin:/bin:/usr/sbin"},
        capture_output=True,
        text=True,
        check=False,
        timeout=10,
    )
    assert done.returncode == 2
    assert "has no counters" in done.stderr


def table(name: str) -> list[list[str]]:
    """The rows of one of the page's tables, without its head."""
    page = (DEPLOY / "faults.md").read_text()
    text = page.partition(f"<!-- {name}: begin -->")[2].partition(f"<!-- {name}: end -->")[0]
    lines = [line.strip("| ").split(" | ") for line in text.splitlines() if line.startswith("| ")]
    return lines[2:]


def test_no_fault_in_the_table_costs_a_reading_or_ends_unseen() -> None:
    """What the page shows was sound: no reading, alarm or notice lost, and a sign to somebody outside."""
    rows = table("faults")
    assert len(rows) >= 14
    for fault, published, lost, doubled, alarms, notices, _well, saw, sign in rows:
        assert published.isdigit(), fault
        assert (lost, doubled) == ("0", "0"), fault
        assert {alarms, notices} <= {"0", "none due"}, fault
        assert "NOTHING" not in saw, fault
        assert "NONE" not in sign, fault


def above_their_limits(name: str) -> list[str]:
    limited = [row for row in table(name) if len(row) == 3 and row[2][:1].isdigit()]
    assert limited
    return [what for what, found, most in limited if float(found.strip("* ").split()[0]) > float(most.split()[0])]


@pytest.mark.parametrize("name", ["footprint", "store_backup"])
def test_what_the_daemon_costs_stands_below_its_limits(name: str) -> None:
    """The page shows measured figures, and none above what was promised."""
    assert above_their_limits(name) == []


def test_the_table_of_years_explains_what_it_broke() -> None:
    """So many barn-days were lived; a promise that was broken is named on the page with its seed and what came of it."""
    told = dict(table("years"))
    assert float(told["barn-days lived"].replace(",", "")) >= 1_000
    explained = set(re.findall(r"in seed (\d+)", (DEPLOY / "faults.md").read_text()))
    assert int(told["promises broken"]) == len(explained)
