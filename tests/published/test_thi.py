"""Heat stress of birds against the trade's chart, the law-maker's example and the trial that killed."""

from __future__ import annotations

import pytest

from monitor.air.poultry import band_of, chart_f, formula, rise_k_h, rise_warning, thi_c
from monitor.air.psychrometrics import dew_point_c, wet_bulb_c
from monitor.facts.climate import HEAT_STRESS, RISE

# Hy-Line International, Understanding heat stress in layers: index in whole °F at 5, 10 … 100 % humidity.
CHART: dict[int, str] = {
    24: "66 67 67 68 68 69 69 70 70 70 71 71 72 72 73 73 74 74 75 75",
    26: "68 69 69 70 70 71 71 72 73 73 74 74 75 75 76 77 77 78 78 79",
    28: "70 70 71 72 72 73 74 74 75 76 76 77 78 78 79 80 80 81 82 82",
    30: "71 72 73 74 74 75 76 77 78 78 79 80 81 81 82 83 84 84 85 86",
    32: "73 74 75 76 77 77 78 79 80 81 82 83 84 84 85 86 87 88 89 90",
    34: "75 76 77 78 79 80 81 82 83 84 84 85 86 87 88 89 90 91 92 93",
    36: "77 78 79 80 81 82 83 84 85 86 87 88 89 90 91 93 94 95 96 97",
    38: "78 79 81 82 83 84 85 86 88 89 90 91 92 93 95 96 97 98 99 100",
}


@pytest.mark.parametrize("temperature_c", CHART)
def test_the_chart_row_is_met(temperature_c: int) -> None:
    """Hy-Line chart, whole °F: half a degree of rounding and 0.1 for the chart's own."""
    row = [int(cell) for cell in CHART[temperature_c].split()]
    assert len(row) == 20
    for step, printed in enumerate(row, start=1):
        assert chart_f(temperature_c, 5.0 * step) == pytest.approx(printed, abs=0.6), (temperature_c, 5 * step)


def test_ontarios_example_is_an_emergency() -> None:
    """Ontario Ministry of Agriculture, Heat stress in laying hens: 28 °C and 90 % give 81, an emergency. Whole degrees."""
    index = chart_f(28.0, 90.0)
    assert index == pytest.approx(81, abs=0.5)
    assert band_of(index, HEAT_STRESS["chart_f"]) == "emergency"
    # The 0.6/0.4 index, put in °F, says the same here; in dry heat the two part by 4 °F and their bands must not be mixed.
    assert thi_c("layer", 28.0, wet_bulb_c(28.0, 90.0)) * 1.8 + 32 == pytest.approx(81, abs=0.5)
    assert chart_f(35.0, 40.0) == pytest.approx(82.8, abs=0.1)
    assert thi_c("layer", 35.0, wet_bulb_c(35.0, 40.0)) * 1.8 + 32 == pytest.approx(87.0, abs=0.1)


@pytest.mark.parametrize(("temperature_c", "humidity", "printed"), [(27, 56, 24.2), (36, 45, 32.1)])
def test_the_layer_index_gives_kangs_figures(temperature_c: float, humidity: float, printed: float) -> None:
    """Kang et al. (2020), Frontiers in Veterinary Science 7, 568093: 24.2 at 27 °C and 56 %, 32.1 at 36 °C and 45 %. Their
    inputs are whole degrees and per cents, which half a degree makes ±0.4 on the index; we lie 0.22 above and 0.15 below."""
    assert thi_c("layer", temperature_c, wet_bulb_c(temperature_c, humidity)) == pytest.approx(printed, abs=0.3)


def test_kangs_killing_rise_warns_before_the_hour_is_over() -> None:
    """Kang et al. (2020): 24.2 to 32.1 within an hour; no deaths in that hour, high mortality after. Half an hour into
    it the warning stands; the same rise over six hours, far milder in the trial, does not warn."""
    limits = {"warn_k_h": RISE["warning rise of the index"].value, "from_index_c": RISE["rise matters from index"].value}
    assert rise_k_h(24.2, 32.1, 3600.0) == pytest.approx(RISE["killing rise of the 0.6/0.4 index"].value)
    halfway = (24.2 + 32.1) / 2
    assert rise_warning(24.2, halfway, 1800.0, **limits)
    assert not rise_warning(24.2, 24.2 + 7.9 / 6, 3600.0, **limits)
    assert not rise_warning(28.0, 28.0 + 7.9 / 6, 3600.0, **limits)
    assert band_of(32.1, HEAT_STRESS[formula("layer")]) == "emergency"
    assert band_of(24.2, HEAT_STRESS[formula("layer")]) == "comfort"


@pytest.mark.parametrize("speed", [0.2, 0.7, 1.2])
@pytest.mark.parametrize(("dry", "dew_point"), [(35.0, 19.4), (38.0, 26.1), (41.0, 19.4)])
def test_the_broiler_index_falls_with_air_speed_as_published(dry: float, dew_point: float, speed: float) -> None:
    """Tao & Xin (2003): THVI = (0.85·Tdb + 0.15·Twb)·V^−0.058 at the temperatures, dew points and speeds they tried;
    worked here from the printed formula with a wet bulb found by bisection on the humidity."""
    low, high = 1.0, 100.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if dew_point_c(dry, middle) < dew_point else (low, middle)
    wet = wet_bulb_c(dry, low)
    assert thi_c("meat", dry, wet, speed) == pytest.approx((0.85 * dry + 0.15 * wet) / speed**0.058)
    assert thi_c("meat", dry, wet, 0.2) / thi_c("meat", dry, wet, 1.2) == pytest.approx(1.110, abs=0.001)  # 6^0.058


@pytest.mark.parametrize(
    ("temperature_c", "layer", "meat"),
    [(24.0, "comfort", "comfort"), (26.0, "comfort", "comfort"), (32.5, "danger", "danger"), (36.5, "emergency", "emergency")],
)
def test_bands_agree_with_the_dry_bulb_anchors(temperature_c: float, layer: str, meat: str) -> None:
    """At 50 % humidity: heat stress very unlikely to 26 °C (ventilation course notes), serious from 32 °C (Sander), survival
    of minutes from 36 °C in still air (University of Kentucky). The bands between are our reasoning and are held to these."""
    wet = wet_bulb_c(temperature_c, 50.0)
    assert band_of(thi_c("layer", temperature_c, wet), HEAT_STRESS[formula("layer")]) == layer
    assert band_of(thi_c("meat", temperature_c, wet), HEAT_STRESS[formula("meat")]) == meat
