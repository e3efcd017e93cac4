"""The audit of the pins fails when it should, and never calls unasked packages sound."""

from __future__ import annotations

from tests.audit import PINNED, verdict

SOUND = {"name": "idna", "version": "3.11", "vulns": []}
UNKNOWN = {"name": "fluids", "skip_reason": "Dependency not found"}
# shape and advisory as pip-audit's README prints them
HOLED = {"name": "flask", "version": "0.5", "vulns": [{"id": "PYSEC-2019-179", "fix_versions": ["1.0"], "description": "…"}]}


def test_a_known_hole_fails_and_names_what_mends_it() -> None:
    """Whoever runs the tests learns which pin to raise."""
    code, said = verdict([SOUND, HOLED, UNKNOWN])
    assert code == 1
    assert "flask 0.5: PYSEC-2019-179, mended in 1.0" in said


def test_not_asked_is_not_sound() -> None:
    """Behind a mirror without advisories the line says so."""
    code, said = verdict([SOUND, UNKNOWN])
    assert code == 0
    assert said.startswith("NOT AUDITED: 1 of 2 packages")
    assert verdict([SOUND]) == (0, "1 pinned packages, no known vulnerability")


def test_every_pin_is_exact_and_no_host_stands_in_the_file() -> None:
    """What was tested is what is installed; whence it comes is the machine's own affair."""
    lines = [line for line in PINNED.read_text().splitlines() if not line.startswith("#")]
    assert len(lines) > 50
    assert all("==" in line and "://" not in line and "@" not in line for line in lines)
