"""Units: one closed table, checked against an independent units library."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.units import (
    Kind,
    UnknownUnit,
    display,
    find,
    from_si,
    linear,
    nearest,
    show,
    shown_number,
    to_si,
    units_of,
)

REGISTRY: pint.UnitRegistry[float] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)

# Our unit → the name the independent library (pint) knows it by, and its name of our SI unit.
PINT_NAMES = {
    Kind.TEMPERATURE: ("degC", {"degF": "degF", "degC": "degC", "K": "kelvin"}),
    Kind.TEMPERATURE_DIFFERENCE: ("delta_degC", {"degF": "delta_degF", "degC": "delta_degC", "K": "kelvin"}),
    Kind.LENGTH: ("metre", {"ft": "foot", "m": "metre", "in": "inch", "cm": "cm", "mm": "mm", "yd": "yard", "km": "km"}),
    Kind.AREA: ("m**2", {"ft^2": "foot**2", "m^2": "m**2", "in^2": "inch**2", "cm^2": "cm**2", "mm^2": "mm**2"}),
    Kind.VOLUME: (
        "m**3",
        {
            "gal": "gallon",
            "L": "litre",
            "ft^3": "foot**3",
            "m^3": "m**3",
            "imp gal": "imperial_gallon",
            "qt": "quart",
            "mL": "millilitre",
        },
    ),
    Kind.AIRFLOW: (
        "m**3/s",
        {
            "cfm": "foot**3/minute",
            "m^3/h": "m**3/hour",
            "m^3/s": "m**3/s",
            "m^3/min": "m**3/minute",
            "L/s": "litre/s",
            "ft^3/s": "foot**3/s",
        },
    ),
    Kind.SPEED: ("m/s", {"fpm": "foot/minute", "m/s": "m/s", "mph": "mile/hour", "km/h": "km/hour", "ft/s": "foot/s"}),
    Kind.PRESSURE: (
        "pascal",
        {"inH2O": "inch_H2O", "Pa": "pascal", "mmH2O": "mm_H2O", "hPa": "hPa", "kPa": "kPa", "psi": "psi"},
    ),
    Kind.MASS: ("kg", {"lb": "pound", "kg": "kg", "oz": "ounce", "g": "gram"}),
    Kind.POWER: ("watt", {"W": "watt", "kW": "kW", "BTU/h": "Btu/hour", "hp": "horsepower"}),
    Kind.TIME: ("second", {"s": "second", "min": "minute", "h": "hour", "days": "day", "weeks": "week"}),
    Kind.INSULATION: ("m**2*kelvin/watt", {"R": "foot**2*delta_degF*hour/Btu", "RSI": "m**2*kelvin/watt"}),
    Kind.PERCENTAGE: ("percent", {"%": "percent", "fraction": "dimensionless"}),
    Kind.CONCENTRATION: ("ppm", {"ppm": "ppm", "ppb": "nanomol/mol", "vol%": "percent"}),
    Kind.LIGHT: ("lux", {"fc": "lumen/foot**2", "lx": "lux", "klx": "kilolux"}),
}
# The library's British thermal unit is the ISO one, 0.14 parts in a million below the International Table one.
TOLERANCE = {"BTU/h": 1e-6, "R": 1e-6}


@pytest.mark.parametrize("kind", [kind for kind in Kind if kind is not Kind.STATE])
@pytest.mark.parametrize("value", [1.0, 37.5, -4.0])
def test_every_unit_agrees_with_an_independent_library(kind: Kind, value: float) -> None:
    """No constant of the table was mistyped, and no unit escapes the comparison."""
    si_name, names = PINT_NAMES[kind]
    assert set(names) == {unit.name for unit in units_of(kind)}
    for unit, pint_name in names.items():
        expected = REGISTRY.Quantity(value, pint_name).to(si_name).magnitude
        assert to_si(value, unit, kind) == pytest.approx(expected, rel=TOLERANCE.get(unit, 1e-9), abs=1e-9), unit


@pytest.mark.parametrize(
    ("value", "unit", "kind", "si"),
    [
        # NIST Special Publication 811 (2008), appendix B.8, factors as printed there.
        (1, "inH2O", "pressure", 249.0889),
        (1, "cfm", "airflow", 4.719474e-4),
        (1, "gal", "volume", 3.785412e-3),
        (1, "BTU/h", "power", 0.2930711),
        (1, "R", "insulation", 0.1761102),
        (1, "fc", "light", 10.76391),
        (1, "psi", "pressure", 6894.757),
        (1, "hp", "power", 745.6999),
    ],
)
def test_factors_are_those_of_the_nist_guide(value: float, unit: str, kind: str, si: float) -> None:
    """The factors equal the published ones to their seven printed figures."""
    assert to_si(value, unit, kind) == pytest.approx(si, rel=2e-7)


@pytest.mark.parametrize(
    ("spelling", "kind", "name"),
    [
        ("degF", "temperature", "degF"),
        ("°F", "temperature", "degF"),
        ("F", "temperature", "degF"),
        ("fahrenheit", "temperature", "degF"),
        ("Cel", "temperature", "degC"),
        ("CFM", "airflow", "cfm"),
        ("ft3/min", "airflow", "cfm"),
        ("ft³/min", "airflow", "cfm"),
        ("m³/h", "airflow", "m^3/h"),
        ("in w.c.", "pressure", "inH2O"),
        ("in. w.c.", "pressure", "inH2O"),
        ("inH₂O", "pressure", "inH2O"),
        ("in^2", "area", "in^2"),
        ("in2", "area", "in^2"),
        ("sq. in.", "area", "in^2"),
        ("m2K/W", "insulation", "RSI"),
        ("m²·K/W", "insulation", "RSI"),
        ("%RH", "percentage", "%"),
        ("/", "percentage", "fraction"),
        ("minutes", "time", "min"),
    ],
)
def test_usual_spellings_are_understood(spelling: str, kind: str, name: str) -> None:
    """A keeper need not guess our spelling of a unit."""
    assert find(spelling, kind).name == name


def test_no_spelling_means_two_units_of_one_kind() -> None:
    """A spelling never silently resolves to the later of two rows."""
    for kind in Kind:
        for unit in units_of(kind):
            for word in (unit.name, *unit.spellings):
                assert find(word, kind) is unit, (kind, word)


def test_a_mistake_names_the_kind_and_the_nearest_right_unit() -> None:
    """A wrong unit is answered with what would have been right."""
    with pytest.raises(UnknownUnit) as caught:
        linear("farenheit", "temperature")
    assert caught.value.expected == 'a unit of temperature, such as "degF" or "degC"'
    assert caught.value.example == "degF"
    assert "farenheit" in str(caught.value)
    assert nearest("celcius", "temperature") == "degC"
    assert nearest("cmf", "airflow") == "cfm"


def test_a_unit_of_another_kind_is_said_to_be_one() -> None:
    """Degrees where a length belongs are named as what they are."""
    with pytest.raises(UnknownUnit, match="it is a unit of temperature"):
        linear("degF", "length")


@pytest.mark.parametrize("hostile", ["", " ", "9**9**9", "__import__('os')", "degF" * 10_000, "\x00", "1e999"])
def test_a_hostile_unit_is_only_an_unknown_unit(hostile: str) -> None:
    """Text is looked up, never evaluated, and a long one is cut before it is compared."""
    with pytest.raises(UnknownUnit) as caught:
        linear(hostile, "length")
    assert len(str(caught.value)) < 200


@given(
    st.sampled_from([(kind, unit.name) for kind in Kind for unit in units_of(kind)]),
    st.floats(-1e6, 1e6),
)
def test_there_and_back_is_the_same_number(where: tuple[Kind, str], value: float) -> None:
    """Converting to SI and back loses nothing a keeper could see."""
    kind, unit = where
    assert from_si(to_si(value, unit, kind), unit, kind) == pytest.approx(value, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize(
    ("si", "kind", "units", "text"),
    [
        (24.4, "temperature", "us", "76 °F"),
        (24.44, "temperature", "metric", "24.4 °C"),
        (-17.7778, "temperature", "us", "0 °F"),
        (-20.0, "temperature", "us", "−4 °F"),
        (1.0, "temperature difference", "us", "1.8 °F"),
        (0.188779, "airflow", "us", "400 cfm"),
        (0.1, "airflow", "metric", "360 m³/h"),
        (25.0, "pressure", "us", "0.10 in. w.c."),
        (25.0, "pressure", "metric", "25 Pa"),
        (0.88055, "insulation", "us", "R-5.0"),
        (0.88, "insulation", "metric", "0.88 m²K/W"),
        (18.2, "concentration", "us", "18 ppm"),
        (75.0, "percentage", "metric", "75 %"),
        (1.0, "state", "us", "on"),
        (0.0, "time", "us", "0 s"),
        (45.0, "time", "us", "45 s"),
        (90.0, "time", "us", "1 min 30 s"),
        (600.0, "time", "us", "10 min"),
        (9000.0, "time", "us", "2 h 30 min"),
        (3 * 86400.0 + 4 * 3600.0, "time", "metric", "3 days 4 h"),
        (119.7, "time", "us", "2 min"),
        (math.nan, "temperature", "us", "unknown"),
    ],
)
def test_values_are_shown_as_a_keeper_reads_them(si: float, kind: str, units: str, text: str) -> None:
    """One wording for every page, message and sheet."""
    assert show(si, kind, units) == text


def test_digits_can_be_asked_for() -> None:
    """Sheets want more figures than a phone."""
    assert show(24.44, "temperature", "us", digits=1) == "76.0 °F"


@given(st.sampled_from(list(Kind)), st.sampled_from(["us", "metric"]), st.floats(allow_nan=True, allow_infinity=True))
def test_showing_never_fails_and_never_says_minus_zero(kind: Kind, units: str, value: float) -> None:
    """Whatever number arrives, a page can show it."""
    text = show(value, kind, units)
    assert text
    assert not text.startswith("−0 ")


@given(st.sampled_from(list(Kind)), st.sampled_from(["us", "metric"]), st.floats(-1e6, 1e6))
def test_the_shown_number_is_the_si_number_in_the_display_unit(kind: Kind, units: str, value: float) -> None:
    """Charts convert by the same table as sentences."""
    how = display(kind, units)
    assert how.gain * shown_number(value, kind, units) + how.offset == pytest.approx(value, rel=1e-9, abs=1e-6)


def test_an_unknown_unit_system_is_refused() -> None:
    """Only the two systems exist."""
    with pytest.raises(ValueError, match='"us" or "metric"'):
        show(1.0, "length", "imperial")
