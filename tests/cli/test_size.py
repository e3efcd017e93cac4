"""`warmstraw size`: what it prints, what it counts, and how quickly."""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
from datetime import date
from pathlib import Path
from xml.etree import ElementTree

import pytest

from demo.settings_text import fill
from monitor.cli.refusal import Refused
from monitor.cli.sizing import counts_now, seen_outside, size
from monitor.engine.events import JournalEntry, Started
from monitor.engine.saving import save
from monitor.engine.specification import Specification
from monitor.engine.state import State
from monitor.engine.step import step
from monitor.settings.read import Settings, read
from monitor.store.csv_files import take_in
from monitor.store.keep import Batch, Store

TODAY = date(2026, 4, 16)
NOON_MS = 1_776_340_800_000  # 2026-04-16 12:00 UTC


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    file = tmp_path / "warmstraw.toml"
    places = {"broker_port": "1883", "api_port": "8720", "store": str(tmp_path / "store"), "heat_kind": "steady"}
    file.write_text(fill({**places, "hatched": "2026-04-02"}), encoding="utf-8")
    return read(str(file), environ={})


def asked(**changed: object) -> argparse.Namespace:
    return argparse.Namespace(**{"pen": None, "picture": None, "json": False, **changed})


def with_deaths(spec: Specification) -> State:
    state, _ = step(State(), Started(1000.0, NOON_MS, None, True), spec)
    died = JournalEntry(1001.0, NOON_MS + 1000, "brooder", "deaths", "keeper", "heavy cockerels", 4)
    return step(state, died, spec)[0]


def keep(settings: Settings, state: State) -> None:
    with Store.open(settings.connections.store.folder) as store:
        store.commit(Batch((), (), (), (), (), save(state), state.at, state.wall_ms, 1, "test", state.at, True))


def test_the_sheet_is_printed(settings: Settings, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a store yet: the settings' birds, the settings' weather, exit code 0."""
    assert size(asked(), settings, TODAY) == 0
    text = capsys.readouterr().out
    assert text.startswith("Ventilation sheet: brooder, 16 April 2026\nWinter night 23 °F and 80 % outside")
    assert "30 birds" in text


def test_the_figures_have_a_fixed_shape(settings: Settings, capsys: pytest.CaptureFixture[str]) -> None:
    """Programs that read `--json` find every key; a change of shape must be meant."""
    assert size(asked(json=True), settings, TODAY) == 0
    told = json.loads(capsys.readouterr().out)
    assert set(told) == {"site", "pens"}
    (pen,) = told["pens"]
    assert set(pen) == {
        *("pen", "today", "until", "until_why", "outside", "delivered", "weeks", "changes"),
        *("fan", "tonight", "advice", "notes"),
    }
    assert set(pen["delivered"]) == {
        *("airflow_m3_h", "fan_pressure_pa", "duct_pressure_pa", "room_negative_pressure_pa"),
        *("inlet_speed_m_s", "leakage_share", "inlet_governs", "verdict"),
    }
    for week in pen["weeks"]:
        assert set(week) == {
            *("day", "ages_days", "birds", "live_weight_kg", "heat_w", "sensible_heat_w", "moisture_g_h"),
            *("winter_night", "summer_day", "timer", "heat_balance"),
        }
        for case in (week["winter_night"], week["summer_day"]):
            assert case["governing"] in case["needs"]
            assert case["required_m3_h"] == case["needs"][case["governing"]]["required_m3_h"]
        assert set(week["timer"]) == {"on_s", "least_on_s", "period_s", "speed_pct"}


def test_the_dead_are_not_counted(settings: Settings, capsys: pytest.CaptureFixture[str]) -> None:
    """Four cockerels died by the journal: the sheet has 26 birds where the settings say 30."""
    keep(settings, with_deaths(settings.specification))
    assert counts_now(settings)["brooder"] == {"brown-egg pullets": 16, "heavy cockerels": 10}
    size(asked(), settings, TODAY)
    assert "26 birds" in capsys.readouterr().out


def test_a_damaged_store_is_said_and_the_settings_stand_in(settings: Settings, capsys: pytest.CaptureFixture[str]) -> None:
    """The sheet still comes, and says on the other channel that the birds are the settings'."""
    folder = Path(settings.connections.store.folder)
    keep(settings, with_deaths(settings.specification))
    for file in folder.glob("*.sqlite*"):
        file.write_bytes(b"no database at all" * 500)
    assert size(asked(), settings, TODAY) == 0
    out = capsys.readouterr()
    assert "30 birds" in out.out
    assert "birds are counted as the settings say" in out.err


def test_the_coldest_hour_of_the_own_sensor_counts(settings: Settings, tmp_path: Path) -> None:
    """Eight days of readings, one night at −12 °C: that is the winter night, a single faulty reading is not."""
    rows = ["time,sensor,value"]
    for hour in range(24 * 8):
        for minute in (0, 20, 40):
            value = -12.0 if hour in (50, 51, 52) else (-39.0 if (hour, minute) == (90, 20) else 6.0)
            rows.append(f"2026-04-{8 + hour // 24:02d}T{hour % 24:02d}:{minute:02d}:00Z,brooder/outside,{value}")
    file = tmp_path / "readings.csv"
    file.write_text("\n".join(rows) + "\n", encoding="utf-8")
    with Store.open(settings.connections.store.folder) as store:
        assert take_in(store, str(file), settings.specification, lambda line: None).bad == 0
    assert seen_outside(settings, "brooder", NOON_MS) == pytest.approx((-12.0, 6.0), abs=0.01)


def test_a_picture_is_drawn(settings: Settings, tmp_path: Path) -> None:
    """The named file holds the picture of the one pen."""
    picture = tmp_path / "sheet.svg"
    assert size(asked(picture=str(picture)), settings, TODAY) == 0
    assert ElementTree.parse(picture).getroot().tag.endswith("svg")


def test_a_picture_that_cannot_be_written_is_refused_in_words(settings: Settings, tmp_path: Path) -> None:
    """The sentence names the file and the cause."""
    with pytest.raises(Refused, match=r"nowhere/sheet\.svg cannot be written: No such file"):
        size(asked(picture=str(tmp_path / "nowhere/sheet.svg")), settings, TODAY)


def test_an_unknown_pen_is_refused_with_the_known_ones(settings: Settings) -> None:
    """A slip of the pen's name says what there is."""
    with pytest.raises(Refused, match="expected one of brooder") as refused:
        size(asked(pen="broder"), settings, TODAY)
    assert refused.value.code == 2


def test_a_picture_of_two_pens_asks_which(tmp_path: Path) -> None:
    """One file holds one pen."""
    with pytest.raises(Refused, match="add --pen, one of"):
        size(asked(picture=str(tmp_path / "sheet.svg")), read("config/two-pens.toml", environ={}), TODAY)


def test_the_whole_process_is_quick(settings: Settings) -> None:
    """From start to exit under 1.5 s of processor time, and no array library is loaded on the way."""
    program = (
        "import argparse, sys\n"
        "from monitor.settings.read import read\n"
        "from monitor.cli.sizing import size\n"
        f"code = size(argparse.Namespace(pen=None, picture=None, json=False), read({settings.file!r}))\n"
        "assert 'numpy' not in sys.modules and 'fastapi' not in sys.modules\n"
        "raise SystemExit(code)\n"
    )
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode == 0, done.stderr
    assert after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime < 1.5
