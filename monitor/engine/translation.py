"""Another language: a catalogue of texts as somebody wrote it, checked before the first night it is needed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from types import MappingProxyType
from typing import Any

from monitor.engine.wording import FIELDS, Catalogue, Frame, Texts, asked_fields


class CatalogueMistake(ValueError):  # noqa: N818 - said in words
    """A translated text that cannot be used; the sentence names the place and what was expected."""


def catalogue_from(given: Mapping[str, object], standing: Catalogue) -> Catalogue:
    """Another language, from the plain dict that a settings file parses to.

    The dict has `language`, a table `frame` and one table an alarm name under `alarms`, with the field names
    of `Frame` and `Texts`; a text is a string or a list of strings. What is left out keeps the standing
    catalogue's text, so that a half-finished translation still says everything.

    Raises:
        CatalogueMistake: an unknown table, key or field in braces, or a text that is no string.
    """
    for key in given:
        if key not in ("language", "frame", "alarms"):
            raise CatalogueMistake(f"{key!r}: expected language, frame or alarms")
    frame = replace(standing.frame, **_texts_of(given.get("frame", {}), Frame, "frame"))
    alarms = dict(standing.alarms)
    tables = given.get("alarms", {})
    if not isinstance(tables, Mapping):
        raise CatalogueMistake("alarms: expected one table an alarm name")
    for name, table in tables.items():
        if name not in alarms:
            raise CatalogueMistake(f"alarms.{name}: no alarm has this name; expected one of {', '.join(sorted(alarms))}")
        alarms[name] = replace(alarms[name], **_texts_of(table, Texts, f"alarms.{name}"))
    language = given.get("language", standing.language)
    return Catalogue(str(language), frame, MappingProxyType(alarms), standing.unknown)


def _texts_of(table: object, shape: type[Frame] | type[Texts], place: str) -> dict[str, Any]:
    if not isinstance(table, Mapping):
        raise CatalogueMistake(f"{place}: expected a table of texts")
    shapes = {field.name: str(field.type) for field in fields(shape) if field.name not in ("wanted", "differences")}
    out: dict[str, Any] = {}
    for key, value in table.items():
        if key not in shapes:
            raise CatalogueMistake(f"{place}.{key}: expected one of {', '.join(shapes)}")
        texts = tuple(value) if isinstance(value, list | tuple) else (value,)
        for text in texts:
            out_of_place = _asked_or_mistake(text, f"{place}.{key}") - FIELDS
            if out_of_place:
                raise CatalogueMistake(
                    f"{place}.{key}: {{{min(out_of_place)}}} is no field; expected one of {', '.join(sorted(FIELDS))}"
                )
        if shapes[key] == "str":
            if len(texts) != 1:
                raise CatalogueMistake(f"{place}.{key}: expected one text, got {len(texts)}")
            out[key] = texts[0]
        else:
            out[key] = texts
    return out


def _asked_or_mistake(text: object, place: str) -> set[str]:
    if not isinstance(text, str) or not text.strip():
        raise CatalogueMistake(f"{place}: expected a text, got {str(text)[:40]!r}")
    try:
        asked = asked_fields(text)
        # Filled in once for trial: a format that only fails at night is worse than none.
        text.format_map(dict.fromkeys(FIELDS | asked, "x"))
    except (ValueError, LookupError, AttributeError) as mistake:
        raise CatalogueMistake(f"{place}: {mistake}; a field is {{pen}}, a brace that is no field is {{{{") from mistake
    return asked
