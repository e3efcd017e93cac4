"""`warmstraw bedding`: from a real store to what the keeper reads."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import pytest

from demo.settings_text import fill
from monitor.cli import main
from monitor.cli.bedding import bedding
from monitor.cli.refusal import Refused
from monitor.daemon.look_back import fan_runs, of
from monitor.engine.events import JournalEntry, Keep, SwitchFan
from monitor.engine.specification import Measure, Place
from monitor.review.airflow import FanRun
from monitor.settings.read import Settings, read
from monitor.store.decisions import Decision
from monitor.store.keep import Batch, Store
from tests.review.seasons import HOUR_MS, START_MS, Room, Season, Work, play


@pytest.fixture(scope="module")
def season() -> Season:
    room = Room(
        days=34,
        works=(Work(20, "litter changed"),),
        seed=4,
        birds=50,
        moisture_pct=30.0,
        duty=lambda _day, _ppm: 0.06,
        leakage_cm2=40,
    )
    return play(room)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    written = tmp_path / "warmstraw.toml"
    places = {"broker_port": "1883", "api_port": "8720", "store": str(tmp_path / "store"), "heat_kind": "none"}
    written.write_text(fill({**places, "hatched": "2026-04-02"}), encoding="utf-8")
    return written


@pytest.fixture
def settings(file: Path, season: Season) -> Settings:
    """Mill Rise with 34 days of September in its store: readings by the hour, fan by its decisions, the journal."""
    found = read(str(file), environ={})
    keeps = [
        Keep(f"brooder/{name}", value, 0.0, time_ms, False)
        for name, points in (("ammonia", season.ammonia), ("room", season.warmth), ("outside", season.outside))
        for time_ms, value in points
    ]
    switched = [
        SwitchFan(0.0, time_ms, "brooder", running, None, "timer", {})
        for run in season.fan
        for time_ms, running in ((run.begin_ms, True), (run.end_ms, False))
    ]
    noons = [START_MS + (day * 24 + 12) * HOUR_MS for day in (2, 30)]
    died = [JournalEntry(0.0, noon, "brooder", "deaths", "keeper", None, 1) for noon in noons]
    with Store.open(found.connections.store.folder) as store:
        store.commit(Batch(keeps, (), switched, [*season.journal, *died], (), None, 0.0, season.end_ms, 1, "test", 0.0, True))
        while store.tidy(season.end_ms, 50_000).more:
            pass
    return found


def asked(**changed: object) -> argparse.Namespace:
    return argparse.Namespace(**{"pen": None, "json": False, **changed})


def test_the_sheet_says_what_the_change_did(settings: Settings, season: Season, capsys: pytest.CaptureFixture[str]) -> None:
    """Through the real store: both periods, the verdict, the trends, and what is not known."""
    assert bedding(asked(), settings, now_ms=lambda: season.end_ms) == 0
    text = capsys.readouterr().out
    assert text.startswith("brooder: the litter\n\nLitter changed 14 days ago: ")
    assert "  Litter changed 21 Sep: helped by " in text
    assert "The last 28 days:" in text
    assert "Lay: no eggs are written down for laying hens." in text
    assert max(len(line) for line in text.splitlines()) <= 100


def test_json_is_one_object_a_pen(settings: Settings, season: Season, capsys: pytest.CaptureFixture[str]) -> None:
    """What the API serves, in a list: periods, changes, days left, trends, lay and deaths."""
    assert bedding(asked(json=True, pen="brooder"), settings, now_ms=lambda: season.end_ms) == 0
    (told,) = json.loads(capsys.readouterr().out)
    assert set(told) == {
        *("pen", "today", "sentence", "limit_ppm", "limit_source", "airflow_known", "days_left", "due"),
        *("periods", "changes", "suggested", "warnings", "trends", "production"),
    }
    (change,) = told["changes"]
    assert change["effect"]["verdict"] == "helped"
    assert [len(p["day"]) for p in told["periods"]] == [21, 12]  # the night after the change is left out
    assert told["production"]["deaths"] == 1  # of the last four weeks
    fan: list[Any] = told["trends"]["fan_h"]
    assert fan[-1] == pytest.approx(24 * 0.06, abs=0.01)


def test_an_unknown_pen_is_refused(settings: Settings) -> None:
    """The name is said with those that exist; exit code 2."""
    with pytest.raises(Refused, match="--pen attic: expected one of brooder") as refused:
        bedding(asked(pen="attic"), settings)
    assert refused.value.code == 2


def test_without_a_store_it_fails_in_words(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The daemon never ran: exit code 1 and where the store should be, no traceback."""
    assert main(["bedding", "--settings", str(file)]) == 1
    assert "warmstraw bedding: " in capsys.readouterr().err


def test_an_empty_store_says_that_nothing_is_known(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A store without readings is no failure."""
    found = read(str(file), environ={})
    Store.open(found.connections.store.folder).close()
    assert main(["bedding", "--settings", str(file)]) == 0
    assert "No night of this litter has been measured yet." in capsys.readouterr().out


def decision(time_ms: int | None, running: bool, speed_pct: float | None = None) -> Decision:
    state = "running" if running else "resting"
    return Decision(1, "fan", "brooder", 0.0, time_ms, "", "fan", "", "", state, "", 0, speed_pct, "timer", "", {})


def test_fan_decisions_become_runs() -> None:
    """A change of speed ends one run and begins the next; undated ones are passed over; the last one stands until now."""
    told = [decision(10, True, 50.0), decision(20, True, 80.0), decision(None, False), decision(40, False), decision(70, True)]
    assert fan_runs(told, 100) == [FanRun(10, 20, 50.0), FanRun(20, 40, 80.0), FanRun(70, 100, None)]


def test_the_first_sensor_of_the_preferred_place_is_taken(settings: Settings) -> None:
    """Ammonia at bird level; for the room's warmth the room's own; none when there is none."""
    pen = settings.specification.pens["brooder"]
    ammonia, room = of(pen, Measure.AMMONIA, Place.BIRD_LEVEL), of(pen, Measure.TEMPERATURE, Place.ROOM, Place.BIRD_LEVEL)
    assert ammonia is not None
    assert room is not None
    assert (ammonia.name, room.name) == ("ammonia", "room")
    assert of(pen, Measure.STATIC_PRESSURE, Place.ROOM) is None
