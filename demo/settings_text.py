"""The demo's settings: the template mill_rise.toml with its places filled in."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from datetime import date
from pathlib import Path

from monitor.engine.specification import Specification
from monitor.settings.read import read

TEMPLATE = Path(__file__).with_name("mill_rise.toml")


def fill(places: Mapping[str, str]) -> str:
    """The settings text.

    Raises:
        ValueError: a place of the template is left open, or one is given that it does not have.
    """
    text = TEMPLATE.read_text(encoding="utf-8")
    for name, value in places.items():
        mark = "{{" + name + "}}"
        if mark not in text:
            raise ValueError(f"the template has no place {mark}")
        text = text.replace(mark, value)
    body = "\n".join(line for line in text.splitlines() if not line.lstrip().startswith("#"))
    if "{{" in body:
        raise ValueError(f"a place is left open: {body[body.index('{{') :].splitlines()[0]}")
    return text


def specification(heat: str, hatched: date) -> Specification:
    """What the settings resolve to, for a barn without broker or store."""
    text = fill(
        {
            "broker_port": "1883",
            "api_port": "8720",
            "store": "/nowhere",
            "heat_kind": heat,
            "hatched": hatched.isoformat(),
        }
    )
    with tempfile.NamedTemporaryFile("w", suffix=".toml", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        return read(file.name, environ={}).specification
