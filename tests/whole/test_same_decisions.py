"""The same readings give the same decisions: live, with a restart in the middle, and rehearsed from the exported CSV."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path

from monitor.engine.decisions import line, rfc3339
from monitor.rehearse import read_csv, rehearse
from monitor.store.csv_files import export
from monitor.store.reader import Reader
from tests.daemon.conftest import HandClocks, Middle
from tests.engine.barns import pen, site

HOURS = 6
SPECIFICATION = site(pen(), pen("hen house"))


def readings(second: int) -> Iterator[tuple[str, str, float]]:
    """An invented day in six hours: air that fouls and is aired, damp by morning, a lamp that dies at the fifth hour."""
    hour = second / 3600.0
    for number, name in enumerate(("brooder", "hen house")):
        wave = math.sin(second / 400.0 + number)
        lamp = 31.0 if hour < 5.0 else 31.0 - 9.0 * min(1.0, hour - 5.0)
        if second % 30 == 7 * number:
            yield name, "chick height", round(lamp + 0.4 * wave, 2)
            yield name, "chick height two", round(lamp + 0.3 + 0.5 * wave, 2)
        if second % 30 == 3:
            yield name, "damp", round(66.0 + 12.0 * math.sin(hour * 1.1 + number) + wave, 1)
        if second % 60 == 11:
            yield name, "ammonia", round(max(0.0, 22.0 + 20.0 * math.sin(hour * 1.7 + number) + 2.0 * wave), 1)


def play(middle: Middle, first: int, last: int) -> None:
    for second in range(first, last):
        for pen_name, sensor, value in readings(second):
            middle.say(f"{pen_name}/{sensor}", value)
        middle.pass_time(1.0)
    assert middle.flush()


def test_live_restarted_and_rehearsed_decide_the_same(tmp_path: Path) -> None:
    """Two pens for six hours, ticked each second; the second run is stopped and started again five times in between."""
    live = Middle(tmp_path / "live", SPECIFICATION, HandClocks()).start()
    play(live, 0, HOURS * 3600)
    live.stop()
    changes = [json.loads(one) for one in live.lines]
    assert {"ammonia_birds", "ammonia_people", "damp", "birds_cold"} <= {change["what"] for change in changes}
    assert sum(change["kind"] == "fan" for change in changes) > 20

    clocks = HandClocks()
    decided: list[str] = []
    for part in range(HOURS):
        again = Middle(tmp_path / "again", SPECIFICATION, clocks).start()
        play(again, part * 3600, (part + 1) * 3600)
        again.stop()
        decided += again.lines
    assert decided == live.lines

    with Reader(tmp_path / "live") as reader:
        export(reader, str(tmp_path / "readings.csv"), None, None, None, SPECIFICATION)
    rehearsed: list[str] = []
    bad: list[object] = []
    with (tmp_path / "readings.csv").open() as stream:
        rows = list(read_csv(stream, SPECIFICATION, lambda *why: bad.append(why)))
    rehearse(rows, SPECIFICATION, lambda told: rehearsed.append(line(told)))
    assert bad == []
    ended = rfc3339(rows[-1][0])  # a rehearsal ends with its last reading; the live run ticked on for some seconds
    assert ended is not None
    assert rehearsed == [one for one, change in zip(live.lines, changes, strict=True) if change["time"] <= ended]
