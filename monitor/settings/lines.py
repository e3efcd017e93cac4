"""Where in the settings file a key stands.

Rules of this file: the text has been read by the TOML parser without complaint, so this scanner only
needs to tell headers and keys at the start of a statement from what is inside strings and brackets.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

Path = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_QUOTES = ('"""', "'''", '"', "'")


def lines_of(text: str) -> dict[Path, int]:
    """The line of every table header and every key of a sound TOML text, by its path.

    Elements of an array of tables are counted from 0: ("pen", 0, "sensor", 2, "unit").
    """
    found: dict[Path, int] = {}
    counted: dict[Path, int] = {}  # arrays of tables, and how many elements so far
    table: Path = ()
    position, line = 0, 1
    while position < len(text):
        start = text[position]
        if start == "\n":
            line += 1
            position += 1
        elif start in " \t\r":
            position += 1
        elif start == "#":
            position = _end_of_line(text, position)
        elif start == "[":
            is_array = text.startswith("[[", position)
            words, _ = _key(text, position + (2 if is_array else 1))
            table = _resolve(words, counted, is_array)
            found.setdefault(table, line)
            position = _end_of_line(text, position)
        else:
            words, after = _key(text, position)
            for depth in range(1, len(words) + 1):
                found.setdefault((*table, *words[:depth]), line)
            end = _end_of_value(text, after)
            line += text.count("\n", position, end)
            position = max(end, position + 1)
    return found


def line_of(path: Path, lines: Mapping[Path, int]) -> int | None:
    """The line of a path, or of the nearest thing around it that has one."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def _resolve(words: tuple[str, ...], counted: dict[Path, int], is_array: bool) -> Path:
    """The path of a header: each array of tables on the way means its latest element."""
    path: Path = ()
    for word in words[:-1]:
        path = (*path, word)
        if path in counted:
            path = (*path, counted[path] - 1)
    path = (*path, *words[-1:])
    if is_array:
        counted[path] = counted.get(path, 0) + 1
        path = (*path, counted[path] - 1)
    return path


def _end_of_line(text: str, position: int) -> int:
    end = text.find("\n", position)
    return len(text) if end < 0 else end


def _key(text: str, position: int) -> tuple[tuple[str, ...], int]:
    """A dotted key from here on, and the position after it."""
    words: list[str] = []
    while position < len(text):
        while position < len(text) and text[position] in " \t":
            position += 1
        if position < len(text) and text[position] in "\"'":
            end = _end_of_string(text, position)
            words.append(text[position + 1 : end - 1])
            position = end
        elif bare := _BARE.match(text, position):
            words.append(bare[0])
            position = bare.end()
        else:
            break
        while position < len(text) and text[position] in " \t":
            position += 1
        if position < len(text) and text[position] == ".":
            position += 1
        else:
            break
    return tuple(words), position


def _end_of_string(text: str, position: int) -> int:
    quote = next(quote for quote in _QUOTES if text.startswith(quote, position))
    position += len(quote)
    while position < len(text):
        if text[position] == "\\" and quote[0] == '"':
            position += 2
        elif text.startswith(quote, position):
            position += len(quote)
            while len(quote) == 3 and text.startswith(quote[0], position):
                position += 1  # a multi-line string may end in up to two more of its quotes
            return position
        else:
            position += 1
    return len(text)


def _end_of_value(text: str, position: int) -> int:
    """The end of the line on which the value that begins here ends."""
    depth = 0
    while position < len(text):
        sign = text[position]
        if sign in "\"'":
            position = _end_of_string(text, position)
            continue
        if sign == "#":
            position = _end_of_line(text, position)
            continue
        if sign == "\n" and depth <= 0:
            return position
        depth += (sign in "[{") - (sign in "]}")
        position += 1
    return len(text)
