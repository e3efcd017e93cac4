"""`rehearse`: readings in, decisions out, and a tally."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

from monitor.cli.keeping import told
from monitor.cli.refusal import Refused
from monitor.cli.spans import Progress, moment_ms
from monitor.engine.decisions import line, rfc3339
from monitor.engine.events import Event, Json
from monitor.rehearse import Misread, Rehearsed, in_order, read_csv, rehearse
from monitor.settings.read import Settings
from monitor.store.reader import Reader

MOST_BAD_SHOWN = 20


def run(asked: argparse.Namespace, settings: Settings) -> int:
    """Rehearse, and say what came of it."""
    zone = settings.specification.timezone
    from_ms, to_ms = moment_ms(asked.from_text, zone), moment_ms(asked.to_text, zone)
    bad = 0

    def on_bad(number: int, why: str) -> None:
        nonlocal bad
        bad += 1
        if bad <= MOST_BAD_SHOWN:
            print(f"line {number}: {why}", file=sys.stderr)

    with ExitStack() as stack:
        out = None
        if asked.decisions == "-":
            out = sys.stdout
        elif asked.decisions:
            try:
                out = stack.enter_context(Path(asked.decisions).open("w", encoding="utf-8"))
            except OSError as trouble:
                raise Refused(f"{asked.decisions} cannot be written: {trouble.strerror}") from trouble
        events: list[Event] = []
        if asked.readings is None:
            stack.enter_context(told())  # the store is first asked when the rows are
            reader = stack.enter_context(Reader(settings.connections.store.folder))
            rows: Iterator[tuple[int, str, float]] = (
                (r.time_ms, r.sensor, r.value) for r in reader.readings(None, from_ms, to_ms)
            )
            events = [_timed(entry) for entry in reader.journal(None, from_ms, to_ms) if entry.wall_ms is not None]
        else:
            source = sys.stdin
            if asked.readings != "-":
                try:
                    source = stack.enter_context(Path(asked.readings).open(encoding="utf-8", errors="replace", newline=""))
                except OSError as trouble:
                    raise Refused(f"{asked.readings} cannot be read: {trouble.strerror}") from trouble
            rows = in_order(read_csv(source, settings.specification, on_bad))
            rows = (r for r in rows if (from_ms is None or r[0] >= from_ms) and (to_ms is None or r[0] < to_ms))
        progress = Progress("readings rehearsed")

        def write(decided: dict[str, Json]) -> None:
            if out is not None:
                out.write(line(decided) + "\n")

        try:
            tally = rehearse(_counted(rows, progress), settings.specification, write, events)
        except Misread as trouble:
            raise Refused(f"{asked.readings}: {trouble}", 2) from trouble
        progress.end()
    shown = sys.stderr if asked.decisions == "-" else sys.stdout
    print(json.dumps(_figures(tally, bad), ensure_ascii=False, indent=2) if asked.json else _text(tally, bad), file=shown)
    return 0


def _timed(entry: Event) -> Event:
    """A journal entry of long ago on the rehearsal's own seconds."""
    from dataclasses import replace

    return entry if entry.wall_ms is None else replace(entry, at=entry.wall_ms / 1000.0)


def _counted(rows: Iterator[tuple[int, str, float]], progress: Progress) -> Iterator[tuple[int, str, float]]:
    for number, row in enumerate(rows):
        if not number % 10_000:
            progress(number)
        yield row


def _figures(tally: Rehearsed, bad: int) -> dict[str, Json]:
    return {
        "readings": tally.readings,
        "bad_lines": bad,
        "unknown_sensors": dict(tally.unknown_sensors),
        "from": rfc3339(tally.first_ms),
        "to": rfc3339(tally.last_ms),
        "fan_changes": tally.fan_changes,
        "fan_hours": {pen: round(s / 3600.0, 2) for pen, s in tally.fan_on_s.items()},
        "alarms_raised": dict(tally.alarms),
    }


def _text(tally: Rehearsed, bad: int) -> str:
    if tally.first_ms is None or tally.last_ms is None:
        return "No readings to rehearse." + (f" {bad} bad lines." if bad else "")
    days = (tally.last_ms - tally.first_ms) / 86_400_000
    lines = [f"{tally.readings:,} readings over {days:.1f} days, {rfc3339(tally.first_ms)} to {rfc3339(tally.last_ms)}"]
    if bad:
        lines.append(f"{bad} lines could not be read")
    lines += [f"{count} readings of {key!r}, which is not in the settings" for key, count in tally.unknown_sensors.items()]
    lines.append(f"Fan switched {tally.fan_changes:,} times; on for " + _hours(tally))
    alarms = ", ".join(f"{name} {count}" for name, count in sorted(tally.alarms.items()))
    lines.append(f"Alarms raised: {alarms or 'none'}")
    return "\n".join(lines)


def _hours(tally: Rehearsed) -> str:
    return ", ".join(f"{s / 3600.0:.1f} h ({pen})" for pen, s in tally.fan_on_s.items()) or "no time at all"
