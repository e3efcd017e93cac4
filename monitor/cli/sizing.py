"""`size`: the ventilation sheet of each pen."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.cli.refusal import Refused
from monitor.engine.specification import Specification
from monitor.review.drawing import sheet_picture
from monitor.review.sheet import Sheet
from monitor.review.sheet_text import as_json, as_text
from monitor.review.sizing import draw_up
from monitor.settings.read import Settings


def size(asked: argparse.Namespace, settings: Settings, today: date | None = None) -> int:
    """Print the sheets; with `--picture` also draw one.

    Args:
        asked: with `pen`, `picture` and `json`.
        today: the local calendar day; left out, the machine's.
    """
    spec = settings.specification
    pens = _pens(asked.pen, spec)
    if asked.picture and len(pens) > 1:
        raise Refused(f"--picture draws one pen: add --pen, one of {', '.join(pens)}", 2)
    now = datetime.now(UTC)
    day = today if today is not None else now.astimezone(ZoneInfo(spec.timezone)).date()
    counts = counts_now(settings)
    sheets = [
        draw_up(spec, name, counts.get(name, {}), day, seen_outside(settings, name, int(now.timestamp() * 1000))) for name in pens
    ]
    if asked.json:
        print(json.dumps({"site": spec.site, "pens": [as_json(one, spec.units) for one in sheets]}, ensure_ascii=False, indent=2))
    else:
        print("\n\n".join(as_text(one, spec.units) for one in sheets), end="")
    if asked.picture:
        _draw(asked.picture, sheets[0], spec.units)
    return 0


def _pens(given: str | None, spec: Specification) -> list[str]:
    if given is None:
        return list(spec.pens)
    if given not in spec.pens:
        raise Refused(f"--pen {given}: expected one of {', '.join(spec.pens)}", 2)
    return [given]


def counts_now(settings: Settings) -> Mapping[str, Mapping[str, int]]:
    """Birds by pen and flock after the journal, as the daemon last saved them; empty where none ever ran."""
    from monitor.engine.saving import Unloadable, load
    from monitor.store.failures import StoreFailing, StoreMissing
    from monitor.store.opening import unpack
    from monitor.store.reader import Reader

    try:
        with Reader(settings.connections.store.folder) as reader, reader.asking() as ask:
            row = ask.execute("SELECT state FROM saved").fetchone()
        pens = {} if row is None or row[0] is None else load(unpack(row[0])).pens
    except StoreMissing:
        return {}
    except (StoreFailing, Unloadable) as trouble:
        print(f"The journal cannot be read, so birds are counted as the settings say. {trouble}", file=sys.stderr)
        return {}
    written = settings.specification.pens
    return {
        name: {
            flock.name: state.counts[flock.name]
            for flock in written[name].flocks
            # A count changed in the settings stands against the journal's older one.
            if flock.name in state.counts and state.counted_from.get(flock.name, flock.count) == flock.count
        }
        for name, state in pens.items()
        if name in written
    }


def seen_outside(settings: Settings, pen: str, now_ms: int) -> tuple[float, float] | None:
    """What the outside thermometers have seen in the year past, if they have seen enough."""
    from monitor.daemon.looking_back import outside_extremes
    from monitor.store.failures import StoreFailing
    from monitor.store.reader import Reader

    try:
        with Reader(settings.connections.store.folder) as reader:
            return outside_extremes(reader, settings.specification, pen, now_ms)
    except StoreFailing:
        return None  # said already, where the birds are counted


def _draw(file: str, drawn: Sheet, units: str) -> None:
    try:
        Path(file).write_text(sheet_picture(drawn, units), encoding="utf-8")
    except OSError as trouble:
        raise Refused(f"{file} cannot be written: {trouble.strerror}") from trouble
