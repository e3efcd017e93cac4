"""The demo's settings are sound, use all three payload kinds, and leave no place open."""

from __future__ import annotations

import pytest

from demo.settings_text import fill
from monitor.engine.specification import Measure, Place

ALL = {"broker_port": "1", "api_port": "2", "store": "/x", "heat_kind": "steady", "hatched": "2026-04-02"}


def test_mill_rise_is_as_described(chicks):
    """12 × 10 × 8 ft, R-5, a 6-inch duct, 16 pullets and 14 cockerels of one hatch."""
    pen = chicks.pens["brooder"]
    assert (pen.length_m, pen.width_m, pen.height_m) == pytest.approx((3.6576, 3.048, 2.4384))
    assert pen.insulation_m2k_w == pytest.approx(5 / 5.678263, rel=1e-4)
    assert pen.duct is not None
    assert pen.duct.diameter_m == pytest.approx(0.1524)
    assert [(f.bird_class.value, f.count) for f in pen.flocks] == [("layer", 16), ("dual-purpose", 14)]
    assert pen.flocks[0].hatched == pen.flocks[1].hatched


def test_all_three_kinds_of_payload_are_used(chicks):
    """Bare numbers, JSON under a pointer, SenML under a name; and twins at bird level."""
    sensors = chicks.pens["brooder"].sensors
    assert any(s.pointer for s in sensors)
    assert any(s.record for s in sensors)
    assert any(not s.pointer and not s.record for s in sensors)
    assert sum(s.measures is Measure.TEMPERATURE and s.place is Place.BIRD_LEVEL for s in sensors) == 2


def test_an_open_place_is_refused():
    """A forgotten or an unknown place is said at once."""
    with pytest.raises(ValueError, match="left open"):
        fill({k: v for k, v in ALL.items() if k != "store"})
    with pytest.raises(ValueError, match="no place"):
        fill({**ALL, "colour": "red"})
