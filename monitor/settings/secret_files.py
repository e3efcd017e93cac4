"""Keys that name a file which holds only a secret: password_file, token_file, channel_file, address_file."""

from __future__ import annotations

import copy
import stat
from collections.abc import Iterator
from pathlib import Path as FilePath
from typing import Any

from monitor.settings.complaints import Complaint, Origin
from monitor.settings.lines import Path

LARGEST_SECRET = 4096

# Table and key; the file's content becomes the key without "_file".
_SECRETS = (("broker", "password"), ("mirror", "token"), ("ping", "address"))


def beside(settings_folder: FilePath, written: str) -> str:
    """A path as meant: relative ones start at the settings file's folder, ~ is the home folder."""
    return str(settings_folder / FilePath(written).expanduser())


def with_secret_files(
    layered: dict[str, Any], folder: FilePath, origin: Origin
) -> tuple[dict[str, Any], list[Complaint], list[str]]:
    """The settings with each named file's content in place, complaints, and warnings."""
    filled = copy.deepcopy(layered)
    complaints: list[Complaint] = []
    warnings: list[str] = []
    for table, path, key in _places(filled):
        file_key = f"{key}_file"
        written = table.get(file_key)
        if key in table:
            if (*path, key) in origin.named:
                continue  # the environment or the secrets folder said it: that wins over the file
            if file_key in table:
                complaints.append(
                    origin.complain((*path, file_key), f"either {key} or {file_key}, not both", f'{file_key} = "…"')
                )
            elif not str(table[key]).startswith("mqtt:"):
                warnings.append(
                    f"{origin.place((*path, key))}: a secret stands in the settings file; {file_key} takes it out of there"
                )
            continue
        if not isinstance(written, str):
            continue
        place = beside(folder, written)
        try:
            content, mode = _content(place)
        except (OSError, ValueError) as failure:
            reason = failure.strerror if isinstance(failure, OSError) and failure.strerror else str(failure)
            complaints.append(
                origin.complain(
                    (*path, file_key), f"a file that holds only the secret; {place}: {reason}", f'{file_key} = "FILE"'
                )
            )
            continue
        table[key] = content
        if mode & (stat.S_IROTH | stat.S_IWOTH):
            warnings.append(
                f"{origin.place((*path, file_key))}: {place} can be read by every user of this machine; chmod 600 closes it"
            )
    return filled, complaints, warnings


def _places(filled: dict[str, Any]) -> Iterator[tuple[dict[str, Any], Path, str]]:
    for name, key in _SECRETS:
        if isinstance(table := filled.get(name), dict):
            yield table, (name,), key
    tell = filled.get("tell")
    for index, table in enumerate(tell if isinstance(tell, list) else []):
        if isinstance(table, dict):
            yield table, ("tell", index), "channel"


def _content(place: str) -> tuple[str, int]:
    mode = FilePath(place).stat().st_mode
    if not stat.S_ISREG(mode):
        raise ValueError("it is no plain file")
    with open(place, "rb") as file:
        raw = file.read(LARGEST_SECRET + 1)
    if len(raw) > LARGEST_SECRET:
        raise ValueError(f"it is larger than {LARGEST_SECRET} bytes")
    try:
        text = raw.decode("utf-8").strip()
    except UnicodeDecodeError:
        raise ValueError("it is no text in UTF-8") from None
    if not text:
        raise ValueError("it is empty")
    return text, mode
