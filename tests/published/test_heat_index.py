"""The heat index against the US National Weather Service's own chart and procedure."""

from __future__ import annotations

import pytest

from monitor.air.heat_index import heat_index_c, regression_f

# The Service's heat-index chart, °F, rows of relative humidity, columns of temperature from 80 °F in steps of 2.
# Typed from memory; six cells were read on a Weather Service page and stand by themselves below.
CHART: dict[int, tuple[int, ...]] = {
    40: (80, 81, 83, 85, 88, 91, 94, 97, 101, 105, 109, 114, 119, 124, 130, 136),
    45: (80, 82, 84, 87, 89, 93, 96, 100, 104, 109, 114, 119, 124, 130, 137),
    50: (81, 83, 85, 88, 91, 95, 99, 103, 108, 113, 118, 124, 131, 137),
    55: (81, 84, 86, 89, 93, 97, 101, 106, 112, 117, 124, 130, 137),
    60: (82, 84, 88, 91, 95, 100, 105, 110, 116, 123, 129, 137),
    65: (82, 85, 89, 93, 98, 103, 108, 114, 121, 128, 136),
    70: (83, 86, 90, 95, 100, 105, 112, 119, 126, 134),
    75: (84, 88, 92, 97, 103, 109, 116, 124, 132),
    80: (84, 89, 94, 100, 106, 113, 121, 129),
    85: (85, 90, 96, 102, 110, 117, 126, 135),
    90: (86, 91, 98, 105, 113, 122, 131),
    95: (86, 93, 100, 108, 117, 127),
    100: (87, 95, 103, 112, 121, 132),
}
CELLS = [(80 + 2 * column, humidity, value) for humidity, row in CHART.items() for column, value in enumerate(row)]


def c(temperature_f: float) -> float:
    return (temperature_f - 32.0) / 1.8


def f(temperature_c: float) -> float:
    return temperature_c * 1.8 + 32.0


@pytest.mark.parametrize(
    ("t_f", "humidity", "chart_f"), [(96, 65, 121), (90, 70, 106), (86, 85, 102), (88, 100, 121), (100, 40, 109), (110, 40, 136)]
)
def test_cells_read_on_a_weather_service_page(t_f: float, humidity: float, chart_f: int) -> None:
    """NWS Southern Region (Tulsa), heat-index table: whole degrees, so ±0.5, and +0.2 for the page's own rounding."""
    assert f(heat_index_c(c(t_f), humidity)) == pytest.approx(chart_f, abs=0.7)


@pytest.mark.parametrize(("t_f", "humidity", "chart_f"), CELLS)
def test_the_regression_is_within_a_degree_of_every_chart_cell(t_f: float, humidity: float, chart_f: int) -> None:
    """NWS heat-index chart (values from memory): whole degrees, made from the regression without adjustments."""
    assert regression_f(t_f, humidity) == pytest.approx(chart_f, abs=1.0)


def test_the_regression_rounds_to_the_chart_but_for_two_cells() -> None:
    """NWS chart (values from memory): 133 of 135 cells are the rounded regression; 90 °F at 45 and 70 % are known to differ."""
    different = {(t_f, humidity) for t_f, humidity, chart_f in CELLS if round(regression_f(t_f, humidity)) != chart_f}
    assert len(CELLS) == 135
    assert different == {(90, 45), (90, 70)}


@pytest.mark.parametrize(
    ("t_f", "humidity", "index_f"),
    [
        # simple form averaged with the temperature, below 80 °F
        (50, 50, 48.525),
        (70, 50, 69.525),
        (75, 50, 74.775),
        (77, 90, 77.815),
        (79, 40, 78.740),
        (79.5, 60, 79.735),
        (80, 40, 79.790),
        # regression alone
        (80, 50, 80.803),
        (90, 50, 94.597),
        (90, 70, 105.922),
        (96, 50, 107.637),
        (100, 40, 109.256),
        # regression with the humid adjustment
        (80, 90, 86.342),
        (80, 100, 89.289),
        (84, 95, 100.882),
        (86, 90, 105.394),
        # regression with the dry adjustment
        (95, 10, 89.450),
        (98, 5, 90.771),
        (106, 10, 100.117),
    ],
)
def test_every_branch_of_the_procedure(t_f: float, humidity: float, index_f: float) -> None:
    """NWS Weather Prediction Center, "The Heat Index Equation": the page's procedure worked by a second, independent
    program. Printed to 0.001, one cell of it 0.001 high: ±0.002."""
    assert f(heat_index_c(c(t_f), humidity)) == pytest.approx(index_f, abs=0.002)


@pytest.mark.parametrize(
    ("humidity", "switch_f", "before_f", "after_f"),
    [(20, 80.648, 80.0, 78.985), (60, 79.752, 80.0, 81.520), (100, 78.857, 80.0, 83.332)],
)
def test_the_jump_between_the_two_forms_is_where_it_is_known(
    humidity: float, switch_f: float, before_f: float, after_f: float
) -> None:
    """NWS procedure: the regression takes over where the averaged simple form reaches 80 °F; worked by a second program
    without the adjustments, which play no part here below 80 °F or between 13 and 85 %. Switch printed to 0.001 °F."""
    assert f(heat_index_c(c(switch_f - 0.01), humidity)) == pytest.approx(before_f, abs=0.03)
    assert f(heat_index_c(c(switch_f + 0.01), humidity)) == pytest.approx(after_f, abs=0.06)


@pytest.mark.parametrize(
    ("t_f", "humidity", "index_f"), [(81, 10, 78.533), (111.5, 10, 106.092), (112, 5, 103.651), (86.8, 95, 111.791)]
)
def test_the_adjustments_reach_to_the_ends_of_their_ranges(t_f: float, humidity: float, index_f: float) -> None:
    """The MetPy 1.7 library, an independent hand, near both ends of the dry and the warm end of the humid adjustment."""
    assert f(heat_index_c(c(t_f), humidity)) == pytest.approx(index_f, abs=0.001)


def test_just_above_40_f_the_simple_form_begins() -> None:
    """41 °F and 50 % by hand: A = ½(41 + 61 − 1.2·27 + 0.094·50) = 37.15, averaged with 41: 39.075; 40 °F stays 40."""
    assert f(heat_index_c(c(41.0), 50.0)) == pytest.approx(39.075)
    assert f(heat_index_c(c(39.999), 50.0)) == pytest.approx(39.999)
