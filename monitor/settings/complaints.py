"""What is wrong in the settings, said so that the keeper can mend it without looking anything up.

Rules of this file: a complaint names the place, the value, what was expected, and a right example;
a secret's value is never shown; all complaints come in one go.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any

from monitor.settings.lines import Path, line_of

_LONGEST_VALUE = 80
# Keys whose value must never stand on a screen or in a log.
_SECRET_KEYS = frozenset({"password", "token", "channel"})
_NAMED_BY = ("name", "person", "class", "from_day")


@dataclass(frozen=True, slots=True)
class Complaint:
    """One mistake. `place` is the file and line, or the variable; `where` the key in words."""

    place: str
    where: str
    got: str
    expected: str
    write: str
    path: Path = ()

    def __str__(self) -> str:
        head = f"{self.place}, {self.where}" if self.where else self.place
        return f"{head}\n  got       {self.got}\n  expected  {self.expected}\n  write     {self.write}"

    def as_json(self) -> dict[str, str]:
        return {"place": self.place, "where": self.where, "got": self.got, "expected": self.expected, "write": self.write}


class SettingsMistakes(Exception):  # noqa: N818 - said in words, like the rest of the house
    """The settings cannot be used; `complaints` holds every mistake found, in the order of the file."""

    def __init__(self, complaints: Sequence[Complaint]) -> None:
        self.complaints = tuple(complaints)
        count = len(self.complaints)
        super().__init__("\n\n".join([*map(str, self.complaints), f"{count} mistake{'s' if count != 1 else ''} in the settings"]))


@dataclass(frozen=True, slots=True)
class Origin:
    """Where each value came from: a line of the file, a variable, or a secret file."""

    file: str
    lines: Mapping[Path, int] = field(default_factory=dict)
    named: Mapping[Path, str] = field(default_factory=dict)  # path → "environment, WARMSTRAW_…" or "secret file …"
    written: Mapping[str, Any] = field(default_factory=dict)  # what all of it together says, before it is read

    def place(self, path: Path) -> str:
        """'config/barn.toml, line 31', or the variable or secret file that said it."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.named:
                return self.named[path[:length]]
        line = line_of(path, self.lines)
        return self.file if line is None else f"{self.file}, line {line}"

    def where(self, path: Path) -> str:
        """'[[pen]] "brooder" › sensor "chick height" › unit'."""
        parts: list[str] = []
        here: Any = self.written
        for depth, step in enumerate(path):
            here = _inside(here, step)
            if isinstance(step, int):
                continue
            index = path[depth + 1] if depth + 1 < len(path) else None
            if isinstance(index, int):
                word = f"[[{step}]]" if depth == 0 else step
                parts.append(f"{word} {_called(_inside(here, index), index)}")
            elif depth == 0 and (len(path) > 1 or isinstance(here, dict)):
                parts.append(f"[{step}]")
            else:
                parts.append(step)
        return " › ".join(parts)

    def value(self, path: Path) -> Any:
        here: Any = self.written
        for step in path:
            here = _inside(here, step)
        return here

    def complain(self, path: Path, expected: str, write: str, got: str | None = None) -> Complaint:
        return Complaint(
            self.place(path),
            self.where(path),
            shown(self.value(path), path) if got is None else got,
            expected,
            write,
            path,
        )


def _inside(here: Any, step: str | int) -> Any:
    if isinstance(here, Mapping):
        return here.get(step)
    if isinstance(here, list) and isinstance(step, int) and 0 <= step < len(here):
        return here[step]
    return None


def _called(element: Any, index: int) -> str:
    """An element of an array of tables by its name, else by its number."""
    if isinstance(element, Mapping):
        for key in _NAMED_BY:
            name = element.get(key)
            if isinstance(name, str) and name.strip():
                return f'"{name[:40]}"' if key != "class" else f"{name[:40]} {index + 1}"
    return f"number {index + 1}"


def is_secret(path: Path) -> bool:
    """The ping's address lets anyone answer in the daemon's name, so it counts as a secret."""
    return any(step in _SECRET_KEYS for step in path) or path[:2] == ("ping", "address")


def shown(value: Any, path: Path = ()) -> str:
    """A value as the keeper wrote it, on one line, cut, and starred when it is a secret."""
    if value is None:
        return "nothing"
    if is_secret(path):
        return "(not shown, it is a secret)"
    return toml(value)[:_LONGEST_VALUE]


def toml(value: Any) -> str:
    """A value the way TOML writes it, on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, (datetime, date, time)):
        return value.isoformat()
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {toml(inner)}" for key, inner in value.items()) + " }" if value else "{}"
    return str(value)
