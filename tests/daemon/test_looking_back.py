"""What the API's looking back takes from the store: the cold of a whole day and night, or nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.daemon.looking_back import coldest_outside
from monitor.engine.specification import Measure, Place
from monitor.store.keep import Store
from monitor.store.reader import Reader
from tests.engine.barns import pen, sensor, site
from tests.store.conftest import Say

HOUR = 3_600_000
YARD = site(pen(sensors=(sensor("yard", Measure.TEMPERATURE, Place.OUTSIDE),)))


def asked(folder: Path, hours: dict[int, float], now_h: int) -> float | None:
    """The answer `now_h` hours after dawn, with a reading at half past each of these hours."""
    with Store.open(folder) as store:
        keeps = [Say.keep("brooder/yard", value, hour * HOUR + HOUR // 2) for hour, value in hours.items()]
        store.commit(Say.batch(*keeps))
        with Reader(store.folder) as reader:
            return coldest_outside(reader, YARD, Say.dawn_ms + now_h * HOUR)


def test_a_mild_afternoon_does_not_hide_the_night(tmp_path: Path) -> None:
    """Twenty degrees now, two in the night: two is what the birds would have without their lamp."""
    assert asked(tmp_path, {hour: 2.0 if hour < 6 else 20.0 for hour in range(24)}, 24) == pytest.approx(2.0)


def test_a_night_before_the_last_is_forgotten(tmp_path: Path) -> None:
    """Only the past day and night count."""
    assert asked(tmp_path, {hour: -9.0 if hour < 6 else 19.0 for hour in range(48)}, 48) == pytest.approx(19.0)


@pytest.mark.parametrize("heard", [range(0), range(12, 24), range(12)])
def test_with_hours_missing_nobody_knows_the_coldest(tmp_path: Path, heard: range) -> None:
    """Never heard, begun at noon, or silent since: no figure, so no heat is said to be due off."""
    assert asked(tmp_path, dict.fromkeys(heard, 20.0), 24) is None
