"""What stands in for frozen dataclasses at run time behaves like them."""

from __future__ import annotations

import dataclasses
from types import MappingProxyType

import pytest

from monitor.engine.records import record, replace
from monitor.engine.specification import HeatSource
from monitor.engine.state import PenState, SensorState, State


@record(frozen=True, slots=True)
class Pair:
    first: int
    second: str = "two"


@record(frozen=True, slots=True)
class Single:
    only: int


def test_a_replacement_is_what_dataclasses_make_of_it() -> None:
    """The named fields change, the others are the same objects, and the former record is left alone."""
    sensors = MappingProxyType({"a": SensorState(value=1.0)})
    pen = PenState("brooder", sensors=sensors, due_at=60.0)
    changed = replace(pen, due_at=120.0, heat_off=True)
    assert changed == dataclasses.replace(pen, due_at=120.0, heat_off=True)
    assert changed.sensors is sensors
    assert (pen.due_at, pen.heat_off) == (60.0, False)
    assert replace(Single(1), only=2) == Single(2)
    assert replace(HeatSource("steady"), watts=250.0) == HeatSource("steady", 250.0)  # a plain frozen dataclass


def test_a_field_that_is_not_there_cannot_be_replaced() -> None:
    """A misspelt word is an error, not a new attribute."""
    with pytest.raises(AttributeError, match="dew_at"):
        replace(State(), dew_at=1.0)  # type: ignore[call-arg]  # no such field


def test_equal_records_are_equal_and_hash_alike() -> None:
    """By their fields, as frozen dataclasses do."""
    assert Pair(1) == Pair(1, "two") != Pair(2)
    assert len({Pair(1), Pair(1, "two"), Pair(2)}) == 2


def test_a_record_says_what_the_type_checker_holds_it_to() -> None:
    """One declared otherwise would be frozen to nobody."""
    with pytest.raises(TypeError, match="frozen"):
        record(frozen=False, slots=True)
