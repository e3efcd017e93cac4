"""Readings out to, and in from, CSV; and out to Parquet.

The form: header `time,sensor,value`; `time` RFC 3339, written in UTC with milliseconds where there are any;
`sensor` is "pen/sensor name"; `value` stands in the unit this sensor has in the settings. A value loses
nothing a keeper could see on the way (ten significant digits), and a file taken in twice is stored once.

Readings of a run whose clock never became known have no time to write. They are left out and counted; asked
for, they come last, with an empty time, run by run in their order: a record for the eye, that `take_in`
reports line by line and does not store.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import TextIO

from monitor.engine.events import Keep
from monitor.engine.specification import Sensor, Specification
from monitor.store.backup import sync_folder
from monitor.store.failures import StoreFailing, told
from monitor.store.inbox import EARLIEST_MS, LATEST_MS
from monitor.store.keep import Store
from monitor.store.reader import Reader

HEADER = ("time", "sensor", "value")
_CHUNK = 5_000
_LONGEST_LINE = 1_000

# RFC 3339, section 5.6, with "T" or, as its note allows, a space.
_TIME = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(?:\.\d{1,9})?(?:[Zz]|[+-]\d\d:\d\d)", re.ASCII)
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)

Row = tuple[int | None, str, float]  # time_ms, sensor, value in the sensor's unit


class FileFailing(StoreFailing):
    """The file asked for cannot be written or read as a file of readings."""


@dataclass(frozen=True, slots=True)
class Exported:
    readings: int
    undated: int  # written with an empty time when asked for, else left out
    in_si: tuple[str, ...]  # sensors that are not in the settings any more; their values are in SI units


@dataclass(frozen=True, slots=True)
class BadLine:
    line: int  # counted from 1, the header
    text: str
    reason: str


@dataclass(frozen=True, slots=True)
class TakenIn:
    stored: int
    same: int  # already in the store
    bad: int  # each of them was reported


# ---------------------------------------------------------------- out


def export(
    reader: Reader,
    file: str | Path | TextIO,
    from_ms: int | None,
    to_ms: int | None,
    sensors: Sequence[str] | None,
    specification: Specification,
    undated: bool = False,
    progress: Callable[[int], None] = lambda _rows: None,
) -> Exported:
    """Write raw readings from `from_ms` up to before `to_ms`, in order of time.

    Args:
        file: a name ending in `.parquet` for Parquet, any other for CSV; or an open text stream, for CSV.
            A file gets its name only once it is whole.
        sensors: keys "pen/sensor name"; None for all.
        undated: write those without a time too, last; only when no time limits are given.
        progress: told the rows written so far, every few thousand.

    Raises:
        FileFailing: a sensor that was never stored, a file that cannot be written, or Parquet without pyarrow.
    """
    known = reader.sensors()
    for wanted in sensors or ():
        if wanted not in known:
            raise FileFailing(f'There are no readings of "{wanted}".', f"Stored are: {', '.join(known) or 'none yet'}.")
    chosen = set(known if sensors is None else sensors)
    tally = _Tally()
    rows = _rows_out(reader, from_ms, to_ms, chosen, specification, undated, tally)
    if not isinstance(file, str | Path):
        _write_csv(file, rows, progress)
    else:
        _write_file(Path(file), rows, progress)
    in_si = tuple(name for name in known if name in chosen and name not in specification.sensors)
    return Exported(tally.readings, tally.undated, in_si)


class _Tally:
    readings = 0
    undated = 0


def _rows_out(
    reader: Reader,
    from_ms: int | None,
    to_ms: int | None,
    chosen: set[str],
    specification: Specification,
    undated: bool,
    tally: _Tally,
) -> Iterator[Row]:
    units = {
        name: (specification.sensors[name].unit_gain, specification.sensors[name].unit_offset)
        for name in chosen
        if name in specification.sensors
    }
    for reading in reader.readings(sorted(chosen), from_ms, to_ms):
        gain, offset = units.get(reading.sensor, (1.0, 0.0))
        tally.readings += 1
        yield reading.time_ms, reading.sensor, (reading.value - offset) / gain
    if from_ms is not None or to_ms is not None:
        return
    for waiting in reader.undated():
        if waiting.sensor in chosen:
            tally.undated += 1
            if undated:
                gain, offset = units.get(waiting.sensor, (1.0, 0.0))
                yield None, waiting.sensor, (waiting.value - offset) / gain


def _write_file(target: Path, rows: Iterator[Row], progress: Callable[[int], None]) -> None:
    part = target.with_name(target.name + ".part")
    try:
        with told(target):
            if target.suffix == ".parquet":
                _write_parquet(part, rows, progress)
            else:
                with part.open("w", encoding="utf-8", newline="") as stream:
                    _write_csv(stream, rows, progress)
                    stream.flush()
                    os.fsync(stream.fileno())
            os.replace(part, target)
            sync_folder(target.parent)
    finally:
        part.unlink(missing_ok=True)


def _write_csv(stream: TextIO, rows: Iterable[Row], progress: Callable[[int], None]) -> None:
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(HEADER)
    source, written = iter(rows), 0
    while chunk := list(islice(source, _CHUNK)):
        writer.writerows((rfc3339(time_ms), sensor, f"{value:.10g}") for time_ms, sensor, value in chunk)
        written += len(chunk)
        progress(written)


def _write_parquet(part: Path, rows: Iterable[Row], progress: Callable[[int], None]) -> None:
    try:
        import pyarrow as pa  # takes 100 MB and half a second: only for those who ask
        import pyarrow.parquet as pq
    except ImportError as error:
        raise FileFailing(
            "Parquet needs the package pyarrow, which is not installed here.",
            "Install it beside the program (pip install 'warmstraw[parquet]'), or export to a name ending in .csv.",
        ) from error
    schema = pa.schema(
        [("time", pa.timestamp("ms", tz="UTC")), ("sensor", pa.dictionary(pa.int32(), pa.string())), ("value", pa.float64())]
    )
    source, written = iter(rows), 0
    with pq.ParquetWriter(part, schema) as writer:
        while chunk := list(islice(source, 20 * _CHUNK)):
            times, names, values = zip(*chunk, strict=True)
            columns = [pa.array(times, schema[0].type), pa.array(names).dictionary_encode(), pa.array(values, pa.float64())]
            writer.write_table(pa.table(columns, schema=schema))
            written += len(chunk)
            progress(written)


def rfc3339(time_ms: int | None) -> str:
    """A time in UTC as RFC 3339 writes it; milliseconds only where there are any. None becomes empty."""
    if time_ms is None:
        return ""
    second, ms = divmod(time_ms, 1000)
    moment = datetime.fromtimestamp(second, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{moment}.{ms:03d}Z" if ms else f"{moment}Z"


# ---------------------------------------------------------------- in


def take_in(
    store: Store,
    file: str | Path | TextIO,
    specification: Specification,
    on_bad: Callable[[BadLine], None] = lambda _line: None,
    progress: Callable[[int], None] = lambda _lines: None,
) -> TakenIn:
    """Store the readings of a CSV file; good lines are stored, each bad one is reported and left out.

    A line that is stored already (same sensor, same millisecond, same value) is not stored again, so a file
    may be taken in twice, or after a stop in the middle.

    Raises:
        FileFailing: the file cannot be read, or has not the header `time,sensor,value`.
    """
    if isinstance(file, str | Path):
        with told(Path(file)), Path(file).open(encoding="utf-8-sig", errors="replace", newline="") as stream:
            return take_in(store, stream, specification, on_bad, progress)
    stored = same = bad = 0
    lines = enumerate(file, start=1)
    _check_header(next(lines, (1, ""))[1])
    while chunk := list(islice(lines, _CHUNK)):
        keeps = []
        for number, line in chunk:
            if not line.strip():
                continue
            found = _keep(line, specification)
            if isinstance(found, str):
                bad += 1
                on_bad(BadLine(number, line.rstrip("\r\n")[:200], found))
            else:
                keeps.append(found)
        done = store.add_readings(keeps)
        stored, same = stored + done.readings, same + done.same
        while done.unmoved > 2 * _CHUNK and store.tidy(None).more:
            pass
        progress(chunk[-1][0])
    while store.tidy(None).more:
        pass
    return TakenIn(stored, same, bad)


def _check_header(line: str) -> None:
    found = tuple(word.strip().strip('"').lower() for word in line.lstrip("\ufeff").strip().split(","))
    if found != HEADER:
        got = line.strip()[:80]
        raise FileFailing(
            f'Line 1 reads "{got}", expected the header time,sensor,value.',
            "Write it as the first line; columns are parted by commas, numbers have a decimal point.",
        )


def _keep(line: str, specification: Specification) -> Keep | str:
    """The reading on this line, or what is wrong with it."""
    if len(line) > _LONGEST_LINE:
        return f"longer than {_LONGEST_LINE} characters"
    fields = _fields(line.rstrip("\r\n"))
    if len(fields) != 3:
        return f"{len(fields)} fields, expected 3: time, sensor, value"
    time, name, number = (word.strip() for word in fields)
    time_ms = _time_ms(time)
    if isinstance(time_ms, str):
        return time_ms
    sensor = specification.sensors.get(name)
    if sensor is None:
        return f'no sensor "{name}" in the settings; it is written "pen/sensor name"'
    if len(number) > 40 or not _NUMBER.fullmatch(number):
        return f'value "{number[:40]}" is no number such as 21.5'
    value = sensor.unit_gain * float(number) + sensor.unit_offset
    if not sensor.lowest <= value <= sensor.highest:
        return f"value {number} {sensor.unit} cannot be: {_range(sensor)}"
    return Keep(name, value, 0.0, time_ms, own_time=True)


def _range(sensor: Sensor) -> str:
    ends = ((end - sensor.unit_offset) / sensor.unit_gain for end in (sensor.lowest, sensor.highest))
    low, high = sorted(ends)
    return f"{sensor.measures} lies between {low:g} and {high:g} {sensor.unit}"


def _fields(line: str) -> list[str]:
    if '"' not in line:
        return line.split(",")
    try:
        # Line by line, so that one stray quote does not swallow the rest of the file.
        return next(csv.reader(io.StringIO(line)), [])
    except csv.Error:
        return []


def _time_ms(text: str) -> int | str:
    if not text:
        return "no time; a reading without one has no place"
    if not _TIME.fullmatch(text):
        return f'time "{text[:40]}" is not RFC 3339 with its offset, such as 2026-05-01T06:40:00Z'
    try:
        moment = datetime.fromisoformat(text.upper())
    except ValueError:
        return f'time "{text}" is no day or hour there is'
    time_ms = round(moment.timestamp() * 1000)
    if not EARLIEST_MS <= time_ms < LATEST_MS:
        return f'time "{text}" lies outside the years 2000 to 2099'
    return time_ms
