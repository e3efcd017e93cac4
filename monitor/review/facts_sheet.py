"""Every single fact the figures rest on, to be read: value, unit, source, year, how surely it is known, and why this one."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.engine.events import Json
from monitor.facts.contents import CONTENTS
from monitor.facts.sources import SOURCES, SURENESS, Fact


def as_lines() -> Iterator[str]:
    """One table after another; under a row stands its note, which says where sources disagree and which was taken."""
    yield "How surely a row is known:"
    yield from (f"  {word:10}  {meaning}" for word, meaning in SURENESS.items())
    for table, rows in CONTENTS.items():
        yield ""
        yield table[0].upper() + table[1:]
        width = max(map(len, rows))
        for name, fact in rows.items():
            yield f"  {name:{width}}  {_amount(fact):18}  {_source(fact)} [{fact.sureness}]"
            if fact.note:
                yield f"  {'':{width}}  {fact.note}"


def as_json() -> dict[str, Json]:
    """The same by table; `unit` is that of the value, `year` is null where the copy read bore no date."""
    return {
        table: [
            {
                "name": fact.name,
                "value": fact.value,
                "unit": fact.unit,
                "source": SOURCES[fact.source].title,
                "year": SOURCES[fact.source].year,
                "sureness": fact.sureness,
                "note": fact.note,
            }
            for fact in rows.values()
        ]
        for table, rows in CONTENTS.items()
    }


def _amount(fact: Fact) -> str:
    return f"{fact.value:g}" if fact.unit == "1" else f"{fact.value:g} {fact.unit}"


def _source(fact: Fact) -> str:
    source = SOURCES[fact.source]
    return f"{source.title} ({source.year})" if source.year else source.title
