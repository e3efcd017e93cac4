"""The line of every key."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.settings.lines import Path, line_of, lines_of

TEXT = '''\
# a remark [not.a.header]
title = "a # in text"

[site]
name = """two
lines = 1
""" # remark

[[pen]]
name = "one"
  [[pen.sensor]]
  unit = "degF"
  [[pen.sensor]]
  unit = 'degC \\'
  [pen.fan]
  curve = [
    ["0 cfm", "1 Pa"],  # a ] here
    ["4 cfm", "0 Pa"],
  ]
  on_word = "on"
[[pen]]
name = "two"
heat.kind = "none"
[pen."odd key"]
x = { a = 1, b = [2, 3] }
[[pen.sensor]]
unit = "ppm"
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("title",), 2),
        (("site",), 4),
        (("site", "name"), 5),
        (("pen", 0), 9),
        (("pen", 0, "name"), 10),
        (("pen", 0, "sensor", 0, "unit"), 12),
        (("pen", 0, "sensor", 1), 13),
        (("pen", 0, "sensor", 1, "unit"), 14),
        (("pen", 0, "fan", "curve"), 16),
        (("pen", 0, "fan", "curve", 1, 0), 16),
        (("pen", 0, "fan", "on_word"), 20),
        (("pen", 1, "name"), 22),
        (("pen", 1, "heat", "kind"), 23),
        (("pen", 1, "heat"), 23),
        (("pen", 1, "odd key", "x"), 25),
        (("pen", 1, "odd key", "x", "b"), 25),
        (("pen", 1, "sensor", 0, "unit"), 27),
        (("pen", 1, "missing"), 21),
    ],
)
def test_a_path_is_found_on_its_line(path: Path, line: int) -> None:
    """Arrays of tables count from 0; what has no line of its own has that of what holds it."""
    tomllib.loads(TEXT)
    assert line_of(path, lines_of(TEXT)) == line


def test_a_path_the_file_does_not_have_has_no_line() -> None:
    """What came from the environment has no line."""
    assert line_of(("broker", "host"), lines_of(TEXT)) is None


_words = st.text("abc_-", min_size=1, max_size=4)
_values = st.sampled_from(["1", '"x # [y]"', "'''\n[[z]]\nq = 1\n'''", "[\n1, # ]\n2\n]", "{ a = 1 }", "2026-04-02", '"\\" ="'])


@given(st.lists(st.tuples(st.sampled_from(["key", "table", "array"]), _words, _values), max_size=12))
def test_every_key_of_a_sound_text_is_found(statements: list[tuple[str, str, str]]) -> None:
    """Whatever the parser finds at the start of a statement, the scanner finds on a line that shows it."""
    text = "".join(
        {"key": f"{word} = {value}\n", "table": f"[{word}]\n", "array": f"[[{word}]] # r\n"}[sort]
        for sort, word, value in statements
    )
    try:
        parsed = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    found = lines_of(text)
    rows = text.split("\n")

    def walk(value: Any, path: Path) -> None:
        if path and path in found:
            last = next(step for step in reversed(path) if isinstance(step, str))
            assert last in rows[found[path] - 1]
        if isinstance(value, dict):
            for key, inner in value.items():
                if not (isinstance(inner, (int, str)) and key == "a"):
                    assert (*path, key) in found or isinstance(inner, list), (path, key)
                walk(inner, (*path, key))
        elif isinstance(value, list) and value and all(isinstance(one, dict) for one in value):
            for index, inner in enumerate(value):
                assert (*path, index) in found
                walk(inner, (*path, index))

    walk(parsed, ())
