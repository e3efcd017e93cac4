"""What the environment and the secrets folder say, and the laying of one layer over another.

Rules of this file: a variable or secret file that sets nothing is a mistake, never ignored, for a
keeper who mistypes WARMSTRAW_BROKER__PASSWORD would look for the fault in the wrong place.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from pathlib import Path as FilePath
from typing import Any

from pydantic_settings import EnvSettingsSource, NestedSecretsSettingsSource, SecretsSettingsSource, SettingsError

from monitor.settings.complaints import Complaint
from monitor.settings.lines import Path
from monitor.settings.table import rows
from monitor.settings.written import Written

PREFIX = "WARMSTRAW_"
SECRETS_FOLDER = "WARMSTRAW_SECRETS"  # names the folder
CREDENTIALS_FOLDER = "CREDENTIALS_DIRECTORY"  # set by systemd for LoadCredential=

Layer = tuple[dict[str, Any], dict[Path, str], list[Complaint]]


class _Environment(EnvSettingsSource):
    """The library's reading of the environment, from variables handed over."""

    def __init__(self, variables: Mapping[str, str | None]) -> None:
        self._variables = variables
        super().__init__(Written)

    def _load_env_vars(self) -> Mapping[str, str | None]:
        return self._variables


class _Secrets(NestedSecretsSettingsSource):
    """The library's reading of a secrets folder; names that set nothing are left to our own complaint."""

    def _load_env_vars(self) -> Mapping[str, str | None]:
        known = _variables()
        return {name: value for name, value in super()._load_env_vars().items() if name.upper() in known}


def _variables() -> dict[str, Path]:
    return {row.variable: row.key for row in rows().values() if row.variable}


def environment(environ: Mapping[str, str]) -> Layer:
    """What WARMSTRAW_… variables set, which variable said what, and complaints about unknown ones."""
    ours = {name: value for name, value in environ.items() if name.upper().startswith(PREFIX) and name != SECRETS_FOLDER}
    known = _variables()
    complaints = [
        _unknown(f"environment, {name}", name.upper(), [*known, SECRETS_FOLDER], f"{{}}={ours[name] and '…'}")
        for name in ours
        if name.upper() not in known
    ]
    said = _Environment({name.lower(): value for name, value in ours.items() if name.upper() in known})()
    named: dict[Path, str] = {known[name.upper()]: f"environment, {name}" for name in ours if name.upper() in known}
    return said, named, complaints


def secrets(environ: Mapping[str, str]) -> tuple[dict[str, Any], dict[Path, str], list[Complaint], list[str]]:
    """What the secrets folder sets: files named as the variables are, in small letters."""
    said: dict[str, Any] = {}
    named: dict[Path, str] = {}
    complaints: list[Complaint] = []
    warnings: list[str] = []
    for variable in (CREDENTIALS_FOLDER, SECRETS_FOLDER):
        folder = environ.get(variable)
        if not folder:
            continue
        try:
            files = sorted(one.name for one in FilePath(folder).iterdir() if not one.name.startswith("."))
            layer = _Secrets(SecretsSettingsSource(Written, secrets_dir=folder), secrets_dir_missing="error")()
        except (OSError, ValueError, SettingsError) as failure:
            got = (failure.strerror if isinstance(failure, OSError) else None) or "a folder that cannot be used"
            complaints.append(
                Complaint(
                    f"environment, {variable}", "", got, "a folder of secret files, of 1 MB at most", f"{variable}=/run/secrets"
                )
            )
            continue
        known = _variables()
        for file in files:
            place = f"secret file {FilePath(folder) / file}"
            if file.upper() in known:
                named[known[file.upper()]] = place
            elif file.upper().startswith(PREFIX):
                complaints.append(_unknown(place, file.upper(), known, "{}", lower=True))
            else:
                warnings.append(f"{place} is not used: its name does not begin with {PREFIX.lower()}")
        said = laid_over(said, layer)
    return said, named, complaints, warnings


def _unknown(place: str, name: str, known: Iterable[str], form: str, lower: bool = False) -> Complaint:
    known = list(known)
    table = name.removeprefix(PREFIX).split("__")[0].lower()
    close = get_close_matches(name[:100], known, n=1, cutoff=0.6)
    if table in ("pen", "tell"):
        expected, write = f"[[{table}]] in the settings file: only tables that stand alone are set from here", f"[[{table}]]"
    else:
        right = close[0] if close else f"{PREFIX}BROKER__HOST"
        expected = f"a setting's name, such as {right.lower() if lower else right}"
        write = form.format(right.lower() if lower else right)
    return Complaint(place, "", "a name that sets nothing", expected, write)


def laid_over(below: dict[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """Two layers as one: the upper wins, table by table."""
    both = dict(below)
    for key, value in above.items():
        under = both.get(key)
        both[key] = laid_over(under, value) if isinstance(under, dict) and isinstance(value, Mapping) else value
    return both
