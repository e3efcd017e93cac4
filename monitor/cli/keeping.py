"""The commands about what is kept: journal, export, take-in, backup, restore."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from monitor.cli.refusal import Refused
from monitor.cli.spans import Progress, moment_ms
from monitor.engine.decisions import rfc3339
from monitor.engine.events import JournalEntry, Json
from monitor.settings.read import Settings
from monitor.store.failures import StoreFailing, StoreHeld
from monitor.store.keep import Store
from monitor.store.reader import Reader


@contextmanager
def told() -> Iterator[None]:
    """A failing store is said in its own words."""
    try:
        yield
    except StoreHeld as trouble:
        raise Refused(str(trouble), 3) from trouble
    except StoreFailing as trouble:
        raise Refused(str(trouble)) from trouble


def journal(asked: argparse.Namespace, settings: Settings) -> int:
    """List, or add one entry."""
    if asked.add is None:
        return _list_journal(asked, settings)
    from monitor.daemon.offline import CannotAct, write_journal

    pen = _pen(asked.pen, settings)
    if asked.add in ("birds in", "birds out", "deaths", "eggs") and (asked.count is None or asked.count < 1):
        raise Refused(f"{asked.add!r} needs --count N, one or more", 2)
    flock = _flock(asked.flock, pen, settings)
    make: Callable[[float, int | None], JournalEntry] = lambda at, wall_ms: JournalEntry(  # noqa: E731 - a small maker
        at, wall_ms, pen, asked.add, os.environ.get("USER", "console"), flock, asked.count, asked.note
    )
    try:
        with told():
            print(write_journal(settings, make))
    except CannotAct as trouble:
        raise Refused(str(trouble)) from trouble
    return 0


def _pen(given: str | None, settings: Settings) -> str:
    pens = list(settings.specification.pens)
    if given is None and len(pens) == 1:
        return pens[0]
    if given not in pens:
        raise Refused(f"--pen {given or ''}: expected one of {', '.join(pens)}", 2)
    return given


def _flock(given: str | None, pen: str, settings: Settings) -> str | None:
    flocks = [flock.name for flock in settings.specification.pens[pen].flocks]
    if given is not None and given not in flocks:
        raise Refused(f"--flock {given}: expected one of {', '.join(flocks) or 'none (the pen has no flock)'}", 2)
    return given


def _list_journal(asked: argparse.Namespace, settings: Settings) -> int:
    zone = settings.specification.timezone
    with told(), Reader(settings.connections.store.folder) as reader:
        entries = reader.journal(asked.pen, moment_ms(asked.from_text, zone), moment_ms(asked.to_text, zone))
    rows: list[Json] = [
        {"time": rfc3339(e.wall_ms), "pen": e.pen, "what": e.what, "flock": e.flock, "count": e.count, "by": e.by, "note": e.note}
        for e in entries
    ]
    if asked.json:
        print(json.dumps(rows, ensure_ascii=False, indent=2))
        return 0
    for e in entries:
        count = "" if e.count is None else f" {e.count}"
        flock = "" if e.flock is None else f" ({e.flock})"
        print(f"{rfc3339(e.wall_ms) or 'time not known yet':25} {e.pen:12} {e.what}{count}{flock} {e.note}".rstrip())
    if not entries:
        print("Nothing is written yet.")
    return 0


def export(asked: argparse.Namespace, settings: Settings) -> int:
    """Readings out."""
    from monitor.store.csv_files import export as write_out

    zone = settings.specification.timezone
    progress = Progress("readings written")
    with told(), Reader(settings.connections.store.folder) as reader:
        done = write_out(
            reader,
            sys.stdout if asked.file == "-" else asked.file,
            moment_ms(asked.from_text, zone),
            moment_ms(asked.to_text, zone),
            asked.sensor,
            settings.specification,
            undated=asked.from_text is None and asked.to_text is None,
            progress=progress,
        )
    progress.end()
    print(
        f"{done.readings:,} readings written" + (f", {done.undated:,} of unknown time last" if done.undated else ""),
        file=sys.stderr,
    )
    for name in done.in_si:
        print(f"{name} is no longer in the settings: its values are in SI units", file=sys.stderr)
    return 0


def take_in(asked: argparse.Namespace, settings: Settings) -> int:
    """Readings in."""
    from monitor.store.csv_files import BadLine
    from monitor.store.csv_files import take_in as read_in

    progress, shown = Progress("lines read"), 0

    def on_bad(line: BadLine) -> None:
        nonlocal shown
        shown += 1
        if shown <= 20:
            print(f"line {line.line}: {line.reason}", file=sys.stderr)

    with told(), Store.open(settings.connections.store.folder, settings.connections.store.raw_days) as store:
        source = sys.stdin if asked.file == "-" else asked.file
        done = read_in(store, source, settings.specification, on_bad, progress)
    progress.end()
    print(f"{done.stored:,} readings stored, {done.same:,} were already there, {done.bad:,} bad lines left out")
    return 0 if not done.bad else 1


def backup(asked: argparse.Namespace, settings: Settings) -> int:
    """A copy of the store."""
    from monitor.store.backup import backup as copy

    progress = Progress("pages copied")
    with told():
        done = copy(settings.connections.store.folder, asked.file, lambda copied, _all: progress(copied))
    progress.end()
    rows = sum(done.rows.values())
    if asked.json:
        print(json.dumps({"file": str(done.file), "bytes": done.size_bytes, "rows": dict(done.rows)}, indent=2))
    else:
        print(f"{done.file}: {done.size_bytes:,} bytes, {rows:,} rows, checked and sound")
    return 0


def restore(asked: argparse.Namespace, settings: Settings) -> int:
    """A backup back in place."""
    from monitor.store.backup import restore as put_back

    with told():
        done = put_back(asked.file, settings.connections.store.folder)
    aside = None if done.kept_aside is None else str(done.kept_aside)
    if asked.json:
        print(json.dumps({"set_aside": aside}, indent=2))
    else:
        print("restored" + (f"; the store before it is kept as {aside}" if aside else ""))
        if done.set_aside_notices:
            print(f"{done.set_aside_notices} unsent messages in it may have been sent since; they are not sent again")
    return 0
