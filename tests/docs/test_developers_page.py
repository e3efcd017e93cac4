"""The contributors' page says what is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.engine.alarm_states import MOVES
from monitor.engine.state import AlarmState

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "DEVELOPERS.md"
BEGIN, END = "<!-- life cycle: begin -->", "<!-- life cycle: end -->"


def life_cycle() -> str:
    """The table of `MOVES` as Markdown."""
    lines = ["| in state | when | goes to |", "| --- | --- | --- |"]
    lines += [
        f"| {state.value} | {happening.value} | {after.value} |"
        for state in AlarmState
        for happening, after in MOVES[state].items()
    ]
    return "\n".join(lines)


def test_the_life_cycle_on_the_page_is_that_of_the_code() -> None:
    """One table; to renew the page run this file as a program."""
    page = PAGE.read_text(encoding="utf-8")
    assert page.split(BEGIN)[1].split(END)[0].strip() == life_cycle()


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_every_file_named_on_a_page_exists(name: str) -> None:
    """No page sends a reader to a file that is not there."""
    page = (ROOT / name).read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#:]+)\)", page)
    paths = re.findall(r"`((?:monitor|config|deploy|demo|tests)/[\w./-]+)`", page)
    rooms = ("facts", "air", "engine", "review", "settings", "wire", "store", "notify", "api", "daemon", "cli")
    files = [f"monitor/{p}" for p in re.findall(rf"`((?:{'|'.join(rooms)})/[\w]+\.py)`", page)]
    missing = [path for path in [*links, *paths, *files] if not (ROOT / path).exists()]
    made = ("tests/bench/out", "tests/screens")  # by running, and kept out of the repository
    assert [path for path in missing if not path.startswith(made)] == []


if __name__ == "__main__":
    text = PAGE.read_text(encoding="utf-8")
    before, rest = text.split(BEGIN, 1)
    PAGE.write_text(f"{before}{BEGIN}\n{life_cycle()}\n{END}{rest.split(END, 1)[1]}", encoding="utf-8")
