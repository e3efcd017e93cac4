"""The facts as they are read on the page and the command line."""

from __future__ import annotations

from monitor.facts.contents import CONTENTS
from monitor.facts.sources import SOURCES
from monitor.review.facts_sheet import as_json, as_lines


def test_every_fact_is_told_with_its_source_and_how_surely_it_is_known() -> None:
    """No row is left out, and none stands without whose number it is."""
    told = as_json()
    for table, rows in CONTENTS.items():
        listed = told[table]
        assert isinstance(listed, list)
        assert [row["value"] for row in listed if isinstance(row, dict)] == [fact.value for fact in rows.values()]
    lines = list(as_lines())
    for rows in CONTENTS.values():
        for fact in rows.values():
            assert any(
                fact.name in line and SOURCES[fact.source].title in line and f"[{fact.sureness}]" in line for line in lines
            )


def test_where_sources_disagree_the_note_is_told() -> None:
    """The keeper sees why 75 % was taken between the directive's 70 and the bulletin's 80."""
    text = "\n".join(as_lines())
    assert "between 70 %, the EU 48 h mean" in text
    (damp,) = [row for row in as_json()["humidity"] if isinstance(row, dict) and row["name"] == "damp"]  # type: ignore[union-attr] # a list of rows
    assert "80 %" in str(damp["note"])
