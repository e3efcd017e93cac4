"""The table of settings, row by row: what `written` declares, flat, for reader, `check` and documentation."""

from __future__ import annotations

import types
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from monitor.settings.kinds import Choice, Kind
from monitor.settings.lines import Path
from monitor.settings.written import SINGLE_TABLES, Written

Key = tuple[str, ...]  # a path without the numbers of array elements: ("pen", "sensor", "unit")


@dataclass(frozen=True, slots=True)
class Row:
    """One setting."""

    key: Key
    kind: Kind | None  # None for a table
    is_array: bool  # an array of tables, [[…]]
    default: Any  # as a keeper would write it; None when it may be left out
    is_required: bool
    example: Any
    meaning: str

    @property
    def dotted(self) -> str:
        return ".".join(self.key)

    @property
    def variable(self) -> str | None:
        """The environment variable that sets it; tables of which there are several have none."""
        if self.kind is None or self.key[0] not in SINGLE_TABLES or "warmth" in self.key:
            return None
        return "WARMSTRAW_" + "__".join(self.key).upper()


@cache
def rows() -> Mapping[Key, Row]:
    """Every setting, by its key."""
    return {row.key: row for row in _rows(Written, ())}


def row_of(path: Path) -> Row | None:
    return rows().get(key_of(path))


def key_of(path: Path) -> Key:
    return tuple(step for step in path if isinstance(step, str))


def keys_in(table: Key) -> tuple[str, ...]:
    """The keys a table may hold."""
    return tuple(key[-1] for key in rows() if key[:-1] == table)


def nearest_key(word: str, table: Key) -> str | None:
    """The right key that looks most like the word, in this table; None when none does."""
    close = get_close_matches(word.lower().replace("-", "_")[:60], keys_in(table), n=1, cutoff=0.6)
    return close[0] if close else None


def key_that_takes(word: str, table: Key) -> str | None:
    """The key of this table of whose values the word is one: `variable = true` is meant as `kind = "variable"`."""
    for key, row in rows().items():
        if key[:-1] == table and isinstance(row.kind, Choice) and word.lower() in row.kind.allowed:
            return key[-1]
    return None


def tables_with(word: str) -> tuple[Key, ...]:
    """Other tables in which a key of exactly this name is right."""
    return tuple(key[:-1] for key in rows() if key[-1] == word)


def _rows(model: type[BaseModel], above: Key) -> Iterator[Row]:
    for name, found in model.model_fields.items():
        key = (*above, found.alias or name)
        inner, is_array = _table_in(found.annotation)
        examples = found.examples or [None]
        yield Row(
            key=key,
            kind=None if inner else _kind(found),
            is_array=is_array,
            default=None if found.is_required() or found.default_factory else found.default,
            is_required=found.is_required(),
            example=examples[0],
            meaning=(inner.__doc__ or "").strip() if inner else found.description or "",
        )
        if inner:
            yield from _rows(inner, key)


def _table_in(annotation: Any) -> tuple[type[BaseModel] | None, bool]:
    """The table class within Table | None or list[Table], and whether it is a list."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation, False
    if get_origin(annotation) is list:
        return _table_in(get_args(annotation)[0])[0], True
    if get_origin(annotation) in (Union, types.UnionType):
        for part in get_args(annotation):
            inner, is_array = _table_in(part)
            if inner:
                return inner, is_array
    return None, False


def _kind(found: FieldInfo) -> Kind:
    """The kind among a field's annotations, also where the field may be left out."""
    candidates = [*found.metadata]
    for part in get_args(found.annotation):
        candidates.extend(getattr(part, "__metadata__", ()))
    for candidate in candidates:
        if hasattr(candidate, "read") and hasattr(candidate, "words"):
            return candidate  # type: ignore[no-any-return] # duck-typed: the protocol is not checked at run time
    raise TypeError(f"a setting without a kind: {found!r}")
