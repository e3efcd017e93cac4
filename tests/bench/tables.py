"""Puts what the benchmarks found into deploy/faults.md, between the marks that name them.

usage: python tests/bench/tables.py [--print]

Reads tests/bench/out/*.json as the benchmarks wrote them; a table whose file is missing stays as it is.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
OUT = ROOT / "tests" / "bench" / "out"
PAGE = ROOT / "deploy" / "faults.md"

FAULTS_HEAD = (
    "| fault | readings published | lost | doubled | alarms lost | notices lost | all well after | keeper saw | outside sign |\n"
    "| --- | --: | --: | --: | --: | --: | --: | --- | --- |"
)


def fault_line(row: Mapping[str, Any]) -> str:
    """One row of the table of faults."""

    def counted(name: str) -> str:
        return "none due" if row[name] is None else str(row[name])

    saw = "; ".join(filter(None, (row["keeper_saw"] or "NOTHING", row["notices"])))
    cells = [row["fault"], row["published"], row["lost"], row["doubled"], counted("alarms_lost"), counted("notices_lost")]
    return "| " + " | ".join(map(str, [*cells, f"{row['recovered_s']:.1f} s", saw, row["outside_sign"] or "NONE"])) + " |"


def faults(found: Mapping[str, Any]) -> str:
    grown = found["growth"]
    growth = (
        f"{grown['days']:.0f} simulated days of eight sensors: {grown['readings']:,} readings, memory "
        f"{grown['memory_early_mb']:.1f} → {grown['memory_late_mb']:.1f} MB after the first nine days, "
        f"open files {grown['files_early']} → {grown['files_late']}."
    )
    return "\n".join([FAULTS_HEAD, *map(fault_line, found["rows"]), "", growth])


def years(found: Mapping[str, Any]) -> str:
    rows = {
        "barn-days lived": f"{found['days']:,.0f}",
        "promises broken": f"{len(found['broken'])}",
        "faults begun": f"{sum(found['faults'].values()):,}",
        "daemon killed · machine rebooted": f"{found['kills']:,} · {found['reboots']:,}",
        "broker killed": f"{found['broker_kills']:,}",
        "writes that the disk failed": f"{found['disk_failures']:,}",
        "readings published": f"{found['readings']:,}",
        "lost with a killed broker that had not passed them on": f"{found['lost_with_broker']:,}",
        "acknowledged and lost: killed while the disk failed": f"{found['lost_with_disk']:,}",
        "pages of the card spoilt · damaged store restored": f"{found['spoilt_pages']:,} · {found['restored']:,}",
        "newer than the backup and lost with their page, each loss told": f"{found['lost_with_page']:,}",
        "messages that reached a phone": f"{found['rings']:,}",
        "urgent alarms · longest until one was told, channel and daemon well": (
            f"{found['urgent']:,} · {found['slowest_urgent_s']:.0f} s"
        ),
        "longest until all was well after the last fault": f"{found['slowest_well_s']:.0f} s",
    }
    return "\n".join(["| | |", "| --- | --: |", *(f"| {name} | {value} |" for name, value in rows.items())])


def footprint(found: Mapping[str, Any]) -> str:
    changes = found["fan_changes"] / found["minutes"] * 1440.0
    rows = (
        ("resident memory", f"{found['memory_mb']:.0f} MB", "90 MB"),
        ("processor, of one core of the bench's machine", f"{found['cpu_pct']:.2f} %", "1 %"),
        (f"written, at {changes:.0f} fan changes a day", f"{found['written_mb_a_day']:.1f} MB a day", "see below"),
    )
    return _three(f"{found['minutes']:.0f} minutes, eight sensors at 30 s", rows)


def backup(found: Mapping[str, Any]) -> str:
    rows = (
        ("by day: readings, fan, state, hourly chores", f"{found['day_mb']:.1f} MB", ""),
        (f"at night: readings to their place, backup, checked, in {found['night_s']:.0f} s", f"{found['night_mb']:.1f} MB", ""),
        ("**both**", f"**{found['all_mb']:.1f} MB**", "25 MB"),
        ("(a whole copy each night instead)", f"{found['whole_copy_mb']:.0f} MB", ""),
    )
    return _three(f"a day on a store of {found['store_mb']:.0f} MB, one year old", rows)


def _three(head: str, rows: tuple[tuple[str, str, str], ...]) -> str:
    return "\n".join([f"| {head} | found | at most |", "| --- | --: | --: |", *("| " + " | ".join(row) + " |" for row in rows)])


TABLES: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "faults": faults,
    "years": years,
    "footprint": footprint,
    "store_backup": backup,
}


def filled(page: str, found: Mapping[str, Mapping[str, Any]]) -> str:
    """The page with these tables between their marks.

    Raises:
        ValueError: the page has no marks for one of them.
    """
    for name, told in found.items():
        marks = re.compile(rf"(<!-- {name}: begin -->\n).*?(<!-- {name}: end -->)", re.DOTALL)
        page, times = marks.subn(lambda match, told=told, name=name: f"{match[1]}{TABLES[name](told)}\n{match[2]}", page)
        if times != 1:
            raise ValueError(
                f"the page has {times} places for the table {name}; put <!-- {name}: begin --> and its end there once"
            )
    return page


def main() -> int:
    files = {name: OUT / f"{name}.json" for name in TABLES}
    found = {name: json.loads(file.read_text()) for name, file in files.items() if file.exists()}
    page = filled(PAGE.read_text(encoding="utf-8"), found)
    if "--print" in sys.argv[1:]:
        print(page)
    else:
        PAGE.write_text(page, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
