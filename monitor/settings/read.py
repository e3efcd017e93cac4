"""Settings file, secrets folder and environment into what the daemon runs on, or all the complaints.

Rules of this file: later layers win (file, then secrets folder, then environment); nothing is skipped
in silence; however many mistakes there are, they come in one go.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path as FilePath
from typing import Any

from pydantic import ValidationError

from monitor.engine.connections import Connections
from monitor.engine.specification import Specification
from monitor.engine.wording import Catalogue
from monitor.engine.wording_english import ENGLISH
from monitor.settings.complaints import Complaint, Origin, SettingsMistakes, toml
from monitor.settings.explain import explain, explain_all, mend
from monitor.settings.language import catalogue_of
from monitor.settings.layers import environment, laid_over, secrets
from monitor.settings.lines import Path, lines_of
from monitor.settings.resolve import resolve
from monitor.settings.secret_files import with_secret_files
from monitor.settings.sense import Trials, mistakes_in, warnings_in
from monitor.settings.table import keys_in
from monitor.settings.written import Written

LARGEST_FILE = 1_000_000
PLACES = ("warmstraw.toml", "/etc/warmstraw/warmstraw.toml")
_ROUNDS = 8  # of mending; each round mends every mistake seen, so one or two are usual


@dataclass(frozen=True, slots=True)
class Settings:
    """What the keeper wrote, resolved. `warnings` are sentences for `check`: sound, but think of it."""

    specification: Specification
    connections: Connections
    file: str
    warnings: tuple[str, ...] = ()
    catalogue: Catalogue = ENGLISH  # the language of the messages


def find(given: str | None = None, places: tuple[str, ...] = PLACES) -> str:
    """The settings file: the given one, else the first of the usual places that exists.

    Raises:
        SettingsMistakes: none was given and none is there.
    """
    if given is not None:
        return given
    for place in places:
        if FilePath(place).is_file():
            return place
    raise SettingsMistakes(
        [
            Complaint(
                place=f"no settings file: neither {' nor '.join(places)} is there",
                where="",
                got="nothing",
                expected="a settings file",
                write="warmstraw … --settings FILE, or begin from one of the examples in config/",
            )
        ]
    )


def read(
    path: str, environ: Mapping[str, str] | None = None, today: date | None = None, trials: Trials | None = None
) -> Settings:
    """The settings in this file under this environment.

    Args:
        path: the TOML file.
        environ: the environment's variables; left out, the process's own.
        today: lets a hatching day in the future be a mistake; left out, it is not looked at.
        trials: try out the addresses that only their senders understand (slower).

    Raises:
        SettingsMistakes: with every mistake.
    """
    environ = os.environ if environ is None else environ
    text, below = _file(path)
    from_secrets, secret_names, secret_complaints, secret_warnings = secrets(environ)
    from_environment, variable_names, variable_complaints = environment(environ)
    written = laid_over(laid_over(below, from_secrets), from_environment)
    complaints = [*secret_complaints, *variable_complaints]
    lines = lines_of(text)
    unknown = [key for key in written if key not in keys_in(())]
    origin = Origin(path, lines, {**secret_names, **variable_names}, written)
    complaints.extend(explain({"type": "extra_forbidden", "loc": (key,)}, origin) for key in unknown)
    layered = {key: value for key, value in written.items() if key not in unknown}
    layered.setdefault("site", {})
    layered, file_complaints, file_warnings = with_secret_files(layered, FilePath(path).parent, origin)
    complaints.extend(file_complaints)

    model, first_round = _read_or_mend(layered, origin)
    complaints.extend(first_round)
    if model is not None:
        complained = {complaint.path for complaint in complaints}
        further = mistakes_in(model, origin, today, trials)
        specification, connections, resolved = resolve(model, origin)
        catalogue, mistaken = catalogue_of(model.site.language_file, FilePath(path).parent, origin)
        complaints.extend(one for one in [*further, *resolved, *mistaken] if not _is_under(one.path, complained))
    if complaints or model is None:
        raise SettingsMistakes(sorted(complaints, key=lambda one: _order(one, origin)))
    warnings = (*secret_warnings, *file_warnings, *warnings_in(model, origin))
    return Settings(specification, connections, path, warnings, catalogue)


def _file(path: str) -> tuple[str, dict[str, Any]]:
    def stop(place: str, got: str, expected: str, write: str) -> SettingsMistakes:
        return SettingsMistakes([Complaint(place, "", got, expected, write)])

    try:
        raw = FilePath(path).read_bytes()[: LARGEST_FILE + 1]
    except OSError as failure:
        raise stop(path, failure.strerror or str(failure), "a file that can be read", "warmstraw … --settings FILE") from None
    except ValueError as failure:
        raise stop(path[:80], str(failure), "the name of a file", "warmstraw … --settings FILE") from None
    if len(raw) > LARGEST_FILE:
        raise stop(path, f"more than {LARGEST_FILE} bytes", "a settings file, smaller than that", "only settings")
    try:
        text = raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as failure:
        line = raw[: failure.start].count(b"\n") + 1
        raise stop(f"{path}, line {line}", "bytes that are no UTF-8", "text in UTF-8", "save the file as UTF-8") from None
    try:
        return text, tomllib.loads(text)
    except tomllib.TOMLDecodeError as failure:
        place, got = _syntax(str(failure), text)
        raise stop(f"{path}, {place}", got, "TOML", 'key = "value", with text in quotes') from None
    except (RecursionError, ValueError, OverflowError):
        raise stop(path, "values nested too deep, or a number too long", "TOML", 'key = "value"') from None


def _syntax(said: str, text: str) -> tuple[str, str]:
    """'line 3, column 7' and what is there, from the parser's own sentence."""
    reason, _, place = said.partition(" (at ")
    place = place.rstrip(")")
    if place.startswith("line "):
        number = int(place.removeprefix("line ").split(",")[0])
        found = text.split("\n")[number - 1].strip()
    else:
        place, found = f"line {text.count(chr(10)) + 1}", "the end of the file"
    # The line may hold a password: only its first word, the key, is shown.
    return place, f"{reason} after {toml(found.split('=')[0].strip()[:40])}" if "=" in found else reason


def _read_or_mend(layered: dict[str, Any], origin: Origin) -> tuple[Written | None, list[Complaint]]:
    """The settings read; with mistakes, a mended copy, so that what else is wrong is found as well."""
    complaints: dict[Path, Complaint] = {}
    for _ in range(_ROUNDS):
        try:
            return Written(**layered), list(complaints.values())
        except ValidationError as errors:
            found = errors.errors(include_url=False, include_input=False)
            complaints = complaints or explain_all(found, origin)
            layered = mend(layered, found)
    return None, list(complaints.values())


def _is_under(path: Path, complained: set[Path]) -> bool:
    return any(path[:length] in complained for length in range(1, len(path) + 1))


def _order(complaint: Complaint, origin: Origin) -> tuple[int, int, str]:
    line = complaint.place.removeprefix(f"{origin.file}, line ")
    return (0, int(line), complaint.where) if line.isdigit() else (1, 0, complaint.place)
