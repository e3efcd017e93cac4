"""The commented examples load, say how everything is written, and the list of settings is whole."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.notify.channels import check_address
from monitor.notify.dead_man import check_ping_address
from monitor.settings import documentation
from monitor.settings.read import read
from monitor.settings.sense import Trials
from monitor.settings.table import rows

ROOT = Path(__file__).parents[2]
EXAMPLES = sorted((ROOT / "config").glob("*.toml"))


def test_the_three_examples_are_there() -> None:
    """A brooder, a grown flock, two pens."""
    assert [example.stem for example in EXAMPLES] == ["brooder", "grown-flock", "two-pens"]


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example.stem)
def test_an_example_loads(example: Path) -> None:
    """What a keeper copies is sound, channels and all."""
    settings = read(str(example), {}, trials=Trials(check_address, check_ping_address))
    assert settings.specification.site == "Mill Rise"
    assert settings.specification.sensors
    assert not any("secret stands" in warning for warning in settings.warnings)


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example.stem)
def test_what_an_example_comments_out_is_right_too(example: Path, tmp_path: Path) -> None:
    """A line a keeper takes out of its comment names a key that exists."""
    known = {row.key[-1] for row in rows().values()}
    text = example.read_text(encoding="utf-8")
    for key in re.findall(r"(?m)^# (\w+) = ", text):
        assert key in known, key


def test_every_setting_is_shown_in_an_example() -> None:
    """Each key is written, or written in a comment, at least once; entries of the alarms share one form."""
    shown = set(re.findall(r"(?m)(?:^(?:# )?|[{,] )(\w+) = ", "\n".join(example.read_text("utf-8") for example in EXAMPLES)))
    wanted = {row.key[-1] for row in rows().values() if row.kind is not None}
    # Secrets by their name are for the environment; the examples show the …_file form.
    assert wanted - shown == {"password", "token", "address"} - shown


def test_every_setting_is_in_the_list() -> None:
    """The list for the README is made from the reader's own table, and leaves nothing out."""
    page = documentation.markdown()
    for row in rows().values():
        if row.kind is not None and "limits" not in row.key:
            assert f"| `{row.key[-1]}` |" in page, row.dotted


def test_a_page_that_carries_the_list_carries_the_present_one() -> None:
    """The README's list is that of the code; the pages checked are those that carry the marks."""
    stale = [
        page.name
        for page in (ROOT / "config/SETTINGS.md", ROOT / "README.md", ROOT / "DEVELOPERS.md")
        if page.exists()
        and (carried := documentation.section(page.read_text(encoding="utf-8"))) is not None
        and carried != documentation.markdown()
    ]
    assert stale == []


def test_the_list_on_a_page_is_renewed_between_its_marks() -> None:
    """What stands before and after is left alone."""
    page = f"before\n{documentation.BEGIN}\nformer list\n{documentation.END}\nafter\n"
    renewed = documentation.renewed(page)
    assert renewed.startswith("before\n")
    assert renewed.endswith("\nafter\n")
    assert documentation.section(renewed) == documentation.markdown()
    assert "former list" not in renewed


def test_every_setting_has_a_meaning_and_a_right_example() -> None:
    """An example in a message or in the list is accepted by the very kind it stands for."""
    for row in rows().values():
        assert row.meaning, row.dotted
        if row.kind is not None:
            assert row.example is not None, row.dotted
            row.kind.read(row.example)


def test_every_default_is_written_as_a_keeper_would() -> None:
    """A default is read by the same kind, so the list shows what could be copied."""
    for row in rows().values():
        if row.kind is not None and row.default is not None:
            row.kind.read(row.default)
