"""The validator's errors in a keeper's words, and a mended copy in which further mistakes can be found."""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping
from typing import Any

from monitor.settings.complaints import Complaint, Origin, is_secret, shown, toml
from monitor.settings.lines import Path
from monitor.settings.table import Row, key_of, key_that_takes, keys_in, nearest_key, row_of, tables_with


def explain_all(errors: Iterable[Mapping[str, Any]], origin: Origin) -> dict[Path, Complaint]:
    """All errors as complaints by path; a key that is missing because it is mistyped is told once."""
    errors = list(errors)
    meant = set()
    for error in errors:
        path: Path = tuple(error["loc"])
        if error["type"] == "extra_forbidden" and not tables_with(str(path[-1])):
            meant.add((*path[:-1], nearest_key(str(path[-1]), key_of(path[:-1]))))
    complaints: dict[Path, Complaint] = {}
    for error in errors:
        path = tuple(error["loc"])
        if not (error["type"] == "missing" and path in meant):
            complaints.setdefault(path, explain(error, origin))
    return complaints


def explain(error: Mapping[str, Any], origin: Origin) -> Complaint:
    """One error of the validator as a complaint."""
    path: Path = tuple(error["loc"])
    row = row_of(path)
    if error["type"] == "extra_forbidden":
        return _unknown_key(path, origin)
    if error["type"] == "missing":
        meaning = f"{row.meaning}" if row else "a value"
        return origin.complain(path, f"{path[-1]}, {_kind_words(row)}: {meaning}", _write(path, row), got="nothing")
    if error["type"] == "refused":
        if path[-1] == "on" and not isinstance(origin.value(path[:-1]), dict):
            path = path[:-1]  # the short form: the entry itself is the limit
        return origin.complain(path, error["ctx"]["expected"], _write(path, row, error["ctx"]["write"]))
    if row is not None and row.kind is None:
        got = _sort_of(origin.value(path))
        if row.example is not None:
            return origin.complain(path, f"a table, such as {toml(row.example)}", f"{path[-1]} = {toml(row.example)}", got=got)
        brackets = f"[[{row.dotted}]]" if row.is_array and not isinstance(path[-1], int) else f"[{row.dotted}]"
        return origin.complain(path, f"a table, with the header {brackets}", brackets, got=got)
    return origin.complain(path, _kind_words(row), _write(path, row))


def _unknown_key(path: Path, origin: Origin) -> Complaint:
    word, table = str(path[-1]), key_of(path[:-1])
    name = f"[{'.'.join(table)}]" if table else "the settings"
    got = f'the key "{word[:60]}"'
    elsewhere = [".".join(key) or "no table at all" for key in tables_with(word) if key != table][:3]
    if elsewhere:
        right = " or ".join(f"[{one}]" for one in elsewhere)
        return origin.complain(
            path, f'a key of {name}; "{word[:60]}" belongs in {right}', f"move it to {right}, or take it out", got
        )
    taker = key_that_takes(word, table)
    if taker is not None:
        expected = f'a key of {name}; "{word.lower()}" is a value of "{taker}"'
        return origin.complain(path, expected, f'{taker} = "{word.lower()}"', got)
    near = nearest_key(word, table)
    if near is not None:
        row = row_of((*path[:-1], near))
        value = origin.value(path)
        value = None if isinstance(value, (dict, list)) or is_secret((*path[:-1], near)) else value
        expected = f'a key of {name}; the nearest is "{near}"'
        return origin.complain(path, expected, _write((*path[:-1], near), row, value), got)
    known = keys_in(table)
    expected = f"a key of {name}: {', '.join(known[:12])}{', …' if len(known) > 12 else ''}"
    return origin.complain(path, expected, "take it out, or one of these", got)


def _kind_words(row: Row | None) -> str:
    if row is None:
        return "another value"
    if row.kind is None:
        return "a table"
    words = row.kind.words
    if words.startswith(("one of", "two ", "pairs ", "true ")):
        return words
    return f"an {words}" if words[0].lower() in "aeio" or words.startswith("MQTT") else f"a {words}"


def _write(path: Path, row: Row | None, value: Any = None) -> str:
    if row is not None and row.kind is None:
        return f"[[{row.dotted}]]" if row.is_array else f"[{row.dotted}]"
    right = value if value is not None else row.example if row is not None else "…"
    return f"{path[-1]} = {toml(right)}"


def _sort_of(value: Any) -> str:
    if isinstance(value, dict):
        return "one table, with single brackets"
    if isinstance(value, list):
        return "a list"
    return shown(value)


def mend(layered: Mapping[str, Any], errors: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """A copy in which every mistake is replaced by the setting's example, or taken out.

    The result is never run; it only lets the checks that need sound values see the rest.
    """
    mended: dict[str, Any] = copy.deepcopy(dict(layered))
    for error in errors:
        path: Path = tuple(error["loc"])
        holder: Any = mended
        for step in path[:-1]:
            if isinstance(holder, (dict, list)):
                try:
                    holder = holder[step]  # type: ignore[index] # the two kinds of step go with the two kinds of holder
                except (KeyError, IndexError, TypeError):
                    holder = None
        row = row_of(path)
        last = path[-1] if path else None
        if isinstance(holder, list) and isinstance(last, int) and last < len(holder):
            holder[last] = {}
        elif isinstance(holder, dict) and isinstance(last, str):
            if row is not None and row.kind is not None and error["type"] != "extra_forbidden":
                holder[last] = copy.deepcopy(row.example)
            elif row is not None and row.is_required:
                holder[last] = {}
            else:
                holder.pop(last, None)
    return mended
