"""Quantities as a keeper writes them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.units import Kind, from_si, units_of
from monitor.settings.quantities import LONGEST, NotAQuantity, parse


@pytest.mark.parametrize(
    ("text", "kind", "si"),
    [
        # Expected values follow from the exact definitions: 1 ft = 0.3048 m, 1 in = 25.4 mm, 0 °C = 32 °F.
        ("12 ft", Kind.LENGTH, 3.6576),
        ("12ft", Kind.LENGTH, 3.6576),
        (" 3.6 m ", Kind.LENGTH, 3.6),
        ("5 ft 6 in", Kind.LENGTH, 1.6764),
        ("60 in^2", Kind.AREA, 0.0387096),
        ("95 degF", Kind.TEMPERATURE, 35.0),
        ("-40 °F", Kind.TEMPERATURE, -40.0),
        ("−40 °C", Kind.TEMPERATURE, -40.0),
        ("1.8 degF", Kind.TEMPERATURE_DIFFERENCE, 1.0),
        ("30 s", Kind.TIME, 30.0),
        ("5min", Kind.TIME, 300.0),
        ("2 h 30 min", Kind.TIME, 9000.0),
        ("1 day 12 h", Kind.TIME, 129600.0),
        ("75 %", Kind.PERCENTAGE, 75.0),
        ("RSI-0.88", Kind.INSULATION, 0.88),
        ("0.88 m2K/W", Kind.INSULATION, 0.88),
        ("0.05 vol%", Kind.CONCENTRATION, 500.0),
    ],
)
def test_a_quantity_is_read_in_si(text: str, kind: Kind, si: float) -> None:
    """Any unit of the right kind, spaced as people space it."""
    assert parse(text, kind)[0] == pytest.approx(si, rel=1e-9)


@pytest.mark.parametrize("text", ["R-5", "R5", "r 5", "5 R", "R-5.0"])
def test_insulation_is_written_as_it_is_sold(text: str) -> None:
    """R-5 is 0.8805509 m²K/W (NIST Special Publication 811, appendix B: 1 °F·ft²·h/BTU = 0.1761102 m²K/W)."""
    assert parse(text, Kind.INSULATION)[0] == pytest.approx(0.880551, rel=1e-6)


@pytest.mark.parametrize(
    ("written", "kind", "expected", "example"),
    [
        (12, Kind.LENGTH, 'a length with its unit, such as "12 ft" or "3.6 m"', "12 ft"),
        (5, Kind.INSULATION, 'an insulation with its unit, such as "R-5" or "RSI-0.88"', "R-5"),
        ("12", Kind.LENGTH, 'a length with its unit, such as "12 ft" or "3.6 m"', "12 ft"),
        ("3,6 m", Kind.LENGTH, "a decimal point instead of the comma", "3.6 m"),
        ("95 farenheit", Kind.TEMPERATURE, 'a unit of temperature, such as "degF" or "degC"', "95 degF"),
        (
            "30 degF",
            Kind.TIME,
            'a unit of time, such as "s" or "min" ("degF" is a unit of temperature)',
            "30 s",
        ),
        (True, Kind.TIME, 'a time with its unit, such as "30 s" or "5 min"', "30 s"),
        (None, Kind.TIME, 'a time with its unit, such as "30 s" or "5 min"', "30 s"),
        ("30 min 2 h", Kind.TIME, 'a unit of time, such as "s" or "min"', "30 min"),
        ("nan degF", Kind.TEMPERATURE, 'a temperature with its unit, such as "95 degF" or "35 degC"', "95 degF"),
        ("1e3 ft", Kind.LENGTH, 'a unit of length, such as "ft" or "m"', "1 ft"),
    ],
)
def test_what_is_no_quantity_is_answered_with_what_would_be(written: object, kind: Kind, expected: str, example: str) -> None:
    """A slip is told what was expected, and the nearest right way to write it."""
    with pytest.raises(NotAQuantity) as caught:
        parse(written, kind)
    assert (caught.value.expected, caught.value.example) == (expected, example)


@pytest.mark.parametrize(
    "hostile",
    ["9**9**9", "9" * 10_000 + " ft", "__import__('os').system('true') ft", "1 ft" * 5000, "\x00", "1 \x00", "²³ m", "٣ m"],
)
def test_hostile_text_is_only_a_mistake(hostile: str) -> None:
    """Nothing is evaluated, and nothing takes long."""
    with pytest.raises(NotAQuantity):
        parse(hostile, Kind.LENGTH)


@given(st.text(max_size=LONGEST + 20), st.sampled_from(list(Kind)))
def test_no_text_crashes_the_parser(text: str, kind: Kind) -> None:
    """Every text is either a finite number or a mistake that says so."""
    mistake: NotAQuantity | None = None
    value, unit = 0.0, units_of(kind)[0].name
    try:
        value, unit = parse(text, kind)
    except NotAQuantity as caught:
        mistake = caught
    assert mistake is None or (mistake.expected and mistake.example)
    assert abs(value) < 1e20
    assert unit in {known.name for known in units_of(kind)}


@given(
    st.sampled_from([(kind, unit.name) for kind in Kind for unit in units_of(kind)]),
    st.decimals(min_value=-9999, max_value=9999, places=4),
)
def test_every_unit_can_be_written(where: tuple[Kind, str], number: object) -> None:
    """Whatever the table knows, the parser reads, and it means the same number."""
    kind, unit = where
    value, name = parse(f"{number} {unit}", kind)
    assert name == unit
    assert from_si(value, unit, kind) == pytest.approx(float(str(number)), rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("kind", list(Kind))
def test_examples_of_messages_are_right_themselves(kind: Kind) -> None:
    """An example that would be refused would send the keeper in circles."""
    from monitor.settings.quantities import EXAMPLES

    for example in EXAMPLES[kind]:
        parse(example, kind)
