"""The list of settings as Markdown, made from the same table the reader reads.

A page that carries the list holds it between the two marks below; a test compares it with `markdown()`.
"""

from __future__ import annotations

from collections.abc import Iterator

from monitor.facts.alarms import DEFAULT_LIMITS, LimitRow
from monitor.settings.complaints import toml
from monitor.settings.limit_tables import SITE_ALARMS
from monitor.settings.table import Key, Row, rows

BEGIN = "<!-- settings: begin -->"
END = "<!-- settings: end -->"

_HEAD = ("| key | is | default | example | meaning |", "| --- | --- | --- | --- | --- |")


def markdown() -> str:
    """Every setting, table by table; the limits of the alarms as one list at the end."""
    return "\n".join(_lines()) + "\n"


def section(page: str) -> str | None:
    """The part of a page between the marks, or None when it carries no list."""
    if BEGIN not in page or END not in page:
        return None
    return page.split(BEGIN, 1)[1].split(END, 1)[0].strip("\n") + "\n"


def renewed(page: str) -> str:
    """The page with the present list between its marks."""
    before, rest = page.split(BEGIN, 1)
    return f"{before}{BEGIN}\n{markdown()}{END}{rest.split(END, 1)[1]}"


def _lines() -> Iterator[str]:
    for table in (row for row in rows().values() if row.kind is None):
        if _is_of_an_alarm(table.key) or table.key[:2] == ("pen", "limits"):
            continue
        inside = [row for row in rows().values() if row.key[:-1] == table.key and row.kind is not None]
        if not inside:
            continue
        header = f"[[{table.dotted}]]" if table.is_array else f"[{table.dotted}]"
        if table.key[0] == "limits":
            header += f" and {'[[' if table.is_array else '['}pen.{table.dotted}{']]' if table.is_array else ']'}"
        yield f"#### `{header}` {table.meaning.rstrip('.').split('; each')[0]}"
        yield ""
        yield from _HEAD
        yield from map(_row, inside)
        yield ""
    yield "#### Limits of the alarms, each a table under `[limits]` or `[pen.limits]`"
    yield ""
    yield '`NAME = { on, off, on_delay, off_delay, priority }`, or in short form only the limit, `damp = "72 %"`.'
    yield ""
    yield "| alarm | on | off | on_delay | off_delay | priority |"
    yield "| --- | --- | --- | --- | --- | --- |"
    for name, limit in DEFAULT_LIMITS.items():
        where = " (only under `[limits]`)" if name in SITE_ALARMS else ""
        on, off = _thresholds(limit)
        yield f"| `{name}`{where} | {on} | {off} | {limit.on_delay_s:g} s | {limit.off_delay_s:g} s | {limit.priority} |"


def _is_of_an_alarm(key: Key) -> bool:
    return "limits" in key and key[-1] in DEFAULT_LIMITS


def _thresholds(limit: LimitRow) -> tuple[str, str]:
    if limit.unit == "state":
        return "–", "–"
    if limit.unit == "fraction":
        return f"{100 * limit.on:g} %", f"{100 * limit.off:g} %"
    return f"{limit.on:g} {limit.unit}", f"{limit.off:g} {limit.unit}"


def _row(row: Row) -> str:
    kind = row.kind.words if row.kind else ""
    default = "must be set" if row.is_required else "–" if row.default is None else f"`{toml(row.default)}`"
    example = "" if row.example is None else f"`{row.key[-1]} = {toml(row.example)}`"
    return (
        "| " + " | ".join(cell.replace("|", "\\|") for cell in (f"`{row.key[-1]}`", kind, default, example, row.meaning)) + " |"
    )
