"""Each fault tried for real on a real daemon: what was lost, how long it took, what the keeper saw.

usage: python tests/bench/faults.py [name …]

Needs mosquitto; a C compiler for the slow disk, root and a loop device for the read-only card: a row that cannot be tried
here is printed as "not tried" with the reason, and counts as a failure. Prints the table of deploy/faults.md and writes
tests/bench/out/faults.json, from which tests/bench/tables.py puts it there; exit code 1 when a reading, an alarm or a notice
was lost, or a daemon died without a sign to the outside.
Kill loops by the hundred are tests/bench/kills.py, years of everything at once tests/bench/years.py.
"""

from __future__ import annotations

import dataclasses
import json
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.tables import FAULTS_HEAD, fault_line  # noqa: E402 - the path is set above
from tests.faults.growth import growth  # noqa: E402
from tests.faults.rows import Row  # noqa: E402
from tests.faults.trials import LONGER, QUICK  # noqa: E402

OUT = ROOT / "tests" / "bench" / "out" / "faults.json"


def main() -> int:
    asked = set(sys.argv[1:])
    rows: list[Row] = []
    not_tried: dict[str, str] = {}
    print(FAULTS_HEAD, flush=True)
    for trial in (*QUICK, *LONGER):
        if asked and trial.__name__ not in asked:
            continue
        with TemporaryDirectory() as folder:
            try:
                row = trial(Path(folder))
            except (OSError, AssertionError, subprocess.CalledProcessError) as trouble:
                not_tried[trial.__name__] = str(trouble)[:500]
                print(f"| {trial.__name__} | not tried: {trouble}", flush=True)
                continue
        rows.append(row)
        print(fault_line(dataclasses.asdict(row)), flush=True)
    report = {"rows": [dataclasses.asdict(row) for row in rows], "not_tried": not_tried}
    if not asked or "growth" in asked:
        grown = growth(90.0)
        print(f"90 simulated days of 8 sensors: {grown.words()}")
        report["growth"] = dataclasses.asdict(grown)
    OUT.parent.mkdir(exist_ok=True)
    if not asked:
        OUT.write_text(json.dumps(report, indent=1))
    return 0 if not not_tried and all(row.is_sound for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
