"""Days of a barn in which everything around the daemon fails by dice: the promises at the top of `world` hold throughout.

Ten thousand days are tests/bench/years.py, which also replays a seed.
"""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import pytest

from monitor.engine.connections import Notice
from monitor.engine.events import Keep
from monitor.engine.specification import Priority
from monitor.store.keep import Store
from tests.engine.barns import START_MS
from tests.simulation.broker import Message
from tests.simulation.card import Card
from tests.simulation.judging import Tally, readings_wrong
from tests.simulation.odds import KINDS
from tests.simulation.pace import EVEN
from tests.simulation.phone import Phones
from tests.simulation.world import World

SEEDS = [range(first, first + 5) for first in (1_001, 1_006, 1_011, 1_021)]  # none a multiple of twenty: see `pace_of`
DAYS, EVEN_SEED, EVEN_DAYS = 5.0, 1_000, 1.7


@pytest.fixture(autouse=True)
def quiet_logs() -> Iterator[None]:
    """A daemon that meets a fault says so; here that would be every few lines."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


@pytest.fixture
def folder() -> Iterator[Path]:
    """In memory where there is such a place: it is not the disk that is measured."""
    place = "/dev/shm" if Path("/dev/shm").is_dir() else None
    with TemporaryDirectory(dir=place) as made:
        yield Path(made)


def live(seed: int, folder: Path, days: float = DAYS) -> World:
    place = folder / f"{seed} {len(list(folder.iterdir()))}"
    place.mkdir()
    world = World(seed, place)
    world.run(days)
    return world


@pytest.mark.parametrize("seeds", SEEDS, ids=lambda seeds: f"from {seeds.start}")
def test_days_of_faults_keep_every_promise(folder: Path, seeds: range) -> None:
    """Safety at every turn, and all well again within the bound after each storm; a broken promise names its seed."""
    seen = Tally()
    for seed in seeds:
        seen.add(live(seed, folder).tally)
    # What never happened was not tested.
    assert seen.days >= len(seeds) * DAYS
    assert set(seen.faults) == {kind.name for kind in KINDS}
    assert seen.kills > 50
    assert seen.reboots > 1
    assert seen.disk_failures > 100
    assert seen.urgent > 10


@pytest.mark.parametrize("seed", [7_007, 7_013, 7_019])
def test_spoilt_pages_hide_nothing_and_take_only_what_is_newer_than_the_backup(folder: Path, seed: int) -> None:
    """With a page going bad every few hours beside everything else: what a night's backup held is there again, each loss is
    told, and nothing comes twice (the promises at the top of `card`)."""
    world = live(seed, folder, 2.2)
    assert world.tally.spoilt_pages > 3
    assert world.tally.restored > 0


def test_a_barn_lived_evenly_keeps_them_too(folder: Path) -> None:
    """With a heat source, readings every two minutes and the engine's own minute: nothing in it hangs on the brisk pace."""
    world = live(EVEN_SEED, folder, EVEN_DAYS)
    assert world.pace is EVEN
    assert world.tally.urgent > 3


def test_a_seed_replays_exactly(folder: Path) -> None:
    """The same switching, ringing and storing, so that a failing seed can be looked into; another seed lives otherwise."""
    first, again, other = live(7, folder, 0.3), live(7, folder, 0.3), live(8, folder, 0.3)
    assert first.trace.hexdigest() == again.trace.hexdigest() != other.trace.hexdigest()


def test_a_seed_with_spoilt_pages_replays_exactly_in_any_folder(tmp_path: Path) -> None:
    """What is told of a damaged store names its folder; the replay of a failing seed lies in another."""
    places = (tmp_path / "one", tmp_path / "two")
    for place in places:
        place.mkdir()
    first, again = (live(7_000, place, 0.45) for place in places)
    assert first.tally.restored > 0
    assert first.trace.hexdigest() == again.trace.hexdigest()


def message(value: float, copies: int = 1, is_lost: bool = False) -> Message:
    return Message(1, "t", str(value), "brooder/warm", value, is_lost=is_lost, copies=copies)


def test_the_count_of_readings_finds_one_missing_and_one_doubled() -> None:
    """The judge itself: a reading that is not there, or there twice, is named; one that died with a broker may be either."""
    there = Counter({("brooder/warm", 1.0): 1, ("brooder/warm", 2.0): 2})
    assert "missing" in readings_wrong(there, [message(1.0), message(2.0, copies=2), message(3.0)])
    assert "too often" in readings_wrong(there, [message(1.0), message(2.0)])
    assert readings_wrong(there, [message(1.0), message(2.0, copies=2), message(3.0, is_lost=True)]) == ""


def test_the_judge_of_a_restored_store_misses_what_its_backup_held(tmp_path: Path) -> None:
    """The judge itself: a reading of the backup that is not there is named; a newer one may be lost, and is marked so."""
    card = Card(1, tmp_path, 0.0)
    with Store.open(tmp_path) as store:
        store.add_readings([Keep("brooder/warm", 1.0, 0.0, START_MS, False)])
        held = Counter({("brooder/warm", 1.0): 1})
        backup = tmp_path / "night"
        store.opened = replace(store.opened, recovered_from=backup)
        newer, waiting = message(2.0), message(3.0)
        card.nights[backup] = held
        assert card.wrong_after(store, [message(1.0), newer, waiting], {waiting}) == ""
        assert (newer.is_lost, newer.went_with_page, waiting.is_lost) == (True, True, False)
        card.nights[backup] = held + Counter({("brooder/warm", 9.0): 1})
        assert "1 readings of the backup" in card.wrong_after(store, [], set())


def test_the_judge_of_pages_finds_one_that_is_spoilt(tmp_path: Path) -> None:
    """The judge itself: a whole store is sound; with all its pages but the first overwritten it is not."""
    card = Card(1, tmp_path, 0.0)
    Store.open(tmp_path).close()
    assert card.is_sound()
    with card.file.open("r+b") as stream:
        stream.seek(1024)
        stream.write(b"\xff" * (card.file.stat().st_size - 1024))
    assert not card.is_sound()


def test_the_count_of_messages_finds_one_told_twice() -> None:
    """The judge itself: what was accepted and comes again is named, and so is a repeat that does not say it may be one."""

    def rung(first_mode: str, second_body: str) -> list[str]:
        phones = Phones(Random(2), "May be a repeat.")
        notice = Notice("1/raised/Nora/0/1", 1, "brooder/damp", "raised", "Nora", 0, Priority.HIGH, "t", "b", 0.0, 9e9)
        phones.by_key.clear()
        while not phones.rung:
            phones.hand_over(notice, "b", first_mode, 1.0, False)
        phones.hand_over(notice, second_body, "takes", 2.0, False)
        return phones.doubled(lambda _one, _other: False)

    assert "had been accepted" in rung("takes", "b")[0]
    assert "did not say" in rung("answer lost", "b")[0]
    assert rung("answer lost", "May be a repeat.\nb") == []
