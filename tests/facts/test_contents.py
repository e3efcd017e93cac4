"""The list of facts is whole, and figures printed in other units were converted rightly."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from monitor.facts import airflow, ammonia, brooding, climate, growth, lay, space
from monitor.facts.contents import CONTENTS
from monitor.facts.sources import Fact

CFM, FOOT, POUND_KG, INCH_OF_WATER_PA = 1.69901, 0.3048, 0.45359, 249.089


def test_the_contents_list_every_single_fact() -> None:
    """A page that lists the facts forgets none, and none stands there twice."""
    listed = [id(fact) for table in CONTENTS.values() for fact in table.values()]
    written = [
        id(fact)
        for module in (airflow, ammonia, brooding, climate, growth, lay, space)
        for table in vars(module).values()
        if isinstance(table, Mapping)
        for fact in table.values()
        if isinstance(fact, Fact)
    ]
    assert len(listed) > 120
    assert sorted(listed) == sorted(written)


@pytest.mark.parametrize(
    ("table", "name", "printed"),
    [
        ("frost", "frostbite in damp air from", (15 - 32) / 1.8),
        ("frost", "frostbite in dry air from", (-11 - 32) / 1.8),
        ("temperature", "serious effects from", (90 - 32) / 1.8),
        ("temperature", "survival 20–30 min in still air from", (97 - 32) / 1.8),
        ("temperature", "moving air heats the bird from", (100 - 32) / 1.8),
        ("temperature", "laying house in winter, at least", (30 - 32) / 1.8),
        ("brooding", "warm spot to start with", (93 - 32) / 1.8),
        ("brooding", "warm spot in 1944", (100 - 32) / 1.8),
        ("brooding", "body temperature of a day-old", (103 - 32) / 1.8),
        ("brooding", "heat off at outside temperature", (65 - 32) / 1.8),
        ("brooding", "lowering per week", 5 / 1.8),
        ("brooding", "harmful shortfall", 32.2 - 26.7),
        ("brooding", "lamp above bedding", 3 * FOOT),
        ("litter", "depth for chicks, at least", 3 * FOOT / 12),
        ("airflow", "minimum per kg^0.75", 1.5e-4 * 3600),
        ("airflow", "summer per kg", 3 * CFM),
        ("airflow", "cold weather per kg", 0.1 * CFM / POUND_KG),
        ("airflow", "mild weather per kg", 0.5 * CFM / POUND_KG),
        ("airflow", "hot weather per kg", 1.0 * CFM / POUND_KG),
        ("airflow", "cold weather per chick to 7 d", 0.04 * CFM),
        ("static pressure and inlets", "working, low", 0.05 * INCH_OF_WATER_PA),
        ("static pressure and inlets", "working, high", 0.12 * INCH_OF_WATER_PA),
        ("static pressure and inlets", "throw per Pa", 2 * FOOT / (0.01 * INCH_OF_WATER_PA)),
        ("static pressure and inlets", "inlet speed, low", 600 * FOOT / 60),
        ("static pressure and inlets", "inlet speed, high", 1200 * FOOT / 60),
        ("static pressure and inlets", "inlet airflow per m2 at 24.9 Pa", 750 * CFM / FOOT**2),
        ("duct roughness", "galvanised steel", 0.0003 * FOOT),
        ("duct roughness", "flexible", 0.003 * FOOT),
        ("duct roughness", "flexible, loose", 0.01 * FOOT),
        ("ammonia, given off", "broiler on litter", 11.9 / 42),
        ("heat-stress rise", "killing rise of the 0.6/0.4 index", 32.1 - 24.2),
        ("housing", "floor per hen, small flock", 2 * FOOT**2),
        ("housing", "roost per bird", 8 * FOOT / 12),
        ("housing", "roost per heavy bird", 12 * FOOT / 12),
        ("housing", "water drunk by a laying hen", 4.74 * 3.78541 / 100),
        ("felt temperature in moving air at 32 °C", "young birds feel it more by, low", 3 / 1.8),
        ("felt temperature in moving air at 32 °C", "young birds feel it more by, high", 8 / 1.8),
    ],
)
def test_a_figure_printed_in_other_units_was_converted_rightly(table: str, name: str, printed: float) -> None:
    """The sources named in the rows print °F, cfm, inches and pounds: within 4 %, or 0.6 °C where °F became whole °C."""
    fact = CONTENTS[table][name]
    assert fact.value == pytest.approx(printed, abs=0.6 if fact.unit == "degC" else abs(printed) * 0.04)


@pytest.mark.parametrize(
    ("name", "inches", "per_1000"), [("marginal", 0.06, 1.2), ("good", 0.14, 0.6), ("outstanding", 0.23, 0.4)]
)
def test_tightness_classes_are_the_printed_ones(name: str, inches: float, per_1000: float) -> None:
    """University of Georgia leak test at 1 cfm/ft²: inches of water, and ft² of leak per 1000 ft² of floor."""
    row = next(row for row in airflow.TIGHTNESS if row.name == name)
    assert row.pressure_from_pa == pytest.approx(inches * INCH_OF_WATER_PA, abs=0.1)
    assert row.leak_m2_per_m2 == pytest.approx(per_1000 / 1000)
