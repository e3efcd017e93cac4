"""Measured air changes from the store, against the model barn's own air."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from statistics import fmean

import pytest

from demo.mill_rise import Barnyard, raise_world
from demo.settings_text import specification
from demo.world import World
from monitor.daemon.measured_air import measured_air
from monitor.engine.events import Json, Keep, SwitchFan
from monitor.store.keep import Batch, Store
from monitor.store.reader import Reader

START_MS = round(datetime(2026, 11, 16, tzinfo=UTC).timestamp() * 1000)
SITE = specification("none", date(2026, 11, 16) - timedelta(days=200))
PEN = SITE.pens["brooder"]
EVERY_S, RUNS_S, HOURS = 7200.0, 1500.0, 12


def played(folder: Path, blocked: float = 1.0) -> tuple[Json, float]:
    """Half a day of grown birds with the fan on for 25 minutes of every two hours: what is measured, and the true mean.

    `blocked` is the share of its airflow that the fan really moves.
    """
    world = raise_world(PEN, Barnyard(), 3, -200 * 86_400.0)
    keeps, turns, truths = [], [], []
    running = False
    while world.time_s < HOURS * 3600.0:
        at_ms = START_MS + round(world.time_s * 1000)
        wanted = world.time_s % EVERY_S >= EVERY_S - RUNS_S
        if wanted is not running:
            running = wanted
            world.command(running, None)
            turns.append(SwitchFan(world.time_s, at_ms, "brooder", running, None, "hand-set", {}))
        if running:
            truths.append(_blown(world, blocked))
        for heard in world.step():
            value = heard.sensor.unit_gain * heard.value + heard.sensor.unit_offset
            keeps.append(Keep(heard.sensor.key, value, heard.time_s, START_MS + round(heard.time_s * 1000), False))
    with Store.open(folder) as store:
        store.commit(Batch(keeps, (), turns, (), (), None, world.time_s, START_MS, 1, "boot", 0.0, False))
        with Reader(store.folder) as reader:
            return measured_air(SITE, "brooder", reader, START_MS + HOURS * 3_600_000), fmean(truths[30:])


def _blown(world: World, blocked: float) -> float:
    """Air changes an hour now; a blocked fan is given its share by way of its curve's speed."""
    assert world.exhaust is not None
    world.exhaust.speed_pct = 100.0 * blocked
    world.barn.fan_m3_s = world.exhaust.airflow_m3_s(True)
    return world.barn.airflow_m3_s(world.sky) * 3600.0 / world.barn.shed.volume_m3


def last_week(told: Json) -> dict[str, Json]:
    assert isinstance(told, dict)
    found = told["weeks"]
    assert isinstance(found, list)
    assert isinstance(found[-1], dict)
    return found[-1]


def test_the_model_barns_air_is_measured_as_it_is(tmp_path: Path) -> None:
    """Six runs over carbon dioxide of thirty grown birds: within 15 % of the model's own air, and as expected."""
    told, truth = played(tmp_path)
    week = last_week(told)
    assert isinstance(week["measured"], dict)
    assert week["measured"]["per_hour"] == pytest.approx(truth, rel=0.15), week["text"]
    assert week["verdict"] == "as expected"
    assert "carbon dioxide" in str(week["gases"])


def test_a_blocked_fan_shows(tmp_path: Path) -> None:
    """At four tenths of its air the week says fewer than expected."""
    told, truth = played(tmp_path, blocked=0.4)
    week = last_week(told)
    assert isinstance(week["measured"], dict)
    assert week["measured"]["per_hour"] == pytest.approx(truth, rel=0.2), week["text"]
    assert week["verdict"] == "fewer than expected"


def test_an_empty_store_says_why(tmp_path: Path) -> None:
    """Nothing stored: no figure, and the sentence says that the fan never ran long enough."""
    with Store.open(tmp_path) as store, Reader(store.folder) as reader:
        told = measured_air(SITE, "brooder", reader, START_MS)
    assert isinstance(told, dict)
    assert "the fan never ran five minutes at a stretch" in str(told["sentence"])
    assert last_week(told)["measured"] == {
        "per_hour": None,
        "low": None,
        "high": None,
        "decays": 0,
        "reason": "the fan never ran for five minutes at a stretch after a rest",
        "warning": "",
    }
