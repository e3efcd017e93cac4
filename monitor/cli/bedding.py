"""The command about the litter: looked back over in the store, printed."""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable

from monitor.cli.keeping import told
from monitor.cli.refusal import Refused
from monitor.daemon.look_back import look_back
from monitor.settings.read import Settings
from monitor.store.reader import Reader


def _wall_ms() -> int:
    return time.time_ns() // 1_000_000


def bedding(asked: argparse.Namespace, settings: Settings, now_ms: Callable[[], int] = _wall_ms) -> int:
    """Print each pen's litter periods, trends, lay and deaths. Returns the exit code."""
    specification = settings.specification
    if asked.pen is not None and asked.pen not in specification.pens:
        raise Refused(f"--pen {asked.pen}: expected one of {', '.join(specification.pens)}", 2)
    chosen = [asked.pen] if asked.pen is not None else list(specification.pens)
    now = now_ms()
    with told(), Reader(settings.connections.store.folder) as reader:
        found = [look_back(specification, name, reader, now) for name in chosen]
    if asked.json:
        print(json.dumps([each.as_json(specification.units) for each in found], ensure_ascii=False, indent=2))
    else:
        print("\n\n\n".join(each.sheet(specification.units) for each in found))
    return 0
