"""Sweating walls and freezing combs: what must hold, whatever the numbers."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.psychrometrics import dew_point_c
from monitor.air.ranges import OutOfRange
from monitor.air.surface import (
    CORNER_INSIDE_M2K_W,
    FrostbiteRisk,
    condensation,
    frostbite_risk,
    surface_temperature_c,
)

ROOM_C = st.floats(-5.0, 35.0)
COLDER_BY = st.floats(0.5, 30.0)


@given(ROOM_C, COLDER_BY, st.floats(0.0, 5.0))
def test_a_surface_lies_between_room_and_outside(room_c, colder_by, insulation):
    """Never beyond either side."""
    assert room_c - colder_by < surface_temperature_c(room_c, room_c - colder_by, insulation) < room_c


@given(ROOM_C, COLDER_BY, st.floats(0.0, 5.0), st.floats(20.0, 95.0))
def test_insulation_and_dry_air_keep_a_surface_dry(room_c, colder_by, insulation, humidity):
    """More insulation or less water in the air: more margin."""
    before = condensation(room_c, humidity, room_c - colder_by, insulation)
    assert condensation(room_c, humidity, room_c - colder_by, insulation + 0.5).margin_c > before.margin_c
    assert condensation(room_c, humidity - 10.0, room_c - colder_by, insulation).margin_c > before.margin_c
    assert condensation(room_c, humidity, room_c - colder_by, insulation, CORNER_INSIDE_M2K_W).margin_c < before.margin_c
    assert condensation(room_c, humidity, room_c - colder_by, insulation, sky_c=3.0).margin_c < before.margin_c


@given(st.floats(5.0, 30.0), st.floats(0.5, 15.0), st.floats(0.1, 5.0))
def test_the_highest_dry_humidity_is_where_sweating_begins(room_c, colder_by, insulation):
    """At that humidity the dew point is the surface's temperature.

    Only where the surface is above freezing: there the dew point lies over water on both sides.
    """
    found = condensation(room_c, 50.0, max(1.0, room_c - colder_by), insulation)
    assert dew_point_c(room_c, found.highest_dry_pct) == pytest.approx(found.surface_c, abs=0.02)


def test_a_warm_surface_never_sweats():
    """Outside warmer than the room: the wall is warmer than the air, whatever the humidity short of fog."""
    found = condensation(15.0, 95.0, 25.0, 0.9)
    assert not found.is_wet
    assert found.highest_dry_pct == 100.0


def test_frost_is_told_from_water():
    """A wet surface below freezing is frost."""
    assert condensation(5.0, 85.0, -25.0, 0.0).is_frost
    assert not condensation(20.0, 85.0, 10.0, 0.0).is_frost
    assert condensation(20.0, 85.0, 10.0, 0.0).is_wet


@pytest.mark.parametrize(
    ("temperature_f", "humidity", "risk"),
    [
        (40, 100, FrostbiteRisk.NONE),
        (25, 60, FrostbiteRisk.NONE),
        (25, 90, FrostbiteRisk.POSSIBLE),
        (14, 90, FrostbiteRisk.LIKELY),
        (0, 60, FrostbiteRisk.NONE),
        (-12, 60, FrostbiteRisk.POSSIBLE),
        (-21, 30, FrostbiteRisk.LIKELY),
    ],
)
def test_combs_freeze_as_keepers_report(temperature_f, humidity, risk):
    """Extension services' accounts: damp air from 10–15 °F, dry air mostly harmless to −11 °F, −20 °F harms even dry."""
    found = frostbite_risk((temperature_f - 32) / 1.8, humidity)
    assert found.risk is risk
    assert "not a trial" in found.source


@given(st.floats(-40.0, 10.0), st.floats(0.0, 90.0), st.floats(0.0, 10.0))
def test_colder_or_damper_is_never_safer(temperature, humidity, change):
    """The risk does not fall when it gets colder or damper."""
    order = list(FrostbiteRisk)
    before = order.index(frostbite_risk(temperature, humidity).risk)
    assert order.index(frostbite_risk(temperature - change, humidity).risk) >= before
    assert order.index(frostbite_risk(temperature, humidity + change).risk) >= before


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: condensation(15.0, 120.0, 0.0, 1.0), "relative_humidity_pct"),
        (lambda: condensation(15.0, 50.0, 0.0, -1.0), "insulation_m2k_w"),
        (lambda: condensation(15.0, 50.0, -80.0, 1.0), "outside_c"),
        (lambda: condensation(math.nan, 50.0, 0.0, 1.0), "temperature_c"),
        (lambda: condensation(15.0, 50.0, 0.0, 1.0, sky_c=-1.0), "sky_c"),
        (lambda: frostbite_risk(0.0, 101.0), "relative_humidity_pct"),
    ],
)
def test_a_number_outside_the_range_is_refused_by_name(call, named):
    """No answer outside the range stated."""
    with pytest.raises(OutOfRange, match=named):
        call()
