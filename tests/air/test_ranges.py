"""A number outside a formula's range is refused in words."""

from __future__ import annotations

import math

import pytest

from monitor.air.ranges import OutOfRange, within


def test_the_refusal_names_argument_value_and_range() -> None:
    """The sentence can be shown to a keeper as it stands."""
    with pytest.raises(OutOfRange, match=r"^relative_humidity_pct is 104; allowed is 0 to 100$") as refusal:
        within("relative_humidity_pct", 104.0, 0.0, 100.0)
    assert (refusal.value.name, refusal.value.value, refusal.value.low, refusal.value.high) == (
        "relative_humidity_pct",
        104.0,
        0.0,
        100.0,
    )


def test_both_ends_are_allowed() -> None:
    """0 % and 100 % are humidities."""
    assert within("x", 0.0, 0.0, 100.0) == 0.0
    assert within("x", 100.0, 0.0, 100.0) == 100.0


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_refused(value: float) -> None:
    """NaN compares false with everything and must not slip through."""
    with pytest.raises(OutOfRange):
        within("x", value, -1e9, 1e9)
