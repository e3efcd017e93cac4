"""Heat stress of birds: which index, in which range, in which band. Published figures stand in tests/published."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.poultry import band_of, chart_f, formula, rise_k_h, rise_warning, thi_c
from monitor.air.ranges import OutOfRange
from monitor.facts.climate import HEAT_STRESS, INDEX

CLASSES = ("layer", "meat", "dual-purpose")


@given(st.sampled_from(CLASSES), st.floats(-40.0, 60.0), st.floats(0.0, 5.0))
def test_the_index_lies_between_wet_and_dry_bulb(bird_class: str, dry: float, depression: float) -> None:
    """Without air speed every index is a mean of the two temperatures."""
    index = thi_c(bird_class, dry, dry - depression)
    assert dry - depression - 1e-9 <= index <= dry + 1e-9


@given(st.floats(5.0, 45.0), st.floats(0.0, 10.0), st.floats(0.2, 1.1), st.floats(0.01, 0.1))
def test_moving_air_relieves_meat_birds_only(dry: float, depression: float, speed: float, faster: float) -> None:
    """The published speed term is the broilers'; for hens speed changes nothing, which errs to the hot side."""
    wet = dry - depression
    if 0.85 * dry + 0.15 * wet > 0.0:
        assert thi_c("meat", dry, wet, speed + faster) < thi_c("meat", dry, wet, speed)
    assert thi_c("layer", dry, wet, speed) == thi_c("layer", dry, wet)


def test_one_metre_a_second_is_the_index_without_speed() -> None:
    """V^−0.058 is 1 there: the still-air index is the moving-air one at 1 m/s."""
    assert thi_c("meat", 35.0, 25.0, 1.0) == thi_c("meat", 35.0, 25.0)


def test_the_weights_are_those_of_the_facts() -> None:
    """Formula and table of facts cannot drift apart."""
    assert thi_c("layer", 1.0, 0.0) == INDEX["layer index, dry-bulb weight"].value
    assert thi_c("meat", 1.0, 0.0) == INDEX["broiler index, dry-bulb weight"].value
    assert math.log(thi_c("meat", 30.0, 30.0, 0.5) / 30.0, 0.5) == pytest.approx(INDEX["broiler index, air-speed exponent"].value)


@pytest.mark.parametrize("bird_class", CLASSES)
def test_every_class_has_bands_for_its_formula(bird_class: str) -> None:
    """The key of the bands is the formula's name; dual-purpose birds are judged as layers."""
    assert formula(bird_class) in HEAT_STRESS
    assert formula("dual-purpose") == "layer"
    assert thi_c("dual-purpose", 30.0, 20.0) == thi_c("layer", 30.0, 20.0)


def test_an_unknown_class_is_refused_in_words() -> None:
    """No quiet default for a bird nobody knows."""
    with pytest.raises(ValueError, match="bird class is 'turkey'; expected 'layer', 'meat' or 'dual-purpose'"):
        thi_c("turkey", 30.0, 20.0)


@pytest.mark.parametrize(
    ("dry", "wet", "speed"),
    [(30.0, 31.0, None), (61.0, 20.0, None), (30.0, -50.0, None), (30.0, 20.0, 0.1), (30.0, 20.0, 1.3), (30.0, math.nan, None)],
)
@pytest.mark.parametrize("bird_class", CLASSES)
def test_outside_the_trial_it_refuses(bird_class: str, dry: float, wet: float, speed: float | None) -> None:
    """Air speed was tried from 0.2 to 1.2 m/s; a wet bulb above the dry one is a broken probe."""
    with pytest.raises(OutOfRange):
        thi_c(bird_class, dry, wet, speed)


@given(st.floats(14.6, 44.0), st.floats(0.0, 99.0), st.floats(0.1, 1.0))
def test_the_chart_rises_with_heat_and_humidity(t: float, rh: float, step: float) -> None:
    """A warmer or damper cell of the layer chart is never lower."""
    assert chart_f(t + step, rh) > chart_f(t, rh)
    assert chart_f(t, rh + step) > chart_f(t, rh)


def test_the_chart_refuses_cold_air() -> None:
    """Below 58 °F the chart's formula turns round: damp would seem to cool."""
    with pytest.raises(OutOfRange):
        chart_f(10.0, 50.0)


def test_a_band_holds_from_its_first_value() -> None:
    """Exactly 70 on the chart is alert, just below is comfort; infinite cold is comfort."""
    bands = HEAT_STRESS["chart_f"]
    assert band_of(70.0, bands) == "alert"
    assert band_of(69.999, bands) == "comfort"
    assert band_of(-1e9, bands) == "comfort"
    with pytest.raises(ValueError, match="falls into none"):
        band_of(math.nan, bands)
    with pytest.raises(ValueError, match="none of 0 bands"):
        band_of(70.0, ())


def test_a_fast_rise_in_the_cool_is_only_a_morning() -> None:
    """The rise warns from a level on, and never for a fall."""
    assert rise_warning(24.0, 29.0, 3600.0, warn_k_h=4.0, from_index_c=26.0)
    assert not rise_warning(12.0, 20.0, 3600.0, warn_k_h=4.0, from_index_c=26.0)
    assert not rise_warning(32.0, 27.0, 3600.0, warn_k_h=4.0, from_index_c=26.0)


@pytest.mark.parametrize("elapsed_s", [0.0, 599.0, 7201.0, math.nan])
def test_a_rise_needs_ten_minutes_to_two_hours(elapsed_s: float) -> None:
    """Two readings a minute apart tell noise, not weather."""
    with pytest.raises(OutOfRange, match="elapsed_s"):
        rise_k_h(24.0, 30.0, elapsed_s)
