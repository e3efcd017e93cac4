"""Small files that only the daemon may read, replaced whole or not at all."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path

from monitor.engine.events import Json


def write(path: Path, content: bytes) -> None:
    """Replace the file durably, readable by its owner alone: written beside, synced, renamed, folder synced."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")  # mkstemp makes it 0600
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(beside).replace(path)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def write_json(path: Path, content: Json) -> None:
    write(path, json.dumps(content, indent=1).encode() + b"\n")


def read_json(path: Path) -> Json:
    """What the file holds; None when it is missing or is no JSON (a torn file is as good as none)."""
    try:
        content: Json = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return None
    return content
