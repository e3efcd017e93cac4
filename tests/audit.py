"""Asks the public advisory service whether a pinned dependency has a known vulnerability.

Ends with exit code 1 and the list when one has. Where the service cannot be reached, or does not know the packages
(behind a mirror of the registry, say), that is said in a line and nothing fails: not asked is not the same as sound.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

PINNED = Path(__file__).parent.parent / "deploy" / "constraints.txt"
WITHIN_S = 120


def audit(pinned: Path) -> tuple[int, str]:
    """The exit code, and what is to be said."""
    ask = ["-m", "pip_audit", "-r", str(pinned), "--no-deps", "--disable-pip", "--progress-spinner", "off", "-f", "json"]
    try:
        done = subprocess.run([sys.executable, *ask], capture_output=True, text=True, check=False, timeout=WITHIN_S)
        packages = json.loads(done.stdout)["dependencies"]
    except subprocess.TimeoutExpired:
        return 0, f"NOT AUDITED: the advisory service did not answer within {WITHIN_S} s"
    except (ValueError, KeyError, TypeError):
        return 0, f"NOT AUDITED: {(done.stderr.strip().splitlines() or ['no answer'])[-1][:200]}"
    return verdict(packages)


def verdict(packages: list[dict[str, Any]]) -> tuple[int, str]:
    """What the answer of pip-audit (its documented JSON form) comes to."""
    asked = [package for package in packages if "vulns" in package]
    found = [(package, hole) for package in asked for hole in package["vulns"]]
    if found:
        lines = [
            f"  {package['name']} {package['version']}: {hole['id']}"
            f"{', mended in ' + ' or '.join(hole['fix_versions']) if hole.get('fix_versions') else ''}"
            for package, hole in found
        ]
        return 1, "\n".join(["known vulnerabilities; raise the pins in deploy/constraints.txt:", *lines])
    if len(asked) < len(packages):
        missed = len(packages) - len(asked)
        return 0, f"NOT AUDITED: {missed} of {len(packages)} packages, which the advisory service asked from here does not know"
    return 0, f"{len(asked)} pinned packages, no known vulnerability"


if __name__ == "__main__":
    code, said = audit(PINNED)
    print(said)
    sys.exit(code)
